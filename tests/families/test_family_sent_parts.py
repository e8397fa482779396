"""SENT, in parts: the board's program in an independent emulator, the firmware's words, and the model's sensor."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen
from lidjig.bench.families.base import SILENT, Wave
from lidjig.bench.profiles import load_sensor, parse_sensor
from lidjig.errors import BadInput
from pio_bench import ROOT, VM, board_file, emulated
from sent_ways import SYNC_TICKS, TICK_US, WAYS, speaking


def frame_ticks(nibbles: list[int]) -> int:
    """Ticks of a frame without a pause; nibbles: status, data, check."""
    return SYNC_TICKS + sum(12 + nibble for nibble in nibbles)


# Data nibbles and CRC-4, recommended form. 748748: the example of SAE J2716, quoted in an open-source decoder; the
# others: sample frames in the comments of sent-CRC-calculator.c (jagumiel, 2021).
PUBLISHED = [(0x748748, 0x3), (0x478347, 0xD), (0x477345, 0xC), (0x479345, 0xE), (0x478345, 0xA)]


def emulator_profile(**more: int) -> Any:
    text = load_sensor("hinge-t1")[1]
    return parse_sensor(speaking("H.1", TICK_US, **more)(text), "changed.toml").coded()


@pytest.mark.parametrize(("length", "low_ticks", "status"), [(0, 5, 0), (0, 10, 13), (284, 4, 2), (920, 6, 14)])
def test_the_program_in_an_independent_emulator(
    monkeypatch: pytest.MonkeyPatch, length: int, low_ticks: int, status: int
) -> None:
    """Published frames, nibble by nibble, and their lengths by the published rule (56, then 12 + n for each). Three
    cycles of the state machine are a tick of 3 us: a cycle is a us.
    """
    board = board_file("pio_sent", monkeypatch)
    program = board.make(low_ticks, status, 7, length, 0)
    assert len(program[0]) <= 32
    coded = emulator_profile(frame_ticks=length, low_ticks=low_ticks, status=status)
    for data, check in PUBLISHED:
        word = (status & 1) << 28 | data << 4 | check
        nibbles = [status, *(data >> 4 * k & 15 for k in range(5, -1, -1)), check]
        whole = length or frame_ticks(nibbles)
        wave = emulated(program, {0: word}, 3 * 5 * whole, 0, set_base=0, set_count=1)
        readings = coded.decode(Seen(SUPPLY_V, waves={"out": wave}))
        assert len(readings) >= 3 and not [r.fault for r in readings if r.fault]
        assert {r.code for r in readings} == {data >> 12}
        assert {r.detail["status"] for r in readings} == {status} and {r.detail["crc"] for r in readings} == {check}
        falls = wave.t_us[1:][wave.level[1:] == 0]
        pulses = np.diff(np.concatenate(([0.0], falls))) / 3
        wanted = [SYNC_TICKS, *(12 + nibble for nibble in nibbles)]
        if length:
            wanted.append(length - frame_ticks(nibbles))
        assert pulses[1 : 2 * len(wanted)].tolist() == (2 * wanted)[1:]
        rises = wave.t_us[1:][wave.level[1:] == 1]
        assert set((rises[1:10] - falls[:9]).tolist()) == {3.0 * low_ticks}


def test_a_word_in_mid_frame_waits_for_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """And where none waits, the frame is sent again."""
    board = board_file("pio_sent", monkeypatch)
    coded = emulator_profile()
    first, second = (data << 4 | check for data, check in PUBLISHED[:2])
    wave = emulated(board.make(5, 0, 7, 0, 0), {0: first, 1300: second}, 4000, 0, set_base=0, set_count=1)
    readings = coded.decode(Seen(SUPPLY_V, waves={"out": wave}))
    assert [r.code for r in readings][:5] == [0x748, 0x748, 0x478, 0x478, 0x478]
    assert not [r.fault for r in readings if r.fault]


def test_every_length_of_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every frame length that a profile may ask for: the program fits, and its clocks come out. What a profile may not
    ask for is refused by the host by the same bound as by the board.
    """
    board = board_file("pio_sent", monkeypatch)
    for nibbles in (4, 5, 7):
        for low_ticks in (4, 5, 10):
            for status in (0, 7, 15):
                least = max(95 + 27 * nibbles, 70 + (status | 1) + 28 * nibbles + low_ticks)
                assert board.pause_clocks(low_ticks, status, nibbles, least) >= 1
                for length in range(least, SYNC_TICKS + 12 * (nibbles + 1) + 768 + 1):
                    clocks = board.pause_clocks(low_ticks, status, nibbles, length)
                    first, rows = board._waits(clocks)
                    assert clocks == 1 + first + sum(1 + delay + 32 * turns for delay, turns, _name in rows)
                    assert 0 <= first <= 31 and all(0 <= d <= 31 and 1 <= t <= 32 for d, t, _name in rows)
                assert len(board.make(low_ticks, status, nibbles, length, 1)[0]) <= 32


