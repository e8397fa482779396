"""The parts of sense: how long and how finely a line is watched, what a reading is worth, what a curve comes to."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from lidjig.bench import load_machine, load_sensor
from lidjig.bench.actions import lid_action, words_of
from lidjig.bench.families.base import SILENT, Reading, Seen, WatchLevels
from lidjig.bench.families.pwm import PwmEncoding
from lidjig.bench.families.sent import SentEncoding
from lidjig.bench.transfer import Transfer
from lidjig.errors import EXIT_NO_JIG, EXIT_STATUS, BadInput, TooOld
from lidjig.jig_sensor import Capture
from lidjig.measure.estimate import Estimate, spread
from lidjig.procedures.base import Bench
from lidjig.procedures.report import Sheet
from lidjig.procedures.sense import Sense
from lidjig.procedures.sense_curve import (
    HYSTERESIS,
    INL_SQUARES,
    VISITS,
    ZERO,
    ZERO_OFF,
    By,
    Curve,
    Heard,
    Visit,
    angles_of,
    declare_curve,
    wider,
)
from lidjig.procedures.sensor_judging import details_of, judge_words
from lidjig.procedures.sensor_judging import words_of as reading_words
from lidjig.procedures.sensor_looks import Looked, capture_size, runs_of, wave_of
from lidjig.procedures.sensor_reading import SensorSaid

from shared_proto import names
from shared_proto.messages import MESSAGES

# -- watching a line


def limits(message: str, field: str) -> tuple[int, int]:
    rows = next(row[4] for row in MESSAGES if row[1] == message)
    return next((row[2], row[3]) for row in rows if row[0] == field)


ENCODINGS = {
    "pwm 8 Hz": PwmEncoding(frequency_hz=8.0, drive="push-pull"),
    "pwm 920 Hz": PwmEncoding(frequency_hz=920.0, drive="push-pull"),
    "pwm of 16 bits": PwmEncoding(frequency_hz=50.0, drive="push-pull", codes=65536, head_clocks=5, tail_clocks=5),
    "sent 3 us": SentEncoding(tick_us=3.0, format="H.2"),
    "sent 90 us": SentEncoding(tick_us=90.0, format="H.1"),
    "sent with pauses": SentEncoding(tick_us=3.0, format="H.2", frame_ticks=900),
    "sent that tells": SentEncoding(tick_us=3.0, format="H.2", serial="enhanced", messages=[(1, 2)]),
}


@pytest.mark.parametrize("n", [1, 8, 20])
@pytest.mark.parametrize("encoding", ENCODINGS.values(), ids=ENCODINGS)
def test_what_is_asked_of_the_board_is_what_it_takes(encoding: Any, n: int) -> None:
    ask = encoding.ask()
    assert isinstance(ask, WatchLevels)
    step_us, samples = capture_size(ask, n)
    low, high = limits("capture", "samples")
    assert low <= samples <= high and samples % 32 == 0
    shortest_ns, longest_ns = limits("capture", "step_ns")
    assert shortest_ns <= step_us * 1e3 <= longest_ns
    assert samples * step_us <= 2e6
    assert samples * step_us >= ask.frames * ask.frame_us * 0.999  # two whole frames and a bit, whatever else


def test_steps_are_fine_enough_or_the_reading_says_so() -> None:
    for name, encoding in ENCODINGS.items():
        ask = encoding.ask()
        step_us, _samples = capture_size(ask, 1)
        if name.startswith("sent"):
            assert step_us <= encoding.tick_us / 3.0, name  # three or more samples a tick
        elif name != "pwm of 16 bits":
            assert step_us <= 1e6 / encoding.frequency_hz / (128 + 4095 + 128) / 3.0 * 1.001, name
        else:
            assert step_us > ask.step_us  # 65536 samples are not three for each of 65536 codes


def captured(wave: Callable[[np.ndarray], np.ndarray], step_us: float, samples: int, begin_us: float) -> dict[str, Any]:
    levels = wave(begin_us + step_us * np.arange(samples))
    bits = np.packbits(levels.astype(np.uint8), bitorder="little").tobytes()
    return runs_of(Capture(1000, round(step_us * 1e6), samples, bits))


@pytest.mark.parametrize("part", [0.0, 0.13, 0.5, 0.77, 0.999])
def test_one_whole_pulse_is_seen_wherever_the_watch_begins(part: float) -> None:
    """AS5600 datasheet v1-06, p.27: code 1234 is 128 + 1234 clocks high of 4351."""
    encoding = PwmEncoding(frequency_hz=920.0, drive="push-pull")
    step_us, samples = capture_size(encoding.ask(), 1)
    period = 1e6 / 920.0
    high = (128 + 1234) / 4351 * period
    kept = captured(lambda t: np.mod(t, period) < high, step_us, samples, part * period)
    readings = encoding.decode(Seen(3.3, waves={"out": wave_of(kept)}))
    assert readings and {reading.code for reading in readings} <= {1233, 1234, 1235}
    assert not [reading for reading in readings if reading.fault]


def test_a_line_that_rests_is_told_as_silent_by_one_watch() -> None:
    for encoding in ENCODINGS.values():
        step_us, samples = capture_size(encoding.ask(), 1)
        kept = captured(lambda t: np.zeros(t.size), step_us, samples, 0.0)
        (reading,) = encoding.decode(Seen(3.3, waves={"out": wave_of(kept)}))
        assert (reading.fault, reading.detail["level"]) == (SILENT, "low")


def test_levels_are_kept_short_and_whole() -> None:
    """0b0010_1100 first bit first is 0 0 1 1 0 1 0 0 (messages.py, capture_read)."""
    kept = runs_of(Capture(500, 250_000, 16, bytes([0b00101100, 0xFF])))
    assert (kept["first"], kept["runs"]) == (0, [2, 2, 1, 1, 2, 8])
    wave = wave_of(kept)
    assert wave.t_us.tolist() == [500.0, 500.5, 501.0, 501.25, 501.5, 502.0]
    assert (wave.level.tolist(), wave.end_us) == ([0, 1, 0, 1, 0, 1], 504.0)


def test_nothing_captured_is_no_wave_and_no_crash() -> None:
    wave = wave_of(runs_of(Capture(500, 250_000, 0, b"")))
    assert not [r for r in SentEncoding(tick_us=3.0, format="H.2").decode(Seen(3.3, waves={"out": wave})) if r.code]
    assert wave.end_us == 500.0


# -- what a reading is worth


def said(lid_deg: tuple[float | None, ...], **more: float) -> SensorSaid:
    readings = tuple(Reading(float(k), 1, None if one is None else 0.5) for k, one in enumerate(lid_deg))
    return SensorSaid(readings, lid_deg, 3.3, **more)


def test_an_angle_carries_scatter_step_hysteresis_and_the_jigs_own() -> None:
    """JCGM 100:2008, 4.2.3 (sd of the mean), 4.3.7 (rectangular); Student's t for 3 degrees of freedom is 3.18 (table
    G.2), which has to be reached where nothing but the scatter counts.
    """
    scatter_only = said((10.0, 10.2, 10.4, 10.2)).angle()
    assert scatter_only is not None and scatter_only.value == pytest.approx(10.2)
    u = math.sqrt((0.04 + 0.04) / 3.0) / 2.0
    assert scatter_only.u == pytest.approx(u)
    assert scatter_only.high == pytest.approx(10.2 + 3.182 * u, abs=1e-3)
    rest = said((10.0,) * 4, lsb_deg=0.24, hysteresis_deg=0.6, u_jig_deg=0.5).angle()
    assert rest is not None
    wanted = math.sqrt(0.24**2 / 12.0 + 0.3**2 / 3.0 + 0.25)
    assert rest.u == pytest.approx(wanted) and rest.high == pytest.approx(10.0 + 1.96 * wanted, abs=1e-3)


def test_one_reading_goes_by_the_noise_of_the_profile() -> None:
    alone = said((10.0,), noise_deg=0.3).angle()
    assert alone is not None and alone.u == pytest.approx(0.3)
    assert said((10.0, 11.0)).spread().value is None


def test_nothing_read_is_no_angle() -> None:
    assert said((None, None)).angle() is None
    assert said((None, None)).told() == []
    assert said(()).faults() == {}


def test_the_spread_has_the_interval_of_the_chi_squared_distribution() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.6.7.4: for 19 degrees of freedom 8.907 and 32.852 (0.025 and 0.975)."""
    found = spread(2.0, 19, 20, "deg")
    assert found.low == pytest.approx(2.0 * math.sqrt(19 / 32.852), rel=1e-4)
    assert found.high == pytest.approx(2.0 * math.sqrt(19 / 8.907), rel=1e-4)
    with pytest.raises(ValueError, match="degrees of freedom"):
        spread(2.0, 0, 1, "deg")


