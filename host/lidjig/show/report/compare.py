"""Before and after: two runs of a job side by side, differences with their intervals, what changed and what did not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.measure.difference import difference, excludes_zero
from lidjig.measure.estimate import Estimate
from lidjig.record.model import NOT_MEASURED, MeasuredValue
from lidjig.record.store import RunRow
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.customer import Fact, Verdict, verdict_of
from lidjig.show.report.rows import Shown, outcome_key
from lidjig.show.report.words import Said, Words

CHANGED, SAME, UNKNOWN, BEFORE_ONLY, AFTER_ONLY = "changed", "same", "unknown", "before_only", "after_only"


@dataclass(frozen=True)
class Side:
    """One of the two values. outcome: the recorded word, "" where it was no measurement of that run."""

    value: str
    interval: str
    n: int
    outcome: str
    outcome_word: str
    raw: MeasuredValue | None


@dataclass(frozen=True)
class CompareRow:
    """One measurement in both runs. low..high: 95 % interval of after minus before, in `unit`."""

    name: Said
    recorded_name: str
    unit: str
    before: Side
    after: Side
    difference: str
    interval: str
    delta: float | None
    delta_low: float | None
    delta_high: float | None
    change: str
    change_word: str


@dataclass(frozen=True)
class Comparison:
    """Two runs. sentence: both verdicts in one; changed, same, unknown: names of measurements."""

    run_before: str
    run_after: str
    before: Verdict
    after: Verdict
    facts: tuple[Fact, ...]
    sentence: str
    rows: tuple[CompareRow, ...]
    changed: tuple[Said, ...]
    same: tuple[Said, ...]
    unknown: tuple[Said, ...]
    cautions: tuple[str, ...]
    profile_before: str


def comparable(rows: Sequence[RunRow]) -> tuple[str, str | None]:
    """(last run of a job, the first one that can be compared with it or None); rows newest first.

    Comparable: the same command, closed, and no error of the bench. The last run is reported in any case.
    """
    last = rows[0]
    first = [row for row in reversed(rows[1:]) if row.command == last.command and row.closed and row.outcome != "error"]
    return last.id, first[0].id if first and last.closed and last.outcome != "error" else None


def compare(before: StoredRun, after: StoredRun, words: Words) -> Comparison:
    """The two runs side by side."""
    left = {m.name: m for m in latest(before.measurements)}
    right = {m.name: m for m in latest(after.measurements)}
    order = list(dict.fromkeys([*right, *left]))
    rows = tuple(_row(name, left.get(name), right.get(name), words) for name in order)
    verdicts = verdict_of(before, words), verdict_of(after, words)
    cautions = []
    if before.command != after.command:
        named = [words(f"command.{c}") if words.has(f"command.{c}") else c for c in (before.command, after.command)]
        cautions.append(words("compare.commands_differ", before=named[0], after=named[1]))
    differ = before.texts.get("machine") != after.texts.get("machine")
    if differ:
        cautions.append(words("compare.profiles_differ"))

    def named_as(*changes: str) -> tuple[Said, ...]:
        return tuple(row.name for row in rows if row.change in changes)

    return Comparison(
        run_before=before.id,
        run_after=after.id,
        before=verdicts[0],
        after=verdicts[1],
        facts=(
            Fact("run_before", words("compare.run_before"), f"{before.id}, {words.date(before.started_utc)}"),
            Fact("run_after", words("compare.run_after"), f"{after.id}, {words.date(after.started_utc)}"),
        ),
        sentence=words("compare.sentence", before=verdicts[0].sentence, after=verdicts[1].sentence),
        rows=rows,
        changed=named_as(CHANGED),
        same=named_as(SAME),
        unknown=named_as(UNKNOWN, BEFORE_ONLY, AFTER_ONLY),
        cautions=tuple(cautions),
        profile_before=before.texts.get("machine", "") if differ else "",
    )


def _estimate(m: MeasuredValue) -> Estimate:
    return Estimate(m.value, None, m.low, m.high, m.n, m.unit)


def _row(name: str, left: MeasuredValue | None, right: MeasuredValue | None, words: Words) -> CompareRow:
    present = right or left
    assert present is not None  # the name came from one of them
    delta, change = None, UNKNOWN
    if left is None or left.outcome == NOT_MEASURED and left.value is None:
        change = AFTER_ONLY if right is not None and right.value is not None else UNKNOWN
    elif right is None or right.value is None:
        change = BEFORE_ONLY
    elif left.unit == right.unit:
        delta = difference(_estimate(left), _estimate(right))
        if delta is not None and not _counts_of_different_n(left, right):
            change = CHANGED if excludes_zero(delta) else SAME if _bounded(delta) else UNKNOWN
    shown = Shown(present, words)
    return CompareRow(
        name=words.sentence(name),
        recorded_name=name,
        unit=present.unit,
        before=_side(left, words),
        after=_side(right, words),
        difference=_signed(shown, delta.value if delta else None, words),
        interval=_interval(shown, delta, words),
        delta=delta.value if delta else None,
        delta_low=delta.low if delta else None,
        delta_high=delta.high if delta else None,
        change=change,
        change_word=words(f"compare.{change}"),
    )


def _bounded(delta: Estimate) -> bool:
    return delta.low is not None and delta.high is not None


def _counts_of_different_n(left: MeasuredValue, right: MeasuredValue) -> bool:
    """Exact counts out of so many trials: 4 of 8 and 4 of 100 are the same count and not the same thing."""
    exact = left.low == left.high and right.low == right.high
    return exact and left.unit == "1" and left.n != right.n and not left.value == right.value == 0.0


def _side(m: MeasuredValue | None, words: Words) -> Side:
    if m is None:
        return Side(words.figure(None), "", 0, "", "", None)
    shown = Shown(m, words)
    word = words(f"outcome.{outcome_key(m.outcome)}")
    return Side(shown.value(), shown.interval(), m.n, m.outcome, word, m)


def _signed(shown: Shown, value: float | None, words: Words) -> str:
    if value is None:
        return words.figure(None)
    return ("+" if value > 0.0 else "") + _figure(shown, value, 3)


def _figure(shown: Shown, value: float, digits: int) -> str:
    """A difference in the unit of its figures: of percents in points; a yes or no has no unit of its own."""
    if shown.yes_no:
        return shown.words.figure(value)
    if shown.percent:
        return shown.words("form.points", value=shown.words.figure(value * 100.0, digits))
    return shown.number(value, digits)


def _interval(shown: Shown, delta: Estimate | None, words: Words) -> str:
    if delta is None or delta.value is None:
        return words.figure(None)
    if delta.low is not None and delta.low == delta.high:
        return words("value.exact")
    if delta.low is None and delta.high is None:
        return words("value.no_interval")
    if delta.low is None:
        return words("value.high", value=_figure(shown, delta.high or 0.0, 3))
    if delta.high is None:
        return words("value.low", value=_figure(shown, delta.low, 3))
    return words.between(_figure(shown, delta.low, 3), _figure(shown, delta.high, 3))
