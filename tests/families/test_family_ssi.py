"""SSI, whole: profile, firmware, PIO at the machine's clock, line, the machine's controller, and the host's decoder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen, Standing, error_deg, last_good, standing_in, up_and_down
from lidjig.bench.families.base import BAD_CHECK, INTERNAL, SILENT, STRONG, Reading, Wave
from lidjig.bench.observers import Digital
from lidjig.bench.pair import check_pair
from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.errors import BadInput, Refused
from lidjig.jig_types import Lock, Reason, Route
from pio_bench import board_file, emulated
from real_sensor import dead_stays_off_and_none_stays_awake, sleeps_and_wakes

from shared_proto import names

BENCH = "healthy-hazel-14"
CODES = 1 << 14
RESOLUTION_DEG = 360.0 / CODES
CONDUCTORS = {"data": "1", "clock": "clock", "select": "select"}
ASKED_S = 0.02  # the machine clocks a word that often


def read(bench: Standing, seconds: float = 2.5 * ASKED_S) -> list[Reading]:
    waves = {signal: bench.wave(conductor, seconds) for signal, conductor in CONDUCTORS.items()}
    return bench.sensor.coded().decode(Seen(SUPPLY_V, waves=waves))


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against decoded, 0 to 180 deg and back: within one step. Every word that is clocked is right."""
    errors = []
    with standing_in(BENCH, vm=vm) as bench:
        for angle_deg in up_and_down():
            bench.to(angle_deg, 2.0 * ASKED_S)
            readings = read(bench)
            assert readings[-1].detail["clock_hz"] == pytest.approx(500e3)
            errors.append(error_deg(bench.sensor, last_good(readings), angle_deg))
        assert bench.sensor.curve().lsb_deg(CODES) == pytest.approx(RESOLUTION_DEG)
    worst = float(np.abs(errors).max())
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; resolution {RESOLUTION_DEG:.4f} deg")
    assert worst <= RESOLUTION_DEG


def rising(text: str) -> str:
    return text.replace('sample_edge = "falling"', 'sample_edge = "rising"')


def strong(text: str) -> str:
    return text.replace("status = 0", "status = 1")


def narrow(text: str) -> str:
    text = text.replace("wrap = true\n\n[transfer]", "wrap = false\n\n[transfer]")
    return text.replace("zero_deg = 0.0\nspan_deg = 360.0\nwrap = true", 'span_deg = 200.0\ndirection = "down"')


@pytest.mark.parametrize("change", [rising, narrow])
def test_other_sensors(change: Callable[[str], str], tmp_path: Path) -> None:
    """A machine that was built for each, since the edge at which bits come out is the machine's business too."""
    with standing_in(scenario(tmp_path, parameters(change)), vm="cpython", change=change) as bench:
        coded = bench.sensor.coded()
        for angle_deg in (0.0, 33.3, 90.0, 179.9):
            bench.to(angle_deg)
            reading = last_good(read(bench, ASKED_S))
            assert abs(error_deg(bench.sensor, reading, angle_deg)) <= bench.sensor.curve().lsb_deg(coded.codes)


def test_status_is_told() -> None:
    """The sensor that finds its magnet too strong, MagnTek MT6701 data sheet, 7.8.2: an angle all the same."""
    with standing_in(BENCH, vm="cpython", change=strong) as bench:
        bench.to(45.0)
        reading = read(bench, ASKED_S)[-1]
        assert (reading.fault, reading.detail["status"]) == (STRONG, 1)
        assert abs(error_deg(bench.sensor, reading, 45.0)) <= RESOLUTION_DEG


def test_every_word_is_whole_while_the_angle_changes(vm: str) -> None:
    """What the tick hands over between select and its end is in the next word, never in this one."""
    with standing_in(BENCH, vm=vm) as bench:
        bench.to(20.0)
        bench.jig.move(160.0, 0.4, "linear")
        codes: list[int] = []
        for _ in range(5):
            bench.jig.idle(0.1)
            readings = read(bench, 0.1)
            assert readings and not [r.fault for r in readings if r.fault]
            codes += [int(r.code) for r in readings if r.code is not None]
        assert len(codes) >= 20 and codes == sorted(codes) and len(set(codes)) > 15
        assert codes[-1] == round(160.0 / RESOLUTION_DEG)


