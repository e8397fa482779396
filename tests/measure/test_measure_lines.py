"""The line survey: healthy lines, open ones, shorts, and whether the intervals hold what they should."""

from __future__ import annotations

import math

import numpy as np
import pytest
from lidjig.measure import adc, electrical
from lidjig.measure.electrical import OPEN, PULLED, SHORT_HIGH, SHORT_LOW, UNCLEAR, Reading

SHORT_OHM, OPEN_OHM = 400.0, 400e3


def node_mv(
    source_mv: float, r_ohm: float, load_mv: float, r_test: float = 1e4, r_bleeder: float = 2e6
) -> float:
    """Node voltage by Kirchhoff's current law: source, test load and the converter's divider."""
    return (source_mv / r_ohm + load_mv / r_test) / (1 / r_ohm + 1 / r_test + 1 / r_bleeder)


def survey(
    source_mv: float, r_ohm: float, drive_mv: float = 3300.0, u_mv: float = 5.0
) -> electrical.LineSource:
    low, high = node_mv(source_mv, r_ohm, 0.0), node_mv(source_mv, r_ohm, drive_mv)
    return electrical.thevenin(Reading(low, u_mv, 64), Reading(high, u_mv, 64), Reading(drive_mv, u_mv, 64))


def kind(found: electrical.LineSource) -> str:
    return found.kind(short_max_ohm=SHORT_OHM, open_min_ohm=OPEN_OHM)


@pytest.mark.parametrize("r_ohm", [1e3, 4.7e3, 22e3, 47e3, 100e3])
@pytest.mark.parametrize("source_mv", [0.0, 1800.0, 3300.0])
def test_pulls_are_found(r_ohm: float, source_mv: float) -> None:
    found = survey(source_mv, r_ohm)
    assert found.resistance.value == pytest.approx(r_ohm)
    assert found.voltage.value == pytest.approx(source_mv, abs=1e-6)
    assert found.resistance.low is not None and found.resistance.high is not None
    assert found.resistance.low < r_ohm < found.resistance.high
    assert kind(found) == PULLED


@pytest.mark.parametrize("r_ohm", [10e6, 1e9, 1e15])
def test_an_open_line_gives_a_bound_and_no_voltage(r_ohm: float) -> None:
    found = survey(0.0, r_ohm)
    assert found.resistance.bound == "at least"
    assert found.resistance.low is not None and 400e3 < found.resistance.low < 2.1e6
    assert found.voltage.value is None
    assert kind(found) == OPEN


@pytest.mark.parametrize(("source_mv", "expected"), [(0.0, SHORT_LOW), (3300.0, SHORT_HIGH)])
@pytest.mark.parametrize("r_ohm", [1e-3, 1.0, 150.0, 300.0])
def test_shorts_are_told_by_their_voltage(source_mv: float, expected: str, r_ohm: float) -> None:
    found = survey(source_mv, r_ohm)
    assert kind(found) == expected
    assert found.resistance.low is not None and found.resistance.low >= 0.0


def test_what_lies_near_a_limit_is_unclear() -> None:
    assert kind(survey(3300.0, 300e3)) == UNCLEAR
    assert kind(survey(0.0, 405.0)) == UNCLEAR


def test_noise_beyond_the_ends_gives_bounds_and_never_nan() -> None:
    for low, high in (
        (10.0, 4.0),
        (0.0, 0.0),
        (0.0, 3290.0),
        (0.0, 3300.0),
        (-5.0, 3310.0),
        (0.0, 6000.0),
        (3300.0, 0.0),
    ):
        found = electrical.thevenin(Reading(low, 5.0, 8), Reading(high, 5.0, 8), Reading(3300.0, 5.0, 8))
        for estimate in (found.resistance, found.voltage):
            for number in (estimate.value, estimate.u, estimate.low, estimate.high):
                assert number is None or math.isfinite(number)


def test_readings_that_contradict_the_circuit_give_nothing() -> None:
    found = electrical.thevenin(0.0, 6000.0, 3300.0)
    assert found.resistance.value is None
    assert kind(found) == UNCLEAR


