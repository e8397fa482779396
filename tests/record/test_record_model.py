"""Outcomes of measurements and runs."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lidjig.measure.estimate import Estimate, at_least, nothing
from lidjig.record import Finding, MeasuredValue, outcome_of
from lidjig.record.model import MEASUREMENT_OUTCOMES, WHERE


def measured(value: float | None, low: float | None, high: float | None, band: float = 0.0) -> MeasuredValue:
    return MeasuredValue("latency", value, "s", low, high, 10, 35.0, 60.0, band)


@pytest.mark.parametrize(
    ("value", "low", "high", "band", "outcome"),
    [
        (None, None, None, 0.0, "not measured"),
        (None, 40.0, 50.0, 0.0, "not measured"),
        (47.0, None, None, 0.0, "not measured"),  # a value without an interval
        (47.0, 45.0, 49.0, 0.0, "pass"),
        (47.0, 35.0, 60.0, 0.0, "pass"),  # the interval just reaches the limits, not beyond
        (47.0, 34.9, 49.0, 0.0, "marginal"),  # nearer to the limit than its own interval
        (47.0, 45.0, 60.1, 0.0, "marginal"),
        (36.0, 35.5, 36.5, 2.0, "marginal"),  # nearer to the limit than the band
        (37.0, 36.5, 37.5, 2.0, "pass"),
        (35.0, 35.0, 35.0, 0.0, "pass"),  # on the limit is inside
        (34.9, 30.0, 40.0, 0.0, "fail"),
        (60.1, 60.0, 60.2, 0.0, "fail"),
        (700.0, 700.0, None, 0.0, "fail"),  # at least 700
        (10.0, 10.0, None, 0.0, "not measured"),  # at least 10: inside or not, nobody knows
        (40.0, None, 40.0, 0.0, "not measured"),
        (1.0, None, 1.0, 0.0, "fail"),  # at most 1
        (math.nan, 45.0, 49.0, 0.0, "not measured"),
        (math.inf, 45.0, math.inf, 0.0, "not measured"),
    ],
)
def test_outcomes(value: float | None, low: float | None, high: float | None, band: float, outcome: str) -> None:
    assert measured(value, low, high, band).outcome == outcome


def test_a_bound_decides_where_there_is_one_limit() -> None:
    assert MeasuredValue("r", 5.0, "", 5.0, None, 1, limit_low=4.0).outcome == "pass"
    assert MeasuredValue("r", 3.0, "", 3.0, None, 1, limit_low=4.0).outcome == "not measured"
    assert MeasuredValue("r", 5.0, "", None, 5.0, 1, limit_high=6.0).outcome == "pass"
    assert MeasuredValue("r", 5.0, "", 5.0, None, 1).outcome == "pass"


def test_a_declared_measurement_starts_unset() -> None:
    assert MeasuredValue("sleep", None, "s", limit_high=3.0).outcome == "not measured"
    assert MeasuredValue.of("sleep", None, unit="s", limit_high=3.0).to_json()["value"] is None
    assert MeasuredValue.of("sleep", nothing("s")).outcome == "not measured"


def test_an_estimate_is_taken_over() -> None:
    found = MeasuredValue.of("pull", Estimate(47.0, 1.0, 45.0, 49.0, 64, "kohm"), limit_low=35.0, limit_high=60.0)
    assert (found.outcome, found.unit, found.n) == ("pass", "kohm", 64)
    assert MeasuredValue.of("pull", at_least(700.0, "kohm", 64), limit_high=60.0).outcome == "fail"


def test_what_was_seen_needs_no_interval_of_its_own() -> None:
    assert MeasuredValue.exact("idle level", 1, "", limit_low=1, limit_high=1).outcome == "pass"
    assert MeasuredValue.exact("idle level", 0, "", limit_low=1, limit_high=1).outcome == "fail"


def test_the_n_that_might_settle_it() -> None:
    # Half-width 4 at distance 2 from the limit, n 10: four times the readings (half-width falls with sqrt n).
    assert measured(58.0, 54.0, 62.0).n_to_settle == 40
    assert measured(47.0, 45.0, 49.0).n_to_settle is None  # settled
    assert measured(60.0, 58.0, 62.0).n_to_settle is None  # on the limit
    assert measured(59.0, 57.0, 61.0, band=2.0).n_to_settle is None  # no n leads out of the band
    assert replace(measured(58.0, 54.0, 62.0), n=1).n_to_settle is None  # its bounds, and no scatter
    # A converter's gain error is the same in every reading (JCGM 100:2008, 4.2.1 and 4.3.1: Type A is of repetition).
    near = replace(measured(58.0, 54.0, 62.0), unit="V")
    assert near.outcome == "marginal" and near.n_to_settle is None
    assert replace(near, unit="deg").n_to_settle == 40
    assert replace(near, unit="deg", name="sensor angle, lid shut").n_to_settle is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": 1.0, "low": 2.0, "high": 1.0},
        {"value": 5.0, "low": 1.0, "high": 2.0},
        {"value": 1.0, "limit_low": 2.0, "limit_high": 1.0},
        {"value": 1.0, "marginal_band": -1.0},
        {"value": 1.0, "marginal_band": math.nan},
    ],
)
def test_contradictions_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="x:"):
        MeasuredValue("x", unit="", **wrong)  # type: ignore[arg-type]


numbers = st.none() | st.floats()


@given(value=numbers, low=numbers, high=numbers, limit_low=numbers, limit_high=numbers)
def test_any_numbers_give_an_outcome_and_plain_json(
    value: float | None,
    low: float | None,
    high: float | None,
    limit_low: float | None,
    limit_high: float | None,
) -> None:
    try:
        found = MeasuredValue("x", value, "V", low, high, 3, limit_low, limit_high)
    except ValueError:
        return
    assert found.outcome in MEASUREMENT_OUTCOMES
    text = json.dumps(found.to_json(), allow_nan=False)
    assert list(json.loads(text)) == [
        "name",
        "value",
        "unit",
        "low",
        "high",
        "n",
        "limit_low",
        "limit_high",
        "outcome",
    ]
    if found.outcome in ("pass", "marginal"):
        assert found.value is not None
        assert found.limit_low is None or found.value >= found.limit_low
        assert found.limit_high is None or found.value <= found.limit_high


GOOD, BAD, UNSET, NEAR = (
    measured(47, 45, 49),
    measured(10, 9, 11),
    measured(None, None, None),
    measured(36, 34, 38),
)


@pytest.mark.parametrize(
    ("measurements", "where", "options", "outcome"),
    [
        ([GOOD], "none", {}, "pass"),
        ([GOOD, NEAR], "none", {}, "pass"),
        ([GOOD, BAD], "none", {}, "fail"),
        ([GOOD, UNSET], "none", {}, "incomplete"),
        ([BAD, UNSET], "none", {}, "fail"),
        ([], "none", {}, "incomplete"),
        ([GOOD], "unknown", {}, "incomplete"),
        ([GOOD], "sensor", {}, "fail"),
        ([GOOD], "setting", {}, "fail"),
        ([GOOD], "none", {"interrupted": True}, "incomplete"),
        ([BAD], "none", {"interrupted": True}, "fail"),
        ([GOOD], "none", {"error": True}, "error"),
        ([BAD], "board", {"error": True}, "error"),
    ],
)
def test_verdict_on_a_run(
    measurements: list[MeasuredValue], where: str, options: dict[str, bool], outcome: str
) -> None:
    assert outcome_of(measurements, [Finding(where, None, None)], **options) == outcome


def test_findings_are_plain_json() -> None:
    found = Finding("wiring", "line-open", 0.9, ["line 1 looks into at least 700 kohm"], "Mend line 1.", "ESD strap.")
    assert list(found.to_json())[:5] == ["where", "what", "probability", "evidence", "next"]
    assert json.loads(json.dumps(found.to_json(), allow_nan=False))["what"] == "line-open"


@pytest.mark.parametrize(("where", "probability"), [("hinge", None), ("sensor", 1.5), ("sensor", math.nan)])
def test_findings_that_cannot_be_are_refused(where: str, probability: float | None) -> None:
    with pytest.raises(ValueError, match="finding"):
        Finding(where, None, probability)


def test_only_named_places_are_faults() -> None:
    assert [w for w in WHERE if not Finding(w, None, None).is_fault] == ["none", "unknown"]
