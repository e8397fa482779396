"""A real sensor that sends pulses, read by the jig: sensor, line, PIO, DMA, firmware, and what decodes it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lidjig.bench.families.base import SILENT, Seen, Wave
from lidjig.bench.profiles import load_sensor, parse_sensor
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import Refused
from lidjig.jig import Jig
from lidjig.jig_sensor import Capture
from lidjig.jig_types import Event, Route
from lidjig.link.twin import TwinLink
from lidjig.twin.scenario import load_scenario
from pio_bench import board_file

from shared_proto import names
from tests.families.sigrok_duty import duties_by_sigrok
from tests.twin.twin_bench import Memory

PWM, SENT = "healthy-elm-14", "healthy-fir-14"
CODES = 4096
FRAME_HZ = 920  # ams AS5600 data sheet v1-06, p.19
CLOCKS = 4351  # 128 + 4095 + 128 in a frame, p.27
# Steps well below a clock of the one and a tick of the other (3 us).
STEP_S = {PWM: 80e-9, SENT: 400e-9}


@dataclass
class Reading:
    """A jig beside a real sensor."""

    link: TwinLink
    jig: Jig
    sensor: SensorProfile
    sink: Memory

    def feed(self, pull: str = "off") -> None:
        """Supplied by the jig, out of the machine's reach."""
        self.jig.arm()
        self.jig.set_route(Route.OPEN)
        self.jig.load("sensor_1", pull)
        self.jig.sensor_power(True)
        self.jig.idle(0.05)

    def lid(self, mdeg: int) -> None:
        self.link.tell_operator(f"set-lid {mdeg}")
        self.jig.idle(5.0)
        assert self.link.look()["lid_mdeg"] == mdeg

    def events(self) -> list[Event]:
        self.jig.idle(0.05)
        return self.sink.batches

    def code_of(self, mdeg: int) -> int:
        """Both sensors: one turn, from 0 deg on."""
        return round(mdeg / 360000 * (self.sensor.coded().codes - 1))

    def begin_us(self, taken: Capture) -> float:
        """The bench's time of the first sample, but for what an answer takes on its way."""
        board_us = self.jig.status().t_us
        return float(taken.t_us + self.link.look()["t_us"] - board_us)

    def frame_us(self) -> float:
        """Of the simulated pulse width, in whole cycles of 125 MHz."""
        return float(round(1e9 / FRAME_HZ) * 125 // 1000 / 125)

    def wave(self, step_s: float, samples: int = 65536, line: int = 1) -> Wave:
        return wave_of(self.jig.capture(line, step_s, samples))

    def codes(self, wave: Wave) -> list[int]:
        """Of all whole frames; fails where one has a fault."""
        readings = self.sensor.coded().decode(Seen(3.3, waves={"out": wave}))
        assert readings and not [r.fault for r in readings if r.fault], readings
        return [r.code for r in readings if r.code is not None]


def wave_of(capture: Capture) -> Wave:
    bits = np.unpackbits(np.frombuffer(capture.bits, np.uint8), bitorder="little").astype(np.int8)
    assert len(bits) == capture.samples
    changed = np.flatnonzero(np.diff(bits)) + 1
    step_us = capture.step_ps / 1e6
    return Wave(np.append(0.0, changed * step_us), np.append(bits[:1], bits[changed]), len(bits) * step_us)


def frugal(text: str) -> str:
    """The shipped SENT sensor takes so much that the jig's 47 ohm leave it 2.96 V, and it starts at 3.0 V."""
    return text.replace("min_v = 3.0", "min_v = 2.7")


@contextmanager
def reading(
    name: str, vm: str = "cpython", *, change: Any = str, extra: str = "", folder: Path | None = None
) -> Iterator[Reading]:
    """A jig with the profile of the sensor on that bench. extra: more of the scenario's text."""
    loaded = load_scenario(name)
    if folder is not None:
        path = folder / "bench.toml"
        path.write_text(loaded.text + extra, encoding="utf-8")
        loaded = load_scenario(str(path))
    sensor = parse_sensor(change(load_sensor(loaded.profile.name)[1]), "changed.toml")
    link = TwinLink(replace(loaded, profile=sensor), vm=vm)
    try:
        sink = Memory()
        with Jig(link, sink=sink, nonce_seed=1) as jig:
            jig.load_blob(names.BLOB_PROFILE, sensor.to_blob())
            jig.idle(3.0)
            yield Reading(link, jig, sensor, sink)
    finally:
        link.close()


def test_pulse_width_at_several_angles(vm: str) -> None:
    with reading(PWM, vm) as bench:
        bench.feed()
        for mdeg in (0, 45123, 90000, 179990):
            bench.lid(mdeg)
            codes = bench.codes(bench.wave(STEP_S[PWM]))
            assert len(codes) >= 3
            assert max(abs(code - bench.code_of(mdeg)) for code in codes) <= 1, (mdeg, codes)


def test_sent_at_several_angles(vm: str) -> None:
    """An open drain on the 10 kohm of the jig's pull."""
    with reading(SENT, vm, change=frugal) as bench:
        bench.feed("high")
        for mdeg in (0, 45123, 90000, 179990):
            bench.lid(mdeg)
            codes = bench.codes(bench.wave(STEP_S[SENT]))
            assert len(codes) >= 20
            assert max(abs(code - bench.code_of(mdeg)) for code in codes) <= 1, (mdeg, codes)


WAY_US = 1000.0


def apart_us(there: list[tuple[float, int]], here: list[tuple[float, int]]) -> float:
    """How far edges are apart at most, by the best of all ways to lay the one row over the other."""
    best = np.inf
    for first in range(len(here) - len(there) + 1):
        rows = list(zip(there, here[first:], strict=False))
        shifts = np.array([b[0] - a[0] for a, b in rows])
        if all(a[1] == b[1] for a, b in rows) and abs(shifts[0]) < WAY_US:
            best = min(best, float(np.abs(shifts - shifts.mean()).max()))
    return best


@pytest.mark.parametrize("name", [PWM, SENT])
def test_it_listens_while_the_machine_works(name: str, vm: str) -> None:
    """Disarmed, in route through. What comes over the machine's side of the network is the same, edge by edge."""
    with reading(name, vm) as bench:
        bench.link.tell_operator("press-power")
        bench.jig.idle(10.0)
        assert bench.link.look()["state"] == "S0"
        taken = bench.jig.capture(1, STEP_S[name], 65536)
        seen = bench.link.wave("1", 0.2)
        codes = bench.codes(wave_of(taken))
        assert max(abs(code - bench.code_of(110000)) for code in codes) <= 1
        begin_us = bench.begin_us(taken)
        wave = wave_of(taken)
        there = [(t / 125, level) for t, level in seen["edges"]]
        there = [row for row in there if begin_us + WAY_US < row[0] < begin_us + wave.end_us - WAY_US]
        here = [(begin_us + float(t), int(level)) for t, level in zip(wave.t_us[1:], wave.level[1:], strict=True)]
        assert len(there) >= 4
        assert apart_us(there, here) <= 1e6 * STEP_S[name] + 0.02
        assert bench.link.look()["state"] == "S0"


def test_the_jig_hears_nothing_of_its_own_frames() -> None:
    """While it stands in, both sides are apart: an unfed sensor is at rest, a fed one says what it says."""
    with reading(PWM) as bench:
        bench.jig.arm()
        bench.jig.set_route(Route.STANDIN)
        bench.jig.move(30.0, 0.0)
        bench.jig.idle(0.05)
        assert bench.wave(1e-6, 32000).level.tolist() == [0]
        bench.jig.sensor_power(True)
        bench.jig.idle(0.05)
        codes = bench.codes(bench.wave(STEP_S[PWM]))
        assert max(abs(code - bench.code_of(110000)) for code in codes) <= 1


def silent(bench: Reading, wave: Wave, level: int) -> None:
    (found,) = bench.sensor.coded().decode(Seen(3.3, waves={"out": wave}))
    assert found.fault == SILENT and wave.level.tolist() == [level]


def test_a_sensor_that_is_not_fed() -> None:
    with reading(SENT, change=frugal) as bench:
        bench.jig.arm()
        bench.jig.set_route(Route.OPEN)
        for pull, level in (("low", 0), ("high", 1)):  # its output is open
            bench.jig.load("sensor_1", pull)
            silent(bench, bench.wave(1e-6, 8192), level)
        bench.jig.sensor_power(True)
        bench.jig.idle(0.05)
        assert bench.codes(bench.wave(STEP_S[SENT]))


def test_a_dead_sensor(tmp_path: Path) -> None:
    """It draws nothing, and its corroded output holds the line low."""
    with reading(PWM, extra='\n[[fault]]\nwhere = "sensor"\nkind = "dead"\n', folder=tmp_path) as bench:
        bench.feed("high")
        silent(bench, bench.wave(1e-6, 32000), 0)


def test_no_sensor_at_all(tmp_path: Path) -> None:
    with reading(PWM, extra="\n[jig]\nsensor_fitted = false\n", folder=tmp_path) as bench:
        bench.feed("high")
        silent(bench, bench.wave(1e-6, 32000), 1)
        assert bench.wave(1e-6, 32000, line=2).level.tolist() == [0]


def test_the_supply_fails_meanwhile(tmp_path: Path) -> None:
    """In the middle of a capture the machine's supply goes: every pulse until then, and rest from then on. The frames
    of the simulated sensor begin at whole multiples of their length, which tells the bench's time of a sample.
    """
    extra = '\n[[event]]\nat_s = 4.0\ndo = "set-rail"\nvolts = 0.0\n'
    with reading(PWM, extra=extra, folder=tmp_path) as bench:
        bench.jig.idle(3.99 - bench.link.look()["t_us"] / 1e6)
        taken = bench.jig.capture(1, 1e-6, 40000)
        wave = wave_of(taken)
        about_us = bench.begin_us(taken)
        frame_us = bench.frame_us()
        rises = about_us + wave.t_us[1:][wave.level[1:] == 1]
        late_us = rises[0] - frame_us * round(float(rises[0]) / frame_us)
        assert abs(late_us) < WAY_US / 2
        rises = rises - late_us
        assert len(rises) > 5 and np.abs(np.diff(rises) - frame_us).max() < 2.0
        assert abs(float(rises[-1]) - frame_us * (4e6 // frame_us)) < 2.0
        assert wave.level[-1] == 0


def test_edges_are_told_as_they_were() -> None:
    """A line that carries frames is no flood of events: as on the machine's side, they are the PIO's alone."""
    with reading(PWM) as bench:
        bench.jig.watch_lines(["sensor_1", "machine_1"])
        bench.feed()
        bench.jig.idle(0.2)
        seen = len(bench.events())
        assert len(bench.codes(bench.wave(STEP_S[PWM]))) >= 3
        bench.jig.idle(0.2)
        assert len(bench.events()) - seen <= 4


def test_gone_with_a_disarm(vm: str) -> None:
    with reading(PWM, vm) as bench:
        bench.feed()
        taken = bench.jig.capture(1, 1e-6, 4096)
        assert len(taken.bits) == 512
        bench.jig.disarm()
        assert bench.jig._ask("capture_read", offset=0)["length"] == 0
        with pytest.raises(Refused):
            bench.jig.capture(1, 1e-6, 4097)


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="no sigrok-cli (apt-get install sigrok-cli)")
def test_sigrok_reads_the_duty(tmp_path: Path) -> None:
    """Its decoder pwm on what the board captured, as VCD."""

    with reading(PWM) as bench:
        bench.feed()
        bench.lid(73000)
        wave = bench.wave(STEP_S[PWM])
    duties = duties_by_sigrok(wave, tmp_path)
    assert len(duties) >= 3
    for duty in duties[1:]:
        code = duty / 100.0 * CLOCKS - 128
        assert abs(code - 73.0 / 360.0 * (CODES - 1)) <= 1.0, duties


def test_the_program_in_an_independent_emulator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Levels at its pin, clock by clock, against the words that it pushes (PyPI rp2040-pio-emulator)."""
    pioemu = pytest.importorskip("pioemu", reason="no emulator (pip install rp2040-pio-emulator)")
    program = board_file("pio_capture", monkeypatch)._levels
    execute, shift = program[3], program[4]
    # Fields of EXECCTRL and SHIFTCTRL: RP2040 datasheet, 3.7. Autopush at 32 (0 there), to the right, RX joined.
    assert shift >> 16 & 1 and not shift >> 20 & 31 and shift >> 18 & 1 and shift >> 30 == 2
    levels = np.random.default_rng(3).integers(0, 2, 200)

    def pins(clock: int) -> int:
        return int(levels[clock])

    pins.__annotations__["clock"] = int  # the emulator reads it, and wants no string
    received: list[int] = []
    for _before, after in pioemu.emulate(
        list(program[0]), stop_when=lambda _code, state: state.clock >= 128, input_source=pins, auto_push=True,
        push_threshold=32, shift_isr_right=True, wrap_target=execute >> 7 & 31, wrap_top=execute >> 12 & 31,
    ):  # fmt: skip
        received = list(after.receive_fifo)
    bits = [word >> k & 1 for word in received for k in range(32)]
    assert bits == levels[:128].tolist()


def test_ticks_that_wrap_meanwhile(tmp_path: Path) -> None:
    """MicroPython's ticks_us begins anew after 2**30 us on rp2; board time does not."""
    with reading(PWM, extra="\n[jig]\nticks_start_s = 1069.0\n", folder=tmp_path) as bench:
        times = [bench.jig.capture(1, 100e-6, 4000).t_us for _ in range(8)]
        assert times[0] < (2**30 - 1069e6) < times[-1]
        assert all(400e3 < after - before < 440e3 for before, after in zip(times, times[1:], strict=False)), times