def test_the_word_is_the_newest_however_seldom_the_machine_asks(tmp_path: Path) -> None:
    """A machine that asks twice a second gets the angle of now, not the first one since it asked last."""
    text = "[machine.parameters.lid]\nsample_ms = 500.0\nsamples = 1\n"
    with standing_in(scenario(tmp_path, text), vm="cpython") as bench:
        for angle_deg in (30.0, 60.0, 90.0, 120.0, 150.0):
            for part in range(6):
                bench.to(angle_deg - 5.0 + part, 0.02)
        bench.jig.idle(0.5)
        reading = last_good(read(bench, 0.6))
        assert abs(error_deg(bench.sensor, reading, 150.0)) <= RESOLUTION_DEG
        for angle_deg in (100.0, 80.0, 60.0, 20.0, 10.0):
            bench.to(angle_deg)
        codes: list[int] = []
        while not codes:
            bench.jig.idle(0.01)
            codes = [r.code for r in read(bench, ASKED_S) if r.code is not None]
        assert codes == [round(10.0 / RESOLUTION_DEG)]


def outside(text: str) -> str:
    text = narrow(text).replace("span_deg = 200.0", 'zero_deg = 20.0\nspan_deg = 90.0\nbelow = "error"\nabove = "high"')
    text = text.replace("shut_deg = 8.0\nopen_deg = 12.0", "shut_deg = 24.0\nopen_deg = 28.0")
    return text.replace('direction = "down"', "").replace("start_deg = 100.0", "start_deg = 60.0")


def test_outside_the_span() -> None:
    """Below it the word says that the track was lost (MagnTek MT6701 data sheet, 7.8.2); above nobody answers."""
    with standing_in(BENCH, vm="cpython", change=outside) as bench:
        bench.to(10.0, 0.05)
        assert {(r.fault, r.part, r.detail["status"]) for r in read(bench)} == {(INTERNAL, None, 8)}
        bench.to(60.0, 0.05)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 60.0)) <= 90.0 / (CODES - 1)
        bench.to(150.0, 0.05)
        assert {r.fault for r in read(bench)} == {SILENT} and bench.wave("1", 0.02).level.tolist() == [1]


def test_levels_instead_of_words(vm: str) -> None:
    with standing_in(BENCH, vm=vm) as bench:
        jig = bench.jig
        for state, level in (("low", 0), ("high", 1), ("released", 1)):  # released: the machine's pull-up
            jig.drive(1, state)
            jig.idle(0.1)
            assert bench.wave("1", 0.02).level.tolist() == [level], state
            readings = read(bench)
            assert {r.fault for r in readings} == ({SILENT} if level else {""})
            assert level or {r.detail["data"] for r in readings} == {"never high"}
        jig.drive(1, "follow")
        bench.to(45.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench, ASKED_S)), 45.0)) <= RESOLUTION_DEG


def scenario(tmp_path: Path, text: str) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(f'[machine]\nmodel = "hazel-14"\n{text}', encoding="utf-8")
    return str(path)


def parameters(change: Callable[[str], str]) -> str:
    """The sensor on the hinge as part of a scenario: what the machine was built for as well."""
    text = change(load_sensor("hinge-s1")[1])
    rows = []
    for row in text.splitlines():
        rows.append(f"[sensor.parameters.{row[1:]}" if row.startswith("[") else row)
    return "[sensor.parameters]\n" + "\n".join(rows) + "\n"


NO_SENSOR = "[jig]\nsensor_fitted = false\n"


def test_lets_go_at_once(vm: str, tmp_path: Path) -> None:
    """Disarmed: the buffer is off, and the machine's pull-up has the line, whatever the machine clocks."""
    with standing_in(scenario(tmp_path, NO_SENSOR), vm=vm) as bench:
        bench.to(30.0)
        assert [bench.link.look()["pins"][n] for n in (3, 5)] == [1, 0]  # the clock's line is never driven
        bench.jig.disarm()
        bench.jig.idle(0.001)
        found = bench.link.look()
        assert found["pins"][2:8] == [0] * 6 and found["B1"] > 3200
        bench.jig.idle(0.02)
        assert bench.wave("1", 0.015).level.tolist() == [1]


