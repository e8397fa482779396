"""A stored run in a terminal: what is told one by one, and what is added up."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from lidjig.record.stored import StoredGap
from lidjig.show.pages import GAPS_EACH, gap_lines

LOST, BACK = "power monitor 1 (charger supply): lost", "power monitor 1 (charger supply) answers"


def run_with(*gaps: StoredGap) -> Any:
    return SimpleNamespace(id="r-000007", gaps=list(gaps))


def test_few_gaps_have_a_line_each() -> None:
    gaps = [StoredGap("meter-lost", LOST, 1, 3), StoredGap("meter-back", BACK, 2, 4), StoredGap("restart", "on", 0, 9)]
    wanted = [f"after event 3: meter-lost: {LOST}", f"after event 4: meter-back: {BACK}", "after event 9: restart: on"]
    assert gap_lines(run_with(*gaps)) == wanted


def test_many_that_say_the_same_are_added_up() -> None:
    gaps = [
        StoredGap(kind, text, at, at)
        for at, kind, text in ((n, *(("meter-lost", LOST) if n % 2 else ("meter-back", BACK))) for n in range(1, 350))
    ]
    gaps.insert(100, StoredGap("link-lost", "silent", None, 100))
    assert gap_lines(run_with(*gaps)) == [
        f"meter-lost, 175 times, after event 1 first, after event 349 last: {LOST}",
        f"meter-back, 174 times, after event 2 first, after event 348 last: {BACK}",
        "after event 100: link-lost: silent",
        "each of them: lidjig show r-000007 --json",
    ]


def test_two_monitors_are_added_up_apart_and_what_differs_each_time_by_its_kind() -> None:
    two = [StoredGap("meter-lost", f"power monitor {n % 2 + 1}: lost", n, n) for n in range(20)]
    told = gap_lines(run_with(*two))
    assert [line.partition(",")[2].split()[0] for line in told[:2]] == ["10", "10"] and len(told) == 3
    batches = [StoredGap("lost-samples", f"light: missing before number {n}", n, n) for n in range(GAPS_EACH + 1)]
    first, _each = gap_lines(run_with(*batches))
    assert first.startswith(f"lost-samples, {GAPS_EACH + 1} times, after event 0 first, after event {GAPS_EACH} last: ")
    assert "before number 0; the last: light: missing before number 5" in first
    assert len(gap_lines(run_with(*batches[:-1]))) == GAPS_EACH