def test_a_code_that_never_changes_is_known_to_a_step() -> None:
    same = said((10.0,) * 5, lsb_deg=0.1).spread()
    assert (same.value, same.low, same.high) == (0.1, None, 0.1)


@pytest.mark.parametrize("wrap", [False, True])
@pytest.mark.parametrize("direction", ["up", "down"])
def test_the_lid_angle_is_what_the_output_was_made_from(direction: Any, wrap: bool) -> None:
    """part() is how the stand-in makes the output (its check is in test_families_digital and on the board); with errors
    that fall and rise, and a zero in the middle of the lid's way.
    """
    errors = [(0.0, 2.0), (40.0, -3.0), (120.0, 1.5), (200.0, 0.0), (360.0, 2.0)]
    span_deg = 360.0 if wrap else 180.0
    transfer = Transfer(zero_deg=40.0, span_deg=span_deg, direction=direction, wrap=wrap, error_deg=errors)
    for lid_deg in np.arange(45.0, 170.0, 0.7).tolist():
        assert transfer.lid_of(float(transfer.part(lid_deg)), 90.0) == pytest.approx(lid_deg, abs=1e-9)


def test_just_below_zero_is_not_just_below_a_turn() -> None:
    transfer = Transfer(span_deg=360.0, wrap=True)
    assert transfer.lid_of(4095.0 / 4096.0, 90.0) == pytest.approx(-360.0 / 4096.0)