def test_comes_back_after_another_route() -> None:
    with standing_in(BENCH, vm="cpython") as bench:
        for route in (Route.OPEN, Route.THROUGH):
            bench.jig.set_route(route)
            bench.jig.idle(0.02)
            assert bench.link.look()["pins"][2:8] == [0] * 6
            bench.jig.set_route(Route.STANDIN)
            bench.to(33.0)
            assert abs(error_deg(bench.sensor, last_good(read(bench, ASKED_S)), 33.0)) <= RESOLUTION_DEG


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_loss_of_supply_trips_while_words_run(vm: str, tmp_path: Path) -> None:
    falling = '[[event]]\nat_s = 3.2\ndo = "set-rail"\nvolts = 0.0\n'
    with standing_in(scenario(tmp_path, falling), vm=vm) as bench:
        bench.jig.move(0.0, 2.0, "linear")
        bench.jig.idle(0.5)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.SUPPLY_LOSS
        assert bench.link.look()["pins"][3] == 0


def test_data_held_low_trips(tmp_path: Path) -> None:
    """Data rests high: a short to ground differs all the time."""
    fault = '[[fault]]\nwhere = "wiring"\nkind = "line-short-ground"\nline = 1\n'
    with standing_in(scenario(tmp_path, fault), vm="cpython") as bench:
        bench.jig.idle(0.1)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.CONTENTION


@pytest.mark.parametrize(
    ("kind", "line"), [("line-short-supply", 2), ("line-short-ground", 2), ("line-open", 2), ("line-open", 1)]
)
def test_a_machine_without_clock_or_data_reads_nothing(kind: str, line: int, tmp_path: Path) -> None:
    """Nothing comes back: data stays high at the machine, which takes the lid for open. The jig stays armed."""
    fault = f'[[fault]]\nwhere = "wiring"\nkind = "{kind}"\nline = {line}\n'
    with standing_in(scenario(tmp_path, fault), vm="cpython") as bench:
        bench.to(2.0, 0.1)
        assert bench.wave("1", 0.03).level.tolist() == [1]
        assert bench.jig.status().lock is Lock.ARMED and not bench.link.look()["shut"]


def test_no_observer_where_select_is() -> None:
    """GP20 is one or the other: refused before anything is sent, and by the board."""
    sensor, machine = load_sensor("hinge-s1")[0], load_machine("hazel-14")[0]
    check_pair(sensor, machine)
    observers = msgspec.structs.replace(machine.observers, observer_1=Digital(signal="SLP_S3#"))
    other = msgspec.structs.replace(machine, observers=observers)
    with pytest.raises(BadInput, match="observer_1"):
        check_pair(sensor, other)
    with standing_in(BENCH, vm="cpython") as bench:
        jig = bench.jig
        jig.disarm()
        jig.load_blob(names.BLOB_WIRING, other.wiring_blob())
        jig.arm()
        with pytest.raises(Refused):
            jig.set_route(Route.STANDIN)
        assert bench.link.look()["pins"][2:6] == [0] * 4


# -- the program alone -------------------------------------------------------------------------------------------------

# Pins of the emulator, which has no mapping of inputs: the clock where the program counts from, select nine further.
CLOCK, SELECT, DATA = 0, 9, 16
PERIOD = 32  # cycles of 125 MHz: 3.9 MHz, near the fastest
MHZ = 125.0


def checked(told: int) -> int:
    """A word, its CRC-6 by the division of MagnTek MT6701, 7.8.2."""
    rest = told << 6
    for shift in range(17, -1, -1):
        if rest >> (shift + 6) & 1:
            rest ^= 0b1000011 << shift
    return told << 6 | rest


