"""Pulse width, whole: profile, firmware, PIO, line, the machine's input, and the decoder of the host."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen, Standing, error_deg, last_good, standing_in, up_and_down
from lidjig.bench.families.base import BAD_TIMING, SILENT, Wave
from lidjig.bench.profiles import load_sensor
from lidjig.errors import Refused
from lidjig.jig_types import Lock, Reason, Route
from pio_bench import board_file, emulated
from real_sensor import dead_stays_off_and_none_stays_awake, sleeps_and_wakes

from tests.families.sigrok_duty import duties_by_sigrok

BENCH = "healthy-elm-14"
CODES = 4096
RESOLUTION_DEG = 360.0 / (CODES - 1)
FRAME_S = 1 / 920


def read(bench: Standing, seconds: float = 4 * FRAME_S) -> list[Any]:
    return bench.sensor.coded().decode(Seen(SUPPLY_V, waves={"out": bench.wave("1", seconds)}))


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against decoded, 0 to 180 deg and back: within one step of the format. Two cycles of 125 MHz of jitter
    in a frame of 135 870 are far below a step, so nothing is added for the line.
    """
    errors = []
    with standing_in(BENCH, vm=vm) as bench:
        for angle_deg in up_and_down():
            bench.to(angle_deg)
            errors.append(error_deg(bench.sensor, last_good(read(bench)), angle_deg))
        assert bench.sensor.curve().lsb_deg(CODES) == pytest.approx(RESOLUTION_DEG)
    worst = float(np.abs(errors).max())
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; resolution {RESOLUTION_DEG:.4f} deg")
    assert worst <= RESOLUTION_DEG


def plain_duty(text: str) -> str:
    """The same sensor with a window of 10 to 90 % duty at 200 Hz, active low, 1024 codes."""
    text = text.replace("frequency_hz = 920.0", 'frequency_hz = 200.0\nactive = "low"\ncodes = 1024')
    text = text.replace('drive = "push-pull"', 'drive = "push-pull"\nduty_low_percent = 10.0\nduty_high_percent = 90.0')
    return text.replace("update_hz = 500.0", "update_hz = 200.0")


def open_drain(text: str) -> str:
    return text.replace('drive = "push-pull"', 'drive = "open-drain"')


@pytest.mark.parametrize("change", [plain_duty, open_drain])
def test_other_ways_to_say_it(change: Callable[[str], str]) -> None:
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        coded = bench.sensor.coded()
        for angle_deg in (0.0, 33.3, 90.0, 179.9):
            bench.to(angle_deg, 0.05)
            reading = last_good(read(bench, 0.02))
            assert abs(error_deg(bench.sensor, reading, angle_deg)) <= bench.sensor.curve().lsb_deg(coded.codes)


def test_frames_go_on_over_a_new_angle() -> None:
    """Every frame is whole, whenever the angle changes: no pulse is cut or drawn out."""
    with standing_in(BENCH, vm="cpython") as bench:
        bench.jig.move(60.0, 0.0)
        bench.jig.idle(0.02)
        bench.jig.move(120.0, 0.05, "linear")
        bench.jig.idle(0.06)
        readings = read(bench, 0.08)
        assert len(readings) > 60 and not [r for r in readings if r.fault]
        codes = [r.code for r in readings]
        assert codes == sorted(codes) and codes[-1] == round(120.0 / 360.0 * (CODES - 1))


def test_levels_instead_of_frames() -> None:
    with standing_in(BENCH, vm="cpython") as bench:
        jig = bench.jig
        for state, level in (("low", 0), ("high", 1), ("released", 1)):  # released: the machine's pull-up
            jig.drive(1, state)
            jig.idle(0.02)
            (reading,) = read(bench)
            assert reading.fault == SILENT and bench.wave("1", 0.004).level.tolist() == [level]
        jig.drive(1, "follow")
        bench.to(45.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 45.0)) <= RESOLUTION_DEG