# -- in words


def test_readings_in_words() -> None:
    sensor = load_sensor("hinge-t1")[0]
    looked = Looked([], [{}, {}, {}])
    readings = (Reading(0.0, 5, 0.1, "", {"status": 1}), Reading(1.0, None, None, "bad check"), )
    words = reading_words(sensor, looked, SensorSaid(readings, (36.0, None), 3.3))
    assert words == ["yes", "wrong", "silent"]
    assert judge_words(words).value == "wrong"
    assert judge_words(["yes", "yes", "silent"]).value == "yes"
    assert judge_words([]).value == "silent"


def test_details_in_words() -> None:
    readings = [Reading(0.0, 1, 0.1, "", {"agc": gain, "status": 0}) for gain in (100, 128)]
    assert details_of(readings) == ["agc 100 to 128", "status 0"]
    assert details_of([Reading(0.0, None, None, SILENT, {"bus": "held"})]) == []


# -- angles that are set


def test_the_lid_goes_up_and_down_and_ends_are_come_to_from_one_side() -> None:
    visits = list(By((0.0, 90.0, 30.0), turns=2).visits())
    assert [(v.lid_deg, v.opening, v.turn) for v in visits] == [
        (0.0, False, 0), (30.0, True, 1), (90.0, True, 1), (30.0, False, 1), (0.0, False, 1),
        (30.0, True, 2), (90.0, True, 2), (30.0, False, 2), (0.0, False, 2),
    ]  # fmt: skip
    assert len(set(visits)) == len(visits)