class Master:
    """Clock and select as a machine gives them, in cycles."""

    def __init__(self, rest: int) -> None:
        self.t = 200
        self.rest = rest
        self.clock, self.select = [(0, rest)], [(0, 1)]

    def ask(self, *, clocks: int = 24, more: int = 0, gap: int = 300) -> int:
        """One word, clocked so many times; when it was selected."""
        begun = self.t
        self.select.append((self.t, 0))
        self.t += PERIOD
        for _ in range(clocks + more):
            for level in (0, 1) if self.rest else (1, 0):
                self.clock.append((self.t, level))
                self.t += PERIOD // 2
        if self.rest:
            self.clock += [(self.t, 0), (self.t + PERIOD // 2, 1)]
            self.t += PERIOD
        self.select.append((self.t, 1))
        self.t += gap
        return begun

    def level(self, rows: list[tuple[int, int]], cycle: int) -> int:
        return [level for t, level in rows if t <= cycle][-1]

    def read(
        self, monkeypatch: pytest.MonkeyPatch, words: dict[int, int], change: Callable[[str], str]
    ) -> list[Reading]:
        """What the host's decoder reads of the data that the program puts out, taken two cycles late as on the chip."""
        board = board_file("pio_ssi", monkeypatch)
        end = self.t

        def inputs(clock: int) -> int:
            seen = max(clock - 2, 0)
            return self.level(self.clock, seen) << CLOCK | self.level(self.select, seen) << SELECT

        inputs.__annotations__["clock"] = int  # the emulator reads it, and wants no string
        program = board._out_falling if change is rising else board._out_rising
        wave = emulated(
            program, words, end, DATA, 1 << DATA, out_base=DATA, out_count=1, set_base=DATA, set_count=1,
            jmp_pin=SELECT, input_source=inputs,
        )  # fmt: skip
        waves = {
            "data": Wave(wave.t_us / MHZ, wave.level, end / MHZ),
            "clock": _wave(self.clock, end),
            "select": _wave(self.select, end),
        }
        coded = _sensor(change).coded()
        return coded.decode(Seen(SUPPLY_V, waves=waves))


def _sensor(change: Callable[[str], str]) -> Any:
    from lidjig.bench.profiles import parse_sensor

    return parse_sensor(change(load_sensor("hinge-s1")[1]), "changed.toml")


def _wave(rows: list[tuple[int, int]], end: int) -> Wave:
    return Wave(np.array([t / MHZ for t, _ in rows]), np.array([v for _, v in rows], dtype=np.int8), end / MHZ)


def same(text: str) -> str:
    return text


@pytest.mark.parametrize(("change", "rest"), [(same, 0), (same, 1), (rising, 1)])
def test_the_program_in_an_independent_emulator(
    change: Callable[[str], str], rest: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest word when select falls; a new one in the middle waits for the next; none new: the same again. Whether
    the clock rests high or low.
    """
    master, words = Master(rest), {0: checked(5 << 4), 20: checked(0x3FFF << 4), 60: checked(0x1555 << 4 | 3)}
    first = master.ask()
    words[first + 300] = checked(0x2AAA << 4)
    master.ask()
    master.ask()
    readings = master.read(monkeypatch, words, change)
    assert [r.code for r in readings] == [0x1555, 0x2AAA, 0x2AAA]
    assert [r.detail["status"] for r in readings] == [3, 0, 0]


def test_whole_bytes_and_a_word_broken_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """32 clocks are as good as 24. After a word that was broken off one more may be wrong, and its check says so."""
    master, words = Master(0), {0: checked(0x1234 << 4)}
    master.ask(more=8)
    master.ask()
    master.ask(clocks=11)
    for _ in range(3):
        master.ask()
    readings = master.read(monkeypatch, words, same)
    whole = [r for r in readings if r.detail.get("bits") is None]
    assert [r.code for r in whole[:2]] == [0x1234, 0x1234]
    assert [r.fault for r in whole[2:]] == [BAD_CHECK, "", ""] and whole[-1].code == whole[-2].code == 0x1234


# -- the real sensor ---------------------------------------------------------------------------------------------------


def test_the_real_sensor() -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    with standing_in(BENCH, vm="cpython") as bench:
        sleeps_and_wakes(bench)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 110.0)) <= RESOLUTION_DEG


def test_a_dead_sensor_holds_the_machine_and_none_lets_it_start(tmp_path: Path) -> None:
    dead_stays_off_and_none_stays_awake(tmp_path, "hazel-14")