@pytest.mark.parametrize("change", WAYS.values(), ids=WAYS)
def test_the_model_sensor_by_the_decoder(monkeypatch: pytest.MonkeyPatch, change: Callable[[str], str]) -> None:
    """What the simulated sensor sends and the simulated machine hears, in every format; the two were written apart."""
    monkeypatch.syspath_prepend(str(VM))
    import format_sent

    coded: Any = parse_sensor(change(load_sensor("hinge-t1")[1]), "changed.toml").coded()
    form = format_sent.Format({**coded.board_fields(), "codes": coded.codes})
    for code in (0, 1, 1234, coded.codes // 3, coded.codes - 1):
        begin = code * 125 * 1000
        form.restart(begin)
        edges = form.frames(lambda _t, code=code: code, begin, begin + 4 * form.longest)
        assert form.hear(edges) == code
        times = np.array([begin / 125 - 1e4, *(t / 125 for t, _level in edges)])
        levels = np.array([1, *(level for _t, level in edges)], dtype=np.int8)
        readings = coded.decode(Seen(SUPPLY_V, waves={"out": Wave(times, levels, float(times[-1]))}))
        first = 1 if coded.format in ("H.2", "H.3", "H.4", "H.5") else 0
        good = [reading for reading in readings if reading.fault != SILENT]
        assert len(good) >= 3 and {(reading.fault, reading.code) for reading in good} == {("", code + first)}


def test_a_pause_that_the_board_cannot_make_is_refused() -> None:
    text = load_sensor("hinge-t1")[1]
    with pytest.raises(BadInput, match="frame_ticks"):
        parse_sensor(speaking("H.1", frame_ticks=285, status=15, low_ticks=10)(text), "changed.toml")
    parse_sensor(speaking("H.1", frame_ticks=291, status=15, low_ticks=10)(text), "changed.toml")


class Machine:
    """A state machine that only takes words."""

    def __init__(self, _number: int) -> None:
        self.words: list[int] = []

    def tx_fifo(self) -> int:
        return 0

    def put(self, word: int) -> None:
        self.words.append(word)

    def init(self, *_program: object, **_options: object) -> None:
        pass

    irq = restart = active = exec = init


@pytest.fixture
def output(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """output(frame_format=1, ...): the firmware's own, standing in, on a board that is not there."""
    files = board_file("pio_sent", monkeypatch)
    files.__dict__["StateMachine"] = Machine
    monkeypatch.setitem(sys.modules["rp2"].__dict__, "PIO", lambda _number: types.SimpleNamespace(remove_program=int))
    boards = types.ModuleType("boards")
    boards.__dict__["Board"] = object
    monkeypatch.setitem(sys.modules, "boards", boards)
    monkeypatch.setitem(sys.modules, "boards.pio_sent", files)
    for name in [name for name in sys.modules if name.split(".")[0] == "firmware"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.syspath_prepend(str(ROOT / "device"))
    import firmware.families.sent as family

    def make(**values: int) -> Any:
        def pin() -> int:
            return 1

        board = types.SimpleNamespace(drive_data=(pin, pin), drive_enable=(pin, pin))
        least = {"tick_ns": 3000, "frame_ticks": 0, "low_ticks": 5, "status": 0, "serial": 0}
        made = family.Output(board, {**least, **values})
        made.ready()
        return made

    return make


@pytest.mark.parametrize("legacy", [0, 1])
@pytest.mark.parametrize("form", range(1, 8))
def test_every_word(monkeypatch: pytest.MonkeyPatch, output: Callable[..., Any], form: int, legacy: int) -> None:
    """Each code as the model's sensor sends it, and no word of 2**30 or more: that would be no small integer."""
    monkeypatch.syspath_prepend(str(VM))
    import format_sent

    made = output(frame_format=form, legacy_crc=legacy, status=1)
    frames, machine = made._frames, made._frames._machine
    codes = {6: 16384, 7: 65536}.get(form, 4096 if form == 1 else 4088)
    first = 1 if form in (2, 3, 4, 5) else 0
    for code in [*range(0, codes, max(1, codes // 4088)), codes - 1]:
        machine.words.clear()
        made.put(code)
        if form == 4 and frames.running:
            frames._handle(machine)
        number = frames._number if form == 4 else 0
        data = format_sent.nibbles_of(form, code + first, number)
        nibbles = [1, *data, format_sent.remainder(data, legacy)]
        wanted = 0
        for nibble in nibbles:
            wanted = wanted << 4 | nibble
        assert machine.words[-1] == wanted < 1 << 30, (code, number)


def test_numbers_of_frames_go_round(output: Callable[..., Any]) -> None:
    """Two words wait at most, and after 255 comes 0."""
    made = output(frame_format=4, legacy_crc=0)
    made.put(0)
    machine = made._frames._machine
    for _ in range(600):
        made._frames._handle(machine)
    numbers = [word >> 8 & 255 for word in machine.words]
    assert len(numbers) == 1201 and all((b - a) & 255 == 1 for a, b in zip(numbers[:-1], numbers[1:], strict=True))
