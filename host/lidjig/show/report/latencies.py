"""Latencies of a run's movements, with the interval of the median and the exact bound on misses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lidjig.bench.machine import MachineProfile
from lidjig.measure import proportion
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.figures.trials import Series, TrialRow, series_of, trials_from
from lidjig.show.report.words import Words

REFS_MAX = 6


@dataclass(frozen=True)
class LatencySeries:
    """One movement over the cycles. cycle, latency_s (None = missed), stimulus_us: one entry a trial; times in s."""

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


def latency_series(
    run: StoredRun, machine: MachineProfile | None, words: Words, index: EventIndex
) -> tuple[list[TrialRow], list[LatencySeries]]:
    """The movements of the run, and a series for shutting and one for opening where there are any.

    Movements of recorded cycles are what they are. Those that had to be paired from events are shown only where they
    are as many, with as many misses, as the procedure counted: a report gives no second opinion.
    """
    rows = trials_from(run, machine)
    if not any(step.name == "cycle" for step in run.steps) and not _as_counted(run, rows):
        rows = []
    return rows, [_series(series, words, index) for series in series_of(rows)]


def _as_counted(run: StoredRun, rows: list[TrialRow]) -> bool:
    counted = {m.name: (m.n, m.value) for m in latest(run.measurements) if m.name.endswith(" misses")}
    paired = {f"{one.verb} misses": (len(one.rows), one.misses) for one in series_of(rows)}
    return bool(paired) and all(counted.get(name) == found for name, found in paired.items())


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
        value = words.quantity(median.value, "s")
        if median.low is None:
            yield words("page.latency_median_only", value=value, n=len(reached))
        else:
            between = words.between(words.figure(median.low), words.quantity(median.high, "s"))
            yield words("page.latency_median", value=value, interval=between, n=len(reached))
    rate = words.between(words.figure(low * 100.0), words.percent(high, 4))
    missed = words.percent(series.misses / n, 4)
    yield words("page.latency_misses", k=series.misses, n=n, rate=missed, interval=rate)
    yield words("page.latency_bound", bound=words.percent(bound, 4))
    late = sum(row.result == "late" for row in series.rows)
    if late:
        yield words("page.latency_late", k=late, limit=words.quantity(series.limit_s, "s"))


def _told(series: Series, index: EventIndex) -> tuple[Ref, ...]:
    """Links to the first and last stimulus and to the first misses."""
    rows = [row for row in series.rows if row.place is not None]
    if not rows:
        return ()
    missed = [row for row in rows if row.result == "miss"][: REFS_MAX - 2]
    places = sorted({row.place for row in (rows[0], *missed, rows[-1]) if row.place is not None})
    return tuple(index.ref(place) for place in places)


def earlier_runs(run: StoredRun, words: Words) -> str:
    """Where this run goes on with another one, whose cycles are not drawn here."""
    return words("page.latency_earlier", run=run.resumes) if run.resumes else ""
