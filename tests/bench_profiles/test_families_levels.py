"""Analog, register, quadrature and sine/cosine encodings: what they refuse, the faults they tell, and any garbage."""

from __future__ import annotations

import itertools
import math
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.base import (
    ABOVE,
    BAD_CHECK,
    BAD_TIMING,
    BELOW,
    INTERNAL,
    NO_MAGNET,
    SILENT,
    STRONG,
    WEAK,
    Encoding,
    Limits,
    Reading,
    Registers,
    Seen,
    Volts,
    Wave,
)
from lidjig.bench.families.i2c import I2cEncoding
from lidjig.bench.families.quadrature import QuadratureEncoding
from lidjig.bench.families.sincos import SincosEncoding
from lidjig.errors import BadInput

from shared_proto import family_blobs

TURN = Limits(supply_min_v=2.7, supply_max_v=3.6, update_hz=200.0, span_deg=360.0, wrap=True, file="s.toml")
SPAN = Limits(supply_min_v=2.7, supply_max_v=3.6, update_hz=200.0, span_deg=180.0, wrap=False, file="s.toml")
FIVE_VOLT = {"supply_max_v": 5.5}
NARROWED = {"zpos": 100, "mpos": 2148, "burns": 1}

GOOD: list[tuple[int, Encoding, Limits]] = [
    (family_blobs.ANALOG, AnalogEncoding(), SPAN),
    (family_blobs.ANALOG, AnalogEncoding(low_percent=10.0, high_percent=90.0, via="dac"), SPAN),
    (
        family_blobs.ANALOG,
        AnalogEncoding(low_percent=10.0, high_percent=90.0, fault_low_percent=5.0, fault_high_percent=95.0),
        SPAN,
    ),
    (family_blobs.I2C, I2cEncoding(wrap=True), TURN),
    (family_blobs.I2C, I2cEncoding(**NARROWED), SPAN),
    (family_blobs.I2C, I2cEncoding(mang=2048, scaled=False), SPAN),
    (family_blobs.I2C, I2cEncoding(register="raw-angle", wrap=True, **NARROWED), TURN),
    (family_blobs.I2C, I2cEncoding(layout="14-bit", address=0x46, wrap=True), TURN),
    (family_blobs.QUADRATURE, QuadratureEncoding(steps_per_turn=4096, index_quarters=4, wrap=True), TURN),
    (family_blobs.SINCOS, SincosEncoding(), TURN),
    (family_blobs.SINCOS, SincosEncoding(offset_sin_percent=52.0, cos_gain=0.9, phase_deg=-3.0), TURN),
]


def only(readings: list[Reading]) -> Reading:
    (reading,) = readings
    return reading


def steady(v: float, noise_v: float = 0.0) -> Volts:
    swing = noise_v * np.array([1.0, -1.0] * 8)
    return Volts(np.arange(16, dtype=np.float64), v + swing)


# -- tables ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("family", "encoding", "limits"), GOOD)
def test_good_tables_are_taken_and_fit_the_boards_record(family: int, encoding: Encoding, limits: Limits) -> None:
    encoding.check(limits)
    fields = encoding.board_fields()
    rows = family_blobs.own_fields(family)
    assert list(fields) == [row[0] for row in rows]
    for name, _, low, high, _ in rows:
        assert low <= fields[name] <= high, name
    assert all(what and value for what, value in encoding.describe())


