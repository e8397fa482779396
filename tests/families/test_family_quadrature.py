"""Quadrature, whole: profile, firmware, PIO, both lines and the index, the machine's counter, the host's decoder."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from family_bench import CLK_PER_US, SUPPLY_V, Seen, Standing, error_deg, standing_in, up_and_down
from lidjig.bench.families.base import Reading, Wave
from lidjig.bench.machine import MachineProfile
from lidjig.bench.pair import check_pair
from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.errors import BadInput, Refused
from lidjig.jig_types import Lock, Reason, Route
from pio_bench import board_file, emulated

from shared_proto import names

BENCH = "healthy-juniper-14"
STEPS = 4096
RESOLUTION_DEG = 360.0 / STEPS
INDEX_DEG = 30.0  # lid angle of the index: hinge-q1
RATE_HZ = 100_000
CONDUCTORS = {"a": "1", "b": "2", "index": "index"}


@dataclass
class Watch:
    """All that A, B and the index do from now on: what is counted has to be seen without a gap."""

    bench: Standing
    begin_us: int = 0
    until_us: int = 0
    times: dict[str, list[float]] = field(default_factory=dict)
    levels: dict[str, list[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.begin_us = self.until_us = self.bench.link.look()["t_us"]

    def go_on(self) -> float:
        """Takes what came since the last time; how long the watch lasts, in us."""
        now = self.bench.link.look()["t_us"]
        for signal, conductor in CONDUCTORS.items():
            found = self.bench.link.wave(conductor, (now - self.until_us) / 1e6)
            rows = [(found["begin"], found["level"]), *found["edges"]]
            self.times.setdefault(signal, []).extend(t / CLK_PER_US - self.begin_us for t, _level in rows)
            self.levels.setdefault(signal, []).extend(level for _t, level in rows)
        self.until_us = now
        return float(now - self.begin_us)

    def readings(self) -> list[Reading]:
        end_us = self.go_on()
        waves = {
            signal: Wave(np.array(self.times[signal]), np.array(self.levels[signal], dtype=np.int8), end_us)
            for signal in CONDUCTORS
        }
        return self.bench.sensor.coded().decode(Seen(SUPPLY_V, waves=waves))


def at(readings: list[Reading], t_us: float) -> Reading:
    """The last one until then."""
    return [reading for reading in readings if reading.t_us <= t_us][-1]


def find_index(bench: Standing) -> None:
    """Past the index, as a lid that is shut once."""
    bench.to(INDEX_DEG - 5.0)
    bench.to(INDEX_DEG + 5.0)


def swept(bench: Standing, angles: list[float]) -> tuple[list[float], list[Reading]]:
    """Errors in deg at the angles, and every reading."""
    watch = Watch(bench)
    watch.go_on()
    find_index(bench)
    times = []
    for angle_deg in angles:
        bench.to(angle_deg)
        times.append(watch.go_on())
    readings = watch.readings()
    found = [at(readings, t_us) for t_us in times]
    return [error_deg(bench.sensor, r, angle) for r, angle in zip(found, angles, strict=True)], readings


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against counted, 0 to 180 deg and back, the index passed twice on the way: within one step, and not one
    step lost, doubled, or faster than the sensor turns.
    """
    with standing_in(BENCH, vm=vm) as bench:
        errors, readings = swept(bench, up_and_down())
        assert bench.sensor.curve().lsb_deg(STEPS) == pytest.approx(RESOLUTION_DEG)
    assert not [r for r in readings if r.fault]
    fastest_us = min(np.diff([r.t_us for r in readings])[1:])
    assert fastest_us >= 1e6 / RATE_HZ
    worst = float(np.abs(errors).max())
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; resolution {RESOLUTION_DEG:.4f} deg")
    print(f"{len(readings)} steps, the fastest after {fastest_us:.3f} us of {1e6 / RATE_HZ:.0f}")
    assert worst <= RESOLUTION_DEG


def b_leads(text: str) -> str:
    text = text.replace('leads = "a"', 'leads = "b"').replace("index_quarters = 1", "index_quarters = 2")
    return text.replace("steps_per_turn = 4096", "steps_per_turn = 720")


def slow(text: str) -> str:
    text = text.replace("rate_max_hz = 100000", "rate_max_hz = 2000").replace("update_hz = 1000.0", "update_hz = 200.0")
    return text.replace("index_quarters = 1", "index_quarters = 4").replace("4096", "400")


def fine(text: str) -> str:
    """More steps than fit into the words of one look."""
    return text.replace("steps_per_turn = 4096", "steps_per_turn = 65536")


