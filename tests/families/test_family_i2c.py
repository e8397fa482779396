"""I2C, whole: profile, firmware, the board's target, lines, the machine's controller, and the decoder of the host."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from family_bench import Standing, error_deg, last_good, standing_in, up_and_down
from i2c_bench import ADDRESS, ADDRESS_14, ANGLE, BENCH, STATUS, read, readings
from lidjig.bench.families.base import NO_MAGNET
from lidjig.bench.pair import check_pair
from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.errors import BadInput, Refused
from lidjig.jig_types import Lock, Reason, Route
from real_sensor import dead_stays_off_and_none_stays_awake, sleeps_and_wakes

from shared_proto import names

COUNT_DEG = 360.0 / 4096  # 0.0879 deg
COUNT_14_DEG = 360.0 / 16384
SDA, SCL, OE_1 = 20, 21, 3  # GPIO numbers


def scenario(tmp_path: Path, text: str = "") -> str:
    path = tmp_path / "bench.toml"
    path.write_text('[machine]\nmodel = "oak-14"\n' + text, encoding="utf-8")
    return str(path)


def answers(bench: Standing) -> bool:
    return bench.link.transfer(ADDRESS, bytes([STATUS]), 1) is not None


def sweep(bench: Standing, resolution_deg: float, *spans: tuple[int, int], address: int = ADDRESS) -> None:
    errors = []
    for angle_deg in up_and_down():
        bench.to(angle_deg)
        errors.append(error_deg(bench.sensor, last_good(readings(bench, *spans, address=address)), angle_deg))
    coded = bench.sensor.coded()
    assert bench.sensor.curve().lsb_deg(coded.codes) == pytest.approx(resolution_deg)
    worst = float(np.abs(errors).max())
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; resolution {resolution_deg:.4f} deg")
    assert worst <= resolution_deg


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against decoded, 0 to 180 deg and back: within one count. What the controller gets are numbers, so the
    line adds nothing.
    """
    with standing_in(BENCH, vm=vm) as bench:
        sweep(bench, COUNT_DEG)


FOURTEEN = 'parameters = {sensor = "hinge-r2"}\n[sensor]\nprofile = "hinge-r2"\n'


def test_every_angle_of_14_bits(vm: str, tmp_path: Path) -> None:
    with standing_in(scenario(tmp_path, FOURTEEN), vm=vm) as bench:
        sweep(bench, COUNT_14_DEG, (0x03, 2), address=ADDRESS_14)
        assert not answers(bench)


def narrowed(text: str) -> str:
    """90 deg from a lid angle of 20 deg: 1024 counts from 300 on."""
    text = text.replace("wrap = true\n\n[transfer]", "zpos = 300\nmpos = 1324\nburns = 1\n\n[transfer]")
    span = 'zero_deg = 20.0\nspan_deg = 90.0\nbelow = "error"\nabove = "low"\n'
    text = text.replace("zero_deg = 0.0\nspan_deg = 360.0\nwrap = true\n", span)
    text = text.replace("shut_deg = 8.0\nopen_deg = 12.0", "shut_deg = 24.0\nopen_deg = 28.0")
    return text.replace("start_deg = 100.0", "start_deg = 60.0")


def unscaled(text: str) -> str:
    return narrowed(text).replace("zpos = 300", "scaled = false\nzpos = 300")


@pytest.mark.parametrize(("change", "codes"), [(narrowed, 4096), (unscaled, 1025)])
def test_a_narrowed_range(change: Callable[[str], str], codes: int) -> None:
    """ANGLE is spread over all codes or not, as the profile says; RAW ANGLE is where the magnet is, either way."""
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        for angle_deg in np.arange(20.0, 110.1, 4.7).tolist():
            bench.to(angle_deg)
            (reading,) = readings(bench)
            assert reading.code is not None and not reading.fault
            assert abs(error_deg(bench.sensor, reading, angle_deg)) <= 90.0 / (codes - 1)
            raw = 300 + (angle_deg - 20.0) / 360.0 * 4096
            assert abs(float(reading.detail["raw_angle"]) - raw) <= 1.0
        bench.to(10.0)
        assert [reading.fault for reading in readings(bench)] == [NO_MAGNET]
        bench.to(150.0)
        assert not answers(bench) and bench.link.look()["B1"] < 300  # SDA held low
        bench.to(65.0)
        assert abs(error_deg(bench.sensor, last_good(readings(bench)), 65.0)) <= 90.0 / (codes - 1)


def test_levels_instead_of_answers(vm: str, tmp_path: Path) -> None:
    with standing_in(scenario(tmp_path), vm=vm) as bench:
        jig = bench.jig
        for state, low in (("low", True), ("high", False), ("released", False)):
            jig.drive(1, state)
            jig.idle(0.02)
            assert not answers(bench)
            look = bench.link.look()
            assert (look["B1"] < 300, look["B2"] < 300) == (low, False)
        jig.drive(1, "follow")
        bench.to(45.0)
        assert abs(error_deg(bench.sensor, last_good(readings(bench)), 45.0)) <= COUNT_DEG
        jig.idle(1.0)
        assert jig.lock is Lock.ARMED


NONE_FITTED = "[jig]\nsensor_fitted = false\n"


def left_open(text: str) -> str:
    """The relay, and with it the translators, stay as they are when the jig lets go."""
    return text.replace('safe_route = "through"', 'safe_route = "open"')


