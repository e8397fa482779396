"""Before and after: differences with their intervals, what changed and what did not, which runs can be compared."""

from __future__ import annotations

import re
from dataclasses import replace

import make_runs
import pytest
from lidjig.measure import proportion
from lidjig.measure.difference import difference, excludes_zero, shift
from lidjig.measure.estimate import Estimate, at_least, nothing, symmetric
from lidjig.record.model import MeasuredValue
from lidjig.record.store import RunRow, open_store
from lidjig.record.stored import StoredRun
from lidjig.show.numbers import places
from lidjig.show.report.compare import CompareRow, comparable, compare
from lidjig.show.report.figures.trials import series_of, trials_from
from lidjig.show.report.page import make, page
from lidjig.show.report.words import Words
from scipy.stats import binomtest


def wilson(successes: int, trials: int) -> Estimate:
    found = binomtest(successes, trials).proportion_ci(method="wilson")  # whose squares the published intervals add
    return Estimate(successes / trials, None, found.low, found.high, trials, "1")


@pytest.mark.parametrize(
    ("after", "before", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, method 10. From memory, to the digits
        # given there.
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((10, 10), (0, 20), 0.6791, 1.0),
        ((6, 7), (2, 7), 0.0582, 0.8062),
    ],
)
def test_square_and_add_gives_the_published_intervals(
    after: tuple[int, int], before: tuple[int, int], low: float, high: float
) -> None:
    found = difference(wilson(*before), wilson(*after))
    assert found is not None and found.value == pytest.approx(after[0] / after[1] - before[0] / before[1])
    assert found.low == pytest.approx(low, abs=6e-5) and found.high == pytest.approx(high, abs=6e-5)


def test_symmetric_intervals_add_in_squares() -> None:
    found = difference(symmetric(10.0, 3.0, 5, "V"), symmetric(11.0, 4.0, 9, "V"))
    wanted = symmetric(1.0, 5.0, 5, "V")
    assert found is not None and (found.n, found.unit) == (5, "V")
    assert found.low == pytest.approx(wanted.low) and found.high == pytest.approx(wanted.high)
    assert not excludes_zero(found)


def test_an_open_end_stays_open() -> None:
    pulled = Estimate(46.7, None, 43.7, 50.1, 64, "kohm")
    mended = difference(at_least(785.0, "kohm", 64), pulled)
    assert mended is not None and mended.low is None and mended.high is not None and excludes_zero(mended)
    assert difference(nothing("kohm"), pulled) is None
    assert difference(Estimate(1.0, None, None, None, 3, "kohm"), pulled) is None
    with pytest.raises(ValueError, match="same unit"):
        difference(at_least(1.0, "V", 1), pulled)


@pytest.fixture(scope="module")
def pair(made: make_runs.Made) -> tuple[StoredRun, StoredRun]:
    with open_store(made.store, create=False) as store:
        return store.run(made.ids["cycles"]), store.run(made.ids["after"])


def test_what_changed_and_what_did_not(pair: tuple[StoredRun, StoredRun]) -> None:
    made = compare(*pair, Words("en"))
    rows = {row.recorded_name: row for row in made.rows}
    assert rows["sleep miss rate"].change == "changed" and (rows["sleep miss rate"].delta or 0.0) < 0.0
    assert rows["sensor supply"].change == "same"
    assert made.before.outcome == "fail" and made.after.outcome == "pass"
    assert "percentage points" in rows["sleep miss rate"].difference
    german = {row.recorded_name: row for row in compare(*pair, Words("de")).rows}
    assert "Prozentpunkte" in german["sleep miss rate"].difference


def of(pair: tuple[StoredRun, StoredRun], left: MeasuredValue | None, right: MeasuredValue | None) -> str:
    before, after = (
        replace(run, measurements=[m] if m is not None else []) for run, m in zip(pair, (left, right), strict=True)
    )
    (row,) = compare(before, after, Words("en")).rows
    return row.change


def test_changes_are_named_only_where_the_record_bears_them(pair: tuple[StoredRun, StoredRun]) -> None:
    unset = MeasuredValue("pull", None, "kohm")
    near, far = MeasuredValue("pull", 46.0, "kohm", 43.0, 49.0, 64), MeasuredValue("pull", 60.0, "kohm", 57.0, 63.0, 64)
    assert of(pair, near, far) == "changed" and of(pair, near, near) == "same"
    assert of(pair, unset, near) == of(pair, None, near) == "after_only" and of(pair, near, None) == "before_only"
    assert of(pair, unset, unset) == "unknown"
    no_interval = MeasuredValue("pull", 46.0, "kohm", None, None, 3)
    assert of(pair, no_interval, far) == "unknown"
    above = MeasuredValue("pull", 785.0, "kohm", 785.0, None, 64)
    assert of(pair, above, near) == "changed" and of(pair, above, above) == "unknown"
    # 4 of 8 and 4 of 100 are the same count and not the same thing.
    few, many = MeasuredValue("misses", 4.0, "1", 4.0, 4.0, 8), MeasuredValue("misses", 4.0, "1", 4.0, 4.0, 100)
    assert of(pair, few, many) == "unknown" and of(pair, few, few) == "same"
    assert of(pair, few, MeasuredValue("misses", 0.0, "1", 0.0, 0.0, 8)) == "changed"


