"""A real sensor that the jig itself asks, or whose steps it counts: lid, part, lines, pins, firmware, host's decoder.

DS = ams AS5600 datasheet v1-06, 2018-Jun-20. MT = MagnTek MT6701 data sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from family_bench import SUPPLY_V, Seen
from lidjig.bench.families.base import SILENT, Count, Registers, Word
from lidjig.bench.profiles import load_machine, load_sensor, parse_sensor
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import Refused
from lidjig.jig import Jig
from lidjig.jig_sensor import RegistersRead, SensorAnswer
from lidjig.jig_types import Lock, Reason, Route
from lidjig.link.twin import TwinLink
from lidjig.twin.scenario import load_scenario

from shared_proto import names
from tests.published_driver import published_driver

I2C, SSI, STEPS = "healthy-oak-14", "healthy-hazel-14", "healthy-juniper-14"
ADDRESS = 0x36  # DS p.18
TAKEN = (12, 13, 17, 18, 19, 21)  # GPIO numbers of all that reading a sensor may drive
LIDS_MDEG = (0, 33333, 90000, 110000, 179999)
COUNT_DEG = 360.0 / 4096


@contextmanager
def bench(scenario: str, *, vm: str, sensor: SensorProfile | None = None) -> Iterator[tuple[TwinLink, Jig]]:
    """Profiles of sensor and machine on the board, disarmed."""
    loaded = load_scenario(scenario)
    link = TwinLink(loaded, vm=vm)
    try:
        with Jig(link, nonce_seed=1) as jig:
            jig.load_blob(names.BLOB_PROFILE, (sensor or loaded.profile).to_blob())
            jig.load_blob(names.BLOB_WIRING, load_machine(loaded.machine.name)[0].wiring_blob())
            jig.idle(0.5)
            yield link, jig
            assert not link.look()["sensor_fights"]
    finally:
        link.close()


def feed(jig: Jig) -> None:
    """Armed, route open, the sensor fed, and long enough for it to start."""
    jig.arm()
    jig.set_route(Route.OPEN)
    jig.sensor_power(True)
    jig.load("sensor_1", "high")
    jig.load("sensor_2", "high")
    jig.idle(0.1)


def let_lid(link: TwinLink, jig: Jig, mdeg: int) -> None:
    link.tell_operator(f"set-lid {mdeg}")
    jig.idle(5.0)
    assert link.look()["lid_mdeg"] == mdeg


def all_inputs(link: TwinLink) -> bool:
    modes = link.look()["modes"]
    return not any(modes[n] for n in TAKEN)


def written(tmp_path: Path, text: str) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def on_oak(text: str, tmp_path: Path) -> str:
    return written(tmp_path, f'[machine]\nmodel = "oak-14"\n[sensor]\nprofile = "hinge-r1"\n{text}')


DEAD = '[[fault]]\nwhere = "sensor"\nkind = "dead"\n'
NONE_FITTED = "[jig]\nsensor_fitted = false\n"


# -- I2C ---------------------------------------------------------------------------------------------------------------


def word(read: RegistersRead, first: int, at: int) -> int:
    return int.from_bytes(read.data[at - first : at - first + 2], "big")


def test_registers_of_the_published_map(vm: str) -> None:
    """RAW ANGLE at 0x0C, ANGLE at 0x0E, 4096 counts a turn; STATUS at 0x0B with MD in bit 5 (DS p.18 figure 21, p.20).
    The pointer set to the high byte of an angle stays there (DS p.13).
    """
    with bench(I2C, vm=vm) as (link, jig):
        feed(jig)
        for mdeg in LIDS_MDEG:
            let_lid(link, jig, mdeg)
            for at in (0x0C, 0x0E):
                read = jig.registers(ADDRESS, at, 2)
                assert read.answer is SensorAnswer.ANSWERED
                counts = word(read, at, at)
                assert abs((counts * COUNT_DEG - mdeg / 1000 + 180) % 360 - 180) <= COUNT_DEG, (at, counts)
            status = jig.registers(ADDRESS, 0x0B, 1)
            assert status.data[0] & 0x20
        four = jig.registers(ADDRESS, 0x0C, 4).data
        assert four[:2] == four[2:]
        assert jig.registers(ADDRESS, 0x00, 32).data[0] == 0  # ZMCO: never burned
        assert jig.status().lock is Lock.ARMED
        assert link.look()["modes"][12] == link.look()["modes"][13] == 0


def test_what_the_decoder_makes_of_them() -> None:
    with bench(I2C, vm="cpython") as (link, jig):
        feed(jig)
        let_lid(link, jig, 64000)
        value: dict[int, int] = {}
        for at, count in ((0x0B, 1), (0x0C, 2), (0x0E, 2)):
            value |= dict(enumerate(jig.registers(ADDRESS, at, count).data, at))
        sensor = load_sensor("hinge-r1")[0]
        (reading,) = sensor.coded().decode(Seen(SUPPLY_V, registers=(Registers(0.0, value),)))
        assert reading.part is not None and not reading.fault
        assert float(sensor.curve().lid_deg(reading.part)) == pytest.approx(64.0, abs=COUNT_DEG)


class Bus:
    """A busio.I2C whose reads are the jig's. Raises OSError where nobody acknowledges, as that does."""

    def __init__(self, jig: Jig) -> None:
        self._jig = jig

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        pass

    def _read(self, address: int, first: int, count: int) -> bytes:
        read = self._jig.registers(address, first, count)
        if read.answer is not SensorAnswer.ANSWERED:
            raise OSError(read.answer.text)
        return read.data

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        # The jig writes to no sensor. What the driver sets at its start (a whole turn, settings 0) the part is at: the
        # address alone is asked for.
        first, *data = bytes(buffer)[start:end] or (0,)
        assert not data or 1 <= first <= 8  # ZPOS to CONF (DS p.18)
        self._read(address, first, 1)

    def readfrom_into(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        stop = len(buffer) if end is None else end
        buffer[start:stop] = self._read(address, 0, stop - start)

    def writeto_then_readfrom(
        self, address: int, out: Any, into: Any, *, out_start: int, out_end: int, in_start: int, in_end: int
    ) -> None:
        (first,) = bytes(out)[out_start:out_end]
        into[in_start:in_end] = self._read(address, first, in_end - in_start)


def test_a_driver_that_others_wrote(vm: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """adafruit-circuitpython-as5600, as published."""
    with bench(I2C, vm=vm) as (link, jig), published_driver(Bus, monkeypatch) as published:
        feed(jig)
        driver = published(Bus(jig))
        for mdeg in (0, 45000, 135000):
            let_lid(link, jig, mdeg)
            assert driver.angle == driver.raw_angle == pytest.approx(mdeg / 1000 / COUNT_DEG, abs=1.0)
            assert driver.magnet_detected and not driver.max_gain_overflow
        with pytest.raises(ValueError, match="No I2C device"):
            published(Bus(jig), address=0x37)


def test_nobody_answers(vm: str, tmp_path: Path) -> None:
    with bench(I2C, vm=vm) as (_link, jig):
        feed(jig)
        assert jig.registers(0x37, 0, 1).answer is SensorAnswer.SILENT
        assert jig.registers(ADDRESS, 0, 1).answer is SensorAnswer.ANSWERED
        jig.load("sensor_2", "off")  # without a pull the clock rests low
        jig.idle(0.01)
        assert jig.registers(ADDRESS, 0, 1).answer is SensorAnswer.HELD
        jig.load("sensor_2", "high")
        jig.load("sensor_1", "low")
        assert jig.registers(ADDRESS, 0, 1).answer is SensorAnswer.HELD
        jig.load("sensor_1", "high")
        jig.sensor_power(False)
        assert jig.registers(ADDRESS, 0, 1).answer is SensorAnswer.HELD
        jig.sensor_power(True)  # and at once: the part has not started
        assert jig.registers(ADDRESS, 0, 1).answer is SensorAnswer.SILENT
    for text, answer in ((NONE_FITTED, SensorAnswer.SILENT), (DEAD, SensorAnswer.HELD)):
        with bench(on_oak(text, tmp_path), vm=vm) as (_link, jig):
            feed(jig)
            assert jig.registers(ADDRESS, 0, 1).answer is answer, text


@pytest.mark.parametrize("at_s", [1.5, 1.501, 1.5035])
def test_a_trip_in_the_middle_of_a_transfer(vm: str, at_s: float, tmp_path: Path) -> None:
    """The machine's supply goes while the jig reads without a pause: a refusal is the answer, every pin is an input."""
    rail = f'[[event]]\nat_s = {at_s}\ndo = "set-rail"\nvolts = 0.0\n'
    with bench(on_oak(rail, tmp_path), vm=vm) as (link, jig):
        feed(jig)
        done = link.look()["sensor_transfers"]
        with pytest.raises(Refused) as caught:
            for _ in range(1000):
                done = link.look()["sensor_transfers"]
                jig.registers(ADDRESS, 0, 32)
        assert caught.value.reason == names.REFUSED_TRIPPED
        assert link.look()["sensor_transfers"] > done, "the trip came between two transfers"
        assert all_inputs(link) and not any(link.look()["pins"][n] for n in TAKEN)
        jig.idle(0.1)
        assert jig.status().lock is Lock.TRIPPED and jig.status().reason is Reason.SUPPLY_LOSS


def test_a_pin_against_a_buffer_would_be_seen() -> None:
    """Where the sensor is not on I2C there are buffers at these pins: a profile that claims otherwise is a fault."""
    link = TwinLink(load_scenario("healthy-elm-14"), vm="cpython")
    try:
        with Jig(link, nonce_seed=1) as jig:
            jig.load_blob(names.BLOB_PROFILE, load_sensor("hinge-r1")[0].to_blob())
            feed(jig)
            jig.registers(ADDRESS, 0, 1)
            assert link.look()["sensor_fights"]
    finally:
        link.close()


# -- SSI ---------------------------------------------------------------------------------------------------------------


def crc_good(value: int) -> bool:
    """Long division by x^6 + x + 1 leaves nothing of the whole word (MT 7.8.2)."""
    for shift in range(17, -1, -1):
        if value >> shift + 6 & 1:
            value ^= 0b1000011 << shift
    return value == 0


def test_words(vm: str) -> None:
    """14 bits of angle over a turn, four of status, a CRC-6; out at the rising edge (MT 7.8.2)."""
    sensor = load_sensor("hinge-s1")[0]
    with bench(SSI, vm=vm) as (link, jig):
        feed(jig)
        for mdeg in LIDS_MDEG:
            let_lid(link, jig, mdeg)
            for half_us in (2, 37, 1000):
                _t_us, value = jig.clock_word(24, half_us, out_falling=False)
                assert crc_good(value)
                assert abs(((value >> 10) * 360 / 16384 - mdeg / 1000 + 180) % 360 - 180) <= 360 / 16384
            (reading,) = sensor.coded().decode(Seen(SUPPLY_V, words=(Word(0.0, 24, value),)))
            assert reading.part is not None and not reading.fault
        # Taken at the edge at which it comes out: the bit before. The first has none before it: data is high at rest.
        _t_us, late = jig.clock_word(24, 10, out_falling=True)
        assert late == 1 << 23 | value >> 1
        look = link.look()
        assert look["modes"][19] == look["modes"][21] == 0


def rising(text: str) -> str:
    return text.replace('sample_edge = "falling"', 'sample_edge = "rising"')


def test_a_part_that_puts_bits_out_at_the_fall(tmp_path: Path) -> None:
    sensor_text = rising(load_sensor("hinge-s1")[1])
    path = tmp_path / "falls.toml"
    path.write_text(sensor_text, encoding="utf-8")
    text = f'[machine]\nmodel = "hazel-14"\n[sensor]\nprofile = "{path.as_posix()}"\n'
    with bench(written(tmp_path, text), vm="cpython", sensor=parse_sensor(sensor_text, "falls.toml")) as (link, jig):
        feed(jig)
        for mdeg in LIDS_MDEG:
            let_lid(link, jig, mdeg)
            _t_us, value = jig.clock_word(24, 5, out_falling=True)
            assert crc_good(value)
            assert abs(((value >> 10) * 360 / 16384 - mdeg / 1000 + 180) % 360 - 180) <= 360 / 16384


def test_no_sensor_to_clock(vm: str, tmp_path: Path) -> None:
    sensor = load_sensor("hinge-s1")[0]
    with bench(SSI, vm=vm) as (link, jig):
        feed(jig)
        jig.sensor_power(False)
        with pytest.raises(Refused) as caught:
            jig.clock_word(24, 2, out_falling=False)
        assert caught.value.reason == names.REFUSED_SUPPLY_MISSING
        modes = link.look()["modes"]
        assert modes[21] == 0  # a sensor that is off is neither selected nor clocked
    for text, word_read in ((NONE_FITTED, 0xFFFFFF), (DEAD, 0)):
        path = written(tmp_path, f'[machine]\nmodel = "hazel-14"\n[sensor]\nprofile = "hinge-s1"\n{text}')
        with bench(path, vm=vm) as (_link, jig):
            feed(jig)
            assert jig.clock_word(24, 2, out_falling=False)[1] == word_read, text
    (reading,) = sensor.coded().decode(Seen(SUPPLY_V, words=(Word(0.0, 24, 0xFFFFFF),)))
    assert reading.fault == SILENT


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_trip_in_the_middle_of_a_word(vm: str, tmp_path: Path) -> None:
    """48 ms at the slowest clock: the supply goes somewhere in it."""
    rail = '[[event]]\nat_s = 1.5\ndo = "set-rail"\nvolts = 0.0\n'
    text = f'[machine]\nmodel = "hazel-14"\n[sensor]\nprofile = "hinge-s1"\n{rail}'
    with bench(written(tmp_path, text), vm=vm) as (link, jig):
        feed(jig)
        began_us = 0
        with pytest.raises(Refused) as caught:
            for _ in range(100):
                began_us = jig.clock_word(24, 1000, out_falling=False)[0]
        assert caught.value.reason == names.REFUSED_TRIPPED
        assert all_inputs(link)
        jig.idle(0.1)
        status = jig.status()
        # Both times are the board's: of the last word that was answered, and of the trip.
        assert 48_000 < status.trip_t_us - began_us < 2 * 48_000 + 10_000
        with pytest.raises(Refused):
            jig.clock_word(24, 2, out_falling=False)


# -- steps -------------------------------------------------------------------------------------------------------------


def test_steps_of_a_lid_that_goes_and_comes_back(vm: str) -> None:
    """4096 quarter steps a turn, A ahead while the angle grows (profile hinge-q1)."""
    expected = round(100 * 4096 / 360)
    with bench(STEPS, vm=vm) as (link, jig):
        feed(jig)
        let_lid(link, jig, 10000)
        assert jig.count("begin").steps == 0
        let_lid(link, jig, 110000)
        there = jig.count("read")
        assert abs(there.steps - expected) <= 1 and there.skipped == 0
        let_lid(link, jig, 10000)
        back = jig.count("stop")
        assert (back.steps, back.skipped) == (0, 0)
        with pytest.raises(Refused):
            jig.count("read")
        # The levels stand for the place in a period: 11, 01, 00, 10 from code 0 on, which is at 30 deg (hinge-q1).
        code = round((10.0 - 30.0) * 4096 / 360) % 4
        assert back.levels == ((1, 1), (0, 1), (0, 0), (1, 0))[code]
        counted = Count(0.0, there.steps, there.skipped, *there.levels)
        readings = load_sensor("hinge-q1")[0].coded().decode(Seen(SUPPLY_V, counts=(counted,)))
        assert readings and not readings[-1].fault


def test_steps_without_arming_beside_the_machine(vm: str) -> None:
    """In route through the machine feeds the sensor, and the jig listens."""
    with bench(STEPS, vm=vm) as (link, jig):
        jig.watch_lines(["sensor_1", "sensor_2"])
        jig.count("begin")
        let_lid(link, jig, 90000)
        taken = jig.count("stop")
        assert abs(taken.steps + round(20 * 4096 / 360)) <= 1 and not taken.skipped
        assert jig.status().lock is Lock.DISARMED and all_inputs(link)


def unfed(jig: Jig) -> None:
    jig.arm()
    jig.set_route(Route.OPEN)


@pytest.mark.parametrize(("text", "prepare"), [("", unfed), (DEAD, feed)])
def test_no_steps(vm: str, text: str, prepare: Callable[[Jig], None], tmp_path: Path) -> None:
    path = written(tmp_path, f'[machine]\nmodel = "juniper-14"\n[sensor]\nprofile = "hinge-q1"\n{text}')
    with bench(path, vm=vm) as (link, jig):
        prepare(jig)
        jig.count("begin")
        let_lid(link, jig, 40000)
        taken = jig.count("stop")
        assert (taken.steps, taken.skipped) == (0, 0)


# -- refusals ----------------------------------------------------------------------------------------------------------


def refused(call: Callable[[], object]) -> int:
    with pytest.raises(Refused) as caught:
        call()
    return int(caught.value.reason)


def test_refusals(vm: str) -> None:
    with bench(I2C, vm=vm) as (_link, jig):

        def read() -> object:
            return jig.registers(ADDRESS, 0, 1)

        assert refused(read) == names.REFUSED_NOT_ARMED
        jig.arm()
        assert refused(read) == names.REFUSED_ROUTE
        jig.set_route(Route.OPEN)
        jig.sensor_power(True)
        assert refused(lambda: jig.clock_word(24, 2, out_falling=False)) == names.REFUSED_NO_PROFILE
        jig.count("begin")
        assert refused(read) == names.REFUSED_BUSY
        jig.count("stop")
        read()
        jig.disarm()
        jig.load_blob(names.BLOB_PROFILE, load_sensor("hinge-a1")[0].to_blob())
        jig.arm()
        jig.set_route(Route.OPEN)
        assert refused(read) == names.REFUSED_NO_PROFILE
    with bench(SSI, vm=vm) as (_link, jig):
        feed(jig)
        jig.clock_word(24, 2, out_falling=False)
        jig.disarm()
        jig.load_blob(names.BLOB_WIRING, load_machine("elm-14")[0].wiring_blob())  # with observers 1 and 2
        feed(jig)
        assert refused(lambda: jig.clock_word(24, 2, out_falling=False)) == names.REFUSED_ROUTE