@pytest.mark.parametrize("change", [None, left_open])
def test_lets_go_at_once(vm: str, change: Callable[[str], str] | None, tmp_path: Path) -> None:
    """Disarmed: nobody answers, and the machine's pulls have both lines. (No sensor is fitted that could answer.)"""
    with standing_in(scenario(tmp_path, NONE_FITTED), vm=vm, change=change) as bench:
        bench.to(30.0)
        assert answers(bench)
        bench.jig.disarm()
        bench.jig.idle(0.005)
        assert not answers(bench)
        look = bench.link.look()
        assert look["pins"][SDA] == look["pins"][SCL] == look["pins"][OE_1] == 0
        assert min(look["B1"], look["B2"]) > 3200
        bench.jig.arm()
        bench.jig.set_route(Route.OPEN)
        bench.jig.idle(0.05)
        assert not answers(bench)  # the relay is up and the translators with it, but the pins are inputs
        with pytest.raises(Refused):
            bench.jig.drive(1, "low")  # not in route standin
        bench.jig.set_route(Route.STANDIN)
        bench.to(31.0)
        assert abs(error_deg(bench.sensor, last_good(readings(bench)), 31.0)) <= COUNT_DEG
        bench.jig.set_route(Route.OPEN)
        assert not answers(bench)


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_loss_of_supply_trips(vm: str, held: bool, tmp_path: Path) -> None:
    path = scenario(tmp_path, NONE_FITTED + '[[event]]\nat_s = 3.4\ndo = "set-rail"\nvolts = 0.0\n')
    with standing_in(path, vm=vm) as bench:
        if held:
            bench.jig.drive(1, "low")
        bench.jig.idle(0.6)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.SUPPLY_LOSS
        look = bench.link.look()
        assert look["pins"][OE_1] == look["pins"][SDA] == look["pins"][SCL] == 0 and not answers(bench)


@pytest.mark.parametrize("line", [1, 2])
def test_a_line_held_low_trips(line: int, tmp_path: Path) -> None:
    """Low for a quarter of a second without a byte in between: no bus."""
    path = scenario(tmp_path, f'[[fault]]\nwhere = "wiring"\nkind = "line-short-ground"\nline = {line}\n')
    with standing_in(path, vm="cpython") as bench:
        assert bench.jig.lock is Lock.ARMED
        bench.jig.idle(0.5)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.CONTENTION


def test_an_open_line_is_a_bus_without_a_sensor(tmp_path: Path) -> None:
    path = scenario(tmp_path, '[[fault]]\nwhere = "wiring"\nkind = "line-open"\nline = 2\n')
    with standing_in(path, vm="cpython") as bench:
        assert not answers(bench)


@pytest.mark.parametrize("text", ["", FOURTEEN])
def test_the_real_sensor(text: str, tmp_path: Path) -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    with standing_in(scenario(tmp_path, text), vm="cpython") as bench:
        sleeps_and_wakes(bench)
        found = readings(bench, (0x03, 2), address=ADDRESS_14) if text else readings(bench)
        assert abs(error_deg(bench.sensor, last_good(found), 110.0)) <= (COUNT_14_DEG if text else COUNT_DEG)


def test_a_dead_sensor_holds_the_machine_and_none_lets_it_start(tmp_path: Path) -> None:
    dead_stays_off_and_none_stays_awake(tmp_path, "oak-14")


def test_observers_on_the_pins_of_the_bus_are_refused() -> None:
    sensor, machine = load_sensor("hinge-r1")[0], load_machine("oak-14")[0]
    check_pair(sensor, machine)
    with pytest.raises(BadInput, match="observer_1"):
        check_pair(sensor, load_machine("juniper-14")[0])
    with standing_in(BENCH, vm="cpython") as bench:
        bench.jig.disarm()
        bench.jig.load_blob(names.BLOB_WIRING, load_machine("juniper-14")[0].wiring_blob())
        bench.jig.arm()
        with pytest.raises(Refused):
            bench.jig.set_route(Route.STANDIN)


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="no sigrok-cli (apt-get install sigrok-cli)")
def test_sigrok_reads_the_bytes(tmp_path: Path) -> None:
    """Its decoder i2c on both lines as the model draws them from the bytes of the transfers, as VCD."""
    from vcd import VCDWriter

    with standing_in(BENCH, vm="cpython") as bench:
        bench.to(90.0)
        read(bench, ANGLE, 2)
        bench.jig.idle(0.0035)
        waves = {"sda": bench.wave("1", 0.02), "scl": bench.wave("2", 0.02)}
    path = tmp_path / "wave.vcd"
    edges = sorted(
        (round(1000 * float(t_us)), name, int(level))
        for name, wave in waves.items()
        for t_us, level in zip(wave.t_us[1:], wave.level[1:], strict=True)
    )
    with path.open("w", encoding="ascii") as stream, VCDWriter(stream, "1 ns") as out:
        lines = {n: out.register_var("bus", n, "wire", size=1, init=int(w.level[0])) for n, w in waves.items()}
        for t_ns, name, level in edges:
            out.change(lines[name], t_ns, level)
        out.close(20_000_000)
    done = subprocess.run(
        ["sigrok-cli", "-i", str(path), "-P", "i2c:sda=sda:scl=scl", "-A", "i2c=address-read:data-read:data-write"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    rows = [row.split(": ", 1)[1] for row in done.stdout.splitlines()]
    assert f"Address read: {ADDRESS:02X}" in rows
    at = max(k for k, row in enumerate(rows) if row == f"Data write: {ANGLE:02X}")
    high, low = (int(row.split(": ")[1], 16) for row in rows[at + 1 :] if row.startswith("Data read"))
    assert (high << 8 | low) * COUNT_DEG == pytest.approx(90.0, abs=COUNT_DEG)
