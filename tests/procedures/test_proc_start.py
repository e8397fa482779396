"""How a start is timed and judged: the press lies between question and answer, and nothing is called kept unseen."""

from __future__ import annotations

import pytest
from lidjig.procedures.report import Declared, Sheet
from lidjig.procedures.start import Start

LIMIT_S = 6.0


def outcome(start: Start) -> str:
    sheet = Sheet([Declared("start", "s", None, LIMIT_S)], lambda _measured: None)
    seconds = start.seconds()
    assert seconds is not None
    return sheet.set("start", *seconds).outcome


@pytest.mark.parametrize(
    ("asked_s", "marked_s", "s0_s", "judged", "late"),
    [
        (0.0, 2.0, 5.0, "pass", False),  # at most 5 s
        (0.0, 2.0, 7.0, "marginal", False),  # 5 to 7 s: neither kept nor broken for certain
        (0.0, 20.0, 25.0, "marginal", False),  # an operator who took his time convicts nobody
        (0.0, 2.0, 8.5, "fail", True),  # at least 6.5 s
        (0.0, 2.0, 1.5, "pass", False),  # up before the operator had answered
    ],
)
def test_a_start_passes_only_where_its_whole_interval_does(
    asked_s: float, marked_s: float, s0_s: float, judged: str, late: bool
) -> None:
    start = Start(round(asked_s * 1e6), round(marked_s * 1e6), round(s0_s * 1e6), LIMIT_S)
    assert outcome(start) == judged
    assert start.late is late and start.started


def test_the_value_is_the_middle_and_not_the_favourable_edge() -> None:
    assert Start(0, 2_000_000, 5_000_000, LIMIT_S).seconds() == (4.0, 3.0, 5.0)


def test_late_and_never_are_told_apart() -> None:
    assert "started too late" in Start(0, 1_000_000, 9_000_000, LIMIT_S).told("lines open")
    never = Start(0, 1_000_000, None, LIMIT_S)
    assert not never.late and not never.started
    # three times the limit and half a second
    assert "did not start within 18.5 s" in never.told("lines open")
