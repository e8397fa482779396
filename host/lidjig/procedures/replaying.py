"""A stored run through the analysis once more: the same events have to give the same figures and the same findings.

What happened is taken from the events: power states, stimuli, reactions, starts, movements of the real lid. What was
read by the analog channels is taken as recorded and judged anew, by the limits of the profiles that the run kept. The
conclusion is drawn by the same procedure on a bench where nothing moves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

from lidjig.errors import BadInput
from lidjig.jig_types import Route
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle, Proof
from lidjig.procedures.hold import Hold
from lidjig.procedures.isolate import Isolate
from lidjig.procedures.isolate_angle import FIGURES, LIDS, OBSERVED, AngleSide
from lidjig.procedures.lid import Trial, from_result
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.rederiving import Again, spans_of
from lidjig.procedures.replay_bench import (
    STOOD_ON,
    blaming_nothing,
    closing,
    has_concluded,
    still_bench,
    without_argument,
    without_conclusion,
)
from lidjig.procedures.replay_sense import SensingAgain
from lidjig.procedures.replay_teach import Relearning
from lidjig.procedures.replay_trim import Retrimming
from lidjig.procedures.replayed import Replayed, compare
from lidjig.procedures.report import Report, Sheet
from lidjig.procedures.response import declare_trials
from lidjig.procedures.sense import Sense
from lidjig.procedures.sensor_looks import Looked
from lidjig.procedures.start import waited_s as start_waited_s
from lidjig.procedures.survey import declare_machine_side
from lidjig.procedures.sweep import Sweep
from lidjig.procedures.teaching import Teach
from lidjig.procedures.trim import Trim
from lidjig.record.holes import Hole
from lidjig.record.model import CYCLE_STEP, DRIVEN_STEP, LID_STEP, ROUND_STEP, START_STEP, SWEEP_STEP, WATCHED_STEP
from lidjig.record.power_states import Series
from lidjig.record.stored import StoredRun, StoredStep

STANDIN_SEEN = {"sleep_standin", "wake_standin", "state_kept"}  # observations that stand on trials alone
WANTED = "a run of confirm, isolate, sense, cycle, sweep, hold, teach or trim"
HIDDEN = "not measured: part of what it stands on is missing from the record"


def _cycle(bench: Bench, given: Mapping[str, Any], before: list[list[Trial]]) -> Cycle:
    proof = Proof(given["reliability"], given["confidence"]) if "reliability" in given else None
    return Cycle(bench, int(given["count"]), proof=proof, before=before)


# Command -> its procedure from the arguments that its run recorded. Raises KeyError where one is missing.
MAKERS: dict[str, Callable[[Bench, Mapping[str, Any], list[list[Trial]]], Procedure]] = {
    "confirm": lambda bench, given, _before: Confirm(bench, int(given["repeat"])),
    "isolate": lambda bench, given, _before: Isolate(bench, int(given["repeat"]), float(given["watch_s"])),
    "cycle": _cycle,
    "sweep": lambda bench, given, _b: Sweep(bench, float(given["from_deg"]), float(given["to_deg"]), given["rate"]),
    "hold": lambda bench, given, _before: Hold(bench, float(given["angle_deg"]), given["seconds"]),
}


def replay(run: StoredRun, series: Series, earlier: Sequence[StoredRun] = ()) -> Replayed:
    """The run once more. series: its samples, read only where they are needed; earlier: the interrupted runs that it
    goes on with, oldest first.

    Raises BadInput for a run of a command that concludes nothing, and for one that was recorded before what its
    findings stand on was kept.
    """
    if run.command not in (*MAKERS, Sense.command, Teach.command, Trim.command):
        todo = f"Look at it with 'lidjig show {run.id}'; 'lidjig runs' lists the runs that there are."
        raise BadInput(run.id, "RUN", run.command, f"{WANTED}; {_why_not(run)}", todo)
    if run.findings and not run.observations:
        raise BadInput(
            run.id, "RUN", run.id,
            "a run that kept the observations its findings stand on; this one was recorded by a lidjig that did not "
            f"keep them (before schema 3), so its findings can be read ('lidjig show {run.id}') and not drawn anew",
        )  # fmt: skip
    if run.command == Trim.command:
        return Retrimming(run).run()
    if run.command == Sense.command:
        return SensingAgain(run).run()
    return Relearning(run, series).run() if run.command == Teach.command else _Replay(run, earlier).run()


def _why_not(run: StoredRun) -> str:
    """Why a command is not replayed, and what there is instead."""
    if run.command == "unknown":
        return "the run's own row was lost, so that not even its command is known"
    return f"{run.command} draws no conclusion; what it heard is there for 'lidjig show' and 'lidjig export'"


@dataclass
class _Replay:
    """One run on its way through the analysis. figures, observed: names of those that follow from events."""

    stored: StoredRun
    earlier: Sequence[StoredRun]
    figures: set[str] = field(default_factory=set)
    observed: set[str] = field(default_factory=set)
    trials: list[tuple[str, Trial, Trial | str | None]] = field(default_factory=list)  # what, as recorded, as derived
    hidden: list[tuple[str, str]] = field(default_factory=list)  # what lies in a hole, as recorded

    @property
    def holes(self) -> list[Hole]:
        """What is missing of that which a conclusion stands on."""
        return [hole for hole in self.stored.holes if hole.table in STOOD_ON]

    def run(self) -> Replayed:
        """Derive, judge, conclude, compare."""
        procedure = self._procedure()
        self.procedure, self.response = procedure, cast(Any, procedure).response
        self.again = Again(self.stored, self.response)
        self._derive()
        seen = self._merge_seen()
        self._merge_sheet()
        self.response.seen = seen
        report = self._conclude()
        if self.holes:
            report = blaming_nothing(report, self.stored, [hole.text for hole in self.holes])
        done = compare(self.stored, report, self.response.seen, self.trials, spans_of(self.again.boots), self._taken())
        done.miss([hole.text for hole in self.stored.holes], [hole.text for hole in self.holes], self.hidden)
        return done

    def _procedure(self) -> Procedure:
        stored = self.stored
        bench = still_bench(stored)
        before = [trials for run in self.earlier for trials in _cycles(run)]
        try:
            return MAKERS[stored.command](bench, stored.arguments, before)
        except KeyError as error:
            raise without_argument(stored, error) from error

    # -- what follows from events

    def _derive(self) -> None:
        """Every step whose result is board times, anew; what it came to goes into the procedure's sheet and list."""
        rounds: list[Trial] = []
        done = 0
        edges: dict[str, int] = {}
        looked: dict[str, Looked] = {}
        if self.stored.command == "cycle":
            self.observed |= STANDIN_SEEN
        for step in self.stored.steps:
            if step.state != "done" or step.result is None:
                continue
            if step.name in (ROUND_STEP, CYCLE_STEP):
                found = self._trials(step)
                if found is None:
                    self._figures(*(one.name for one in declare_trials(self.response.bench.machine, 1)))
                    self.observed |= STANDIN_SEEN
                elif step.name == CYCLE_STEP:
                    cast(Cycle, self.procedure).cycles.append(found)
                else:
                    rounds += found
                    done += 1
                    self._enter_rounds_at_end(step, rounds, done)
            elif step.name == START_STEP:
                given = step.arguments
                self._figures(given["measured"])
                self.observed.add(given["observation"])
                end_us = step.result["s0_us"] or step.result["marked_us"] + start_waited_s(step.result["limit_s"]) * 1e6
                if self._hides(given["how"], step, end_us):
                    continue
                self.response.enter_start(
                    given["observation"], given["measured"], given["how"], self.again.start(step.result)
                )
            elif step.name == LID_STEP:
                self._lid(cast(Isolate, self.procedure), step)
            elif step.name == DRIVEN_STEP:
                self._driven(step)
            elif step.name == WATCHED_STEP:
                begin_us, end_us = step.begin_t_us or 0, step.end_t_us or math.inf
                if self.again.hidden("", begin_us, begin_us, end_us):
                    self.hidden.append((f"sensor watched, lid {step.arguments['lid']}", f"{step.result['edges']}"))
                    continue
                if "looked" in step.result:
                    looked[step.arguments["lid"]] = Looked.from_json(step.result["looked"])
                    continue
                edges[step.arguments["lid"]] = self._edges(cast(Isolate, self.procedure), step)
            elif step.name == SWEEP_STEP:
                self._sweep(cast(Sweep, self.procedure), step)
        by_angle = getattr(self.procedure, "by_angle", None)
        if by_angle is not None:
            self._by_angle(by_angle, looked)
        elif len(edges) < 2 and self.holes:
            self._figures("sensor changes, lid at rest")
            self.observed.add("sensor_steady")
        elif len(edges) == 2 and self._recorded("sensor changes, lid at rest"):
            self._figures("sensor changes, lid at rest")
            self.observed.add("sensor_steady")
            cast(Isolate, self.procedure).enter_steady(sum(edges.values()))

    def _by_angle(self, side: AngleSide, looked: dict[str, Looked]) -> None:
        """What a sensor that tells an angle said, judged anew from what was read of it."""
        whole = len(looked) == len(LIDS) and any(one.name in OBSERVED for one in self.stored.observations)
        if whole or self.holes:
            self._figures(*FIGURES)
            self.observed |= set(OBSERVED)
        if whole:
            side.enter(looked)

    def _figures(self, *names: str | None) -> None:
        self.figures |= {name for name in names if name is not None}

    def _recorded(self, name: str) -> bool:
        return any(m.name == name and m.value is not None for m in self.stored.measurements)

    def _hides(self, what: str, step: StoredStep, end_us: float) -> bool:
        """Whether a step that asked the operator lies in what is missing from the record."""
        asked_us = int(step.result["asked_us"])
        hidden = self.again.hidden("mark", int(step.result["marked_us"]), asked_us, end_us)
        if hidden:
            self.hidden.append((f"{step.name}, {what}", f"asked at {asked_us} us"))
        return hidden

    def _trials(self, step: StoredStep) -> list[Trial] | None:
        """The trials of a round or cycle anew; None where one of them lies in what is missing from the record."""
        old = from_result(step.result) or []
        new = self.again.trials(old)
        what = f"{step.name} {step.arguments.get('number', '')}".strip()
        hides = [self.again.hides(one) for one in old]
        told = [HIDDEN if hide else other for other, hide in zip(new, hides, strict=True)]
        self.trials += [(what, one, other) for one, other in zip(old, told, strict=True)]
        if any(hides):
            return None
        return [trial for trial in new if trial is not None]

    def _enter_rounds_at_end(self, step: StoredStep, rounds: list[Trial], done: int) -> None:
        """The figures of all rounds once the last one is through; rounds that were broken off gave none."""
        last = max(s.place for s in self.stored.steps if s.name == ROUND_STEP and s.state == "done")
        if step.place != last or not self._recorded("rounds"):
            return
        if any(other == HIDDEN for _what, _one, other in self.trials) or any(h.table == "steps" for h in self.holes):
            return  # figures of all rounds are not those of some
        repeat = int(self.stored.arguments["repeat"])
        self._figures(*(item.name for item in declare_trials(self.response.bench.machine, repeat)))
        self.observed |= STANDIN_SEEN
        self.response.enter_rounds(rounds, done, repeat)

    def _lid(self, isolate: Isolate, step: StoredStep) -> None:
        state, route = step.arguments["state"], Route(step.arguments["route"])
        self._figures("states lost")
        self.observed.add("state_kept")
        if route == Route.THROUGH:
            lid, verb = ("shut", "sleep") if state == "S3" else ("opened", "wake")
            self._figures(f"real sensor, lid {lid}: {verb}s", f"real sensor, {verb} latency")
            self.observed.add(f"{verb}_through")
        else:
            self._figures("lines open, lid shut: stays awake")
            self.observed.add("sleep_open")
        end_us = step.result["reached_us"] or step.result["marked_us"] + isolate.waited_s(state, route) * 1e6
        if self._hides(f"{state} by route {route.text}", step, end_us):
            return
        moved = self.again.lid_moved(isolate, state, route, step.result)
        if route == Route.THROUGH:
            isolate.enter_moved(state, moved)
        else:
            isolate.enter_open(moved)

    def _driven(self, step: StoredStep) -> None:
        self.observed.add("sleep_driven")
        since_us = int(step.result["since_us"])
        if self.again.hidden("", since_us, since_us, since_us + self.response.driven_s * 1e6):
            self.hidden.append((step.name, f"since {since_us} us"))
            return
        slept = self.again.slept_driven(step.result) is not None
        told = next((one for one in self.stored.observations if one.name == "sleep_driven"), None)
        if told is not None and told.value == ("yes" if slept else "no"):
            self.response.add(told.name, told.value, told.text)  # with the levels that were read meanwhile
        elif told is not None:
            self.response.enter_driven(slept, "")

    def _edges(self, isolate: Isolate, step: StoredStep) -> int:
        found = self.again.events_of(step.result["edges"], "edge")
        return sum(isolate.is_sensor_edge(event) for event in found)

    def _sweep(self, sweep: Sweep, step: StoredStep) -> None:
        verb, _before, state = sweep.wanted()
        self.observed.add(f"{verb}_standin")
        side = {item.name for item in declare_machine_side(sweep.bench.machine)}
        self._figures(*(m.name for m in sweep.sheet.all() if m.name not in side))
        begin_us, end_us = step.begin_t_us or 0, step.end_t_us or math.inf
        if self.again.hidden("", begin_us, begin_us, end_us):
            self.hidden.append((step.name, f"{len(step.result['outputs'])} changes of outputs"))
            return
        outputs = self.again.events_of(step.result["outputs"], "output")
        told = sweep.told(outputs)
        reached_us = None if told is None else self.again.reaction(state, told.t_us, sweep.waited_s)
        sweep.enter(outputs, reached_us)

    # -- what is taken as recorded

    def _merge_seen(self) -> list[Seen]:
        """Recorded observations in the order of the record, those that follow from events as derived."""
        derived = {one.name: one for one in self.response.seen}
        last = {one.name: place for place, one in enumerate(self.stored.observations)}
        out: list[Seen] = []
        for place, one in enumerate(self.stored.observations):
            if last[one.name] != place:
                continue
            if one.name in derived:
                out.append(derived.pop(one.name))
            elif one.name not in self.observed:
                out.append(Seen(one.name, one.value, one.text))
        return out + list(derived.values())

    def _merge_sheet(self) -> None:
        """Recorded figures in the order of the record against the declared limits; those from events as derived."""
        procedure = self.procedure
        derived = {m.name: m for m in procedure.sheet.taken()}
        declared = procedure.declare()
        names = {item.name for item in declared}
        procedure.sheet = self.response.sheet = Sheet(declared, lambda _measured: None)
        if self.stored.command == "cycle":
            side = {item.name for item in declare_machine_side(procedure.bench.machine)}
            self._figures(*(names - side))
        recorded = {m.name: m for m in self.stored.measurements if m.value is not None and m.name in names}
        for name, measured in recorded.items():
            if name in derived:
                procedure.sheet.again(derived.pop(name))
            elif name not in self.figures:
                procedure.sheet.again(measured)
        for measured in derived.values():
            procedure.sheet.again(measured)

    def _taken(self) -> int:
        """How many figures were taken as recorded."""
        return sum(m.value is not None and m.name not in self.figures for m in self.procedure.sheet.all())

    # -- the conclusion

    def _conclude(self) -> Report:
        """As the procedure's run() ends: a run that met an error, or was killed, concluded nothing."""
        if not has_concluded(self.stored):
            return without_conclusion(self.procedure, self.stored)
        self.procedure.conclude()
        return closing(self.procedure, self.stored)


def _cycles(run: StoredRun) -> list[list[Trial]]:
    done = [from_result(step.result) for step in run.steps if step.name == CYCLE_STEP and step.state == "done"]
    return [trials for trials in done if trials is not None]
