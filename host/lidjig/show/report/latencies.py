"""Latencies of a run's movements, with the interval of the median and the exact bound on misses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lidjig.measure import proportion
from lidjig.record.model import TRIAL_STEPS
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.figures.trials import Series, TrialRow, series_of, trials_from
from lidjig.show.report.words import Words

_MOVES = ("confirm", "isolate", "cycle")  # tests that move the emulated lid many times


@dataclass(frozen=True)
class LatencySeries:
    """One movement over the cycles or rounds. cycle (its number), latency_s (None = missed), stimulus_us: one entry a
    trial; times in s."""

    verb: str
    title: str
    cycle: tuple[int, ...]
    latency_s: tuple[float | None, ...]
    stimulus_us: tuple[int, ...]
    limit_s: float
    median_s: float | None
    median_low_s: float | None
    median_high_s: float | None
    misses: int
    miss_rate_low: float
    miss_rate_high: float
    miss_rate_bound: float
    lines: tuple[str, ...]
    events: tuple[Ref, ...]


def latency_series(run: StoredRun, words: Words, index: EventIndex) -> tuple[list[TrialRow], list[LatencySeries]]:
    """The movements that the run recorded as trials, and a series for shutting and one for opening where there are
    any. A run that recorded none (an older one, a sweep) has no series.
    """
    rows = trials_from(run)
    return rows, [_series(series, words, index) for series in series_of(rows)]


def _series(series: Series, words: Words, index: EventIndex) -> LatencySeries:
    n, median = len(series.rows), series.median
    low, high = proportion.clopper_pearson(series.misses, n)
    bound = proportion.upper_bound(series.misses, n)
    return LatencySeries(
        verb=series.verb,
        title=words(f"page.latency_{series.verb}"),
        cycle=tuple(row.number for row in series.rows),
        latency_s=tuple(row.latency_s for row in series.rows),
        stimulus_us=tuple(row.stimulus_us for row in series.rows),
        limit_s=series.limit_s,
        median_s=median.value,
        median_low_s=median.low,
        median_high_s=median.high,
        misses=series.misses,
        miss_rate_low=low,
        miss_rate_high=high,
        miss_rate_bound=bound,
        lines=tuple(_lines(series, low, high, bound, words)),
        events=_told(series, index),
    )


def _lines(series: Series, low: float, high: float, bound: float, words: Words) -> Iterable[str]:
    n, median, reached = len(series.rows), series.median, series.latencies_s
    if median.value is not None:
        if len(reached) == 1:
            yield words("page.latency_one", value=words.quantity(median.value, "s"))
        elif median.low is None or median.high is None:
            yield words("page.latency_median_only", value=words.quantity(median.value, "s"), n=len(reached))
        else:
            ends = (median.low, median.high)
            value = words.with_unit(words.rounded(median.value, *ends, "s"), "s")
            first, last = (words.rounded(end, *ends, "s") for end in ends)
            between = words.between(first, words.with_unit(last, "s"))
            yield words("page.latency_median", value=value, interval=between, n=len(reached))
    ends = (low * 100.0, high * 100.0)
    rate = words.between(words.rounded(ends[0], *ends), words.with_unit(words.rounded(ends[1], *ends), "%"))
    missed = words.with_unit(words.rounded(100.0 * series.misses / n, *ends), "%")
    yield words("page.latency_misses", k=series.misses, n=n, rate=missed, interval=rate)
    if series.misses == n:  # an upper bound of 100 % says nothing
        yield words("page.latency_bound_all", bound=words.percent(proportion.lower_bound(series.misses, n), 3))
    else:
        yield words("page.latency_bound", bound=words.percent(bound, 3))
    late = sum(row.result == "late" for row in series.rows)
    if late:
        yield words("page.latency_late", k=late, limit=words.quantity(series.limit_s, "s"))


def _told(series: Series, index: EventIndex) -> tuple[Ref, ...]:
    """Links to the first and last stimulus and to all misses."""
    rows = [row for row in series.rows if row.place is not None]
    if not rows:
        return ()
    missed = [row for row in rows if row.result == "miss"]
    places = sorted({row.place for row in (rows[0], *missed, rows[-1]) if row.place is not None})
    return tuple(index.ref(place) for place in places)


def none_because(run: StoredRun, words: Words) -> str:
    """Why a run has no latencies and no misses to show, in one sentence."""
    tried = any(step.name in TRIAL_STEPS and step.result for step in run.steps)
    counted = any(m.name in ("sleep misses", "wake misses") and m.value is not None for m in latest(run.measurements))
    if tried:
        return words("page.latency_none_lost")
    if counted:
        return words("page.latency_none_older")
    if run.command in _MOVES:
        return words("page.latency_none_moved")
    return words("page.latency_none_sweep" if run.command == "sweep" else "page.latency_none_other")


def earlier_runs(run: StoredRun, words: Words) -> str:
    """Where this run goes on with another one, whose cycles are not drawn here."""
    return words("page.latency_earlier", run=run.resumes) if run.resumes else ""
