"""The register map as a machine meets it: pointer, settings, burning, and a driver that others wrote.

DS = ams AS5600 datasheet v1-06, 2018-Jun-20.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from family_bench import Standing, standing_in
from i2c_bench import (
    AGC,
    ANGLE,
    BENCH,
    BURN,
    CONF,
    MAGNITUDE,
    MANG,
    MPOS,
    RAW,
    STATUS,
    ZMCO,
    ZPOS,
    Bus,
    read,
    word,
    write,
    write_word,
)
from lidjig.jig_types import Route
from pio_bench import board_micropython

from tests.published_driver import published_driver

COUNTS = 4096
DEVICE = Path(__file__).resolve().parents[2] / "device"


def again(bench: Standing, count: int) -> bytes:
    """A read without a pointer before it."""
    found = bench.link.transfer(0x36, b"", count)
    assert found is not None
    return found


def power_cycle(bench: Standing) -> None:
    """The emulated part gets its supply anew whenever the jig begins to stand in."""
    bench.jig.set_route(Route.OPEN)
    bench.jig.set_route(Route.STANDIN)
    bench.jig.idle(0.05)


def test_the_pointer_moves_on_and_stays_where_the_data_sheet_says(vm: str) -> None:
    """DS p.13: it moves on with every byte; set to the high byte of ANGLE, RAW ANGLE or MAGNITUDE it stays there."""
    with standing_in(BENCH, vm=vm) as bench:
        bench.to(100.0)
        raw = round(100.0 / 360.0 * COUNTS).to_bytes(2, "big")
        assert read(bench, RAW, 2) == read(bench, ANGLE, 2) == raw
        assert again(bench, 2) == again(bench, 2) == raw
        assert again(bench, 1) == raw[:1] and again(bench, 2) == raw
        assert again(bench, 5) == raw + raw + raw[:1]
        bench.to(50.0)
        fresh = round(50.0 / 360.0 * COUNTS).to_bytes(2, "big")
        assert again(bench, 2) == fresh
        assert read(bench, MAGNITUDE, 2) == again(bench, 2)
        # From a register before them, and from a low byte, it goes through.
        assert read(bench, STATUS, 5) == read(bench, STATUS) + fresh + fresh
        assert read(bench, RAW + 1, 2) == fresh[1:] + fresh[:1]
        assert read(bench, STATUS) + again(bench, 4) == read(bench, STATUS, 5)
        assert read(bench, AGC, 3) == read(bench, AGC) + read(bench, MAGNITUDE, 2)
        write(bench, ANGLE, 0)  # is not taken, but moves the pointer on
        assert again(bench, 1) == fresh[1:]
        # DS p.13: what is none reads as zero.
        assert read(bench, 0x09, 2) == bytes(2) and read(bench, 0x10, 10) == bytes(10)
        assert bench.link.transfer(0x37, b"", 1) is None


def test_the_magnet_is_found_and_looks_right() -> None:
    with standing_in(BENCH, vm="cpython") as bench:
        # DS p.20: MD is bit 5; AGC ends at 128 with 3.3 V and is best in the middle.
        assert read(bench, STATUS)[0] == 0x20
        assert 32 <= read(bench, AGC)[0] <= 96 and 500 < word(bench, MAGNITUDE) < COUNTS


def test_what_the_machine_writes_takes_effect(vm: str) -> None:
    """A start position, a stop position, and a size; RAW ANGLE stays where the magnet is."""
    with standing_in(BENCH, vm=vm) as bench:
        bench.to(90.0)
        write_word(bench, ZPOS, 0xF000 | 200)  # bits 15:12 are none
        assert word(bench, ZPOS) == 200
        assert (word(bench, RAW), word(bench, ANGLE)) == (1024, 824)
        write_word(bench, ZPOS, 1100)  # below the start: a whole turn begins anew
        assert (word(bench, RAW), word(bench, ANGLE)) == (1024, COUNTS - 76)
        write(bench, ZPOS, 0, 0, 2048 >> 8, 0)  # both in one go, the pointer moving on
        assert (word(bench, ZPOS), word(bench, MPOS)) == (0, 2048)
        # DS p.21: the angle is spread over all codes of the range. The middle of 0 to 180 deg:
        assert (word(bench, RAW), word(bench, ANGLE)) == (1024, 2048)
        bench.to(10.0)
        assert word(bench, ANGLE) == pytest.approx(10.0 / 180.0 * 4095, abs=1.0)
        write_word(bench, MPOS, 0)
        write_word(bench, MANG, 1024)
        assert word(bench, ANGLE) == pytest.approx(10.0 / 90.0 * 4095, abs=1.0)
        # Outside it the nearer end holds (DS p.25, of the analog output: half of what is left of the turn each).
        bench.to(100.0)
        assert word(bench, ANGLE) == 4095
        write_word(bench, ZPOS, 3 * 1024)
        bench.to(20.0)
        assert word(bench, ANGLE) == 4095
        bench.to(179.0)
        assert word(bench, ANGLE) == 0
        # Read-only ones are.
        write(bench, STATUS, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
        assert read(bench, STATUS)[0] == 0x20 and word(bench, RAW) == round(179.0 / 360.0 * COUNTS)


def not_scaled(text: str) -> str:
    return text.replace('layout = "12-bit"', 'layout = "12-bit"\nscaled = false')


def test_a_range_that_is_not_spread() -> None:
    """DS p.19: 180 deg are 2048 counts."""
    with standing_in(BENCH, vm="cpython", change=not_scaled) as bench:
        write_word(bench, MPOS, 2048)
        for angle_deg, angle in ((0.0, 0), (90.0, 1024), (179.9, 2047)):
            bench.to(angle_deg)
            assert word(bench, ANGLE) == angle


def test_hysteresis_of_the_configuration() -> None:
    """DS p.19: HYST, bits 3:2, 3 counts."""
    with standing_in(BENCH, vm="cpython") as bench:
        count_deg = 360.0 / COUNTS
        write_word(bench, CONF, 3 << 2)
        bench.to(600 * count_deg)
        first = word(bench, ANGLE)
        bench.to(602 * count_deg)
        assert (word(bench, ANGLE), word(bench, RAW)) == (first, 602)
        bench.to(605 * count_deg)
        assert word(bench, ANGLE) == 605


def test_burning(vm: str) -> None:
    """DS p.21: the angle three times at most, the settings once, MANG only before the angle was ever burned."""
    with standing_in(BENCH, vm=vm) as bench:
        write_word(bench, ZPOS, 111)
        power_cycle(bench)
        assert word(bench, ZPOS) == 0  # it was not burned
        write_word(bench, MANG, 2048)
        write_word(bench, CONF, 0x0402)
        write(bench, BURN, 0x40)
        for burns in (1, 2, 3):
            write_word(bench, ZPOS, 100 * burns)
            write(bench, BURN, 0x80)
            assert read(bench, ZMCO)[0] == burns
        write_word(bench, ZPOS, 400)
        write(bench, BURN, 0x80)
        assert read(bench, ZMCO)[0] == 3
        write_word(bench, CONF, 0x0001)
        write(bench, BURN, 0x40)
        power_cycle(bench)
        assert (word(bench, ZPOS), word(bench, MANG), word(bench, CONF)) == (300, 2048, 0x0402)
        assert read(bench, ZMCO)[0] == 3


def burned(text: str) -> str:
    return text.replace('layout = "12-bit"', 'layout = "12-bit"\nzpos = 200\nburns = 1')


def burned_raw(text: str) -> str:
    return burned(text).replace("burns = 1", 'burns = 1\nregister = "raw-angle"')


@pytest.mark.parametrize(("change", "raw", "angle"), [(burned, 1224, 1024), (burned_raw, 1024, 824)])
def test_settings_of_the_profile(change: Callable[[str], str], raw: int, angle: int) -> None:
    """The angle commanded is what the register says that the machine reads; MANG burns no more, ZMCO being 1."""
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        bench.to(90.0)
        assert (word(bench, ZPOS), read(bench, ZMCO)[0], word(bench, RAW), word(bench, ANGLE)) == (200, 1, raw, angle)
        write_word(bench, MANG, 2048)
        write_word(bench, CONF, 0x0003)
        write(bench, BURN, 0x40)
        power_cycle(bench)
        assert (word(bench, MANG), word(bench, CONF)) == (0, 0x0003)


@pytest.fixture
def family(monkeypatch: pytest.MonkeyPatch) -> Iterator[types.ModuleType]:
    """The board's file of the family, with the board's modules standing for names only."""
    monkeypatch.syspath_prepend(str(DEVICE))
    target = type("I2CTarget", (), dict.fromkeys(("IRQ_READ_REQ", "IRQ_WRITE_REQ", "IRQ_END_READ", "IRQ_END_WRITE"), 0))
    pin = type("Pin", (), {name: name for name in ("IN", "ALT", "ALT_I2C")})
    boards = types.ModuleType("boards")
    boards.__dict__.update(Board=object, __path__=[str(DEVICE / "boards")])
    machine = types.ModuleType("machine")
    machine.__dict__.update(I2CTarget=target, Pin=pin)
    for module in (machine, board_micropython(monkeypatch)):
        monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setitem(sys.modules, "boards", boards)
    before = set(sys.modules)
    try:
        yield importlib.import_module("firmware.families.i2c")
    finally:
        for name in set(sys.modules) - before:
            if name.startswith(("firmware", "boards")):
                del sys.modules[name]


PART = {
    "scaled": 1, "codes": 4096, "burns": 0, "zpos": 0, "mpos": 0, "mang": 0, "conf": 0, "raw_angle": 0, "wrap": 1,
}  # fmt: skip


@pytest.mark.parametrize("start", [STATUS, RAW, ANGLE])
def test_a_reading_is_of_one_angle_whenever_the_tick_comes(family: types.ModuleType, start: int) -> None:
    """0x0FF to 0x100 and back in the tick, between any two bytes that the controller asks for."""
    for between in range(6):
        part = family.Map12(PART)
        part.tell(0x0FF)
        part.written(start, 1)
        part.write_ended()
        given = b""
        for step in range(5):
            if step == between:
                part.tell(0x100)
                part.tell(0x101)
            if len(given) < 5:
                given += part.asked()
        part.read_ended()
        given = given[1:5] if start == STATUS else given[:4]
        words = {int.from_bytes(given[k : k + 2], "big") for k in (0, 2)}
        assert words <= {0x0FF, 0x101}, (between, given.hex())
        assert len(words) == 1 or start != STATUS


def test_both_words_of_14_bits_go_together(family: types.ModuleType) -> None:
    part = family.Map14()
    part.tell(0x0FFF)
    part.written(0x03, 1)
    first = bytes(part.asked())
    part.tell(0x1000)
    assert (first + part.asked()).hex() == f"{0x0FFF >> 6:02x}{(0x0FFF & 0x3F) << 2:02x}"


class FakePin:
    """Keeps its mode; `meanwhile` is called once, after the change that it comes in the middle of."""

    def __init__(self) -> None:
        self.mode = "IN"
        self.meanwhile: Callable[[], None] | None = None

    def init(self, mode: str, *, alt: str = "") -> None:
        self.mode = mode
        meanwhile, self.meanwhile = self.meanwhile, None
        if meanwhile is not None:
            meanwhile()


@pytest.mark.parametrize("place", [0, 1])
def test_whoever_lets_go_while_the_pins_are_joined_wins(family: types.ModuleType, place: int) -> None:
    """The interrupt of a lost supply may come in the middle of the tick that joins them."""
    pins = (FakePin(), FakePin())
    board = types.SimpleNamespace(target_pins=pins, target_lent=1)
    target = family.Target(board, 0x36, family.Map14())

    def let_go() -> None:
        board.target_lent = 0
        for pin in pins:
            pin.init("IN")

    target.join()
    assert [pin.mode for pin in pins] == ["ALT", "ALT"]
    pins[place].meanwhile = let_go
    target.join()
    assert [pin.mode for pin in pins] == ["IN", "IN"]


def test_a_low_line_is_no_fault_while_bytes_come(family: types.ModuleType) -> None:
    """A bus that a machine keeps busy may be low at every look."""
    low: Callable[..., int] = lambda *_level: 0  # noqa: E731  a pin
    board = types.SimpleNamespace(
        lines=[low] * 10, drive_data=(low,), drive_enable=(low,), target_pins=(FakePin(), FakePin()), target_lent=1
    )
    output = family.Output(board, PART | {"layout": 0, "address": 0x36})
    for k in range(1000):
        output._target.heard = int(k % 200 == 0)
        assert output.sense() == family.CARRIES
    said = [output.sense() for _ in range(60)]
    assert said[:49] == [family.CARRIES] * 49 and family.CARRIES not in said[51:]  # 250 ticks after the last byte


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> Iterator[type[Any]]:
    """adafruit-circuitpython-as5600, as published; its imports of CircuitPython stand for names only."""
    with published_driver(Bus, monkeypatch) as published:
        yield published


def test_an_unmodified_driver_reads_the_angle_commanded(driver: type[Any], vm: str) -> None:
    with standing_in(BENCH, vm=vm) as bench:
        part = driver(Bus(bench.link))
        errors = []
        for angle_deg in (0.0, 0.4, 33.3, 90.0, 123.4, 179.9):
            bench.to(angle_deg)
            wanted = angle_deg / 360.0 * COUNTS
            errors += [abs(part.raw_angle - wanted), abs(part.angle - wanted)]
        print(f"largest error {max(errors):.3f} counts")
        assert max(errors) <= 1.0
        assert part.magnet_detected and not part.max_gain_overflow and not part.min_gain_overflow
        assert (part.agc, part.magnitude) == (read(bench, AGC)[0], word(bench, MAGNITUDE))
        assert part.zm_count == 0
        # It begins with a stop position and a size of 4095, and takes that for the whole turn.
        assert (part.z_position, part.m_position, part.max_angle) == (0, 4095, 4095)
        part.z_position, part.m_position = 100, 2148
        assert (part.z_position, part.m_position) == (100, 2148)
        bench.to(90.0)
        assert part.angle == pytest.approx((1024 - 100) / 2048 * 4095, abs=1.0)
        for name, value in {
            "power_mode": 2, "hysteresis": 1, "output_stage": 2, "pwm_frequency": 3, "slow_filter": 1,
            "fast_filter_threshold": 5, "watchdog": 1,
        }.items():  # fmt: skip
            setattr(part, name, value)
            assert getattr(part, name) == value
        # DS p.19, figure 22: WD 13, FTH 12:10, SF 9:8, PWMF 7:6, OUTS 5:4, HYST 3:2, PM 1:0.
        assert word(bench, CONF) == 1 << 13 | 5 << 10 | 1 << 8 | 3 << 6 | 2 << 4 | 1 << 2 | 2
        assert part.angle == pytest.approx((1024 - 100) / 2048 * 4095, abs=2.0)