# (encoding, what is changed of the limits, key, value, part of what is accepted)
MISTAKES: list[tuple[Encoding, Limits, dict[str, Any], str, object, str]] = [
    (AnalogEncoding(high_percent=110.0), SPAN, {}, "encoding.high_percent", 110.0, "cannot leave the supply"),
    (AnalogEncoding(low_percent=-5.0), SPAN, {}, "encoding.low_percent", -5.0, "cannot leave the supply"),
    (AnalogEncoding(low_percent=50.0, high_percent=50.0), SPAN, {}, "encoding.high_percent", 50.0, "without a slope"),
    (AnalogEncoding(low_percent=90.0, high_percent=10.0), SPAN, {}, "encoding.high_percent", 10.0, "'down'"),
    (AnalogEncoding(fault_low_percent=5.0), SPAN, {}, "encoding.fault_low_percent", 5.0, "below encoding.low_percent"),
    (AnalogEncoding(high_percent=90.0, fault_high_percent=80.0), SPAN, {}, "encoding.fault_high_percent", 80.0, "= 90"),
    (AnalogEncoding(fault_high_percent=120.0), SPAN, {}, "encoding.fault_high_percent", 120.0, "cannot leave"),
    (AnalogEncoding(pwm_hz=40_000), SPAN, {}, "encoding.pwm_hz", 40_000, "at most 30525"),
    (AnalogEncoding(low_percent=45.0, high_percent=50.0), SPAN, {}, "encoding.pwm_hz", 20_000, "no PWM with"),
    (AnalogEncoding(pwm_hz=100), SPAN, {}, "encoding.pwm_hz", 100, "timing.update_hz = 200"),
    (AnalogEncoding(via="dac", pwm_hz=20_000), SPAN, {}, "encoding.pwm_hz", 20_000, "no pwm_hz"),
    (AnalogEncoding(via="dac"), SPAN, {"supply_min_v": 1.8}, "encoding.via", "dac", "supply.min_v is below 2.7 V"),
    (AnalogEncoding(), SPAN, FIVE_VOLT, "supply.max_v", 5.5, "at most 3.6"),
    (AnalogEncoding(), TURN, {}, "transfer.wrap", True, "false"),
    (I2cEncoding(address=0x78, wrap=True), TURN, {}, "encoding.address", 0x78, "8..119"),
    (I2cEncoding(layout="14-bit", wrap=True), TURN, {}, "encoding.address", 0x06, "other address is 70"),
    (I2cEncoding(layout="14-bit", address=0x46, wrap=True, conf=1), TURN, {}, "encoding.conf", 1, "no such register"),
    (
        I2cEncoding(layout="14-bit", address=0x46, wrap=True, register="raw-angle"),
        TURN, {}, "encoding.register", "raw-angle", "a single angle",
    ),
    (I2cEncoding(**NARROWED, mang=2048), SPAN, {}, "encoding.mang", 2048, "not both"),
    (I2cEncoding(zpos=100, mpos=304, burns=1), SPAN, {}, "encoding.mpos", 304, "at least 205 counts"),
    (I2cEncoding(zpos=100, mpos=100, burns=1), SPAN, {}, "encoding.mpos", 100, "at least 205 counts"),
    (I2cEncoding(mang=204), SPAN, {}, "encoding.mang", 204, "at least 205 counts"),
    (I2cEncoding(zpos=100, mpos=2148), SPAN, {}, "encoding.burns", 0, "0 after power-up"),
    (I2cEncoding(conf=0x30, wrap=True), TURN, {}, "encoding.conf", 0x30, "3 is reserved"),
    (I2cEncoding(), TURN, {}, "encoding.wrap", False, "true: the register counts a whole turn"),
    (I2cEncoding(**NARROWED, wrap=True), SPAN, {}, "encoding.wrap", True, "false: the range is narrowed"),
    (I2cEncoding(wrap=True), SPAN, {}, "encoding.wrap", True, "as transfer.wrap says"),
    (I2cEncoding(**NARROWED), SPAN, {"span_deg": 90.0}, "transfer.span_deg", 90.0, "180 "),
    (I2cEncoding(wrap=True), TURN, FIVE_VOLT, "supply.max_v", 5.5, "3.3 V inputs"),
    (QuadratureEncoding(steps_per_turn=4094, wrap=True), TURN, {}, "encoding.steps_per_turn", 4094, "a multiple of 4"),
    (
        QuadratureEncoding(steps_per_turn=4, index_quarters=4, wrap=True),
        TURN, {}, "encoding.index_quarters", 4, "marks nothing",
    ),
    (QuadratureEncoding(steps_per_turn=64), TURN, {}, "encoding.wrap", False, "true"),
    (QuadratureEncoding(steps_per_turn=64, wrap=True), SPAN, {}, "encoding.wrap", True, "transfer.wrap"),
    (QuadratureEncoding(steps_per_turn=64, wrap=True), TURN, {"span_deg": 180.0}, "transfer.span_deg", 180.0, "360"),
    (
        QuadratureEncoding(steps_per_turn=64, rate_max_hz=100, wrap=True),
        TURN, {}, "encoding.rate_max_hz", 100, "timing.update_hz = 200",
    ),
    (
        QuadratureEncoding(steps_per_turn=64, rate_max_hz=50, wrap=True),
        TURN, {"update_hz": 20.0}, "encoding.rate_max_hz", 50, "at least 60",
    ),
    (QuadratureEncoding(steps_per_turn=64, wrap=True), TURN, FIVE_VOLT, "supply.max_v", 5.5, "at most 3.6"),
    (SincosEncoding(amplitude_percent=60.0), TURN, {}, "encoding.amplitude_percent", 60.0, "at most 50"),
    (SincosEncoding(cos_gain=1.5), TURN, {}, "encoding.cos_gain", 1.5, "at most 1.25"),
    (SincosEncoding(offset_sin_percent=65.0), TURN, {}, "encoding.offset_sin_percent", 65.0, "40..60"),
    (SincosEncoding(offset_cos_percent=30.0), TURN, {}, "encoding.offset_cos_percent", 30.0, "40..60"),
    (SincosEncoding(), SPAN, {}, "transfer.wrap", False, "true"),
    (SincosEncoding(pwm_hz=200_000), TURN, {}, "encoding.pwm_hz", 200_000, "at most 76699"),
    (SincosEncoding(), TURN, FIVE_VOLT, "supply.max_v", 5.5, "at most 3.6"),
]  # fmt: skip