def test_an_angle_is_asked_for_in_words() -> None:
    assert lid_action(30.0, opening=True) == "set-lid 30000"
    told = words_of("set-lid 30000")
    assert told is not None and "Open the lid to 30 deg" in told[0]
    told = words_of(lid_action(12.5, opening=False))
    assert told is not None and "Shut the lid to 12.5 deg" in told[0]
    told = words_of(lid_action(0.0, opening=False))
    assert told is not None and told[0] == "Shut the lid and leave it shut."
    for wrong in ("set-lid", "set-lid -5", "set-lid x", "dance 30000"):
        assert words_of(wrong) is None


TOO_MANY = ",".join(str(k) for k in range(100))


@pytest.mark.parametrize("text", ["", "0", "0,30", "a,b", "0,30,30", "nan,1,2", "inf", TOO_MANY])
def test_angles_that_cannot_be(text: str) -> None:
    with pytest.raises(BadInput) as told:
        angles_of(text)
    assert told.value.key == "--at"


def test_more_uncertainty_widens_both_sides_and_stops_at_none() -> None:
    found = wider(Estimate(1.0, 0.1, 0.8, 1.2, 5, "deg"), 1.0, least=0.0)
    assert (found.low, found.value) == (0.0, 1.0)
    assert found.high == pytest.approx(1.0 + math.hypot(0.2, 1.96))
    assert wider(Estimate(None, None, None, None, 0, "deg"), 1.0).value is None


def curve_of(error: Callable[[float], float], by: By) -> tuple[Curve, Sheet]:
    """A sensor of hinge-r1 (I2C, a whole turn) that is wrong by so much at each angle."""
    sensor, machine = load_sensor("hinge-r1")[0], load_machine("oak-14")[0]
    sheet = Sheet(declare_curve(sensor, machine, by), lambda _measured: None)
    curve = Curve(sensor, machine, by, sheet)
    step = 360.0 / 4096.0
    heard = [Heard(v, round((v.lid_deg + error(v.lid_deg)) / step) * step) for v in by.visits()]
    curve.seen = curve.enter(heard)  # type: ignore[attr-defined]
    return curve, sheet


EVERY_15 = By(tuple(float(one) for one in range(0, 181, 15)), turns=2, u_deg=0.05)


def test_a_displaced_zero_is_found_with_its_number() -> None:
    """A sensor that tells 7 deg where the lid is shut: its zero lies 7 deg before that of the profile, at 353."""
    curve, sheet = curve_of(lambda _lid: 7.0, EVERY_15)
    off, zero = sheet.get(ZERO_OFF), sheet.get(ZERO)
    assert off is not None and zero is not None
    assert off.low <= 7.0 <= off.high and off.outcome == "fail"  # type: ignore[operator]
    assert zero.value == pytest.approx(353.0, abs=0.2)
    assert curve.seen[0].value == "displaced"  # type: ignore[attr-defined]


def test_a_second_harmonic_is_found_with_its_size() -> None:
    curve, sheet = curve_of(lambda lid: 3.0 * math.sin(math.radians(2.0 * lid + 30.0)), EVERY_15)
    found = sheet.get("2nd harmonic")
    assert found is not None and found.low <= 3.0 <= found.high  # type: ignore[operator]
    assert "sensor off centre" in "".join(curve.shape()) and curve.crooked == [INL_SQUARES]


def test_a_poor_protractor_tells_no_harmonic() -> None:
    """Angles known to 5 deg: an error of 3 deg may be the hand's."""
    by = replace(EVERY_15, u_deg=5.0)
    curve, sheet = curve_of(lambda lid: 3.0 * math.sin(math.radians(2.0 * lid + 30.0)), by)
    found = sheet.get("2nd harmonic")
    assert found is None or found.low in (None, 0.0)
    assert [cause.name for cause in curve.causes] == ["none that the figures show"]
    assert [one.value for one in (sheet.get("1st harmonic"),) if one is not None] in ([], [None])
    assert "not measured in full" in curve.shape()[0]
    assert all(one.outcome != "fail" for one in sheet.all())


