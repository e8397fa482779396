"""Declared measurements and the verdict that follows from them."""

from __future__ import annotations

import math

import pytest
from lidjig.procedures.lid import Trial, summary, told
from lidjig.procedures.report import Declared, Sheet, agreeing, verdict
from lidjig.record.model import Finding, MeasuredValue

NONE = [Finding("none", None, 0.9, ["all well"], "nothing")]
BOARD = [Finding("board", "no-start", 0.9, ["did not start"], "look")]


def sheet(*declared: Declared) -> Sheet:
    return Sheet(declared, lambda _measured: None)


def test_nothing_passes_by_being_forgotten() -> None:
    one = sheet(Declared("a", "V", 1.0, 2.0), Declared("b", "V", 1.0, 2.0))
    one.set("a", 1.5, 1.4, 1.6)
    assert [m.outcome for m in one.all()] == ["pass", "not measured"]
    assert verdict(NONE, one, stopped=False) == "incomplete"
    one.set("b", 1.5, 1.4, 1.6)
    assert verdict(NONE, one, stopped=False) == "pass"
    assert verdict(NONE, one, stopped=True) == "incomplete"


def test_what_only_helps_may_be_missing() -> None:
    one = sheet(Declared("a", "V", 1.0, 2.0), Declared("b", "V", needed=False))
    one.set("a", 1.5, 1.4, 1.6)
    assert verdict(NONE, one, stopped=False) == "pass"


def test_a_fault_or_a_limit_fails() -> None:
    one = sheet(Declared("a", "V", 1.0, 2.0))
    one.set("a", 1.5, 1.4, 1.6)
    assert verdict(BOARD, one, stopped=False) == "fail"
    one.set("a", 2.5, 2.4, 2.6)
    assert verdict(NONE, one, stopped=False) == "fail"


def test_none_does_not_stand_beside_a_failed_figure() -> None:
    one = sheet(Declared("a", "V", 1.0, 2.0))
    one.set("a", 2.5, 2.4, 2.6)
    found = agreeing(NONE, "fail", one)
    assert found[0].where == "unknown" and "a is outside its limits" in found[0].evidence[0]
    assert agreeing(BOARD, "fail", one) == BOARD
    assert agreeing(NONE, "pass", one) == NONE
    assert agreeing(NONE, "incomplete", sheet())[0].where == "unknown"


def test_only_declared_finite_figures_in_their_unit() -> None:
    one = sheet(Declared("a", "V"))
    with pytest.raises(KeyError):
        one.set("b", 1.0)
    with pytest.raises(ValueError):
        one.set("a", math.nan)
    with pytest.raises(ValueError):
        one.put("a", MeasuredValue("a", 1.0, "mV", 1.0, 1.0, 1))


def trial(latency_s: float | None, limit_s: float = 3.0) -> Trial:
    return Trial("S3", 1_000_000, None if latency_s is None else 1_000_000 + round(latency_s * 1e6), limit_s)


@pytest.mark.parametrize(
    ("latencies", "wanted"),
    [
        ([0.9, 1.0], "always"),
        ([0.9, 4.0], "late"),
        ([4.0, 5.0], "late"),
        ([None, None], "never"),
        ([0.9, None], "sometimes"),
        ([4.0, None], "sometimes"),
    ],
)
def test_summary_of_trials(latencies: list[float | None], wanted: str) -> None:
    assert summary([trial(latency) for latency in latencies]) == wanted


def test_a_series_is_told_with_its_numbers() -> None:
    text = told([trial(0.9), trial(4.0), trial(None)], "slept")
    assert text == (
        "slept 2 of 3 times, after 0.900 to 4.000 s (limit 3 s, 1 later than that); missed at board time 1.000 s"
    )
