"""A profile whose output does not tell a shut lid from an open one is refused, with the reason.

What the output is at an angle is taken from the transfer function's own words (GUIDE, sensor that tells an angle): by
characteristic.py, which is checked by itself, and not by the rule that is tested here.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench import load_sensor, parse_sensor, shipped
from lidjig.bench.characteristic import Line, characteristic
from lidjig.bench.sensor import SensorProfile, check_sensor
from lidjig.errors import BadInput
from lidjig.twin import scenario
from msgspec.structs import replace

from tests.bench_profiles.angle_profiles import changed, good, lid_at, transfer

HALF = "zero_deg = 0.0\nspan_deg = 180.0"


def narrow(family: str, rows: str, shut_deg: float = 8.0, open_deg: float = 12.0) -> str:
    return lid_at(changed(good(family), HALF, rows), shut_deg, open_deg)


def refused(text: str) -> BadInput:
    with pytest.raises(BadInput) as caught:
        parse_sensor(text, "mine.toml")
    return caught.value


REFUSED = [
    # neither angle is in the span: one output below 30 deg, whatever it is
    (30, 90, "hold", "hold", 8, 12, "lid.shut_deg", "above 30, where the span begins"),
    (30, 90, "low", "hold", 8, 12, "lid.shut_deg", "at least 30, where the span begins"),
    (30, 90, "high", "hold", 8, 12, "lid.shut_deg", "transfer.below = 'high'"),
    (30, 90, "error", "hold", 8, 12, "lid.shut_deg", "transfer.below = 'error'"),
    # only the shut one is outside: the two differ, but nothing changes where it is passed
    (10, 90, "low", "hold", 8, 12, "lid.shut_deg", "at least 10"),
    (10, 90, "hold", "hold", 8, 12, "lid.shut_deg", "above 10"),
    # at the very end an output that holds does not change
    (8, 90, "hold", "hold", 8, 12, "lid.shut_deg", "above 8"),
    # past the span
    (0, 90, "hold", "hold", 80, 95, "lid.open_deg", "below 90, where the span ends"),
    (0, 90, "hold", "hold", 80, 90, "lid.open_deg", "below 90"),
    (0, 90, "hold", "error", 80, 95, "lid.open_deg", "at most 90"),
    (0, 90, "hold", "hold", 100, 110, "lid.shut_deg", "below 90"),
]
ACCEPTED = [
    (0, 90, "hold", "hold", 8, 12),
    (7.9, 90, "hold", "hold", 8, 12),
    (8, 90, "low", "hold", 8, 12),
    (8, 90, "error", "hold", 8, 12),
    (0, 90, "hold", "low", 80, 90),
]


@pytest.mark.parametrize("family", ["pwm", "sent", "analog"])
@pytest.mark.parametrize("direction", ["up", "down"])
@pytest.mark.parametrize(("zero", "span", "below", "above", "shut", "opened", "key", "why"), REFUSED)
def test_angles_where_nothing_changes_are_refused(
    zero: float, span: float, below: str, above: str, shut: float, opened: float, key: str, why: str, direction: str,
    family: str,
) -> None:  # fmt: skip
    rows = f'zero_deg = {zero}\nspan_deg = {span}\nbelow = "{below}"\nabove = "{above}"\ndirection = "{direction}"'
    error = refused(narrow(family, rows, shut, opened))
    assert (error.file, error.key) == ("mine.toml", key)
    assert error.value == (shut if key == "lid.shut_deg" else opened)
    assert why in error.accepted and "nothing would tell the machine" in error.accepted


@pytest.mark.parametrize("family", ["pwm", "sent", "analog"])
@pytest.mark.parametrize(("zero", "span", "below", "above", "shut", "opened"), ACCEPTED)
def test_angles_that_the_output_tells_are_accepted(
    zero: float, span: float, below: str, above: str, shut: float, opened: float, family: str
) -> None:
    rows = f'zero_deg = {zero}\nspan_deg = {span}\nbelow = "{below}"\nabove = "{above}"'
    parse_sensor(narrow(family, rows, shut, opened), "mine.toml")


def test_a_rest_that_looks_like_the_code_beside_it_tells_nothing() -> None:
    """Of an analog output from 0 %, low is its first code; from 10 %, it is not."""
    rows = 'zero_deg = 8\nspan_deg = 90\nbelow = "{}"'
    for word in ("low", "error"):  # without a band for errors the output is pulled low
        text = narrow("analog", rows.format(word))
        parse_sensor(text, "mine.toml")
        assert refused(changed(text, "low_percent = 10.0", "low_percent = 0.0")).key == "lid.shut_deg"
    whole = changed(narrow("analog", rows.format("high")), "low_percent = 10.0", "low_percent = 0.0")
    parse_sensor(whole, "mine.toml")


def test_a_hysteresis_as_wide_as_the_two_are_apart() -> None:
    """Opening to 12 deg and closing to 8 deg, an output that follows 2 deg late is that of 10 deg both times."""
    error = refused(transfer("pwm", "hysteresis_deg = 4.0\n"))
    assert (error.key, error.value) == ("lid.open_deg", 12.0)
    assert "further above lid.shut_deg = 8" in error.accepted and "hysteresis_deg = 4" in error.accepted
    parse_sensor(transfer("pwm", "hysteresis_deg = 3.9\n"), "mine.toml")
    assert refused(transfer("ssi", "hysteresis_deg = 5.0\n")).key == "lid.open_deg"


def test_codes_too_coarse_to_tell_the_two_apart() -> None:
    text = changed(good("quadrature"), "steps_per_turn = 4096", "steps_per_turn = 16")  # 22.5 deg to a code
    assert refused(lid_at(text, 12.0, 30.0)).key == "lid.open_deg"
    parse_sensor(lid_at(text, 11.0, 12.0), "mine.toml")  # a code begins at 11.25 deg


def test_an_error_moves_the_ends_of_the_span() -> None:
    """The sensor tells 3 deg less there: 30 deg of the lid are told as 27."""
    rows = "zero_deg = 28\nspan_deg = 90\nerror_deg = [[0, -3], [180, -3]]"
    error = refused(narrow("pwm", rows, 30.0, 40.0))
    assert error.key == "lid.shut_deg" and "above 31" in error.accepted
    parse_sensor(narrow("pwm", rows, 32.0, 40.0), "mine.toml")


@pytest.mark.parametrize("name", shipped("sensors"))
def test_shipped_profiles_tell(name: str) -> None:
    sensor = load_sensor(name)[0]
    assert sensor.is_switch or tells(sensor)


@pytest.mark.parametrize("name", scenario.shipped())
def test_sensors_of_the_simulated_benches_are_accepted(name: str) -> None:
    check_sensor(scenario.load_scenario(name).profile, name)


def tells(sensor: SensorProfile) -> bool:
    """By the drawing: the code while opening at open_deg is further than the one while closing at shut_deg."""
    trace = characteristic(sensor).traces[0]
    assert sensor.lid is not None

    def at(line: Line, lid_deg: float) -> float:
        return float(line.value[np.argmin(np.abs(line.lid_deg - lid_deg))])

    return at(trace.opening, sensor.lid.open_deg) != at(trace.closing, sensor.lid.shut_deg)


@settings(deadline=None, max_examples=150)
@given(
    zero=st.integers(0, 60), span=st.integers(18, 120), play=st.integers(0, 10), shut=st.integers(1, 100),
    apart=st.integers(1, 40), below=st.sampled_from(["hold", "low"]), above=st.sampled_from(["hold", "low"]),
    direction=st.sampled_from(["up", "down"]),
)  # fmt: skip
def test_what_is_accepted_is_told_apart_by_the_drawing(
    zero: int, span: int, play: int, shut: int, apart: int, below: str, above: str, direction: str
) -> None:
    sensor = parse_sensor(good("pwm"), "mine.toml")
    words = {"below": below, "above": above, "direction": direction}
    curve = replace(sensor.curve(), zero_deg=float(zero), span_deg=float(span), hysteresis_deg=float(play), **words)
    lid = replace(sensor.lid, shut_deg=float(shut), open_deg=float(shut + apart))
    sensor = replace(sensor, transfer=curve, lid=lid)
    inside = zero < shut and shut + apart < zero + span
    try:
        check_sensor(sensor, "mine.toml")
    except BadInput:
        assert not inside or apart <= play + curve.lsb_deg(4096)
        return
    assert zero <= shut and shut + apart <= zero + span and apart > play
    assert tells(sensor)
