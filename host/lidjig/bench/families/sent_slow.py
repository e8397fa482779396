"""The slow channel of SENT (SAE J2716): messages told a bit or two a frame, in bits 3 and 2 of the status nibble.

Short: 16 frames, bit 3 is 1 in the first alone; bit 2 has 4 bits of id, 8 of data and a CRC-4, highest first. Enhanced:
18 frames; bit 3 has 111111 0, the configuration bit, four bits, 0, four bits, 0; bit 2 has a CRC-6, then 12 bits of
data. With configuration 0 the two times four bits are an 8-bit id; with 1 the first four are the id, and the others the
upper bits of 16-bit data. (TI SPRUJ79, SENT chapter, and two open-source receivers: ScanaStudio-Decoders, SENT.js, and
alexv, sent.cpp; the CRC-6 runs over bits 2 and 3 of frames 7 to 18 in turn, by the first of them.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.bench.families.base import BAD_CHECK
from lidjig.bench.families.crc import crc4_sent, crc6_sent
from lidjig.errors import BadInput
from shared_proto import family_blobs

SHORT, ENHANCED = "short", "enhanced"
SHORT_FRAMES, ENHANCED_FRAMES = 16, 18
MESSAGES_MAX = family_blobs.MESSAGES_MAX
ID_MAX = {SHORT: 15, ENHANCED: 255}
DATA_MAX = {SHORT: 255, ENHANCED: 4095}

# Bits 3 of an enhanced message, the last frame's lowest: those that are always the same, and what they are.
_ALWAYS = 0b111111_1_0_0000_1_0000_1
_START = 0b111111_0_0_0000_0_0000_0
_WIDE = 1 << 10  # configuration bit: 16 bits of data


@dataclass(frozen=True)
class Message:
    """A message that is complete. form: "short", "enhanced" or "enhanced 16-bit"; fault: BAD_CHECK, or ""."""

    form: str
    number: int
    data: int
    fault: str

    def detail(self) -> dict[str, int | float | str]:
        """For the frame that completed it."""
        found: dict[str, int | float | str] = {"message": self.form}
        if self.fault:
            return {**found, "message_fault": self.fault}
        return {**found, "message_id": self.number, "message_data": self.data}


class SlowChannel:
    """Listens to one frame after another."""

    def __init__(self, *, legacy: bool) -> None:
        self._legacy = legacy
        self._three: list[int] = []  # bits 3 of the frames heard, the newest last
        self._two: list[int] = []

    def lose(self) -> None:
        """A frame was not heard: what came before it completes nothing."""
        self._three.clear()
        self._two.clear()

    def hear(self, status: int) -> Message | None:
        """The message that this frame completes, if it does."""
        self._three = [*self._three, status >> 3 & 1][-ENHANCED_FRAMES:]
        self._two = [*self._two, status >> 2 & 1][-ENHANCED_FRAMES:]
        if len(self._three) == ENHANCED_FRAMES and _number(self._three) & _ALWAYS == _START:
            return _enhanced(_number(self._three), _number(self._two))
        if self._three[-SHORT_FRAMES:] == [1] + [0] * (SHORT_FRAMES - 1):
            return self._short(_number(self._two[-SHORT_FRAMES:]))
        return None

    def _short(self, bits: int) -> Message:
        number, data, check = bits >> 12, bits >> 4 & 0xFF, bits & 15
        good = check == crc4_sent([number, data >> 4, data & 15], legacy=self._legacy)
        return Message(SHORT, number, data, "" if good else BAD_CHECK)


def _number(bits: Sequence[int]) -> int:
    value = 0
    for bit in bits:
        value = value << 1 | bit
    return value


def _enhanced(three: int, two: int) -> Message:
    woven = 0
    for place in range(11, -1, -1):
        woven = woven << 2 | (two >> place & 1) << 1 | (three >> place & 1)
    fault = "" if two >> 12 == crc6_sent(woven) else BAD_CHECK
    first, second, data = three >> 6 & 15, three >> 1 & 15, two & 0xFFF
    if three & _WIDE:
        return Message(f"{ENHANCED} 16-bit", first, second << 12 | data, fault)
    return Message(ENHANCED, first << 4 | second, data, fault)


Rows = Sequence[tuple[int, int]]


def check_messages(serial: str, rows: Rows, status: int, file: str) -> None:
    """Refuses messages that their form has no room for, and a status nibble that uses their bits."""
    if serial not in ID_MAX:
        if rows:
            accepted = f"none, or encoding.serial = {SHORT!r} or {ENHANCED!r} for the form that they are told in"
            raise BadInput(file, "encoding.messages", list(rows), accepted)
        return
    if not rows:
        accepted = f"1 to {MESSAGES_MAX} rows [id, data] (the key is missing): encoding.serial is {serial!r}"
        raise BadInput(file, "encoding.messages", None, accepted)
    for index, row in enumerate(rows):
        for place, (what, most) in enumerate((("id", ID_MAX[serial]), ("data", DATA_MAX[serial]))):
            if row[place] > most:
                accepted = f"{what} 0..{most} where encoding.serial is {serial!r}"
                raise BadInput(file, f"encoding.messages[{index}]", row[place], accepted)
    if status & 12:
        accepted = "0..3 with messages: bits 2 and 3 of the status nibble tell them"
        raise BadInput(file, "encoding.status", status, accepted)


def message_fields(serial: str, rows: Rows) -> dict[str, int]:
    """Fields of the board's record."""
    found = {"serial": family_blobs.SERIAL.index(serial), "messages": len(rows)}
    for k in range(1, MESSAGES_MAX + 1):
        found[f"id_{k}"], found[f"data_{k}"] = rows[k - 1] if k <= len(rows) else (0, 0)
    return found


def describe_messages(serial: str, rows: Rows) -> list[tuple[str, str]]:
    """(what, value), for a technician."""
    if not rows:
        return []
    frames = len(rows) * (SHORT_FRAMES if serial == SHORT else ENHANCED_FRAMES)
    told = ", ".join(f"id {number} = {data}" for number, data in rows)
    return [("slow channel", f"{serial} messages, {told}; all of them in {frames} frames")]