def test_a_second_time(vm: str) -> None:
    """Frames come again after disarming, and after a level that came while a word still waited."""
    with standing_in(BENCH, vm=vm) as bench:
        bench.jig.disarm()
        bench.jig.idle(0.1)
        bench.jig.arm()
        bench.jig.set_route(Route.STANDIN)
        bench.to(45.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 45.0)) <= RESOLUTION_DEG
        bench.jig.move(50.0, 0.0)
        bench.jig.drive(1, "low")
        bench.jig.idle(0.02)
        bench.jig.drive(1, "follow")
        bench.to(60.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 60.0)) <= RESOLUTION_DEG


def outside(text: str) -> str:
    span = 'zero_deg = 20.0\nspan_deg = 90.0\nbelow = "low"\nabove = "high"'
    text = text.replace("zero_deg = 0.0\nspan_deg = 360.0", span)
    text = text.replace("shut_deg = 8.0\nopen_deg = 12.0", "shut_deg = 24.0\nopen_deg = 28.0")
    return text.replace("start_deg = 100.0", "start_deg = 60.0")


def test_outside_the_span() -> None:
    with standing_in(BENCH, vm="cpython", change=outside) as bench:
        bench.to(10.0)
        assert [r.fault for r in read(bench)] == [SILENT] and bench.wave("1", 0.004).level.tolist() == [0]
        bench.to(60.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 60.0)) <= 90.0 / (CODES - 1)
        bench.to(150.0)
        assert [r.fault for r in read(bench)] == [SILENT] and bench.wave("1", 0.004).level.tolist() == [1]


def test_lets_go_at_once(vm: str, tmp_path: Path) -> None:
    """Disarmed: nothing drives the line, the frames end where they are, and the machine's pull-up has it (no sensor is
    fitted, so that the safe route brings no frames of another's).
    """
    path = tmp_path / "none.toml"
    path.write_text('[machine]\nmodel = "elm-14"\n[jig]\nsensor_fitted = false\n', encoding="utf-8")
    with standing_in(str(path), vm=vm) as bench:
        bench.to(30.0)
        bench.jig.disarm()
        bench.jig.idle(0.005)
        pins = bench.link.look()["pins"]
        assert pins[2] == pins[3] == 0
        bench.jig.idle(0.02)
        late = bench.wave("1", 0.015)
        assert late.level.tolist() == [1]
        bench.jig.arm()
        with pytest.raises(Refused):
            bench.jig.drive(1, "low")  # not in route standin any more


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_loss_of_supply_trips_while_frames_run(vm: str, tmp_path: Path) -> None:
    path = tmp_path / "falls.toml"
    path.write_text(
        '[machine]\nmodel = "elm-14"\n[[event]]\nat_s = 3.2\ndo = "set-rail"\nvolts = 0.0\n', encoding="utf-8"
    )
    with standing_in(str(path), vm=vm) as bench:
        bench.to(30.0)
        bench.jig.idle(0.5)
        assert bench.jig.lock is Lock.TRIPPED
        status = bench.jig.status()
        assert status.reason == Reason.SUPPLY_LOSS
        assert bench.link.look()["pins"][3] == 0


@pytest.mark.parametrize("start_deg", [2.0, 178.0])
def test_a_line_held_hard_trips(start_deg: float, tmp_path: Path) -> None:
    """The frames do not come back as they are given: contention, however little of a frame differs."""
    path = tmp_path / "held.toml"
    fault = '[machine]\nmodel = "elm-14"\n[[fault]]\nwhere = "wiring"\nkind = "line-short-ground"\n'
    path.write_text(fault, encoding="utf-8")

    def begin(text: str) -> str:
        return text.replace("start_deg = 100.0", f"start_deg = {start_deg}")

    with standing_in(str(path), vm="cpython", change=begin) as bench:
        bench.jig.idle(1.0)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.CONTENTION


