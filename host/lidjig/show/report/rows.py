"""The technician's table: each measurement with limits, value, interval, n, outcome, and the events it stands on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lidjig.record.model import MARGINAL, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.words import Said, Words

REFS_MAX = 4  # events that one row names
# Parts of one that people read in percent, and yes or no kept as 1 or 0.
_PERCENT = re.compile(r"(.* )?miss rate|reliability shown")
_YES_NO = re.compile(r"lines open, lid shut: .*|real sensor, lid .*: .*")


@dataclass(frozen=True)
class StepRow:
    """One measurement for people, with the recorded numbers beside it (raw). outcome: the recorded word."""

    name: Said
    limits: str
    value: str
    interval: str
    n: str
    outcome: str
    outcome_word: str
    hint: str
    events: tuple[Ref, ...]
    raw: dict[str, Any]

    @property
    def key(self) -> str:
        """The outcome as a key: for CSS classes and the catalogue."""
        return outcome_key(self.outcome)


def outcome_key(outcome: str) -> str:
    """ "not measured" -> "not_measured"."""
    return outcome.replace(" ", "_")


class Shown:
    """Writes the numbers of one measurement as people read them."""

    def __init__(self, measured: MeasuredValue, words: Words) -> None:
        self.m, self.words = measured, words
        self.percent = _PERCENT.fullmatch(measured.name) is not None
        self.yes_no = _YES_NO.fullmatch(measured.name) is not None

    def number(self, value: float | None, digits: int = 4) -> str:
        """With its unit."""
        if self.percent:
            return self.words.percent(value, digits)
        if self.yes_no and value in (0.0, 1.0):
            return self.words("form.yes" if value else "form.no")
        return self.words.quantity(value, self.m.unit, digits)

    def limits(self) -> str:
        low, high, words = self.m.limit_low, self.m.limit_high, self.words
        if low is not None and low == high:
            return words("limit.exact", value=self.number(low))
        if low is not None and high is not None:
            return words("limit.range", low=self._bare(low), high=self.number(high))
        if low is not None:
            return words("limit.low", value=self.number(low))
        return words("limit.high", value=self.number(high)) if high is not None else words("limit.none")

    def value(self) -> str:
        m, words = self.m, self.words
        if m.value is None:
            return words("outcome.not_measured")
        if m.low is not None and m.high is None:
            return words("value.low", value=self.number(m.low))
        if m.high is not None and m.low is None:
            return words("value.high", value=self.number(m.high))
        return self.number(m.value)

    def interval(self) -> str:
        m, words = self.m, self.words
        if m.value is None or (m.low is None) != (m.high is None):
            return words.figure(None)
        if m.low is None:
            return words("value.no_interval")
        if m.low == m.high:
            return words("value.exact")
        return words.between(self._bare(m.low), self.number(m.high))

    def _bare(self, value: float | None) -> str:
        """Without its unit, which stands once behind a range."""
        if self.percent and value is not None:
            return self.words.figure(value * 100.0)
        return self.words.figure(value)


def step_rows(run: StoredRun, words: Words, index: EventIndex, trials: Sequence[TrialRow] = ()) -> list[StepRow]:
    """Each measurement once, as it was entered last. trials: the run's movements, to name those behind a figure."""
    return [_row(measured, words, _Refs(run, index, trials)) for measured in latest(run.measurements)]


def _row(measured: MeasuredValue, words: Words, refs: _Refs) -> StepRow:
    shown = Shown(measured, words)
    hint = ""
    if measured.outcome == MARGINAL and measured.n_to_settle:
        hint = words("value.settle", n=measured.n_to_settle)
    return StepRow(
        name=words.sentence(measured.name),
        limits=shown.limits(),
        value=shown.value(),
        interval=shown.interval(),
        n=str(measured.n) if measured.value is not None else words.figure(None),
        outcome=measured.outcome,
        outcome_word=words(f"outcome.{outcome_key(measured.outcome)}"),
        hint=hint,
        events=refs.of(measured)[:REFS_MAX],
        raw=measured.to_json(),
    )


class _Refs:
    """Events that a figure was taken from, where the record names them; none where it is not certain."""

    def __init__(self, run: StoredRun, index: EventIndex, trials: Sequence[TrialRow]) -> None:
        self._run, self._index, self._trials = run, index, trials

    def of(self, measured: MeasuredValue) -> tuple[Ref, ...]:
        name, value = measured.name, measured.value
        if value is None:
            return ()
        if re.fullmatch(r"(sleep|wake)(s too late| misses)", name):
            return self._bad_trials(name, round(value))
        if re.fullmatch(r"(sleep|wake) latency, (fastest|slowest)", name):
            return self._trial(name, value)
        if re.fullmatch(r"(sleep|wake) latency", name) and measured.low is not None:
            return self._index.pairs(value, "output")
        if name.startswith("start, ") and measured.low is not None and measured.high is not None:
            return self._index.pairs(measured.low, "mark")  # the earliest: counted from the operator's answer
        if re.fullmatch(r"output \d+ changes|machine is told .*", name):
            wanted = round(value * 1000)
            events = enumerate(self._run.events)
            places = [p for p, e in events if e.name == "output" and e.data["angle_mdeg"] == wanted]
            return tuple(self._index.ref(place) for place in places[:1])
        return ()

    def _trial(self, name: str, value: float) -> tuple[Ref, ...]:
        """Stimulus and reaction of the movement that took just so long."""
        for trial in self._trials:
            taken = trial.latency_s
            if trial.verb == name.split()[0] and taken is not None and abs(taken - value) < 1e-9:
                reaction = self._index.at(trial.reaction_us) if trial.reaction_us is not None else None
                refs = [None if trial.place is None else self._index.ref(trial.place), reaction]
                return tuple(ref for ref in refs if ref is not None)
        return ()

    def _bad_trials(self, name: str, count: int) -> tuple[Ref, ...]:
        """Stimuli of the movements that were missed or late, where they are as many as were counted."""
        wanted = "late" if name.endswith("too late") else "miss"
        bad = [trial for trial in self._trials if trial.verb == name.split()[0].rstrip("s") and trial.result == wanted]
        if len(bad) != count:
            return ()
        return tuple(self._index.ref(trial.place) for trial in bad[:REFS_MAX] if trial.place is not None)