def row_of(
    pair: tuple[StoredRun, StoredRun], left: MeasuredValue, right: MeasuredValue, lang: str = "en"
) -> CompareRow:
    before, after = (replace(run, measurements=[m]) for run, m in zip(pair, (left, right), strict=True))
    return next(row for row in compare(before, after, Words(lang)).rows if row.recorded_name == left.name)


def test_the_extremes_of_a_sample_are_not_compared(pair: tuple[StoredRun, StoredRun]) -> None:
    """Of two runs of one healthy machine the slowest movements differ by more than the clock's resolution."""
    for name in ("sleep latency, slowest", "wake latency, fastest", "sleep latency"):
        left, right = (MeasuredValue(name, s, "s", s - 0.0015, s + 0.0015, 20, None, 3.0) for s in (1.143, 1.148))
        found = row_of(pair, left, right)
        assert (found.change, found.delta, found.difference) == ("single", None, "–"), name
        assert "not compared" in found.change_word
    never = MeasuredValue("sleep latency", 15.0, "s", 15.0, None, 1, None, 3.0)
    assert row_of(pair, never, MeasuredValue("sleep latency", 0.9, "s", 0.8985, 0.9015, 1)).change == "changed"


def test_medians_come_from_the_recorded_movements(made: make_runs.Made, pair: tuple[StoredRun, StoredRun]) -> None:
    rows = {row.recorded_name: row for row in compare(*pair, Words("en")).rows}
    for verb in ("sleep", "wake"):
        series = [{one.verb: one for one in series_of(trials_from(run))}[verb] for run in pair]
        wanted = shift(series[0].latencies_s, series[1].latencies_s, "s")
        found = rows[f"{verb} latency, median"]
        assert (found.delta, found.delta_low, found.delta_high) == (wanted.value, wanted.low, wanted.high)
        assert found.change == "same" and wanted.low is not None and "to" in found.interval
        assert found.difference.startswith("shift ")  # it need not be the difference of the two medians beside it
    # A confirm measures no median, but its rounds are recorded: the medians are compared, and are no measurement of it.
    with open_store(made.store, create=False) as store:
        healthy = store.run(made.ids["healthy"])
    names = [row.recorded_name for row in compare(healthy, healthy, Words("en")).rows]
    assert names.index("sleep latency, median") == names.index("sleep latency, slowest") - 1
    found = compare(healthy, healthy, Words("en")).rows[names.index("sleep latency, median")]
    assert (found.delta, found.change, found.after.outcome, found.after.n) == (0.0, "same", "", 8)
    bare = replace(healthy, steps=[])
    assert "sleep latency, median" not in [row.recorded_name for row in compare(bare, bare, Words("en")).rows]


def test_a_median_that_counts_earlier_cycles_keeps_its_own_interval(pair: tuple[StoredRun, StoredRun]) -> None:
    before, after = pair
    pooled = [replace(m, n=m.n + 40) if m.name == "sleep latency, median" else m for m in after.measurements]
    rows = {row.recorded_name: row for row in compare(before, replace(after, measurements=pooled), Words("en")).rows}
    left, right = rows["sleep latency, median"].before.raw, rows["sleep latency, median"].after.raw
    assert left is not None and right is not None and right.n == 80
    one, two = (Estimate(m.value, None, m.low, m.high, m.n, "s") for m in (left, right))
    wanted = difference(one, two)
    assert wanted is not None and rows["sleep latency, median"].delta_low == wanted.low


def test_counts_of_movements_are_compared_as_parts(pair: tuple[StoredRun, StoredRun]) -> None:
    def missed(k: int, n: int) -> MeasuredValue:
        return MeasuredValue("sleep misses", float(k), "1", float(k), float(k), n, None, 0.0)

    one = row_of(pair, missed(1, 40), missed(0, 40))
    assert one.change == "same" and (one.delta_low or 0.0) < 0.0 < (one.delta_high or 0.0)  # one of 40 may be chance
    many = row_of(pair, missed(34, 100), missed(0, 66))
    assert many.change == "changed" and many.delta == pytest.approx(-0.34)
    assert many.difference.startswith("−34") and many.difference.endswith(" percentage points")
    left, right = (
        MeasuredValue("sleep miss rate", k / n, "1", *proportion.clopper_pearson(k, n), n)
        for k, n in ((34, 100), (0, 66))
    )
    same = row_of(pair, left, right)
    assert (same.delta_low, same.delta_high) == (many.delta_low, many.delta_high)  # one thing told twice, one answer
    none = row_of(pair, missed(0, 8), missed(0, 8))
    assert none.change == "same" and (none.delta_high or 0.0) > 0.3  # wide: it shows little


