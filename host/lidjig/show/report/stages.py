"""The run step by step: what each step came to and when, the figures taken in it, and why one was left out.

A table tells which steps of the record, measurements and observations belong together; what it does not know stands by
itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from lidjig.record.model import (
    ANGLES_STEP,
    DECLARED_STEP,
    DRIVEN_STEP,
    FORCED_STEP,
    LID_STEP,
    NOT_MEASURED,
    OBSERVERS_STEP,
    RECORD_STEP,
    START_STEP,
    SWEEP_STEP,
    TRIAL_STEPS,
    TRIM_BUDGET_STEP,
    TRIM_METER_STEP,
    TRIM_POINT_STEP,
    TRIM_STORED_STEP,
    TRIM_SUPPLY_STEP,
    WATCHED_STEP,
    WEIGHED_STEP,
    MeasuredValue,
)
from lidjig.record.stored import StoredObservation, StoredRun, StoredStep
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.bearing import measurements_of
from lidjig.show.report.customer import STOPPED
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.findings import Evidence
from lidjig.show.report.readings import Readings
from lidjig.show.report.retold import retold
from lidjig.show.report.rows import StepRow
from lidjig.show.report.words import Said, Words

DONE, PART, LEFT = "done", "done_in_part", "not_done"  # what a step came to
OPEN, BROKEN, MISSED = "not_finished", "broken_off", "missed_or_late"
LISTED_MAX = 30  # stretches of cycles or rounds that are told one by one
_SKIPPED = "not tested: "
_TRIALS = r"states lost|(sleep|wake)( misses|s too late| miss rate| latency, .*)|miss rate|rounds|cycles|reliability .*"
# Observations that say no more than the figures below them.
_FIGURES_ONLY = {"charger", "supply", "sensor_current", "pull", "sensor_steady", "start_open", "start_standin"}


@dataclass(frozen=True)
class _Stage:
    """A stage of a procedure. figures: names of its measurements; seen: its observations; step, arguments: its steps of
    the record; skip: how a note names what was left out; needs: observations that it depends on, the nearest first.
    """

    key: str
    figures: str = ""
    seen: tuple[str, ...] = ()
    step: str = ""
    arguments: tuple[tuple[str, object], ...] = ()
    skip: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    command: str = ""

    def has(self, step: StoredStep) -> bool:
        """Whether a step of the record belongs to it."""
        if self.step in TRIAL_STEPS:
            return step.name in TRIAL_STEPS
        return step.name == self.step and all(step.arguments.get(key) == value for key, value in self.arguments)


_ANY, _STANDIN, _REAL = "machine with any route", "machine with the stand-in", "machine with the real sensor"
_STAGES = (
    _Stage("sensed", r".*", ("sensor_current", "sensor_steady", "sensor_speaks", "sensor_follows"), ANGLES_STEP,
           skip=("sensor",), command="sense"),
    _Stage("survey", r"charger voltage|sensor supply|line \d+ .*", ("supply", "charger", "pull"), needs=("supply",)),
    _Stage("watched_open", r"sensor (line \d+|angle), lid open|sensor current", ("sensor_open", "sensor_current"),
           WATCHED_STEP, (("lid", "open"),), ("sensor",), ("sensor_speaks",)),
    _Stage("watched_shut", r"sensor (line \d+|angle), lid shut|sensor (changes|travel|readings|spread).*",
           ("sensor_shut", "sensor_follows", "sensor_speaks", "sensor_steady"),
           WATCHED_STEP, (("lid", "shut"),), ("sensor",), ("sensor_speaks",)),
    _Stage("unfed", "", ("sensor_unfed",)),
    _Stage("start_open", r"start, lines open", ("start_open",), START_STEP, (("observation", "start_open"),), (_ANY,)),
    _Stage("lid_open", r"lines open, lid shut: .*", ("sleep_open",), LID_STEP, (("route", 0),), (_ANY,),
           ("start_open",)),
    _Stage("start_shut", "", ("start_shut",), START_STEP, (("observation", "start_shut"),)),
    _Stage("start_standin", r"start, stand-in open", ("start_standin",), START_STEP,
           (("observation", "start_standin"),), (_STANDIN, _ANY)),
    _Stage("start_driven", "", ("start_driven",), START_STEP, (("observation", "start_driven"),)),
    _Stage("trials", _TRIALS, ("state_kept", "sleep_standin", "wake_standin"), "round", (), (_STANDIN, _ANY),
           ("start_standin", "sleep_standin")),
    _Stage("driven", "", ("sleep_driven",), DRIVEN_STEP),
    _Stage("start_real", r"start, real sensor", ("start_through",), START_STEP, (("observation", "start_through"),),
           (_REAL, _ANY)),
    _Stage("real_shut", r"real sensor, lid shut: .*|real sensor, sleep latency", ("sleep_through",), LID_STEP,
           (("route", 1), ("state", "S3")), (_REAL, _ANY), ("sleep_through", "start_through")),
    _Stage("real_opened", r"real sensor, lid opened: .*|real sensor, wake latency", ("wake_through",), LID_STEP,
           (("route", 1), ("state", "S0")), (_REAL, _ANY), ("wake_through", "sleep_through", "start_through")),
    _Stage("sweep", r"output \d+ changes|machine is told .*|(sleep|wake) latency", (), SWEEP_STEP),
    _Stage("held", r"angle held"),
    _Stage("forced", "", (), FORCED_STEP),
    _Stage("trim", r"supply by the meter|output, .*|largest (residual|error) .*|uncertainty .*|effective .*", (),
           TRIM_POINT_STEP),
    _Stage("record", r".* recorded|blocks .*|.* confused|pairs .*", (), RECORD_STEP),
)  # fmt: skip
_BOOKKEEPING = {
    DECLARED_STEP: "declared", WEIGHED_STEP: "weighed", OBSERVERS_STEP: "observers",
    TRIM_METER_STEP: "trim_meter", TRIM_SUPPLY_STEP: "trim_supply", TRIM_STORED_STEP: "trim_stored",
    TRIM_BUDGET_STEP: "trim_budget",
}  # fmt: skip
_GOOD = ("yes", "always", "right", "sometimes", "late")  # values of an observation that let the next step be taken


@dataclass(frozen=True)
class StageLine:
    """A step, or a stretch of cycles with one outcome. begin, end: board times, "" where unknown; events: what lies at
    them, or the trials that were missed; span: all between the two.
    """

    name: str
    outcome: str
    word: str
    begin: str
    end: str
    events: tuple[Ref, ...]
    span: bool
    why: Said


@dataclass(frozen=True)
class StageRow:
    """A stage: its lines, what was seen in it and no figure tells, why something of it was not measured, and the
    anchors of its measurements."""

    key: str
    lines: tuple[StageLine, ...]
    seen: tuple[Evidence, ...]
    reason: Said
    rows: tuple[str, ...]


class Stages:
    """Puts every step and every measurement of a run in rows, each once. rows: its measurements."""

    def __init__(
        self,
        run: StoredRun,
        words: Words,
        index: EventIndex,
        rows: Sequence[StepRow],
        trials: Sequence[TrialRow],
        readings: Readings,
    ) -> None:
        self._run, self._words, self._index, self._readings = run, words, index, readings
        self._rows, self._trials = rows, trials
        self._values = {str(row.raw["name"]): _value_of(row) for row in rows}
        self._seen = {one.name: one for one in run.observations}

    def made(self) -> Iterable[StageRow]:
        """The stages in their order, what belongs to none after them."""
        left, steps = list(self._rows), [step for step in self._run.steps if step.name != DECLARED_STEP]
        yield from (self._alone(step) for step in self._run.steps if step.name == DECLARED_STEP)
        for stage in _STAGES:
            if stage.command not in ("", self._run.command):
                continue
            mine = [row for row in left if re.fullmatch(stage.figures, str(row.raw["name"]))]
            done = [step for step in steps if stage.has(step)]
            seen = [self._seen[name] for name in stage.seen if name in self._seen]
            left = [row for row in left if row not in mine]
            steps = [step for step in steps if step not in done]
            if mine or done or seen:
                yield self._stage(stage, mine, done, seen)
        if left:
            yield StageRow("other", (self._line(self._words("stage.other"), DONE),), (), Said(""), _anchors(left))
        yield from map(self._alone, steps)

    def _alone(self, step: StoredStep) -> StageRow:
        """A step in which nothing is measured."""
        key = _BOOKKEEPING.get(step.name)
        name = self._words(f"stage.{key}") if key else self._words.sentence(step.name).text
        return StageRow(key or "step", (self._of_step(name, step),), (), Said(""), ())

    def _stage(
        self, stage: _Stage, rows: list[StepRow], steps: list[StoredStep], seen: list[StoredObservation]
    ) -> StageRow:
        missing = [row for row in rows if row.outcome == NOT_MEASURED]
        reason = self._reason(stage) if missing else Said("")
        if steps and stage.step in TRIAL_STEPS:
            lines = self._of_trials(steps)
        elif steps:
            lines = [self._of_step(self._name(stage, step), step) for step in steps]
        else:
            outcome = LEFT if not seen and len(missing) == len(rows) else PART if missing else DONE
            lines = [self._line(self._words(f"stage.{stage.key}"), outcome)]
            if stage.key == "unfed":
                lines = [self._line(self._words("stage.unfed"), DONE, events=self._readings.unfed())]
        told = tuple(self._told(one) for one in seen if not self._in_figures(one, rows))
        return StageRow(stage.key, tuple(lines), told, reason, _anchors(rows))

    def _name(self, stage: _Stage, step: StoredStep) -> str:
        if step.name == ANGLES_STEP and "lid_deg" in step.arguments:
            return self._words("stage.sensed_at", angle=self._words.figure(step.arguments["lid_deg"]))
        if step.name == TRIM_POINT_STEP and isinstance(step.result, dict):
            return self._trim_read(str(step.arguments.get("code", "")), step.result)
        state = str(step.arguments.get("state", ""))
        known = f"state.{state}"
        return self._words(f"stage.{stage.key}", state=self._words(known) if self._words.has(known) else state)

    def _trim_read(self, code: str, read: dict[str, Any]) -> str:
        volts = self._words.quantity(read.get("v"), "V", 6)
        if "off_v" not in read:  # of an older lidjig
            return self._words("stage.trim_read", code=code, volts=volts)
        wanted = self._words.quantity(round(float(read["wanted_v"]), 4), "V", 6)
        off = self._words.quantity(round(1000.0 * float(read["off_v"]), 2), "mV")
        key = "stage.trim_read_trimmed" if read.get("trimmed") else "stage.trim_read_untrimmed"
        return self._words(key, code=code, volts=volts, wanted=wanted, off=off)

    # -- lines

    def _line(
        self,
        name: str,
        outcome: str,
        begin: str = "",
        end: str = "",
        events: tuple[Ref, ...] = (),
        span: bool = False,
        why: Said | None = None,
    ) -> StageLine:
        word = self._words(f"stage.{outcome}")
        return StageLine(name, outcome, word, begin, end, events, span, why or Said(""))

    def _of_step(self, name: str, step: StoredStep) -> StageLine:
        outcome = {"open": OPEN, "failed": BROKEN}.get(step.state, DONE)
        times = [self._words.seconds(t) if t is not None else "" for t in (step.begin_t_us, step.end_t_us)]
        why = self._words.sentence(step.exception.partition(": ")[2] or step.exception) if step.exception else None
        return self._line(name, outcome, times[0], times[1], self._about(step), span=True, why=why)

    def _about(self, step: StoredStep) -> tuple[Ref, ...]:
        """The last events before begin and end; none where several boots told the time anew."""
        if self._index.boots != 1 or step.begin_t_us is None or step.end_t_us is None:
            return ()
        refs = [self._index.before(t_us) for t_us in (step.begin_t_us, step.end_t_us)]
        return tuple(ref for ref in refs if ref is not None)

    def _of_trials(self, steps: list[StoredStep]) -> list[StageLine]:
        """Cycles or rounds, those with one outcome in a row together."""
        parts = [(key, list(group)) for key, group in groupby(steps, self._came_to)]
        lines = [self._stretch(outcome, group) for outcome, group in parts[:LISTED_MAX]]
        rest = [step for _outcome, group in parts[LISTED_MAX:] for step in group]
        if rest:
            missed = sum(self._came_to(step) == MISSED for step in rest)
            name = self._words(f"stage.{rest[0].name}_rest", n=len(rest), missed=missed)
            lines.append(self._line(name, MISSED if missed else DONE))
        return lines

    def _came_to(self, step: StoredStep) -> str:
        if step.state != "done":
            return OPEN if step.state == "open" else BROKEN
        number = int(step.arguments.get("number", 0))
        return MISSED if any(trial.number == number and trial.result != "hit" for trial in self._trials) else DONE

    def _stretch(self, outcome: str, steps: list[StoredStep]) -> StageLine:
        words, numbers = self._words, [int(step.arguments.get("number", 0)) for step in steps]
        name = words(f"stage.{steps[0].name}", n=numbers[0])
        if len(steps) > 1:
            name = words(f"stage.{steps[0].name}s", first=numbers[0], last=numbers[-1])
        mine = [t for t in self._trials if t.number in set(numbers) and t.place is not None]
        if outcome == MISSED:
            mine = [trial for trial in mine if trial.result != "hit"]
            refs = tuple(self._index.ref(trial.place) for trial in mine if trial.place is not None)
            return self._line(name, outcome, events=refs)
        if len(steps) == 1 and outcome != DONE:
            return self._of_step(name, steps[0])
        ends = dict.fromkeys(self._index.ref(t.place) for t in (*mine[:1], *mine[-1:]) if t.place is not None)
        return self._line(name, outcome, events=tuple(ends), span=len(ends) == 2)

    # -- what was seen, and why not

    def _in_figures(self, seen: StoredObservation, rows: list[StepRow]) -> bool:
        """Whether a row of the stage says the same already."""
        if seen.name not in _FIGURES_ONLY or seen.name == "pull" and seen.value != "right":
            return False
        return any(row.raw["value"] is not None and row.raw["low"] is not None for row in rows)

    def _told(self, seen: StoredObservation) -> Evidence:
        named = measurements_of(seen.text, self._values)
        said = self._words.sentence(retold(seen.text, [self._values[name] for name in named]))
        return Evidence(said, self._index.in_sentence(seen.text), speaks_for=True)

    def _reason(self, stage: _Stage) -> Said:
        """Why something of a stage was not measured; that nothing tells it, where nothing does."""
        words = self._words
        for note in self._run.notes:
            what = note.removeprefix(_SKIPPED)
            if what != note and any(what.startswith(f"{skip} (") for skip in stage.skip):
                return words.sentence(note)
            if re.match(rf"({stage.figures or '$^'}) not measured\. ", note):
                return words.sentence(note)
        for name in stage.needs:
            seen = self._seen.get(name)
            if seen is not None and seen.value not in _GOOD:
                return self._told(seen).said
        if not self._run.closed:
            return Said(words("stage.why_open"))
        if self._run.outcome == "error":
            return Said(words("stage.why_error"))
        if any(note.startswith(STOPPED) for note in self._run.notes):
            return Said(words("stage.why_stopped"))
        return Said(words("stage.why_untold"))


def _anchors(rows: Iterable[StepRow]) -> tuple[str, ...]:
    return tuple(row.anchor for row in rows)


def _value_of(row: StepRow) -> MeasuredValue:
    return MeasuredValue(*(row.raw[key] for key in ("name", "value", "unit", "low", "high", "n")))