@pytest.mark.parametrize(("encoding", "limits", "changed", "key", "value", "accepted"), MISTAKES)
def test_each_mistake_is_refused_with_its_reason(
    encoding: Encoding, limits: Limits, changed: dict[str, Any], key: str, value: object, accepted: str
) -> None:
    values = {name: getattr(limits, name) for name in Limits.__dataclass_fields__}
    with pytest.raises(BadInput) as caught:
        encoding.check(Limits(**{**values, **changed}))
    assert (caught.value.file, caught.value.key, caught.value.value) == ("s.toml", key, value)
    assert accepted in caught.value.accepted


@pytest.mark.parametrize(
    ("struct", "table"),
    [
        (AnalogEncoding, {"via": "relay"}),
        (AnalogEncoding, {"low_percent": "10"}),
        (AnalogEncoding, {"slope": 0.0}),
        (I2cEncoding, {"burns": 4}),
        (I2cEncoding, {"zpos": 4096}),
        (I2cEncoding, {"layout": "16-bit"}),
        (QuadratureEncoding, {}),
        (QuadratureEncoding, {"steps_per_turn": 64, "index_quarters": 3}),
        (QuadratureEncoding, {"steps_per_turn": 64, "rate_max_hz": 3_000_000}),
        (SincosEncoding, {"amplitude_percent": 0.0}),
        (SincosEncoding, {"phase_deg": 60.0}),
    ],
)
def test_what_a_type_says_is_refused_on_reading(struct: type, table: dict[str, object]) -> None:
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(table, struct)


# -- analog ------------------------------------------------------------------------------------------------------------

BANDS = AnalogEncoding(low_percent=10.0, high_percent=90.0, fault_low_percent=5.0, fault_high_percent=95.0)


@pytest.mark.parametrize(
    ("percent", "fault", "code"),
    [
        (0.0, INTERNAL, None), (5.0, INTERNAL, None), (7.0, BELOW, None), (9.2, "", 0), (10.0, "", 0), (50.0, "", 2048),
        (90.0, "", 4095), (90.9, "", 4095), (92.0, ABOVE, None), (95.01, INTERNAL, None), (130.0, INTERNAL, None),
    ],
)  # fmt: skip
def test_bands_of_an_analog_output(percent: float, fault: str, code: int | None) -> None:
    reading = only(BANDS.decode(Seen(3.3, volts={"out": steady(0.033 * percent)})))
    assert (reading.fault, reading.code) == (fault, code)
    assert (reading.part is None) == (code is None)
    assert reading.detail.get("band") == ({True: "low", False: "high"}[percent < 50.0] if fault == INTERNAL else None)


def test_an_output_without_bands_ends_at_its_clamps() -> None:
    encoding = AnalogEncoding(low_percent=10.0, high_percent=90.0)
    assert only(encoding.decode(Seen(3.3, volts={"out": steady(0.0)}))).fault == BELOW
    assert only(encoding.decode(Seen(3.3, volts={"out": steady(3.3)}))).fault == ABOVE