def test_two_angles_are_no_curve() -> None:
    curve, sheet = curve_of(lambda _lid: 0.0, By((0.0, 90.0)))
    read = sheet.get(VISITS)
    assert read is not None and read.value == 3.0
    assert [one.name for one in sheet.all() if one.outcome not in ("not measured",)] == [VISITS]
    assert "too few angles" in curve.notes[0] and curve.seen == []  # type: ignore[attr-defined]


def test_play_shows_as_hysteresis() -> None:
    sensor, machine = load_sensor("hinge-r1")[0], load_machine("oak-14")[0]
    sheet = Sheet(declare_curve(sensor, machine, EVERY_15), lambda _measured: None)
    heard = [Heard(v, v.lid_deg - (1.0 if v.opening else 0.0)) for v in EVERY_15.visits()]
    Curve(sensor, machine, EVERY_15, sheet).enter(heard)
    found = sheet.get(HYSTERESIS)
    assert found is not None and found.value == pytest.approx(1.0, abs=0.1)


def test_a_visit_in_which_nothing_was_read_is_missing_and_no_number() -> None:
    sensor, machine = load_sensor("hinge-r1")[0], load_machine("oak-14")[0]
    sheet = Sheet(declare_curve(sensor, machine, EVERY_15), lambda _measured: None)
    heard = [Heard(v, v.lid_deg if v.lid_deg != 90.0 else None) for v in EVERY_15.visits()]
    Curve(sensor, machine, EVERY_15, sheet).enter(heard)
    read = sheet.get(VISITS)
    assert read is not None and (read.value, read.n, read.outcome) == (len(heard) - 4, len(heard), "fail")


# -- a sensor that the jig cannot feed


def test_a_sensor_that_is_fed_too_little_is_not_blamed(bench: Callable[..., Bench]) -> None:
    """2.9 V of 6.6 V at full scale, where hinge-p1 wants 3 V; its line rests."""
    text = '[machine]\nmodel = "elm-14"\n[sensor]\nprofile = "hinge-p1"\n'
    for supply_v, blamed in ((2.9, False), (3.1, True)):
        sense = Sense(bench(text, vm="cpython", machine="elm-14", sensor="hinge-p1"))
        kept = {"t_us": 0, "n": 32, "mean_raw": supply_v / 6.6 * 65535.0, "sd_raw": 0.0}
        sense.enter_readings(Looked([kept], [{"t_us": 0, "step_ps": 80_000, "first": 0, "runs": [60_000]}]))
        sense.conclude()
        lost = sense.sheet.get("sensor readings lost")
        assert (lost is not None) == blamed
        assert any(note.startswith("not tested: sensor (fed") for note in sense.notes) != blamed
        assert bool(sense.findings) == blamed


# -- a board that is too old


def test_a_board_that_cannot_read_sensors_is_told_with_what_updates_it(bench: Callable[..., Bench]) -> None:
    made = bench()
    jig = made.jig
    jig._hello = replace(jig.hello, abilities=jig.hello.abilities & ~names.ABILITY_READING)
    for request in (
        lambda: jig.capture(1, 1e-6, 64), lambda: jig.registers(0x36, 0, 1), lambda: jig.count("read"),
        lambda: jig.clock_word(24, 2, out_falling=False),
    ):  # fmt: skip
        with pytest.raises(TooOld) as told:
            request()
        assert "lidjig flash" in told.value.next_step and "0." in str(told.value)
    assert EXIT_STATUS[TooOld] == EXIT_NO_JIG


@pytest.mark.parametrize("line", [0, 3])
def test_a_line_that_is_not_there_is_bad_input(line: int, bench: Callable[..., Bench]) -> None:
    with pytest.raises(BadInput):
        bench().jig.capture(line, 1e-6, 64)


def test_visits_can_be_looked_up() -> None:
    assert Visit(30.0, True, 1) in {Visit(30.0, True, 1): 0}
