"""Output against lid angle: against published figures, and against a hysteresis that is walked step by step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lidjig.bench import load_sensor, parse_sensor, shipped
from lidjig.bench.characteristic import CODE, LEVEL, PERCENT, Characteristic, Line, characteristic, codes_at
from lidjig.bench.sensor_words import resolution_deg, sensor_sections, slope_codes_per_deg
from lidjig.bench.transfer import Transfer

from tests.bench_profiles.angle_profiles import FAMILIES, changed, good, lid_at, transfer


def of(text: str) -> Characteristic:
    return characteristic(parse_sensor(text, "mine.toml"))


def at(line: Line, lid_deg: float) -> float:
    """What a line says at an angle that is a point of it."""
    return float(line.value[int(np.flatnonzero(line.lid_deg == lid_deg)[0])])


# -- published figures


def test_one_count_of_twelve_bits_and_a_turn() -> None:
    # ams AS5600 datasheet v1-06: 4096 counts a turn; 360 / 4096 = 0.087890625 deg (computed).
    sensor = parse_sensor(good("i2c"), "mine.toml")
    assert resolution_deg(sensor) == 0.087890625
    drawn = characteristic(sensor)
    assert (drawn.quantity, drawn.low, drawn.high) == (CODE, 0.0, 4095.0)
    line = drawn.traces[0].opening
    assert [at(line, deg) for deg in (0.0, 45.0, 90.0, 180.0)] == [0.0, 512.0, 1024.0, 2048.0]


def test_analog_levels_of_the_published_part() -> None:
    # The same, p.25-26: 10..90 % of VDD; half the range lies at half the supply.
    drawn = of(changed(good("analog"), "pwm_hz = 20000\n", ""))
    assert (drawn.quantity, drawn.low, drawn.high) == (PERCENT, 0.0, 100.0)
    line = drawn.traces[0].opening
    half_lsb = 0.5 * 80.0 / 4095
    assert at(line, 0.0) == 10.0 and at(line, 180.0) == 90.0
    assert at(line, 90.0) == pytest.approx(50.0, abs=half_lsb)
    assert at(line, 45.0) == pytest.approx(30.0, abs=half_lsb)


def test_sine_and_cosine() -> None:
    drawn = of(good("sincos"))
    assert [trace.name for trace in drawn.traces] == ["sin", "cos"] and drawn.quantity == PERCENT
    sine, cosine = (trace.opening for trace in drawn.traces)
    for deg, wanted in ((0.0, (50.0, 90.0)), (90.0, (90.0, 50.0)), (180.0, (50.0, 10.0))):
        assert (at(sine, deg), at(cosine, deg)) == pytest.approx(wanted, abs=1e-9)
    # atan2 gives the angle back to half a code, and the middle is 50 %.
    inside = ~np.isnan(sine.value)
    angle = np.degrees(np.arctan2(sine.value[inside] - 50.0, cosine.value[inside] - 50.0)) % 360.0
    error = (angle - sine.lid_deg[inside] + 180.0) % 360.0 - 180.0
    assert np.abs(error).max() <= 0.5 * 360.0 / 4096 + 1e-9


def test_a_sent_format_whose_data_begin_at_one() -> None:
    # H.2 to H.5 have the codes 1..4088 as data: SAE J2716, section 6 (value from memory).
    drawn = of(good("sent"))
    assert (drawn.low, drawn.high) == (1.0, 4088.0)
    assert at(drawn.traces[0].opening, 0.0) == 1.0 and at(drawn.traces[0].opening, 180.0) == 4088.0


@pytest.mark.parametrize(("operate", "release"), [(8.0, 14.0), (170.0, 160.0)])
def test_a_switch_changes_late_both_ways(operate: float, release: float) -> None:
    text = load_sensor("hinge-b2")[1]
    head, second = text.split("line = 2")
    second = changed(second, "operate_deg = 13.0", f"operate_deg = {operate}")
    second = changed(second, "release_deg = 19.0", f"release_deg = {release}")
    drawn = of(f"{head}line = 2{second}")
    assert drawn.quantity == LEVEL and [trace.name for trace in drawn.traces] == ["line 1", "line 2"]
    trace = drawn.traces[1]
    shut = 0.0 if operate < release else 1.0  # a fold output is operated, and low, far open
    assert trace.opening.value.tolist() == [shut, shut, 1.0 - shut, 1.0 - shut] == trace.closing.value.tolist()
    low, high = sorted((operate, release))
    assert trace.opening.lid_deg.tolist() == [0.0, high, high, 190.0]
    assert trace.closing.lid_deg.tolist() == [0.0, low, low, 190.0]
    assert [deg for deg, _ in trace.marks] == [low, high]


# -- against a walk


def walked(table: Transfer, codes: int, lids: np.ndarray) -> list[float]:
    """Steps, not rounded, on a path of small steps, by a backlash carried along: the output moves when the play is
    used up. NaN beyond the codes.
    """
    steps = codes if table.wrap else codes - 1
    play = 0.5 * table.hysteresis_deg / table.span_deg * steps
    x, out = None, []
    for lid in lids:
        wanted = float(table.part(lid)) * steps
        if x is None:
            x = wanted
        way = (wanted - x + steps / 2) % steps - steps / 2 if table.wrap else wanted - x
        x += max(way - play, 0.0) + min(way + play, 0.0)
        inside = table.wrap or 0 <= np.floor(x + 0.5) < codes
        out.append(x if inside else float("nan"))
    return out


@settings(max_examples=60, deadline=None)
@example(0, 127, False, False, 0.5, 16384, [0, 0, 0])  # full of ties: 64.5 steps of a code to a step of the path
@given(
    zero=st.integers(0, 60), span=st.integers(100, 300), down=st.booleans(), wrap=st.booleans(),
    play=st.sampled_from([0.5, 2.0, 10.0]), codes=st.sampled_from([16, 4096, 16384]),
    error=st.lists(st.integers(-3, 3), min_size=3, max_size=3),
)  # fmt: skip
def test_hysteresis_is_that_of_a_walk(
    zero: int, span: int, down: bool, wrap: bool, play: float, codes: int, error: list[int]
) -> None:
    table = Transfer(
        zero_deg=zero, span_deg=360.0 if wrap else span, direction="down" if down else "up", wrap=wrap,
        hysteresis_deg=play, error_deg=[(60.0 * (n + 1), float(e)) for n, e in enumerate(error)],
    )  # fmt: skip
    lids = np.arange(0.0, 200.25, 0.25)
    there_and_back = walked(table, codes, np.concatenate([lids[::-1], lids, lids[::-1]]))
    opening = np.array(there_and_back[len(lids) : 2 * len(lids)])
    closing = np.array(there_and_back[2 * len(lids) :])[::-1]
    for way, want in ((1, opening), (-1, closing)):
        got = codes_at(table, codes, lids, way)
        # A code is the nearest one. Sums in another order differ by 1e-9 or so, and may round a tie the other way.
        off = np.abs(got - want)
        off = np.minimum(off % codes, -off % codes) if wrap else off
        assert np.nanmax(off, initial=0.0) <= 0.5 + 1e-6
        assert np.count_nonzero(np.isnan(got) != np.isnan(want)) <= 2


def test_the_loop_is_as_wide_as_the_hysteresis_and_closed_at_its_ends() -> None:
    drawn = of(lid_at(transfer("pwm", "hysteresis_deg = 4.0\n"), 8.0, 14.0))
    opening, closing = drawn.traces[0].opening, drawn.traces[0].closing
    assert drawn.loop
    assert at(closing, 62.0) == at(opening, 66.0)
    assert at(opening, 0.0) == at(closing, 0.0) and at(opening, 190.0) == at(closing, 190.0)
    assert not of(good("pwm")).loop


# -- outside the span


@pytest.mark.parametrize(("direction", "before", "past"), [("up", 0.0, 4095.0), ("down", 4095.0, 0.0)])
def test_hold_keeps_the_code_of_its_end(direction: str, before: float, past: float) -> None:
    own = f'zero_deg = 40\nspan_deg = 100\ndirection = "{direction}"'
    drawn = of(lid_at(changed(good("pwm"), "zero_deg = 0.0\nspan_deg = 180.0", own), 50.0, 60.0))
    line = drawn.traces[0].opening
    assert at(line, 0.0) == at(line, 39.0) == before and at(line, 141.0) == at(line, 190.0) == past
    assert not drawn.rests


@pytest.mark.parametrize("direction", ["up", "down"])
def test_where_there_is_no_angle_the_line_ends(direction: str) -> None:
    own = f'zero_deg = 40\nspan_deg = 100\ndirection = "{direction}"\nbelow = "low"\nabove = "error"'
    drawn = of(lid_at(changed(good("pwm"), "zero_deg = 0.0\nspan_deg = 180.0", own), 50.0, 60.0))
    line = drawn.traces[0].opening
    assert np.isnan(at(line, 39.0)) and not np.isnan(at(line, 40.0))
    assert np.isnan(at(line, 141.0)) and not np.isnan(at(line, 140.0))
    first, last = drawn.rests
    assert (first.begin_deg, first.word, last.end_deg, last.word) == (0.0, "low", 190.0, "error")
    assert first.end_deg == pytest.approx(40.0, abs=0.25) and last.begin_deg == pytest.approx(140.0, abs=0.25)


def test_a_turn_that_begins_anew_breaks_the_line() -> None:
    line = of(transfer("ssi", "zero_deg = 90.0\n")).traces[0].opening
    broken = np.flatnonzero(np.isnan(line.value))
    assert line.lid_deg[broken].tolist() == [90.0]
    assert line.value[broken[0] - 1] > 16000 and line.value[broken[0] + 1] == 0.0


@pytest.mark.parametrize(("low", "high", "axis"), [(0, 180, (0, 190)), (20, 355, (10, 360)), (30, 90, (20, 100))])
def test_the_axis_shows_the_ends_of_what_the_jig_accepts(low: int, high: int, axis: tuple[int, int]) -> None:
    text = changed(good("pwm"), "angle_min_deg = 0.0", f"angle_min_deg = {low}.0")
    text = changed(text, "angle_max_deg = 180.0", f"angle_max_deg = {high}.0")
    text = changed(text, "start_deg = 100.0", "start_deg = 80.0")
    text = changed(changed(text, "shut_deg = 8.0", "shut_deg = 40.0"), "open_deg = 12.0", "open_deg = 50.0")
    drawn = of(text)
    assert drawn.axis_deg == axis and drawn.accepted_deg == (low, high)
    assert drawn.traces[0].marks == ((40.0, "shut"), (50.0, "open"))


# -- in words


@pytest.mark.parametrize("text", [load_sensor(name)[1] for name in shipped("sensors")] + [good(f) for f in FAMILIES])
def test_every_profile_has_words_and_a_drawing(text: str) -> None:
    sensor = parse_sensor(text, "mine.toml")
    sections = sensor_sections(sensor)
    assert all(section.rows and all(what and value for what, value in section.rows) for section in sections)
    drawn = characteristic(sensor)
    for trace in drawn.traces:
        for line in (trace.opening, trace.closing):
            assert line.lid_deg.shape == line.value.shape and np.all(np.diff(line.lid_deg) >= 0.0)
            assert drawn.low <= np.nanmin(line.value) and np.nanmax(line.value) <= drawn.high


def test_the_transfer_function_in_words() -> None:
    rows = 'direction = "down"\nhysteresis_deg = 0.5\nlag_ms = 2.0\nnoise_deg = 0.1\nabove = "error"\n'
    text = transfer("analog", rows + "power_up = 'low'\ninternal_error = 'hold'\nerror_deg = [[0, -1], [90, 2]]\n")
    text = changed(changed(text, "zero_deg = 0.0", "zero_deg = 20.0"), "span_deg = 180.0", "span_deg = 160.0")
    sensor = parse_sensor(lid_at(text, 24.0, 28.0), "mine.toml")
    told = next(dict(s.rows) for s in sensor_sections(sensor) if s.title == "transfer function")
    assert told["zero"] == "20 deg of the lid" and told["span"] == "160 deg, up to 180 deg of the lid"
    assert told["direction"] == "down: the output falls as the lid opens"
    # 80 % over 160 deg; 4095 codes over 160 deg.
    assert told["slope"] == "-0.5 % of the supply per degree, -25.59 codes per degree"
    assert slope_codes_per_deg(sensor.curve(), 4096) == -4095 / 160
    assert told["resolution"] == "0.03907 deg, 4096 codes" and told["hysteresis"] == "0.5 deg"
    assert told["update rate"] == "100 Hz, every 10 ms" and told["filter lag"] == "2 ms (time constant)"
    assert told["noise"] == "0.1 deg rms" and told["error of the angle"] == "-1 to +2 deg, a table of 2 rows"
    assert told["before the span (below 20 deg)"] == "holds the output of the span's end"
    assert told["past the span (above 180 deg)"].startswith("rests low: it has no fault band")
    assert told["at power-up"] == "rests low" and told["on an internal error"] == "holds the last output"


def test_an_error_that_carries_the_angle_out_of_the_span_is_told() -> None:
    words = [dict(sensor_sections(parse_sensor(text, "x"))[2].rows)["before the span (below 0 deg)"] for text in
             (good("pwm"), transfer("pwm", "error_deg = [[0, -1], [90, 0]]\n"))]  # fmt: skip
    assert words == ["never reached", "holds the output of the span's end"]


def test_a_switch_in_words() -> None:
    told = {s.title: dict(s.rows) for s in sensor_sections(load_sensor("hinge-a1")[0])}
    line = told["output on line 1"]
    assert (line["operates"], line["releases"], line["hysteresis"]) == ("below 8 deg", "above 14 deg", "6 deg")
    assert line["drive"] == "open-drain, low while operated, else high by the machine's pull"
    assert told["timing"]["update rate"] == "200 Hz, every 5 ms"
    assert resolution_deg(load_sensor("hinge-a1")[0]) is None