def test_the_mean_counts_and_the_noise_is_told() -> None:
    reading = only(AnalogEncoding().decode(Seen(3.3, volts={"out": steady(1.65, noise_v=0.033)})))
    assert reading.code == 2048
    # Sixteen samples, half a step up and half down by 1 %: standard deviation sqrt(16 / 15) %.
    assert reading.detail["noise_percent"] == pytest.approx(math.sqrt(16 / 15))
    assert (reading.detail["samples"], reading.t_us) == (16, 15.0)


def test_samples_that_are_no_number_are_left_out() -> None:
    t_us, v = np.array([0.0, 1.0, math.nan, math.inf, 4.0]), np.array([1.65, math.nan, 3.3, 3.3, 1.65])
    reading = only(AnalogEncoding().decode(Seen(3.3, volts={"out": Volts(t_us, v)})))
    assert (reading.t_us, reading.code, reading.detail["samples"]) == (4.0, 2048, 2)


@pytest.mark.parametrize("supply_v", [0.0, 0.4, -3.3, math.nan, math.inf])
def test_no_supply_is_silence(supply_v: float) -> None:
    seen = Seen(supply_v, volts={name: steady(0.0) for name in ("out", "sin", "cos")})
    for encoding in (AnalogEncoding(), SincosEncoding()):
        reading = only(encoding.decode(seen))
        assert (reading.code, reading.part, reading.fault) == (None, None, SILENT)


def test_nothing_seen_is_no_reading() -> None:
    for _, encoding, _ in GOOD:
        assert encoding.decode(Seen(3.3)) == []


# -- registers ---------------------------------------------------------------------------------------------------------


def read_12(value: dict[int, int], encoding: I2cEncoding | None = None) -> Reading:
    return only((encoding or I2cEncoding(wrap=True)).decode(Seen(3.3, registers=(Registers(7.0, value),))))


def test_nobody_on_the_bus_is_silence() -> None:
    assert read_12({at: 0xFF for at in range(0x20)}).fault == SILENT
    assert read_12({}).fault == SILENT
    assert read_12({0x0E: 0x01}).fault == SILENT  # half an angle is none
    assert read_12({3: 0xFF, 4: 0xFF}, I2cEncoding(layout="14-bit", wrap=True)).fault == SILENT


def test_gain_at_both_ends_is_an_internal_error() -> None:
    reading = read_12({0x0B: 0x38, 0x0E: 1, 0x0F: 0})
    assert (reading.fault, reading.part, reading.code) == (INTERNAL, None, 256)


def test_a_count_past_a_narrowed_range_stands_for_nothing() -> None:
    reading = read_12({0x0E: 0x08, 0x0F: 0x01}, I2cEncoding(scaled=False, **NARROWED))
    assert (reading.fault, reading.part, reading.code) == (ABOVE, None, 2049)


def test_readings_come_in_order_of_time() -> None:
    later, sooner = Registers(9.0, {0x0E: 0, 0x0F: 9}), Registers(3.0, {0x0E: 0, 0x0F: 3})
    readings = I2cEncoding(wrap=True).decode(Seen(3.3, registers=(later, sooner)))
    assert [(r.t_us, r.code) for r in readings] == [(3.0, 3), (9.0, 9)]


# -- quadrature --------------------------------------------------------------------------------------------------------

STEPS = 64


def track(codes: list[int], *, width: int = 1, leads: str = "a", step_us: float = 50.0, skew_us: float = 0.0) -> Seen:
    """Waves of a shaft that stands at these codes one after another, drawn from the definition of the levels."""
    levels = {0: (1, 1), 1: (0, 1), 2: (0, 0), 3: (1, 0)}
    t_us = np.arange(len(codes), dtype=np.float64) * step_us
    end_us = len(codes) * step_us
    first = np.array([levels[code % 4][0] for code in codes], dtype=np.int8)
    second = np.array([levels[code % 4][1] for code in codes], dtype=np.int8)
    index = np.array([code % STEPS < width for code in codes], dtype=np.int8)
    a, b = (first, second) if leads == "a" else (second, first)
    late = np.concatenate((t_us[:1], t_us[1:] + skew_us))
    return Seen(3.3, waves={"a": Wave(t_us, a, end_us), "b": Wave(t_us, b, end_us), "index": Wave(late, index, end_us)})


