"""Before and after: two runs side by side, differences with their intervals, what changed and where no change shows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from lidjig.measure import proportion
from lidjig.measure.difference import difference, excludes_zero, shift
from lidjig.measure.estimate import Estimate
from lidjig.record.model import FAIL, NOT_MEASURED, MeasuredValue
from lidjig.record.store import RunRow
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import Ref
from lidjig.show.report.customer import Fact, Verdict, lines_of, verdict_of
from lidjig.show.report.figures.trials import Series, series_of, trials_from
from lidjig.show.report.findings import label_of
from lidjig.show.report.rows import Shown, outcome_key, told_as
from lidjig.show.report.words import Said, Words

CHANGED, SAME, UNKNOWN, BEFORE_ONLY, AFTER_ONLY = "changed", "same", "unknown", "before_only", "after_only"
SINGLE = "single"

# One movement out of many, or the only one: its interval is the clock's resolution and not how much movements vary.
_SINGLE = re.compile(r"(sleep|wake) latency(, (fastest|slowest))?")
_MEDIAN = re.compile(r"(sleep|wake) latency, median")
# Counts of movements out of n, compared as parts of n.
_COUNTED = re.compile(r"(sleep|wake) misses|(sleep|wake)s too late|states lost")
# What a finding about a place can be tested again by: names of measurements.
_PLACES = {
    "sensor": r"sensor (current|line|changes).*|start, real sensor|real sensor, .*",
    "wiring": r"line \d+ (pull|idle level)|sensor supply",
}
_Sides = tuple[MeasuredValue, MeasuredValue]


@dataclass(frozen=True)
class Side:
    """One of the two values. outcome: as it is told (told_as), "" where it was no measurement of that run.

    anchor: of its row in the table of that run, "" where it has none; events: what it stands on; span: all between the
    two. All three are put in when both runs are on the page (linked).
    """

    value: str
    interval: str
    n: int
    outcome: str
    outcome_word: str
    raw: MeasuredValue | None
    anchor: str = ""
    events: tuple[Ref, ...] = ()
    span: bool = False


@dataclass(frozen=True)
class CompareRow:
    """One measurement in both runs. delta: after minus before; delta_low..delta_high: its 95 % interval, an end that is
    None is unbounded, the delta is then a bound. In `unit`; counts of movements are compared as parts of n. points:
    told in percent and percentage points; counted: of a count out of n. told: difference and interval in words, "" for
    what has none.
    """

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
    points: bool = False
    counted: bool = False
    told: str = ""


@dataclass(frozen=True)
class Comparison:
    """Two runs. sentence: both verdicts in one; changed, same, unknown: names of measurements. warnings: why the two
    may not belong together; cautions: in what they differ beside that. turned: changes of verdict and finding; kept:
    verdict and finding where they stayed.
    """

    run_before: str
    run_after: str
    before: Verdict
    after: Verdict
    facts: tuple[Fact, ...]
    sentence: str
    turned: tuple[str, ...]
    kept: tuple[str, ...]
    rows: tuple[CompareRow, ...]
    changed: tuple[Said, ...]
    same: tuple[Said, ...]
    unknown: tuple[Said, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    profile_before: str


def comparable(rows: Sequence[RunRow]) -> tuple[str, str | None]:
    """(last run of a job, the first one that can be compared with it or None); rows newest first.

    Comparable: the same command, closed, and no error of the bench. The last run is reported in any case.
    """
    last = rows[0]
    first = [row for row in reversed(rows[1:]) if row.command == last.command and row.closed and row.outcome != "error"]
    return last.id, first[0].id if first and last.closed and last.outcome != "error" else None


def made_later(before: StoredRun, after: StoredRun) -> bool:
    """Whether the run that is to be the one before was begun later, by the wall clock; False where a stamp is none."""
    try:
        return datetime.fromisoformat(before.started_utc) > datetime.fromisoformat(after.started_utc)
    except ValueError:
        return False


def compare(before: StoredRun, after: StoredRun, words: Words) -> Comparison:
    """The two runs side by side."""
    left, right = _measured(before), _measured(after)
    series = _series(before), _series(after)
    rows = tuple(_row(name, left.get(name), right.get(name), series, words) for name in _names(left, right, *series))
    verdicts = verdict_of(before, words), verdict_of(after, words)
    turns = tuple(_turns(before, after, verdicts, words))
    differ = before.texts.get("machine") != after.texts.get("machine")

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
        turned=tuple(text for text, turned in turns if turned),
        kept=tuple(text for text, turned in turns if not turned),
        rows=rows,
        changed=named_as(CHANGED),
        same=named_as(SAME),
        unknown=named_as(UNKNOWN, SINGLE, BEFORE_ONLY, AFTER_ONLY),
        warnings=tuple(_warnings(before, after, words)),
        cautions=tuple(_cautions(before, after, differ, words)),
        profile_before=before.texts.get("machine", "") if differ else "",
    )


def _warnings(before: StoredRun, after: StoredRun, words: Words) -> Iterable[str]:
    """What speaks against these two being one machine before and after one repair, and the second a test of it."""
    lost = _not_again(before, after, words)
    if lost:
        what = words("form.list").join(lost)
        if before.command == after.command:
            yield words("compare.not_again", what=what)
        else:
            yield words("compare.not_again_other", what=what, **_commands(before, after, words))
    if made_later(before, after):
        yield words("compare.order_differs", before=words.date(before.started_utc), after=words.date(after.started_utc))
    if before.job != after.job:
        named = [words("compare.no_job") if run.job is None else run.job for run in (before, after)]
        yield words("compare.jobs_differ", before=named[0], after=named[1])
    serials = before.job_fields.get("serial"), after.job_fields.get("serial")
    if all(serials) and serials[0] != serials[1]:
        yield words("compare.serials_differ", before=serials[0], after=serials[1])
    if before.board_id and after.board_id and before.board_id != after.board_id:
        yield words("compare.boards_differ", before=before.board_id, after=after.board_id)


def _cautions(before: StoredRun, after: StoredRun, profiles_differ: bool, words: Words) -> Iterable[str]:
    if before.command != after.command:
        yield words("compare.commands_differ", **_commands(before, after, words))
    if profiles_differ:
        yield words("compare.profiles_differ")


def _commands(before: StoredRun, after: StoredRun, words: Words) -> dict[str, str]:
    named = [words(f"command.{c}") if words.has(f"command.{c}") else c for c in (before.command, after.command)]
    return {"before": named[0], "after": named[1]}


def _not_again(before: StoredRun, after: StoredRun, words: Words) -> list[str]:
    """What failed in the run before and has no value in the run after: the place at fault, and measurements."""
    measured = {m.name for m in latest(after.measurements) if m.value is not None}
    failed = [m.name for m in latest(before.measurements) if m.outcome == FAIL]
    lost = [words.sentence(name).text for name in failed if name not in measured]
    main = before.findings[0] if before.findings else None
    if main is None or not main.is_fault:
        return lost
    pattern = _PLACES.get(main.where)
    gone = pattern is not None and not any(re.fullmatch(pattern, name) for name in measured)
    return [label_of(main, words, lines_of(before, main, words)), *lost] if lost or gone else []


def _turns(
    before: StoredRun, after: StoredRun, verdicts: tuple[Verdict, Verdict], words: Words
) -> Iterable[tuple[str, bool]]:
    """Verdict and finding of both runs as a text, and whether they differ."""
    found = [
        label_of(run.findings[0], words, lines_of(run, run.findings[0], words))
        if run.findings
        else words("compare.finding_none")
        for run in (before, after)
    ]
    for key, sides in (("verdict", [verdict.word for verdict in verdicts]), ("finding", found)):
        what, (left, right) = words(f"compare.{key}"), sides
        turned = left != right
        told = words("compare.outcome_to", what=what, before=left, after=right) if turned else f"{what}: {left}"
        yield told, turned


def linked(
    comparison: Comparison,
    before: Callable[[str], tuple[str, tuple[Ref, ...], bool]],
    after: Callable[[str], tuple[str, tuple[Ref, ...], bool]],
) -> Comparison:
    """With what each value stands on: before, after: name of a measurement -> (anchor of its row, events, span)."""

    def side(one: Side, found: tuple[str, tuple[Ref, ...], bool]) -> Side:
        anchor, events, span = found if one.raw is not None else ("", (), False)
        return replace(one, anchor=anchor, events=events, span=span)

    def row(one: CompareRow) -> CompareRow:
        name = one.recorded_name
        return replace(one, before=side(one.before, before(name)), after=side(one.after, after(name)))

    return replace(comparison, rows=tuple(row(one) for one in comparison.rows))


# -- what is compared


def _measured(run: StoredRun) -> dict[str, MeasuredValue]:
    """Name -> measurement, as it was entered last."""
    return {m.name: m for m in latest(run.measurements)}


def _series(run: StoredRun) -> dict[str, Series]:
    """ "sleep latency, median" -> the recorded movements of that kind."""
    return {f"{one.verb} latency, median": one for one in series_of(trials_from(run))}


def _names(
    left: dict[str, MeasuredValue], right: dict[str, MeasuredValue], *series: dict[str, Series]
) -> Iterable[str]:
    """Each measurement once, as the run after has them; before the slowest movement the median of those recorded, where
    neither run measured it.
    """
    for name in dict.fromkeys([*right, *left]):
        median = name.replace(", slowest", ", median")
        if median != name and median not in left and median not in right and any(median in one for one in series):
            yield median
        yield name


@dataclass(frozen=True)
class _Delta:
    """after - before. points: parts of one, told in percentage points. shift: how far the readings of one run lie from
    those of the other, which need not be the difference of the two values shown. change: one of the words above.
    """

    change: str
    estimate: Estimate | None = None
    points: bool = False
    shift: bool = False


def _row(
    name: str,
    left: MeasuredValue | None,
    right: MeasuredValue | None,
    series: tuple[dict[str, Series], dict[str, Series]],
    words: Words,
) -> CompareRow:
    mine = series[0].get(name), series[1].get(name)
    values = _or_median(name, left, mine[0]), _or_median(name, right, mine[1])
    present = values[1] or values[0] or MeasuredValue(name, None, "s")  # the median of movements that were all missed
    delta = _delta(name, values, mine)
    shown, found = Shown(present, words), delta.estimate
    tell = _Teller(shown, delta)
    return CompareRow(
        name=words.sentence(name),
        recorded_name=name,
        unit=present.unit,
        before=_side(values[0], left, words),
        after=_side(values[1], right, words),
        difference=tell.difference(),
        interval=tell.interval(),
        delta=found.value if found else None,
        delta_low=found.low if found else None,
        delta_high=found.high if found else None,
        change=delta.change,
        change_word=words(f"compare.{delta.change}"),
        points=delta.points or shown.percent,
        counted=delta.points and not shown.percent,
        told=tell.told(),
    )


def _or_median(name: str, measured: MeasuredValue | None, series: Series | None) -> MeasuredValue | None:
    """The measurement, or what the recorded movements give for it."""
    if measured is not None or series is None or series.median.value is None:
        return measured
    return MeasuredValue.of(name, series.median)


def _delta(
    name: str, values: tuple[MeasuredValue | None, MeasuredValue | None], series: tuple[Series | None, Series | None]
) -> _Delta:
    left, right = values
    if left is None or left.outcome == NOT_MEASURED and left.value is None:
        return _Delta(AFTER_ONLY if right is not None and right.value is not None else UNKNOWN)
    if right is None or right.value is None:
        return _Delta(BEFORE_ONLY)
    if left.unit != right.unit:
        return _Delta(UNKNOWN)
    both = left, right
    if _SINGLE.fullmatch(name) and all(m.low is not None and m.high is not None for m in both):
        return _Delta(SINGLE)
    if _COUNTED.fullmatch(name) and all(_is_count(m) for m in both):
        return _judged(difference(_part(left), _part(right)), points=True)
    if _MEDIAN.fullmatch(name) and series[0] is not None and series[1] is not None and _all_there(both, series):
        return replace(_judged(shift(series[0].latencies_s, series[1].latencies_s, "s")), shift=True)
    if left.unit == "1" and left.n != right.n and all(m.low == m.high for m in both) and any(m.value for m in both):
        return _Delta(UNKNOWN, difference(_estimate(left), _estimate(right)))  # 4 of 8 and 4 of 100
    return _judged(difference(_estimate(left), _estimate(right)))


def _judged(found: Estimate | None, *, points: bool = False) -> _Delta:
    if found is None or found.low is None and found.high is None:  # two bounds, or too few movements
        return _Delta(UNKNOWN)
    if excludes_zero(found):
        return _Delta(CHANGED, found, points)
    return _Delta(SAME if found.low is not None and found.high is not None else UNKNOWN, found, points)


def _all_there(both: _Sides, series: tuple[Series | None, Series | None]) -> bool:
    """Whether the recorded movements are those behind both figures: a run that goes on with another counts its too."""
    return all(one is not None and len(one.latencies_s) == m.n for m, one in zip(both, series, strict=True))


def _is_count(m: MeasuredValue) -> bool:
    return m.value is not None and m.low == m.high == m.value and m.value.is_integer() and 0 <= m.value <= m.n > 0


def _part(m: MeasuredValue) -> Estimate:
    """A count as its part of n, with the exact interval."""
    count = int(m.value or 0.0)
    return Estimate(count / m.n, None, *proportion.clopper_pearson(count, m.n), m.n, "1")


def _estimate(m: MeasuredValue) -> Estimate:
    return Estimate(m.value, None, m.low, m.high, m.n, m.unit)


# -- how it is told


def _side(m: MeasuredValue | None, recorded: MeasuredValue | None, words: Words) -> Side:
    if m is None:
        return Side(words("outcome.not_measured"), "", 0, "", "", None)
    shown = Shown(m, words)
    outcome = "" if recorded is None else told_as(m)
    return Side(
        value=shown.value(),
        interval=shown.interval(),
        n=m.n,
        outcome=outcome,
        outcome_word=words(f"outcome.{outcome_key(outcome)}") if outcome else "",
        raw=m,
    )


class _Teller:
    """Writes a difference in the unit of its figures, with the places that its interval bears: of percents in points; a
    yes or no has no unit of its own.
    """

    def __init__(self, shown: Shown, delta: _Delta) -> None:
        self._shown, self._words, self._delta = shown, shown.words, delta
        self._points = delta.points or shown.percent

    def difference(self) -> str:
        delta = self._delta.estimate
        if delta is None or delta.value is None:
            return self._words.figure(None)
        value = self._number(delta.value, sign="+")
        if delta.bound:
            return self._words("value.low" if delta.bound == "at least" else "value.high", value=value)
        return self._words("compare.shift", value=value) if self._delta.shift else value

    def interval(self) -> str:
        delta = self._delta.estimate
        if delta is None or delta.value is None:
            return self._words.figure(None)
        if delta.low is not None and delta.low == delta.high:
            return self._words("value.exact" if delta.value else "compare.equal")
        if delta.low is not None and delta.high is not None:
            return self._words.between(self._bare(delta.low), self._number(delta.high))
        if delta.high is not None:
            return self._words("value.high", value=self._number(delta.high))
        return self._words("value.low", value=self._number(delta.low or 0.0))

    def told(self) -> str:
        """Both in one: for the lists, where no column names them."""
        delta = self._delta.estimate
        if delta is None or delta.value is None:
            return ""
        by = self.difference() if self._delta.shift else self._words("compare.by", value=self.difference())
        if delta.low is not None and delta.low == delta.high:
            return self._words("compare.counted", difference=by) if delta.value else self.interval()
        return self._words("compare.with_interval", difference=by, interval=self.interval())

    def _number(self, value: float, sign: str = "") -> str:
        bare = self._bare(value)
        bare = sign + bare if value > 0.0 and re.search(r"[1-9]", bare) else bare
        if self._points:
            return self._words("form.points", value=bare)
        return bare if self._shown.yes_no else self._shown.whole(bare)

    def _bare(self, value: float) -> str:
        """Without its unit, which stands once behind a range."""
        delta, scale = self._delta.estimate, 100.0 if self._points else 1.0
        if delta is None or delta.low is None or delta.high is None:
            return self._words.figure(value * scale, 3)
        text = self._words.rounded(value * scale, delta.low * scale, delta.high * scale, self._shown.m.unit)
        return text if re.search(r"[1-9]", text) else text.lstrip("−")  # what is rounded to nothing has no sign
