"""Analog, register, quadrature and sine/cosine sensors against the data sheets, a driver and a field library.

DS = ams AS5600 datasheet v1-06, 2018-Jun-20. Encoders and formulas here are the tests' own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from lidjig.bench.families import registers as reg
from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.base import NO_MAGNET, STRONG, WEAK, Reading, Registers, Seen, Volts, Wave
from lidjig.bench.families.i2c import I2cEncoding
from lidjig.bench.families.quadrature import QuadratureEncoding
from lidjig.bench.families.sincos import SincosEncoding

from tests.published_driver import published_driver


def steady(v: float) -> Volts:
    return Volts(np.array([0.0, 100.0]), np.array([v, v]))


def analog(encoding: AnalogEncoding, v: float, supply_v: float) -> Reading:
    (reading,) = encoding.decode(Seen(supply_v, volts={"out": steady(v)}))
    return reading


def registers(encoding: I2cEncoding, value: dict[int, int]) -> Reading:
    (reading,) = encoding.decode(Seen(3.3, registers=(Registers(5.0, value),)))
    return reading


# -- analog ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("low", "high", "low_v", "high_v"), [(0.0, 100.0, 0.0, 3.3), (10.0, 90.0, 0.33, 2.97)])
def test_clamp_levels_of_the_published_part(low: float, high: float, low_v: float, high_v: float) -> None:
    # DS p.25-26: 12-bit DAC, 0 to VDD or 10 to 90 % of VDD, ratiometric; volts at 3.3 V computed from that.
    encoding = AnalogEncoding(low_percent=low, high_percent=high)
    first, last = analog(encoding, low_v, 3.3), analog(encoding, high_v, 3.3)
    assert (first.code, first.part, first.fault) == (0, 0.0, "")
    assert (last.code, last.part, last.fault) == (4095, 1.0, "")
    # Ratiometric: another supply, the same share of it.
    half = 0.5 * (low + high) / 100.0
    assert {analog(encoding, half * v, v).code for v in (2.7, 3.0, 3.3, 5.0)} == {2048}


def test_every_code_comes_back_from_its_voltage() -> None:
    encoding = AnalogEncoding(low_percent=10.0, high_percent=90.0)
    for code in range(0, 4096, 5):
        assert analog(encoding, 3.3 * (0.1 + 0.8 * code / 4095), 3.3).code == code


def test_the_dac_on_the_bus_gives_its_own_code_back() -> None:
    # Microchip DS22039 (MCP4725), p.26: Vout = D / 4096 * VDD. Its full scale ends one step below the supply, so that
    # the code of a span from 0 to 100 % may come out one lower.
    for d in (0, 1, 1024, 2048, 3071, 4095):
        code = analog(AnalogEncoding(via="dac"), d / 4096 * 3.3, 3.3).code
        assert code is not None and 0 <= d - code <= 1


# -- registers: what the data sheet says -------------------------------------------------------------------------------


def test_one_count_of_the_full_turn() -> None:
    # 360 / 4096 deg, computed; 4096 counts a turn: DS p.19.
    encoding = I2cEncoding(wrap=True)
    reading = registers(encoding, {0x0E: 0x00, 0x0F: 0x01})
    assert encoding.codes == 4096
    assert reading.part is not None and reading.part * 360.0 == 0.087890625


def test_a_narrowed_range_is_scaled_or_not() -> None:
    # DS p.19: "0 to 360 -> 4096dec; 0 to 180 -> 2048dec"; DS p.21: the resolution is scaled to the range. Both stand.
    half = {"zpos": 0, "mpos": 2048, "burns": 1}
    plain, scaled = I2cEncoding(scaled=False, **half), I2cEncoding(scaled=True, **half)
    assert registers(plain, {0x0E: 0x08, 0x0F: 0x00}).part == 1.0  # 2048 counts are the end, 180 deg
    assert registers(plain, {0x0E: 0x04, 0x0F: 0x00}).part == 0.5
    # ANGLE = ((RAW - ZPOS) mod 4096) * 4096 / range, clamped to 4095 (a common driver model; value from memory)
    for raw in (0, 512, 1024, 1536, 2048):
        angle = min(raw * 4096 // 2048, 4095)
        part = registers(scaled, {0x0E: angle >> 8, 0x0F: angle & 0xFF}).part
        assert part == pytest.approx(raw / 2048, abs=1 / 4095)


def test_stop_position_and_size_say_the_same_range() -> None:
    # DS p.21: a start position and either a stop position or the size of the range.
    assert I2cEncoding(zpos=3000, mpos=952, burns=1).range_counts == 2048  # across the zero of the turn
    assert I2cEncoding(zpos=3000, mang=2048, burns=1).range_counts == 2048
    # DS p.18, note 2: bits not programmed are zero; p.25: the default range is 360 deg.
    assert I2cEncoding().range_counts == 4096


@pytest.mark.parametrize(
    ("status", "fault"),
    # DS p.20: bit 5 MD magnet detected, bit 4 ML too weak, bit 3 MH too strong; bits by DS p.18, figure 21.
    [(0b100000, ""), (0b110000, WEAK), (0b101000, STRONG), (0b000000, NO_MAGNET), (0b010000, NO_MAGNET)],
)
def test_status_bits(status: int, fault: str) -> None:
    reading = registers(I2cEncoding(wrap=True), {0x0B: status, 0x0E: 0x07, 0x0F: 0xD0})
    assert (reading.code, reading.fault) == (2000, fault)
    assert (reading.part is None) == (fault == NO_MAGNET)


def test_burns_and_their_limits() -> None:
    # DS p.21: 0x80 into 0xFF up to 3 times and only with MD = 1; 0x40 once; MANG only while ZMCO = 00.
    assert (reg.BURN, reg.BURN_ANGLE, reg.BURN_SETTINGS) == (0xFF, 0x80, 0x40)
    for zmco in range(4):
        refused = reg.burn_refusal(0x80, zmco=zmco, settings_burned=False, magnet_found=True)
        assert bool(refused) == (zmco == 3)
        assert reg.burn_refusal(0x80, zmco=zmco, settings_burned=False, magnet_found=False)
        assert reg.burns_mang(zmco) == (zmco == 0)
    assert not reg.burn_refusal(0x40, zmco=3, settings_burned=False, magnet_found=False)
    assert reg.burn_refusal(0x40, zmco=0, settings_burned=True, magnet_found=True)
    assert reg.burn_refusal(0x00, zmco=0, settings_burned=False, magnet_found=True)


def test_pointer_stays_on_three_registers() -> None:
    # DS p.13: ANGLE, RAW ANGLE and MAGNITUDE, from their high byte; addresses DS p.18.
    assert set(reg.POINTER_STAYS) == {0x0C, 0x0E, 0x1B}
    # DS p.18, figure 21: what is in the map, and which of it has W.
    assert set(reg.VALID) == {*range(0x00, 0x09), *range(0x0B, 0x10), 0x1A, 0x1B, 0x1C, 0xFF}
    assert set(reg.WRITABLE) == {*range(0x01, 0x09), 0xFF}


def test_the_14_bit_part() -> None:
    # MT6701 datasheet, second hand: bits 13:6 in 0x03, bits 5:0 in bits 7:2 of 0x04; address 0x06.
    encoding = I2cEncoding(layout="14-bit", wrap=True)
    assert (encoding.codes, encoding.bus_address) == (16384, 0x06)
    for angle in (0, 1, 63, 64, 4095, 8192, 16383):
        bits = f"{angle:014b}"
        reading = registers(encoding, {0x03: int(bits[:8], 2), 0x04: int(bits[8:] + "00", 2)})
        assert (reading.code, reading.part) == (angle, angle / 16384)


# -- registers: what an unmodified driver reads ------------------------------------------------------------------------


class FakeBus:
    """A busio.I2C with one device: registers in a dict, and a pointer that moves on after every byte."""

    def __init__(self, address: int) -> None:
        self.value = {at: 0 for at in range(0x100)}
        self.address, self._pointer = address, 0

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        pass

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        if address != self.address:
            raise OSError("no acknowledge")
        data = bytes(buffer)[start : len(buffer) if end is None else end]
        if data:
            self._pointer = data[0]
        for byte in data[1:]:
            self.value[self._pointer] = byte
            self._pointer = (self._pointer + 1) & 0xFF

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        if address != self.address:
            raise OSError("no acknowledge")
        for at in range(start, len(buffer) if end is None else end):
            buffer[at] = self.value[self._pointer]
            self._pointer = (self._pointer + 1) & 0xFF

    def writeto_then_readfrom(
        self, address: int, out: Any, into: Any, *, out_start: int, out_end: int, in_start: int, in_end: int
    ) -> None:
        self.writeto(address, out, start=out_start, end=out_end)
        self.readfrom_into(address, into, start=in_start, end=in_end)


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Any, FakeBus]]:
    """(adafruit-circuitpython-as5600, as published, on the fake bus; the bus)."""
    with published_driver(FakeBus, monkeypatch) as published:
        bus = FakeBus(I2cEncoding().bus_address)
        yield published(bus), bus


def test_driver_and_decoder_read_the_same(driver: tuple[Any, FakeBus]) -> None:
    part, bus = driver
    rng = np.random.default_rng(5600)
    raw_read, angle_read = I2cEncoding(register="raw-angle", wrap=True), I2cEncoding(wrap=True)
    for _ in range(200):
        bus.value.update({at: int(rng.integers(256)) for at in reg.VALID})
        if bus.value[reg.STATUS] & reg.MD == 0 and rng.random() < 0.7:
            bus.value[reg.STATUS] |= reg.MD
        by_raw, by_angle = registers(raw_read, dict(bus.value)), registers(angle_read, dict(bus.value))
        assert (by_raw.code, by_angle.code) == (part.raw_angle, part.angle)
        detail = by_angle.detail
        assert (detail["raw_angle"], detail["angle"]) == (part.raw_angle, part.angle)
        assert (detail["agc"], detail["magnitude"], detail["zmco"]) == (part.agc, part.magnitude, part.zm_count)
        assert (detail["zpos"], detail["mpos"], detail["mang"]) == (part.z_position, part.m_position, part.max_angle)
        magnet = (part.magnet_detected, part.max_gain_overflow, part.min_gain_overflow)
        assert (detail["md"], detail["ml"], detail["mh"]) == magnet
        assert (by_angle.fault == NO_MAGNET) == (not part.magnet_detected)
        if part.magnet_detected and part.max_gain_overflow != part.min_gain_overflow:
            assert by_angle.fault == (WEAK if part.max_gain_overflow else STRONG)


def test_what_the_driver_sets_stands_where_conf_has_it(driver: tuple[Any, FakeBus]) -> None:
    part, bus = driver
    rng = np.random.default_rng(19)
    names = {
        "pm": ("power_mode", 4),
        "hyst": ("hysteresis", 4),
        "outs": ("output_stage", 4),
        "pwmf": ("pwm_frequency", 4),
        "sf": ("slow_filter", 4),
        "fth": ("fast_filter_threshold", 8),
        "wd": ("watchdog", 2),
    }
    for _ in range(50):
        wanted = {field: int(rng.integers(values)) for field, (_, values) in names.items()}
        for field, (name, _) in names.items():
            setattr(part, name, wanted[field])
        conf = reg.words(bus.value)["conf"]
        assert reg.conf_fields(conf) == wanted
        part.z_position, part.m_position, part.max_angle = 100, 2000, 3000
        words = reg.words(bus.value)
        assert (words["zpos"], words["mpos"], words["mang"]) == (100, 2000, 3000)


# -- quadrature --------------------------------------------------------------------------------------------------------


def wave(levels: list[int], step_us: float) -> Wave:
    t_us = np.arange(len(levels), dtype=np.float64) * step_us
    return Wave(t_us, np.array(levels, dtype=np.int8), len(levels) * step_us)


def test_forward_is_a_before_b_and_the_index_stands_where_both_are_high() -> None:
    # Rockwell Automation publication 4100-IN505A, tables 1.D and 1.E: "Forward is defined as A phase leading B"; the
    # index is high only when the A and B phases are high. Drawn by hand, two periods of a turn of 16 steps:
    a = [0, 1, 1, 0, 0, 1, 1, 0, 0]
    b = [0, 0, 1, 1, 0, 0, 1, 1, 0]
    i = [0, 0, 1, 0, 0, 0, 0, 0, 0]
    encoding = QuadratureEncoding(steps_per_turn=16, wrap=True)
    waves = {"a": wave(a, 100.0), "b": wave(b, 100.0), "index": wave(i, 100.0)}
    readings = encoding.decode(Seen(3.3, waves=waves))
    assert [r.code for r in readings] == [None, None, 0, 1, 2, 3, 4, 5, 6]
    assert [r.detail["count"] for r in readings] == list(range(9))
    assert not any(r.fault for r in readings)


@pytest.mark.parametrize("pulses", [1, 1024])
def test_pulses_of_the_published_part(pulses: int) -> None:
    # MT6701 Rev 1.2, first page: A, B, Z with 1 to 1024 pulses a turn; four steps to a pulse, computed.
    encoding = QuadratureEncoding(steps_per_turn=4 * pulses, wrap=True)
    assert encoding.codes == 4 * pulses
    turn = np.arange(4 * pulses + 1)
    # sign of sine and cosine of the phase, a quarter period apart, an eighth off so that no step falls on a zero
    phase = (turn + 0.5) * math.pi / 2.0
    a, b = np.cos(phase) > 0.0, np.sin(phase) > 0.0
    waves = {"a": wave(a.astype(int).tolist(), 20.0), "b": wave(b.astype(int).tolist(), 20.0)}
    forward = encoding.decode(Seen(3.3, waves=waves))[-1].detail["count"]
    assert forward == 4 * pulses  # the sine comes a quarter after the cosine: A leads


# -- sine and cosine ---------------------------------------------------------------------------------------------------


def sincos(encoding: SincosEncoding, sin_v: float, cos_v: float) -> float:
    (reading,) = encoding.decode(Seen(3.3, volts={"sin": steady(sin_v), "cos": steady(cos_v)}))
    assert reading.part is not None
    return float(reading.detail["angle_deg"])


def worst_deg(encoding: SincosEncoding, terms: dict[str, float]) -> float:
    """Largest error over a turn of a pair of voltages with these terms, amplitude 0.4 of 3.3 V, in deg."""
    errors = []
    for angle_deg in np.arange(0.0, 360.0, 0.25):
        theta = math.radians(angle_deg)
        sin = 0.5 + terms.get("sin", 0.0) + 0.4 * math.sin(theta)
        late = math.radians(terms.get("late_deg", 0.0))
        cos = 0.5 + terms.get("cos", 0.0) + 0.4 * terms.get("gain", 1.0) * math.cos(theta - late)
        read = sincos(encoding, 3.3 * sin, 3.3 * cos)
        errors.append(abs((read - angle_deg + 180.0) % 360.0 - 180.0))
    return max(errors)


def test_unequal_amplitudes_cost_what_the_formula_says() -> None:
    # Peak error asin((1 - k) / (1 + k)) for amplitudes with the ratio k: 3.01696 deg at 0.9, computed.
    assert math.degrees(math.asin(0.1 / 1.9)) == pytest.approx(3.01696, abs=1e-5)
    assert worst_deg(SincosEncoding(corrected=False), {"gain": 0.9}) == pytest.approx(3.01696, abs=5e-4)


def test_an_offset_costs_its_arc_sine() -> None:
    # A circle moved by d of its radius: the largest angle is asin(d); plane geometry.
    terms = {"sin": 0.4 * 0.05}
    assert worst_deg(SincosEncoding(corrected=False), terms) == pytest.approx(math.degrees(math.asin(0.05)), abs=1e-3)


def test_a_phase_error_costs_itself() -> None:
    # Where the cosine passes zero an error of the phase is an error of the angle, in full; TI SBAA539A names the cause.
    assert worst_deg(SincosEncoding(corrected=False), {"late_deg": 2.0}) == pytest.approx(2.0, abs=0.04)


def test_stated_imperfections_are_taken_out() -> None:
    stated = SincosEncoding(offset_sin_percent=52.0, offset_cos_percent=47.0, cos_gain=0.9, phase_deg=3.0)
    terms = {"sin": 0.02, "cos": -0.03, "gain": 0.9, "late_deg": 3.0}
    assert worst_deg(stated, terms) < 1e-9
    assert worst_deg(SincosEncoding(corrected=False), terms) > 5.0


def test_a_turning_magnet_reads_as_its_angle() -> None:
    # magpylib documentation, end-of-shaft example: the signals of a centred diametric magnet are sine and cosine.
    magpylib = pytest.importorskip("magpylib")
    magnet = magpylib.magnet.Cylinder(polarization=(1.2, 0.0, 0.0), dimension=(6e-3, 2.5e-3))
    axis = (0.0, 0.0, 1.25e-3 + 1e-3)
    encoding = SincosEncoding()
    scale = 0.4 / 0.13290865  # T at 1 mm with 1.2 T, on the axis: closed form, computed
    for angle_deg in (0.0, 33.0, 90.0, 135.0, 180.0, 200.0, 270.0, 359.0):
        magnet.orientation = None
        magnet.rotate_from_angax(angle_deg, "z")
        # On the axis the field points against the polarisation.
        x, y, _ = (-scale * component for component in magnet.getB(axis))
        read = sincos(encoding, 3.3 * (0.5 + y), 3.3 * (0.5 + x))
        assert abs((read - angle_deg + 180.0) % 360.0 - 180.0) < 1e-6