def quadrature(width: int = 1, leads: str = "a", rate_max_hz: int = 100_000) -> QuadratureEncoding:
    table = {"steps_per_turn": STEPS, "index_quarters": width, "leads": leads, "rate_max_hz": rate_max_hz, "wrap": True}
    return msgspec.convert(table, QuadratureEncoding)


@pytest.mark.parametrize("width", [1, 2, 4])
@pytest.mark.parametrize("leads", ["a", "b"])
@pytest.mark.parametrize("skew_us", [-10.0, 0.0, 10.0])
def test_position_is_known_from_the_first_index_on(width: int, leads: str, skew_us: float) -> None:
    # From 20 steps before the index, over it, on for a turn, and back by two turns.
    codes = [*range(-20, STEPS + 10), *range(STEPS + 8, -STEPS, -1)]
    readings = quadrature(width, leads).decode(track(codes, width=width, leads=leads, skew_us=skew_us))
    assert [r.detail["count"] for r in readings] == [code + 20 for code in codes]
    assert [r.code for r in readings] == [None] * 20 + [code % STEPS for code in codes[20:]]
    assert {r.fault for r in readings} == {""}
    assert readings[20].part == 0.0 and readings[19].part is None
    assert [r.detail["direction"] for r in readings[1:3]] == [1, 1] and readings[-1].detail["direction"] == -1


def test_without_an_index_the_position_stays_relative() -> None:
    seen = track(list(range(200)))
    seen = Seen(3.3, waves={name: seen.waves[name] for name in ("a", "b")})
    readings = quadrature().decode(seen)
    assert {r.part for r in readings} == {None}
    assert readings[-1].detail["count"] == 199


def test_both_channels_at_once_are_illegal_and_lose_the_position() -> None:
    readings = quadrature().decode(track([0, 1, 2, 4, 5, 6]))
    assert [r.code for r in readings] == [0, 1, 2, None, None, None]
    assert [r.fault for r in readings] == ["", "", "", BAD_TIMING, "", ""]


def test_steps_lost_in_silence_come_out_at_the_index() -> None:
    # Four steps in a period were not seen: the levels after them are what they would have been.
    codes = [*range(0, 30), *range(34, STEPS + 3)]
    readings = quadrature().decode(track(codes))
    faulty = [r for r in readings if r.fault]
    assert [(r.fault, r.code, r.detail["lost_steps"]) for r in faulty] == [(BAD_CHECK, 0, 4)]
    assert readings[-1].code == 2


def test_an_index_that_misses_or_stands_wrong_is_told() -> None:
    seen = track(list(range(-4, STEPS + 4)))
    index = seen.waves["index"]
    gone = Wave(index.t_us, np.where(index.t_us > 1000.0, 0, index.level).astype(np.int8), index.end_us)
    (missing,) = [r for r in quadrature().decode(Seen(3.3, waves={**seen.waves, "index": gone})) if r.fault]
    assert (missing.fault, missing.detail["index"], missing.code) == (BAD_CHECK, "missing", 0)
    stuck = Wave(index.t_us, np.ones_like(index.level), index.end_us)
    readings = quadrature().decode(Seen(3.3, waves={**seen.waves, "index": stuck}))
    assert {r.detail["index"] for r in readings if "index" in r.detail} == {"out of place"}


def test_steps_that_come_too_fast_are_told_and_counted() -> None:
    slow, fast = quadrature(rate_max_hz=10_000), quadrature(rate_max_hz=100_000)
    seen = track(list(range(0, 40)), step_us=20.0)  # 50 000 steps a second
    assert not any(r.fault for r in fast.decode(seen))
    readings = slow.decode(seen)
    assert [r.fault for r in readings[:2]] == ["", ""] and {r.fault for r in readings[2:]} == {BAD_TIMING}
    assert readings[-1].detail["rate_hz"] == pytest.approx(50_000.0)
    assert (readings[-1].code, readings[-1].part) == (39, 39 / STEPS)


def test_a_step_may_look_a_microsecond_short() -> None:
    # Edges are stamped in whole microseconds: of two steps 10 us apart the stamps may be 9 us apart.
    assert not any(r.fault for r in quadrature(rate_max_hz=100_000).decode(track(list(range(5)), step_us=9.0)))
    assert any(r.fault for r in quadrature(rate_max_hz=100_000).decode(track(list(range(5)), step_us=8.0)))


