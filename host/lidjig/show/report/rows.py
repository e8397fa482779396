"""The technician's table: each measurement with limits, value, interval, n, outcome, and the events it stands on."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from lidjig.record.model import DECLARED_STEP, MARGINAL, NOT_MEASURED, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.numbers import unjudged
from lidjig.show.pages import latest
from lidjig.show.report.anchors import Ref
from lidjig.show.report.standing import Standings
from lidjig.show.report.words import Said, Words

NO_LIMIT, NOT_REACHED = "no limit", "not reached"  # what a recorded outcome is called where it says more than it knows
# Parts of one that people read in percent, and yes or no kept as 1 or 0.
_PERCENT = re.compile(r"(.* )?miss rate|reliability shown")
_YES_NO = re.compile(r"lines open, lid shut: .*|real sensor, lid .*: .*")
_OF_SUPPLY = re.compile(r"sensor line \d+, lid .*")  # levels, as parts of the sensor's supply
_DONE = ("cycles", "rounds")  # counts of what was done, with what was ordered as their lower limit


@dataclass(frozen=True)
class StepRow:
    """One measurement for people, with the recorded numbers beside it (raw). outcome: as it is told here (told_as).

    events: what it stands on; span: all between the two. anchor: the row's own, for what leads to it.
    """

    anchor: str
    name: Said
    limits: str
    value: str
    interval: str
    n: str
    outcome: str
    outcome_word: str
    hint: str
    events: tuple[Ref, ...]
    span: bool
    raw: dict[str, Any]

    @property
    def key(self) -> str:
        """The outcome as a key: for CSS classes and the catalogue."""
        return outcome_key(self.outcome)


def told_as(measured: MeasuredValue) -> str:
    """The outcome as it is told: the recorded word, but "no limit" for a figure that had none to meet, and "not
    reached" for a count of cycles or rounds that is known and short of what was ordered.
    """
    if unjudged(measured):
        return NO_LIMIT
    return NOT_REACHED if _is_short(measured) else measured.outcome


def _is_short(m: MeasuredValue) -> bool:
    """A count that ended before its limit: the record keeps it as a bound, which no limit is met by."""
    return m.name in _DONE and m.outcome == NOT_MEASURED and m.value is not None and m.value == m.low == m.n


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
        if self.yes_no and value in (0.0, 1.0):
            return self.words("form.yes" if value else "form.no")
        return self.whole(self._bare(value, digits))

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
        if _is_short(m):
            return self.number(m.value)
        if m.low is not None and m.high is None:
            return words("value.low", value=self.number(m.low))
        if m.high is not None and m.low is None:
            return words("value.high", value=self.number(m.high))
        return self.number(m.value) if self.yes_no else self.whole(self._rounded(m.value))

    def interval(self) -> str:
        m, words = self.m, self.words
        if _is_short(m):
            return words("value.exact")
        if m.value is None or (m.low is None) != (m.high is None):
            return words.figure(None)
        if m.low is None or m.high is None:
            return words("value.no_interval")
        if m.low == m.high:
            return words("value.exact")
        return words.between(self._rounded(m.low), self.whole(self._rounded(m.high)))

    def whole(self, number: str) -> str:
        """A number that is written already with what it is a number of."""
        if self.percent:
            return self.words.with_unit(number, "%")
        if _OF_SUPPLY.fullmatch(self.m.name):
            return self.words("form.of_supply", value=number)
        return self.words.with_unit(number, self.m.unit)

    def _bare(self, value: float | None, digits: int = 4) -> str:
        """Without its unit, which stands once behind a range."""
        return self.words.figure(value * 100.0 if self.percent and value is not None else value, digits)

    def _rounded(self, value: float) -> str:
        """A value or an end of the interval, with no more digits than the interval bears."""
        m, scale = self.m, 100.0 if self.percent else 1.0
        if m.low is None or m.high is None:
            return self._bare(value)
        return self.words.rounded(value * scale, m.low * scale, m.high * scale, m.unit)


def step_rows(run: StoredRun, words: Words, standings: Standings) -> list[StepRow]:
    """Each measurement once, as it was entered last; of a run that broke off also those that were still to be taken."""
    rows = [*latest(run.measurements), *still_to_measure(run)]
    return [_row(place, measured, words, standings) for place, measured in enumerate(rows, start=1)]


def still_to_measure(run: StoredRun) -> list[MeasuredValue]:
    """What a run declared at its beginning and did not come to; none for one that was closed, which says so itself."""
    if run.closed:
        return []
    taken = {measured.name for measured in run.measurements}
    declared = next((step.result for step in run.steps if step.name == DECLARED_STEP), None) or []
    return [
        MeasuredValue(d["name"], None, d["unit"], limit_low=d["limit_low"], limit_high=d["limit_high"])
        for d in declared
        if d["name"] not in taken
    ]


def _row(place: int, measured: MeasuredValue, words: Words, standings: Standings) -> StepRow:
    shown, outcome, standing = Shown(measured, words), told_as(measured), standings.of(measured)
    hint = ""
    if measured.outcome == MARGINAL and measured.n_to_settle:
        hint = words("value.settle", n=measured.n_to_settle)
    return StepRow(
        anchor=f"m-{place}",
        name=words.sentence(measured.name),
        limits=shown.limits(),
        value=shown.value(),
        interval=shown.interval(),
        n=str(measured.n) if measured.value is not None else words.figure(None),
        outcome=outcome,
        outcome_word=words(f"outcome.{outcome_key(outcome)}"),
        hint=hint,
        events=standing.refs,
        span=standing.span,
        raw=measured.to_json(),
    )