def program(monkeypatch: pytest.MonkeyPatch) -> tuple[Any, Callable[[int], int]]:
    board = board_file("pio_pwm", monkeypatch)
    clocks = 128 + CODES - 1 + 128

    def word(code: int) -> int:
        high = 128 + code
        return (clocks - high - board.LOW_MIN) << 15 | (high - board.HIGH_MIN)

    return board._frames, word


def in_us(wave: Wave) -> Wave:
    """Cycles of a frame's clock as us: 4351 of them are a frame (ams AS5600 data sheet v1-06, p.27)."""
    clock_us = 1e6 * FRAME_S / 4351
    return Wave(wave.t_us * clock_us, wave.level, wave.end_us * clock_us)


def test_the_program_in_an_independent_emulator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Duty by the published frame: (128 + code) / 4351. A word in mid-frame waits for its end; where none waits the
    frame is sent again.
    """
    frames, word = program(monkeypatch)
    coded = load_sensor("hinge-p1")[0].coded()
    for code in (0, 1, 1024, 2048, 4095):
        wave = in_us(emulated(frames, {0: word(code)}, 4 * 4351, 0, set_base=0, set_count=1))
        readings = coded.decode(Seen(SUPPLY_V, waves={"out": wave}))
        assert [r.code for r in readings if not r.fault] and {r.code for r in readings} == {code}, code
        rises = wave.t_us[np.flatnonzero(wave.level == 1)]
        falls = wave.t_us[np.flatnonzero(wave.level == 0)][1:]
        duty = (falls[0] - rises[0]) / (rises[1] - rises[0])
        assert duty == pytest.approx((128 + code) / 4351, abs=1e-9)
    wave = in_us(emulated(frames, {0: word(100), 6000: word(3000)}, 6 * 4351, 0, set_base=0, set_count=1))
    readings = coded.decode(Seen(SUPPLY_V, waves={"out": wave}))
    assert [r.code for r in readings] == [100, 100, 3000, 3000, 3000][: len(readings)] and len(readings) >= 4


def test_the_real_sensor(tmp_path: Path) -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    with standing_in(BENCH, vm="cpython") as bench:
        sleeps_and_wakes(bench)
        found = bench.sensor.coded().decode(Seen(SUPPLY_V, waves={"out": bench.wave("1", 4 * FRAME_S)}))
        assert abs(error_deg(bench.sensor, last_good(found), 110.0)) <= RESOLUTION_DEG


def test_a_dead_sensor_holds_the_machine_and_none_lets_it_start(tmp_path: Path) -> None:
    dead_stays_off_and_none_stays_awake(tmp_path, "elm-14")


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="no sigrok-cli (apt-get install sigrok-cli)")
def test_sigrok_reads_the_duty(tmp_path: Path) -> None:
    """Its decoder pwm on the wave at the machine's board, as VCD."""

    with standing_in(BENCH, vm="cpython") as bench:
        bench.to(90.0)
        wave = bench.wave("1", 8 * FRAME_S)
    duties = duties_by_sigrok(wave, tmp_path)
    code = round(90.0 / 360.0 * (CODES - 1))
    wanted = 100.0 * (128 + code) / 4351
    assert len(duties) >= 5 and duties[2:] == pytest.approx([wanted] * len(duties[2:]), abs=0.01)
    read_deg = (duties[2] / 100.0 * 4351 - 128) * 360.0 / (CODES - 1)
    assert read_deg == pytest.approx(90.0, abs=2 * RESOLUTION_DEG)


def slower(text: str) -> str:
    return text.replace("frequency_hz = 920.0", "frequency_hz = 460.0").replace(
        "update_hz = 500.0", "update_hz = 400.0"
    )


def test_a_wave_that_is_none_is_told_so() -> None:
    """What stands on the line of another rate is no angle."""
    with standing_in(BENCH, vm="cpython", change=slower) as bench:
        wave = bench.wave("1", 0.02)
    found = load_sensor("hinge-p1")[0].coded().decode(Seen(SUPPLY_V, waves={"out": wave}))
    assert found and {reading.fault for reading in found} == {BAD_TIMING}