# -- sine and cosine ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("radius", "fault"),
    [(0.0, NO_MAGNET), (0.03, NO_MAGNET), (0.2, WEAK), (0.31, ""), (0.4, ""), (0.49, ""), (0.6, STRONG)],
)
def test_the_circle_tells_of_the_magnet(radius: float, fault: str) -> None:
    theta = math.radians(30.0)
    sin, cos = (3.3 * (0.5 + radius * f) for f in (math.sin(theta), math.cos(theta)))
    reading = only(SincosEncoding().decode(Seen(3.3, volts={"sin": steady(sin), "cos": steady(cos)})))
    assert reading.fault == fault
    assert reading.code == (None if fault == NO_MAGNET else round(30.0 / 360.0 * 4096))


def test_one_channel_alone_is_no_reading() -> None:
    assert SincosEncoding().decode(Seen(3.3, volts={"sin": steady(1.0)})) == []


def test_just_below_a_turn_is_code_0() -> None:
    theta = math.radians(359.99)
    volts = {"sin": steady(3.3 * (0.5 + 0.4 * math.sin(theta))), "cos": steady(3.3 * (0.5 + 0.4 * math.cos(theta)))}
    reading = only(SincosEncoding().decode(Seen(3.3, volts=volts)))
    assert (reading.code, reading.part) == (0, 0.0)


# -- garbage -----------------------------------------------------------------------------------------------------------

ANY_FLOAT = st.floats(allow_nan=True, allow_infinity=True)
FLOATS = st.lists(ANY_FLOAT, max_size=12).map(lambda x: np.array(x, dtype=np.float64))
LEVELS = st.lists(st.integers(-128, 127), max_size=12).map(lambda x: np.array(x, dtype=np.int8))
WAVES = st.builds(Wave, FLOATS, LEVELS, ANY_FLOAT)
VOLTS = st.builds(Volts, FLOATS, FLOATS)
REGISTERS = st.builds(Registers, ANY_FLOAT, st.dictionaries(st.integers(-2, 0x20), st.integers(-300, 300)))
NAMES = st.sampled_from(["a", "b", "index", "out", "sin", "cos", "sda"])
SEEN = st.builds(
    Seen,
    ANY_FLOAT,
    st.dictionaries(NAMES, WAVES),
    st.dictionaries(NAMES, VOLTS),
    st.lists(REGISTERS, max_size=3).map(tuple),
)


@settings(max_examples=150, deadline=None)
@given(seen=SEEN)
def test_any_garbage_is_taken(seen: Seen) -> None:
    for _, encoding, _ in GOOD:
        for reading in encoding.decode(seen):
            assert reading.part is None or 0.0 <= reading.part <= 1.0
            assert reading.part is None or (reading.code is not None and 0 <= reading.code < encoding.codes)
            assert reading.part is not None or reading.fault or isinstance(encoding, QuadratureEncoding)


@settings(max_examples=80, deadline=None)
@given(
    edges=st.lists(st.tuples(st.integers(0, 400), NAMES), max_size=60),
    width=st.sampled_from([1, 2, 4]),
)
def test_edges_at_random_never_give_a_position_out_of_the_turn(edges: list[tuple[int, str]], width: int) -> None:
    waves = {}
    for name in ("a", "b", "index"):
        t_us = np.array([0.0, *sorted(t for t, of in edges if of == name)])
        waves[name] = Wave(t_us, (np.arange(t_us.size) % 2).astype(np.int8), 500.0)
    for reading in quadrature(width).decode(Seen(3.3, waves=waves)):
        assert reading.code is None or 0 <= reading.code < STEPS
        assert reading.fault in ("", BAD_TIMING, BAD_CHECK)


@settings(max_examples=60, deadline=None)
@given(steps=st.lists(st.sampled_from([-1, 1]), max_size=120), start=st.integers(0, STEPS - 1))
def test_any_walk_is_followed(steps: list[int], start: int) -> None:
    codes = list(itertools.accumulate(steps, initial=start))
    readings = quadrature(width=2).decode(track(codes, width=2))
    assert [r.detail["count"] for r in readings] == [code - start for code in codes]
    assert all(r.code in (None, code % STEPS) and not r.fault for r, code in zip(readings, codes, strict=True))