def falls(text: str) -> str:
    return text.replace("zero_deg = 30.0", 'zero_deg = 30.0\ndirection = "down"')


@pytest.mark.parametrize("change", [b_leads, slow, fine, falls])
def test_other_encoders(change: Callable[[str], str]) -> None:
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        coded = bench.sensor.coded()
        watch = Watch(bench)
        times, angles = [], [20.0, 34.0, 29.9, 30.0, 66.0, 0.0]
        for angle_deg in angles:
            for _ in range(20):  # what is watched must not go back further than edges are kept
                bench.to(angle_deg, 0.01)
                watch.go_on()
            times.append(watch.go_on())
        readings = watch.readings()
        assert not [r for r in readings if r.fault]
        for t_us, angle_deg in list(zip(times, angles, strict=True))[1:]:
            error = error_deg(bench.sensor, at(readings, t_us), angle_deg)
            assert abs(error) <= bench.sensor.curve().lsb_deg(coded.codes), angle_deg


def test_a_position_is_known_from_the_index_on() -> None:
    """Neither decoder nor machine knows where a sensor is that has just got its supply."""
    with standing_in(BENCH, vm="cpython") as bench:
        watch = Watch(bench)
        watch.go_on()
        for angle_deg in (170.0, 60.0, INDEX_DEG + 1.0):
            bench.to(angle_deg)
            reading = watch.readings()[-1]
            assert (reading.code, reading.part, reading.fault) == (None, None, "")
            code, first = (round((deg - INDEX_DEG) / RESOLUTION_DEG) for deg in (angle_deg, 100.0))
            assert reading.detail["count"] == code - first
        bench.to(INDEX_DEG - 1.0)
        assert abs(error_deg(bench.sensor, watch.readings()[-1], INDEX_DEG - 1.0)) <= RESOLUTION_DEG


def test_index_is_high_for_its_quarters_only() -> None:
    """High while A and B are (Rockwell Automation publication 4100-IN505A, table 1.E), at one lid angle."""
    with standing_in(BENCH, vm="cpython") as bench:
        for angle_deg, level in ((INDEX_DEG - 0.1, 0), (INDEX_DEG, 1), (INDEX_DEG + 0.1, 0), (INDEX_DEG + 180.0, 0)):
            bench.to(min(angle_deg, 180.0))
            assert bench.wave("index", 0.001).level.tolist() == [level], angle_deg
            if level:
                assert bench.wave("1", 0.001).level.tolist() == bench.wave("2", 0.001).level.tolist() == [1]


def test_levels_instead_of_steps(vm: str) -> None:
    with standing_in(BENCH, vm=vm) as bench:
        jig = bench.jig
        for state, level in (("low", 0), ("high", 1), ("released", 1)):  # released: the machine's pull-up
            jig.drive(1, state)
            jig.idle(0.02)
            found = [bench.wave(name, 0.004).level.tolist() for name in CONDUCTORS.values()]
            assert found == [[level], [level], [0]], state
        jig.drive(1, "follow")
        errors, readings = swept(bench, [45.0, 10.0])
        assert not [r for r in readings if r.fault] and max(np.abs(errors)) <= RESOLUTION_DEG


def scenario(tmp_path: Path, text: str) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(f'[machine]\nmodel = "juniper-14"\n{text}', encoding="utf-8")
    return str(path)


NO_SENSOR = "[jig]\nsensor_fitted = false\n"


def test_lets_go_at_once(vm: str, tmp_path: Path) -> None:
    """Disarmed in the middle of a walk: three buffers off, the pulls of the machine have all conductors."""
    with standing_in(scenario(tmp_path, NO_SENSOR), vm=vm) as bench:
        bench.to(INDEX_DEG)
        assert [bench.link.look()["pins"][n] for n in (3, 5, 7)] == [1, 1, 1]
        bench.jig.move(170.0, 0.0)
        bench.jig.disarm()
        bench.jig.idle(0.001)
        found = bench.link.look()
        assert found["pins"][2:8] == [0] * 6
        assert found["B1"] > 3200 and found["B2"] > 3200
        bench.jig.idle(0.02)
        assert [bench.wave(name, 0.01).level.tolist() for name in CONDUCTORS.values()] == [[1], [1], [0]]