@pytest.mark.parametrize("drive", [0.0, -1.0])
def test_a_drive_level_that_cannot_be_is_refused(drive: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        electrical.thevenin(0.0, 1.0, drive)


@pytest.mark.parametrize(
    ("source_mv", "r_ohm", "drive_mv"),
    [
        (3300.0, 47e3, 3300.0),
        (3300.0, 100e3, 3300.0),
        (1800.0, 22e3, 1800.0),
        (0.0, 150.0, 3300.0),
        (3300.0, 2e3, 3300.0),
    ],
)
def test_intervals_hold_the_truth_in_simulation(source_mv: float, r_ohm: float, drive_mv: float) -> None:
    # Monte Carlo in the manner of JCGM 101: every error source drawn, correlated ones once per trial.
    rng = np.random.default_rng(11)
    own_mv = adc.CONVERTER_U_RAW / 65535.0 * 6600.0
    hits_r = hits_v = 0
    trials = 1500
    for _ in range(trials):
        reference = 1 + rng.uniform(-1, 1) * adc.REFERENCE_HALF_PART
        offset = rng.uniform(-1, 1) * adc.OFFSET_HALF_MV * 2
        line_gain, drive_gain = 1 + rng.uniform(-1, 1, 2) * adc.DIVIDER_HALF_PART
        r_test = rng.normal(electrical.TEST_LOAD_OHM, electrical.TEST_LOAD_U_OHM)
        bleeder = rng.normal(electrical.BLEEDER_OHM, electrical.BLEEDER_OHM * electrical.BLEEDER_U_PART)

        def read(true_mv: float, gain: float) -> Reading:
            return Reading(true_mv * gain * reference + offset + rng.normal(0.0, own_mv), own_mv, 64)  # noqa: B023

        found = electrical.thevenin(
            read(node_mv(source_mv, r_ohm, 0.0, r_test, bleeder), line_gain),
            read(node_mv(source_mv, r_ohm, drive_mv, r_test, bleeder), line_gain),
            read(drive_mv, drive_gain),
        )
        low, high = found.resistance.low, found.resistance.high
        hits_r += low is not None and low <= r_ohm and (high is None or r_ohm <= high)
        hits_v += found.voltage.low is not None and found.voltage.low <= source_mv <= (
            found.voltage.high or 0.0
        )
    # 95 % wanted; the offset counts fully in the drive level although part of it cancels, so somewhat more is
    # right.
    assert hits_r / trials >= 0.935
    assert hits_v / trials >= 0.935


def test_common_errors_are_not_counted_twice() -> None:
    # The reference moves all three readings by the same factor: the resistance must not change, the voltage
    # must.
    low, high = node_mv(3300.0, 47e3, 0.0), node_mv(3300.0, 47e3, 3300.0)
    plain = electrical.thevenin(low, high, 3300.0)
    scaled = electrical.thevenin(low * 1.01, high * 1.01, 3300.0 * 1.01)
    assert scaled.resistance.value == pytest.approx(plain.resistance.value)
    assert plain.voltage.value is not None
    assert scaled.voltage.value == pytest.approx(plain.voltage.value * 1.01)
    assert plain.voltage.u is not None and plain.voltage.u > 3300.0 * adc.REFERENCE_HALF_PART / math.sqrt(3)


def test_the_test_loads_own_error_is_the_lines() -> None:
    # By R = Rt x / (1 - x) a load that is 5 % off makes the line 5 % off; the other errors are made
    # negligible here.
    low, high = node_mv(3300.0, 10e3, 0.0), node_mv(3300.0, 10e3, 3300.0)
    tight, loose = (
        electrical.thevenin(Reading(low, 1e-6), Reading(high, 1e-6), Reading(3300.0, 1e-6), u_r_test_ohm=u)
        for u in (0.0, 500.0)
    )
    assert tight.resistance.u is not None and loose.resistance.u is not None
    added = math.sqrt(loose.resistance.u**2 - tight.resistance.u**2)
    assert added / 10e3 == pytest.approx(0.05, rel=0.02)
