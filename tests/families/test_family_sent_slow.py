"""The slow channel of SENT: messages told by bits 2 and 3 of the status nibble, from the profile to the decoder."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen, Standing, error_deg, last_good, standing_in
from lidjig.bench.families.base import BAD_CHECK, INTERNAL, Reading, Wave
from lidjig.bench.families.crc import crc4_sent, crc6_sent
from lidjig.bench.families.sent import FORMATS
from lidjig.bench.profiles import load_sensor, parse_sensor
from lidjig.errors import BadInput
from pio_bench import ROOT, board_file, emulated
from sent_ways import SYNC_TICKS, TICK_US, speaking

BENCH = "healthy-fir-14"

# CRC-6 of an enhanced serial message, as the table of an open-source receiver (ScanaStudio-Decoders, SENT.js) has it:
# seed 21, six bits at a time, six bits of 0 at the end. Its first eight entries stand in other open-source code too.
CRC6 = [
    0, 25, 50, 43, 61, 36, 15, 22, 35, 58, 17, 8, 30, 7, 44, 53, 31, 6, 45, 52, 34, 59, 16, 9, 60, 37, 14, 23, 1, 24,
    51, 42, 62, 39, 12, 21, 3, 26, 49, 40, 29, 4, 47, 54, 32, 57, 18, 11, 33, 56, 19, 10, 28, 5, 46, 55, 2, 27, 48, 41,
    63, 38, 13, 20,
]  # fmt: skip
CRC4 = [0, 13, 7, 10, 14, 3, 9, 4, 1, 12, 6, 11, 15, 2, 8, 5]  # J2716, the same and other open-source decoders


def bits(text: str) -> list[int]:
    return [int(bit) for bit in text.replace(" ", "")]


def six(woven: Sequence[int]) -> int:
    check = 21
    for at in range(0, len(woven), 6):
        check = CRC6[check] ^ int("".join(map(str, woven[at : at + 6])), 2)
    return CRC6[check]


def enhanced(above: str, data: str) -> list[int]:
    """Status nibbles of 18 frames. above: bits 3 of frames 7 to 18, data: their bits 2, both as they are drawn in the
    standard; start and check by the rules (TI SPRUJ79, SENT chapter: bits 3 begin with 1111110).
    """
    three, two = bits(above), bits(data)
    check = six([bit for pair in zip(two, three, strict=True) for bit in pair])
    two = [*bits(f"{check:06b}"), *two]
    return [8 * a + 4 * b for a, b in zip([1] * 6 + three, two, strict=True)]


# Frame 7: 0; 8: configuration; 9 to 12: upper half of the id; 13: 0; 14 to 17: lower half; 18: 0.
MESSAGE_5A = enhanced("0 0 0101 0 1010 0", "0011 1100 0111")  # id 0x5A, 12 bits of data: 0x3C7
MESSAGE_03 = enhanced("0 0 0000 0 0011 0", "0110 0000 0001")  # id 0x03: 0x601
WIDE_9 = enhanced("0 1 1001 0 1111 0", "0000 1010 0101")  # 16 bits: id 9, data 0xF0A5


def short(number: int, data: int, legacy: bool = False) -> list[int]:
    """Status nibbles of 16 frames (TI SPRUJ79, SENT chapter): id, data, check in bits 2, bit 3 in the first alone."""
    check = 5
    for nibble in (number, data >> 4, data & 15):
        check = CRC4[check] ^ nibble
    check = check if legacy else CRC4[check]
    return [8 * (place == 0) + 4 * bit for place, bit in enumerate(bits(f"{number:04b}{data:08b}{check:04b}"))]


def test_checks() -> None:
    rng = np.random.default_rng(7)
    for _ in range(200):
        woven = rng.integers(0, 2, 24).tolist()
        assert crc6_sent(int("".join(map(str, woven)), 2)) == six(woven)
    assert CRC6[:8] == [crc6_of(value) for value in range(8)]


def crc6_of(value: int) -> int:
    """Remainder of value x^6 divided by x^6 + x^4 + x^3 + 1 (0x59), on paper."""
    number = value << 6
    for place in range(11, 5, -1):
        if number >> place & 1:
            number ^= 0x59 << place - 6
    return number


def wave(frames: Sequence[Sequence[int]]) -> Wave:
    """Frames, each the nibbles behind its sync, as ticks of 3 us; nothing of the firmware or the model."""
    falls, at = [], 100.0
    for nibbles in frames:
        for ticks in (SYNC_TICKS, *(12 + nibble for nibble in nibbles)):
            falls.append(at)
            at += 3.0 * ticks
    falls.append(at)
    times = [0.0, *(t for fall in falls for t in (fall, fall + 15.0))]
    levels = [1, *([0, 1] * len(falls))]
    return Wave(np.array(times), np.array(levels, dtype=np.int8), times[-1] + 10.0)


def spoken(statuses: Sequence[int], crc: str = "recommended") -> list[Reading]:
    """What the decoder makes of H.2 frames with these status nibbles."""
    coded: Any = parse_sensor(speaking("H.2", crc=crc)(load_sensor("hinge-t1")[1]), "changed.toml").coded()
    data = [1, 2, 3]
    check = crc4_sent(data, legacy=crc == "legacy")
    return list(coded.decode(Seen(SUPPLY_V, waves={"out": wave([[status, *data, check] for status in statuses])})))


def messages(readings: Sequence[Reading]) -> list[tuple[Any, ...]]:
    found = [reading.detail for reading in readings if "message" in reading.detail]
    return [(d["message"], d.get("message_id"), d.get("message_data"), d.get("message_fault", "")) for d in found]


def test_a_message_by_hand() -> None:
    assert messages(spoken([0, 0, *MESSAGE_5A, *MESSAGE_03, 0])) == [
        ("enhanced", 0x5A, 0x3C7, ""), ("enhanced", 0x03, 0x601, ""),
    ]  # fmt: skip
    assert messages(spoken([*WIDE_9, 0])) == [("enhanced 16-bit", 9, 0xF0A5, "")]
    assert messages(spoken([*MESSAGE_5A[1:], 0, 0])) == []


@pytest.mark.parametrize("crc", ["recommended", "legacy"])
def test_a_short_message_by_hand(crc: str) -> None:
    legacy = crc == "legacy"
    statuses = [*short(0xB, 0xC4, legacy), *short(0, 0, legacy), 0]
    assert messages(spoken(statuses, crc)) == [("short", 0xB, 0xC4, ""), ("short", 0, 0, "")]
    other = [*short(0xB, 0xC4, not legacy), 0]
    assert messages(spoken(other, crc)) == [("short", None, None, BAD_CHECK)]


@pytest.mark.parametrize("place", range(18))
def test_any_bit_that_is_wrong_is_found(place: int) -> None:
    """A wrong bit 2 fails the check; a wrong bit 3 does too, or the message is none any more."""
    for flipped in (4, 8):
        statuses = list(MESSAGE_5A)
        statuses[place] ^= flipped
        found = messages(spoken([*statuses, 0]))
        assert found in ([], [("enhanced", None, None, BAD_CHECK)], [("enhanced 16-bit", None, None, BAD_CHECK)])
        assert found or flipped == 8


def test_a_frame_that_is_bad_completes_nothing() -> None:
    data, good = [1, 2, 3], crc4_sent([1, 2, 3], legacy=False)
    for bad in range(18):
        frames = [[status, *data, good ^ (1 if n == bad else 0)] for n, status in enumerate(MESSAGE_5A)]
        coded: Any = parse_sensor(load_sensor("hinge-t1")[1], "changed.toml").coded()
        readings = coded.decode(Seen(SUPPLY_V, waves={"out": wave([*frames, [0, *data, good]])}))
        assert messages(readings) == [] and BAD_CHECK in {reading.fault for reading in readings}


# -- the firmware


def folded(at: int = 16, status: int = 0, legacy: bool = False, **values: int) -> list[int]:
    """Status nibbles of all frames, as the firmware folds them. at: their place in a word."""
    file = ROOT / "device" / "firmware" / "families" / "sent_messages.py"
    spec = importlib.util.spec_from_file_location("sent_messages", file)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    table = bytes(CRC4) + (bytes(range(16)) if legacy else bytes(CRC4))
    words = module.fold({"status": status, **values}, table, at)
    assert all(-(1 << 31) <= word < 1 << 31 for word in words)
    return [word >> at & 15 for word in words]


@pytest.mark.parametrize("at", [16, 20, 28])
def test_messages_as_the_firmware_folds_them(at: int) -> None:
    two = {"serial": 2, "messages": 2, "id_1": 0x5A, "data_1": 0x3C7, "id_2": 3, "data_2": 0x601}
    assert folded(at, **two) == [*MESSAGE_5A, *MESSAGE_03]
    assert folded(at, status=3, **two) == [status | 2 for status in (*MESSAGE_5A, *MESSAGE_03)]  # bit 0 is the code's
    for legacy in (False, True):
        one = {"serial": 1, "messages": 1, "id_1": 0xB, "data_1": 0xC4}
        assert folded(at, legacy=legacy, **one) == short(0xB, 0xC4, legacy)


@pytest.mark.parametrize("length", [0, 322, 600, 920])
@pytest.mark.parametrize("status", [0, 4, 11, 15])
def test_the_program_in_an_independent_emulator(monkeypatch: pytest.MonkeyPatch, length: int, status: int) -> None:
    """A whole status nibble in each word: pulses of 12 + n ticks, frames of the length asked for. A cycle is a us."""
    board = board_file("pio_sent", monkeypatch)
    program = board.make(5, 0, 7, length, 0, 1)
    assert len(program[0]) <= 32
    data, check = 0x748748, 0x3  # J2716's example, quoted in an open-source decoder
    word = status << 28 | data << 4 | check
    nibbles = [status, *(data >> 4 * k & 15 for k in range(5, -1, -1)), check]
    plain = SYNC_TICKS + sum(12 + nibble for nibble in nibbles)
    found = emulated(program, {0: word}, 3 * 4 * (length or plain), 0, set_base=0, set_count=1)
    falls = found.t_us[1:][found.level[1:] == 0]
    pulses = np.diff(np.concatenate(([0.0], falls))) / 3
    wanted = [SYNC_TICKS, *(12 + nibble for nibble in nibbles), *([length - plain] if length else [])]
    assert pulses[1 : 2 * len(wanted)].tolist() == (2 * wanted)[1:]


def test_every_length_of_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """The program fits whatever pause a profile may ask for, and host and board have the same bound."""
    board = board_file("pio_sent", monkeypatch)
    text = load_sensor("hinge-t1")[1]
    for form in ("H.2", "H.3", "H.1", "H.4"):
        nibbles = FORMATS[form].nibbles + 1
        for low_ticks in (4, 10):
            least = max(SYNC_TICKS + 27 * (nibbles + 1) + 12, SYNC_TICKS + 28 * (nibbles + 1) + low_ticks + 1)
            assert board.pause_clocks(low_ticks, 0, nibbles, least, 1) >= 1
            for length in (least, least + 200, SYNC_TICKS + 12 * (nibbles + 1) + 768):
                assert len(board.make(low_ticks, 0, nibbles, length, 1, 1)[0]) <= 32
            more = {"serial": "short", "low_ticks": low_ticks}
            parse_sensor(told(form, [[1, 2]], frame_ticks=least, **more)(text), "changed.toml")
            with pytest.raises(BadInput, match="frame_ticks"):
                parse_sensor(told(form, [[1, 2]], frame_ticks=least - 1, **more)(text), "changed.toml")


# -- whole


def told(form: str, rows: list[list[int]], **more: object) -> Callable[[str], str]:
    change = speaking(form, TICK_US, **more)
    return lambda text: change(text).replace("\n\n[transfer]", f"\nmessages = {rows}\n\n[transfer]")


def read(bench: Standing, seconds: float = 0.004) -> list[Reading]:
    return bench.sensor.coded().decode(Seen(SUPPLY_V, waves={"out": bench.wave("1", seconds)}))


WAYS = {
    "H.2, short": told("H.2", [[11, 196]], serial="short", status=2),
    "H.1, enhanced, pause": told("H.1", [[90, 967], [3, 1537]], serial="enhanced", frame_ticks=400, status=1),
    "H.4, enhanced, legacy": told("H.4", [[255, 4095], [0, 0]], serial="enhanced", crc="legacy"),
    "H.7, short, pause": told("H.7", [[1, 2], [3, 4], [15, 255], [0, 0]], serial="short", frame_ticks=330),
}


@pytest.mark.parametrize("change", WAYS.values(), ids=WAYS)
def test_messages_of_the_board(vm: str, change: Callable[[str], str]) -> None:
    """All of them in turn, each whole, while the angle changes and after a level; every frame is right."""
    with standing_in(BENCH, vm=vm, change=change) as bench:
        coded: Any = bench.sensor.coded()
        frames = 16 if coded.serial == "short" else 18
        frame_s = 1e-6 * coded.tick_us * coded.longest_ticks
        seconds = (len(coded.messages) + 1) * frames * frame_s
        parts = max(1, round(seconds / 0.01))
        for angle_deg in (60.0, 120.0):
            bench.jig.move(angle_deg, seconds, "linear")
            bench.jig.idle(seconds + 0.02)
            bench.to(angle_deg)
            assert abs(error_deg(bench.sensor, last_good(read(bench)), angle_deg)) <= 360.0 / 4087
            bench.jig.drive(1, "low")
            bench.jig.idle(0.01)
            bench.jig.drive(1, "follow")
            bench.jig.move(angle_deg + 20.0, 0.03, "linear")
            bench.jig.idle(seconds + 0.02)
            readings = read(bench, seconds)
            assert not [reading for reading in readings if reading.code is None], parts
            found = messages(readings)
            name = coded.serial
            wanted = [(name, number, data, "") for number, data in coded.messages]
            assert len(found) >= len(wanted) and not set(found) - set(wanted)
            first = wanted.index(found[0])
            assert found == [wanted[(first + k) % len(wanted)] for k in range(len(found))]
            if "counter" in readings[0].detail:
                counts = [int(reading.detail["counter"]) for reading in readings]
                assert all((b - a) & 255 == 1 for a, b in zip(counts[:-1], counts[1:], strict=True))


def test_an_error_has_its_bit_beside_the_messages() -> None:
    """Bit 0 of the status of a format without reserved codes, in every frame; the messages go on."""
    change = told("H.1", [[90, 967]], serial="enhanced")
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        bench.to(60.0)
        bench.jig.drive(1, "error")
        bench.jig.idle(0.05)
        readings = read(bench, 0.033)
        assert {reading.fault for reading in readings} == {INTERNAL}
        assert {int(reading.detail["status"]) & 3 for reading in readings} == {1}
        assert set(messages(readings)) == {("enhanced", 90, 967, "")}


def test_the_shipped_sensor_of_format_h4() -> None:
    sensor, text = load_sensor("hinge-t2")
    coded: Any = sensor.coded()
    assert coded.format == "H.4" and coded.serial == "enhanced" and "H.4" in text
    rows = dict(coded.describe())
    assert rows["slow channel"] == "enhanced messages, id 3 = 1537, id 35 = 2980; all of them in 36 frames"
    with standing_in(BENCH, vm="cpython", change=lambda _text: text) as bench:
        bench.to(75.0)
        readings = read(bench, 0.053)
        assert abs(error_deg(sensor, last_good(readings), 75.0)) <= 360.0 / 4087
        assert set(messages(readings)) == {("enhanced", 3, 1537, ""), ("enhanced", 35, 2980, "")}


MISTAKES = [
    (told("H.2", [[16, 1]], serial="short"), "encoding.messages[0]", "id 0..15"),
    (told("H.2", [[1, 256]], serial="short"), "encoding.messages[0]", "data 0..255"),
    (told("H.2", [[1, 2], [256, 1]], serial="enhanced"), "encoding.messages[1]", "id 0..255"),
    (told("H.2", [[1, 4096]], serial="enhanced"), "encoding.messages[0]", "data 0..4095"),
    (told("H.2", [], serial="enhanced"), "encoding.messages", "1 to 4 rows"),
    (told("H.2", [[1, 2]]), "encoding.messages", "encoding.serial"),
    (told("H.2", [[1, 2]], serial="short", status=4), "encoding.status", "0..3 with messages"),
    (told("H.2", [[1, 2]] * 5, serial="short"), "encoding.messages", "at most 4"),
]


@pytest.mark.parametrize(("change", "key", "accepted"), MISTAKES, ids=lambda v: str(v)[:24])
def test_messages_that_cannot_be_told_are_refused(change: Callable[[str], str], key: str, accepted: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_sensor(change(load_sensor("hinge-t1")[1]), "changed.toml")
    assert refused.value.key == key and accepted in refused.value.accepted, refused.value