def test_comes_back_after_another_route() -> None:
    with standing_in(BENCH, vm="cpython") as bench:
        for route in (Route.OPEN, Route.THROUGH):
            bench.jig.set_route(route)
            bench.jig.idle(0.02)
            assert bench.link.look()["pins"][2:8] == [0] * 6
            bench.jig.set_route(Route.STANDIN)
            bench.jig.idle(0.02)
            errors, readings = swept(bench, [90.0, 10.0])
            assert not [r for r in readings if r.fault] and max(np.abs(errors)) <= RESOLUTION_DEG


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_loss_of_supply_trips_while_it_walks(vm: str, tmp_path: Path) -> None:
    falling = '[[event]]\nat_s = 3.2\ndo = "set-rail"\nvolts = 0.0\n'
    with standing_in(scenario(tmp_path, falling), vm=vm) as bench:
        bench.jig.move(0.0, 2.0, "linear")
        bench.jig.idle(0.5)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.SUPPLY_LOSS
        assert [bench.link.look()["pins"][n] for n in (3, 5, 7)] == [0, 0, 0]


@pytest.mark.parametrize(("kind", "line"), [("ground", 1), ("ground", 2), ("supply", 1), ("supply", 2)])
def test_a_line_held_hard_trips(kind: str, line: int, tmp_path: Path) -> None:
    """Wherever the lid stands: four steps in a row have every level of either line."""
    fault = f'[[fault]]\nwhere = "wiring"\nkind = "line-short-{kind}"\nline = {line}\n'
    with standing_in(scenario(tmp_path, fault), vm="cpython") as bench:
        for step in range(4):
            if bench.jig.status().lock is Lock.ARMED:
                bench.jig.move(90.0 + step * RESOLUTION_DEG, 0.0)
                bench.jig.idle(0.1)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.CONTENTION
        assert [bench.link.look()["pins"][n] for n in (3, 5, 7)] == [0, 0, 0]


def with_bus() -> MachineProfile:
    return load_machine("dogwood-14")[0]


def test_no_index_where_the_bus_is() -> None:
    """GP6 and GP7 are one or the other: refused before anything is sent, and by the board."""
    sensor, machine = load_sensor("hinge-q1")[0], load_machine("juniper-14")[0]
    check_pair(sensor, machine)
    with pytest.raises(BadInput, match="observer_3|meter"):
        check_pair(sensor, _with_two_lines(with_bus(), machine))
    with standing_in(BENCH, vm="cpython") as bench:
        jig = bench.jig
        jig.disarm()
        jig.load_blob(names.BLOB_WIRING, with_bus().wiring_blob())
        jig.arm()
        with pytest.raises(Refused):
            jig.set_route(Route.STANDIN)
        assert bench.link.look()["pins"][2:8] == [0] * 6
        jig.disarm()
        jig.load_blob(names.BLOB_WIRING, machine.wiring_blob())
        jig.arm()
        jig.set_route(Route.STANDIN)


def _with_two_lines(bus: MachineProfile, machine: MachineProfile) -> MachineProfile:
    import msgspec

    return msgspec.structs.replace(bus, line=machine.line)


# -- the program alone -------------------------------------------------------------------------------------------------

LEVELS = ((1, 1), (0, 1), (0, 0), (1, 0))  # of A and B, A leading (publication 4100-IN505A, table 1.D)
CLOCKS = 32  # of the state machine in a step
LEAD_IN = 64  # clocks that the pins rest before the first word


def word(first: int, way: int, count: int, high: int = 0) -> int:
    """So many steps from the code `first` on, in words of this file."""
    packed = count - 1
    for k in range(4):
        a, b = LEVELS[(first + way * k) % 4]
        packed |= (a | b << 2 | high << 4) << 10 + 5 * k
    return packed


def emulated_steps(monkeypatch: pytest.MonkeyPatch, words: dict[int, int], cycles: int) -> dict[str, Wave]:
    """Waves of A, B, index, a step taking as long as rate_max_hz has it."""
    board = board_file("pio_quadrature", monkeypatch)
    scale = 1e6 / RATE_HZ / CLOCKS
    waves = {}
    for signal, pin in (("a", 0), ("b", 2), ("index", 4)):
        wave = emulated(board._steps, words, cycles, pin, out_base=0, out_count=5)
        waves[signal] = Wave(wave.t_us * scale, wave.level, wave.end_us * scale)
    return waves


