"""What each figure stands on: the events and readings that it was taken from, where the record names them for certain.

Nothing is guessed: where the record holds another number of them than was counted, there is no link.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.bench.actions import ACTIONS
from lidjig.record.model import CYCLE_STEP, TRIAL_STEPS, WATCHED_STEP, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.cautions import ASKED
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.readings import Readings

_STARTS = ("press-power", "connect-charger")  # what the operator starts a machine by


@dataclass(frozen=True)
class Standing:
    """Links to what a figure stands on. span: all that lies between the two links; else just these."""

    refs: tuple[Ref, ...] = ()
    span: bool = False


class Standings:
    """Looks up what the figures of a run stand on. trials: the run's recorded movements of the emulated lid."""

    def __init__(self, run: StoredRun, index: EventIndex, trials: Sequence[TrialRow], readings: Readings) -> None:
        self._run, self._index, self._trials, self._readings = run, index, trials, readings
        self._values = {measured.name: measured for measured in latest(run.measurements)}
        self._levels = [m for m in self._values.values() if m.name.startswith("sensor line")]
        self._answers = _answers(run)

    def of(self, measured: MeasuredValue) -> Standing:
        """What one figure stands on."""
        name, value = measured.name, measured.value
        if value is None:
            return Standing()
        readings = self._readings.of(measured, self._levels)
        if readings:
            return Standing(readings)
        verb = re.match(r"(sleep|wake)s? (misses|too late|miss rate|latency)", name)
        if verb is not None:
            return self._of_trials(verb.group(1), name, measured)
        if name in ("miss rate", "rounds", "cycles"):
            return self._all(measured, by_step=name != "miss rate")
        if name == "states lost":
            return Standing(self._lost(round(value))) if value else self._all(measured, by_step=False)
        if name.startswith("start, "):
            return Standing(self._start(measured))
        if name.startswith(("real sensor, ", "lines open, lid shut")):
            return Standing(self._real_lid(name))
        if re.match(r"sensor (changes|angle|travel|readings|spread)", name):
            at = re.fullmatch(r"sensor angle, lid (open|shut)", name)
            return Standing(self._watched(at.group(1) if at else ""))
        if name == "angle held":
            return Standing(self._at_angle("arrived", value)[-1:])
        if re.fullmatch(r"output \d+ changes|machine is told .*", name):
            return Standing(self._at_angle("output", value)[:1])
        return Standing()

    # -- the emulated lid

    def _of_trials(self, verb: str, name: str, measured: MeasuredValue) -> Standing:
        mine = [trial for trial in self._trials if trial.verb == verb]
        value = measured.value or 0.0
        if name.endswith(("misses", "too late")) and value:
            wanted = "late" if name.endswith("too late") else "miss"
            bad = [trial for trial in mine if trial.result == wanted]
            return Standing(self._stimuli(bad) if len(bad) == round(value) else ())
        if name.endswith(("fastest", "slowest")):
            return Standing(self._trial(mine, value))
        if name.endswith("latency"):  # of a sweep, which has one movement and no trials
            return Standing(self._index.pairs(value, "output") if measured.low is not None else ())
        if name.endswith("median"):
            mine = [trial for trial in mine if trial.latency_s is not None]
        return self._between(mine) if len(mine) == measured.n else Standing()

    def _all(self, measured: MeasuredValue, *, by_step: bool) -> Standing:
        """All movements, where they (or their cycles and rounds) are as many as were counted."""
        steps = [step for step in self._run.steps if step.name in TRIAL_STEPS and step.state == "done"]
        counted = len(steps) if by_step else len(self._trials)
        wanted = measured.value if by_step else measured.n  # movements of earlier runs may be among those counted
        return self._between(self._trials) if counted == wanted else Standing()

    def _between(self, trials: Sequence[TrialRow]) -> Standing:
        placed = [trial for trial in trials if trial.place is not None]
        if len(placed) < 2:
            return Standing(self._stimuli(placed))
        return Standing(self._stimuli([placed[0], placed[-1]]), span=True)

    def _stimuli(self, trials: Sequence[TrialRow]) -> tuple[Ref, ...]:
        return tuple(self._index.ref(trial.place) for trial in trials if trial.place is not None)

    def _trial(self, trials: Sequence[TrialRow], value: float) -> tuple[Ref, ...]:
        """Stimulus and reaction of the movement that took just so long."""
        for trial in trials:
            taken = trial.latency_s
            if taken is not None and abs(taken - value) < 1e-9:
                reaction = self._index.at(trial.reaction_us, trial.boot) if trial.reaction_us is not None else None
                return tuple(ref for ref in (*self._stimuli([trial]), reaction) if ref is not None)
        return ()

    def _lost(self, count: int) -> tuple[Ref, ...]:
        """The last event before the machine was met in a state that nobody had brought it to."""
        met = [
            trial["stimulus_us"]
            for step in self._run.steps
            if step.name in TRIAL_STEPS and isinstance(step.result, list)
            for trial in step.result
            if trial.get("found")
        ]
        refs = [self._index.before(t_us) for t_us in met]
        return tuple(ref for ref in refs if ref is not None) if len(met) == count else ()

    # -- what the operator did

    def _start(self, measured: MeasuredValue) -> tuple[Ref, ...]:
        if measured.low is not None and measured.high is not None:
            return self._index.pairs(measured.low, "mark")  # the earliest: counted from the operator's answer
        # It never started: the sentence on it names the time of the operator's act.
        how = measured.name.removeprefix("start, ").replace("real sensor", "real sensor, lid open")
        for finding in self._run.findings:
            for text in finding.evidence:
                if f"{how}: the machine did not start" in text:
                    return self._index.in_sentence(text)
        return ()

    def _real_lid(self, name: str) -> tuple[Ref, ...]:
        """The operator's answer after moving the real lid, and the reaction where there is one."""
        verb = "sleep" if "sleep" in name or "stays awake" in name else "wake"
        seconds = self._values.get(f"real sensor, {verb} latency")
        if name.startswith("real sensor") and seconds is not None and seconds.low:
            pair = self._index.pairs(seconds.low, "mark")
            if pair:
                return pair
        starts = [p for p, (action, _) in enumerate(self._answers) if action in _STARTS]
        if not starts:
            return ()
        # The first start is with the lines open, the last with the machine's own sensor.
        at = starts[0] if name.startswith("lines open") else starts[-1]
        wanted = "shut-lid" if verb == "sleep" else "open-lid"
        places = [place for action, place in self._answers[at:] if action == wanted]
        return (self._index.ref(places[0]),) if places else ()

    def _watched(self, lid: str) -> tuple[Ref, ...]:
        """The events about each interval in which the sensor was watched (with the lid so; "" both): the last before
        its begin, the first after its end, and the changes between.
        """
        times = [event.t_us for event in self._run.events]
        refs: list[Ref] = []
        for step in self._run.steps:
            if step.name != WATCHED_STEP or step.begin_t_us is None or step.end_t_us is None:
                continue
            if lid not in ("", step.arguments.get("lid")):
                continue
            before = [place for place, t_us in enumerate(times) if t_us <= step.begin_t_us]
            after = [place for place, t_us in enumerate(times) if t_us >= step.end_t_us]
            counters = set((step.result or {}).get("edges", ()))
            inside = [place for place, event in enumerate(self._run.events) if event.counter in counters]
            refs += [self._index.ref(place) for place in (*before[-1:], *inside, *after[:1])]
        return tuple(dict.fromkeys(refs))

    def _at_angle(self, event: str, value: float) -> tuple[Ref, ...]:
        wanted = round(value * 1000)
        events = enumerate(self._run.events)
        places = [p for p, e in events if e.name == event and e.data["angle_mdeg"] == wanted]
        return tuple(self._index.ref(place) for place in places)


def _answers(run: StoredRun) -> list[tuple[str, int]]:
    """(action, place of the mark switch's event) for each thing the operator was asked for; empty where one was
    answered in another way, since then nothing tells which mark belongs to which.
    """
    actions = {words: action for action, (words, _caution) in ACTIONS.items()}
    asked = [note.removeprefix(ASKED) for note in run.notes if note.startswith(ASKED)]
    marks = [place for place, event in enumerate(run.events) if event.name == "mark" and event.data["pressed"]]
    if len(asked) != len(marks):
        return []
    return [(actions.get(words, ""), place) for words, place in zip(asked, marks, strict=True)]


def unit_of(run: StoredRun) -> str:
    """What the run's movements are counted in: "cycle" or "round"."""
    return CYCLE_STEP if any(step.name == CYCLE_STEP for step in run.steps) else "round"
