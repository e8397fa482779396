"""Before and after: differences with their intervals, what changed and what did not, which runs can be compared."""

from __future__ import annotations

from dataclasses import replace

import make_runs
import pytest
from lidjig.measure import proportion
from lidjig.measure.difference import difference, excludes_zero
from lidjig.measure.estimate import Estimate, at_least, nothing, symmetric
from lidjig.record.model import MeasuredValue
from lidjig.record.store import RunRow, open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.compare import comparable, compare
from lidjig.show.report.words import Words


def wilson(successes: int, trials: int) -> Estimate:
    low, high = proportion.wilson(successes, trials)
    return Estimate(successes / trials, None, low, high, trials, "1")


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
        replace(run, measurements=[m] if m is not None else [])
        for run, m in zip(pair, (left, right), strict=True)
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