def test_the_difference_of_a_bound_is_a_bound(pair: tuple[StoredRun, StoredRun]) -> None:
    never = MeasuredValue("start, real sensor", 18.5, "s", 18.5, None, 1, None, 6.0)
    starts = MeasuredValue("start, real sensor", 3.159, "s", 1.954, 4.364, 1, None, 6.0)
    mended = row_of(pair, never, starts)
    assert (mended.difference, mended.interval) == ("at most −15.3\u202fs", "at most −14.1\u202fs")
    assert row_of(pair, never, starts, "de").difference == "höchstens −15,3\u202fs"
    assert row_of(pair, starts, never).difference == "at least +15.3\u202fs"
    both = row_of(pair, never, never)
    assert (both.change, both.difference, both.interval) == ("unknown", "–", "–")


def test_what_may_not_be_one_machine_is_said_on_the_first_page(pair: tuple[StoredRun, StoredRun]) -> None:
    before, after = pair
    assert compare(before, after, Words("en")).warnings == ()
    others = {
        "different jobs": replace(before, job="other"),
        "no job": replace(before, job=None),
        "Two serial numbers": replace(before, job_fields={"serial": "1"}),
        "different jigs": replace(before, board_id="4c4a0000000000ff"),
        "begun later": replace(before, started_utc="2999-01-01T00:00:00+00:00"),
    }
    for told, other in others.items():
        one = replace(after, job_fields={**after.job_fields, "serial": "2"})
        content = make(one, "en", other).content
        assert [b.text for b in content.banners if b.kind == "doubtful" and told in b.text], told
        html = page(make(one, "de", other))
        assert html.index('class="banner doubtful"') < html.index('id="technician"'), told
    whole = page(make(after, "en", before))
    first = whole[: whole.index('id="technician"')]
    for run in pair:
        assert f"{run.id}, {Words('en').date(run.started_utc)}" in first


def test_no_change_is_said_with_the_interval_that_bears_it(pair: tuple[StoredRun, StoredRun]) -> None:
    html = page(make(pair[1], "en", pair[0]))
    section = html[html.index("What changed") : html.index("<table", html.index("What changed"))]
    supply = {row.recorded_name: row for row in compare(*pair, Words("en")).rows}["sensor supply"]
    borne = places(supply.delta_low or 0.0, supply.delta_high or 0.0)
    assert len(supply.difference.split(".")[1]) == (borne or 0) + len(" V"), "no more places than the interval bears"
    assert supply.difference[0] not in "−+" or re.search("[1-9]", supply.difference), "what is nothing has no sign"
    told = f"difference {supply.difference}, 95\u202f% interval {supply.interval}"
    assert f"<li>sensor supply: {told}</li>" in section and "did not change" not in html
    misses = {row.recorded_name: row for row in compare(*pair, Words("en")).rows}["sleep misses"]
    assert f"<li>sleep misses: difference {misses.difference}, 95\u202f% interval {misses.interval}</li>" in section
    assert "<li>cycles: counted, the same in both</li>" in section and "exact)" not in section
    assert "slowest (single values, not compared)" in section


def test_other_profiles_and_other_tests_are_said(pair: tuple[StoredRun, StoredRun]) -> None:
    before, after = pair
    other = replace(before, command="confirm", texts={"machine": before.texts["machine"] + "# other\n"})
    made = compare(other, after, Words("en"))
    assert len(made.cautions) == 2 and made.profile_before.endswith("# other\n")
    assert compare(before, after, Words("en")).cautions == ()


def row(number: int, command: str = "confirm", outcome: str = "pass", closed: bool = True) -> RunRow:
    return RunRow(
        id=f"r-{number:06d}",
        number=number,
        job="j",
        command=command,
        outcome=outcome,
        closed=closed,
        board_id="",
        firmware_version="",
        host_version="",
        seed=None,
        started_utc="2026-01-01T00:00:00+00:00",
        ended_utc=None,
        events=1,
        gaps=0,
    )


def test_first_and_last_comparable_run_of_a_job() -> None:
    assert comparable([row(3), row(2), row(1)]) == ("r-000003", "r-000001")
    assert comparable([row(3), row(2), row(1, "isolate")]) == ("r-000003", "r-000002")
    assert comparable([row(3), row(2, outcome="error"), row(1, closed=False)]) == ("r-000003", None)
    assert comparable([row(3, closed=False, outcome="incomplete"), row(1)]) == ("r-000003", None)
    assert comparable([row(3)]) == ("r-000003", None)