def test_the_program_in_an_independent_emulator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Up across the index, and down again before the first words are through: every step comes, none too fast; then it
    rests where it is, however long no word comes.
    """
    words = {LEAD_IN: word(3, 1, 1), LEAD_IN + 1: word(0, 1, 1, 1), LEAD_IN + 2: word(1, 1, 9)}
    words |= {LEAD_IN + 40: word(0, -1, 8), LEAD_IN + 300: word(0, -1, 1, 1), LEAD_IN + 301: word(3, -1, 1023)}
    waves = emulated_steps(monkeypatch, words, CLOCKS * 1200)
    coded = load_sensor("hinge-q1")[0].coded()
    readings = coded.decode(Seen(SUPPLY_V, waves=waves))
    assert not [r for r in readings if r.fault]
    counts = [r.detail["count"] for r in readings]
    # From low pins, which are code 2: 3, 0 (index), 1 .. 9, then 8 .. 1, 0 (index), and 1023 more.
    up, down = [*range(12)], [*range(10, 1, -1), *range(1, -1022, -1)]
    assert counts == up + down
    assert [r.code for r in readings[2:12]] == list(range(10)) and readings[-1].code == STEPS - 1023
    steps_us = np.diff([r.t_us for r in readings])[1:]
    assert steps_us.min() >= 1e6 / RATE_HZ
    assert np.median(steps_us) == pytest.approx(1e6 / RATE_HZ)
    rests_us = waves["a"].end_us - readings[-1].t_us
    assert rests_us > 40 * 1e6 / RATE_HZ


def test_index_changes_with_the_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """To the cycle, so that a machine that takes the index at an edge of A or B takes the right one."""
    words = {LEAD_IN: word(3, 1, 1), LEAD_IN + 1: word(0, 1, 4, 1), LEAD_IN + 2: word(0, 1, 2)}
    waves = emulated_steps(monkeypatch, words, CLOCKS * 20)
    edges = set(waves["a"].t_us.tolist()) | set(waves["b"].t_us.tolist())
    assert waves["index"].level.tolist() == [0, 1, 0] and set(waves["index"].t_us.tolist()) <= edges


# -- the real sensor ---------------------------------------------------------------------------------------------------


def test_the_real_sensor() -> None:
    """Route through: the machine starts with a position that it does not know yet; the lid puts it to sleep and wakes
    it; and the host's decoder counts the lid's way.
    """
    with standing_in(BENCH, vm="cpython") as bench:
        bench.jig.disarm()
        bench.jig.idle(0.1)
        bench.ask("press-power", 8.0)
        assert bench.link.look()["state"] == "S0"
        watch = Watch(bench)
        watch.go_on()
        bench.ask("shut-lid", 8.0)
        assert bench.link.look()["state"] == "S3"
        reading = watch.readings()[-1]
        assert abs(error_deg(bench.sensor, reading, 0.0)) <= RESOLUTION_DEG
        bench.ask("open-lid", 8.0)
        assert bench.link.look()["state"] == "S0"
        readings = watch.readings()
        assert abs(error_deg(bench.sensor, readings[-1], 110.0)) <= RESOLUTION_DEG
        assert not [r for r in readings if r.fault]


@pytest.mark.parametrize("text", ['[[fault]]\nwhere = "sensor"\nkind = "dead"\n', NO_SENSOR])
def test_without_steps_the_machine_never_sleeps(text: str, tmp_path: Path) -> None:
    """Dead or unplugged: nothing tells the machine where the lid is, so that it starts and stays awake."""
    with standing_in(scenario(tmp_path, text), vm="cpython") as bench:
        bench.jig.disarm()
        bench.jig.idle(0.1)
        bench.ask("press-power", 8.0)
        bench.ask("shut-lid", 8.0)
        assert bench.link.look()["state"] == "S0"


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="no sigrok-cli (apt-get install sigrok-cli)")
def test_sigrok_counts_the_steps(tmp_path: Path) -> None:
    """Its decoder graycode on A and B at the machine's board, as VCD."""
    from vcd import VCDWriter

    with standing_in(BENCH, vm="cpython") as bench:
        bench.to(90.0)
        bench.to(86.0)
        waves = {name: bench.wave(CONDUCTORS[name], 0.03) for name in ("a", "b")}
    changes = sorted(
        (round(1000 * float(t_us)), name, int(level))
        for name, wave in waves.items()
        for t_us, level in zip(wave.t_us[1:], wave.level[1:], strict=True)
    )
    path = tmp_path / "wave.vcd"
    with path.open("w", encoding="ascii") as stream, VCDWriter(stream, "1 ns") as out:
        wires = {n: out.register_var("line", n, "wire", size=1, init=int(w.level[0])) for n, w in waves.items()}
        for t_ns, name, level in changes:
            out.change(wires[name], t_ns, level)
        out.close(round(1000 * waves["a"].end_us))
    done = subprocess.run(
        ["sigrok-cli", "-i", str(path), "-P", "graycode:d0=a:d1=b", "-A", "graycode=count"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    # (not checked: libsigrokdecode with Python 3.11 aborts when it ends, after it has written all)
    counts = [int(row.split(":")[1]) for row in done.stdout.splitlines() if ":" in row]
    assert abs(counts[-1] - counts[0]) == pytest.approx(4.0 / RESOLUTION_DEG, abs=1)
