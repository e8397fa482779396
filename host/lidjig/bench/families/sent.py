"""SENT, SAE J2716: the angle as nibbles, each the time between two falling edges of one line.

A frame is a sync pulse of 56 ticks, a status nibble, the data nibbles, a CRC nibble, and where the frames are to be of
one length a pause pulse. A nibble n lasts 12 + n ticks. The receiver takes the tick from each sync pulse.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.bench.families.base import (
    BAD_CHECK,
    BAD_TIMING,
    INTERNAL,
    STARTING,
    Limits,
    Reading,
    Seen,
    WatchLevels,
    part_of,
)
from lidjig.bench.families.checks import check_no_wrap, check_push_pull, check_update
from lidjig.bench.families.crc import crc4_sent
from lidjig.bench.families.sent_slow import (
    MESSAGES_MAX,
    SlowChannel,
    check_messages,
    describe_messages,
    message_fields,
)
from lidjig.bench.families.waves import Line, clean, in_order, silences
from lidjig.errors import BadInput

SIGNALS = ("out",)

TICK_US = (3.0, 90.0)  # Microchip dsPIC33 data sheets, SENT chapter, architectural overview
SYNC_TICKS = 56  # the same
NIBBLE_TICKS = 12  # a nibble of 0; the same
LONGEST_TICKS = 27  # a nibble of 15
PAUSE_TICKS = (12, 768)  # the same
CLOCK_TOLERANCE = 0.2  # of the sync pulse's nominal length; the same, receive mode timing
SYNC_AGREE = 1.0 / 64.0  # of two syncs in a row; Microchip, receive mode timing; ST SPC572L manual, 49.4.7.2
LOW_TICKS_MIN = 4  # SAE J2716 (value from memory)
# The shortest pulse has 12 ticks, and two of high are left to rise in (common practice, no source).
LOW_TICKS_MAX = 10
# Codes of a 12-bit angle channel: 1..4088 are data. SAE J2716, section 6 (value from memory).
FIRST_RESERVED = 4089
STARTING_CODE, BROKEN_CODE = 0, 4090  # that the board sends; the same section

# At each tick of a real sensor's line: an edge is placed within a quarter of a tick, so that no nibble is mistaken.
LOOKS = 4.0
MESSAGE_WATCH_FRAMES = 36.0  # a message of the slow channel has 16 or 18 frames: of so many one message is whole
WATCHED_MORE = 0.1  # of a frame, beyond SILENT_FRAMES: a watch that ends with the silence would not show it

# Two of the longest frames without a change: the output has stopped (common practice, no source).
SILENT_FRAMES = 2.0

Word = Annotated[int, Meta(ge=0, le=65535)]
FormatName = Literal["H.1", "H.2", "H.3", "H.4", "H.5", "H.6", "H.7"]
# Data nibbles -> channel 1, what else they carry, fault.
Unpack = Callable[[list[int]], tuple[int, dict[str, int], str]]


def _msn_first(nibbles: list[int]) -> int:
    value = 0
    for nibble in nibbles:
        value = value << 4 | nibble
    return value


def _h1(d: list[int]) -> tuple[int, dict[str, int], str]:
    return _msn_first(d[:3]), {"channel_2": _msn_first(d[:2:-1])}, ""


def _h2(d: list[int]) -> tuple[int, dict[str, int], str]:
    return _msn_first(d), {}, ""


def _h3(d: list[int]) -> tuple[int, dict[str, int], str]:
    # Three bits to a nibble: the longer pulses do not exist.
    return d[0] << 9 | d[1] << 6 | d[2] << 3 | d[3], {}, BAD_TIMING if max(d) > 7 else ""


def _h4(d: list[int]) -> tuple[int, dict[str, int], str]:
    return _msn_first(d[:3]), {"counter": _msn_first(d[3:5])}, "" if d[5] == 15 - d[0] else BAD_CHECK


def _h5(d: list[int]) -> tuple[int, dict[str, int], str]:
    return _msn_first(d[:3]), {}, BAD_CHECK if any(d[3:]) else ""


def _h6(d: list[int]) -> tuple[int, dict[str, int], str]:
    # The shared nibble: the upper two bits end channel 1, the lower two channel 2 (value from memory).
    return _msn_first(d[:3]) << 2 | d[3] >> 2, {"channel_2": d[5] << 6 | d[4] << 2 | (d[3] & 3)}, ""


def _h7(d: list[int]) -> tuple[int, dict[str, int], str]:
    return _msn_first(d[:4]), {"channel_2": d[5] << 4 | d[4]}, ""


@dataclass(frozen=True)
class Format:
    """A frame format of SAE J2716, appendix H. nibbles: of data. first: code of channel 1 that begins the span; codes:
    how many from there on. reserved: codes outside that say why there is no angle.
    """

    nibbles: int
    first: int
    codes: int
    reserved: bool
    unpack: Unpack
    says: str


FORMATS: Mapping[str, Format] = {
    "H.1": Format(6, 0, 4096, False, _h1, "two 12-bit channels"),
    "H.2": Format(3, 1, 4088, True, _h2, "one 12-bit channel"),
    "H.3": Format(4, 1, 4088, True, _h3, "high speed, one 12-bit channel"),
    "H.4": Format(6, 1, 4088, True, _h4, "secure sensor: 12 bits, counter, inverted nibble"),
    "H.5": Format(6, 1, 4088, True, _h5, "single sensor: 12 bits and zeros"),
    "H.6": Format(6, 0, 16384, False, _h6, "14 and 10 bits"),
    "H.7": Format(6, 0, 65536, False, _h7, "16 and 8 bits"),
}


class SentEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The [encoding] table of a SENT sensor. frame_ticks: length that a pause pulse brings every frame to, 0 for none.
    status: the status nibble while all is well. low_ticks: how long each pulse is low. serial, messages: what the slow
    channel tells in turn, rows of (id, data) (sent_slow.py).
    """

    tick_us: Annotated[float, Meta(gt=0.0, le=1000.0)]
    format: FormatName
    crc: Literal["recommended", "legacy"] = "recommended"
    frame_ticks: Annotated[int, Meta(ge=0, le=65535)] = 0
    status: Annotated[int, Meta(ge=0, le=15)] = 0
    low_ticks: Annotated[int, Meta(ge=1, le=56)] = 5
    serial: Literal["none", "short", "enhanced"] = "none"
    messages: Annotated[list[tuple[Word, Word]], Meta(max_length=MESSAGES_MAX)] = []

    @property
    def codes(self) -> int:
        """Positions of channel 1: the codes from FORMATS[format].first on."""
        return FORMATS[self.format].codes

    @property
    def first_code(self) -> int:
        """Code of channel 1 at the start of the span."""
        return FORMATS[self.format].first

    @property
    def longest_ticks(self) -> int:
        """Length of the longest frame in ticks, the pause included where there is one."""
        return self.frame_ticks or SYNC_TICKS + LONGEST_TICKS * (FORMATS[self.format].nibbles + 2)

    def check(self, limits: Limits) -> None:
        """What a type cannot say. Raises BadInput."""
        file = limits.file
        low, high = TICK_US
        if not low <= self.tick_us <= high:
            accepted = f"{low:g}..{high:g} us, the ticks that SAE J2716 knows: no receiver locks on to another"
            raise BadInput(file, "encoding.tick_us", self.tick_us, accepted)
        check_messages(self.serial, self.messages, self.status, file)
        self._check_frame_ticks(file)
        if not LOW_TICKS_MIN <= self.low_ticks <= LOW_TICKS_MAX:
            accepted = (
                f"{LOW_TICKS_MIN}..{LOW_TICKS_MAX}: a shorter low is no pulse to a receiver, "
                f"a longer one does not fit in a pulse of {NIBBLE_TICKS} ticks"
            )
            raise BadInput(file, "encoding.low_ticks", self.low_ticks, accepted)
        check_push_pull(limits, "sent")
        check_no_wrap(limits, "sent")
        check_update(limits, 1e6 / (self.tick_us * self.longest_ticks), f"a frame of {self.longest_ticks} ticks")

    def _check_frame_ticks(self, file: str) -> None:
        nibbles = FORMATS[self.format].nibbles + 2
        # The pause must have its least length behind the longest frame and its most behind the shortest one.
        low = SYNC_TICKS + LONGEST_TICKS * nibbles + PAUSE_TICKS[0]
        high = SYNC_TICKS + NIBBLE_TICKS * nibbles + PAUSE_TICKS[1]
        if self.frame_ticks and not low <= self.frame_ticks <= high:
            accepted = f"0 for no pause pulse, or {low}..{high} ticks with format {self.format}"
            raise BadInput(file, "encoding.frame_ticks", self.frame_ticks, accepted)
        # In the pause the board goes through the word once more: a tick for each nibble but the status, and two
        # (device/boards/pio_sent.py).
        least = low + (self.status | 1) + self.low_ticks + nibbles - 26
        if self.messages:
            least = low - PAUSE_TICKS[0] + self.low_ticks + nibbles + 1
        if self.frame_ticks and self.frame_ticks < least:
            accepted = f"at least {least} with status {self.status} and {self.low_ticks} ticks low: the board needs it"
            raise BadInput(file, "encoding.frame_ticks", self.frame_ticks, accepted)

    def decode(self, seen: Seen) -> list[Reading]:
        """A reading for each frame, told at the end of its CRC nibble; BAD_TIMING for pulses that belong to none;
        SILENT where the output stopped, with its level and for how long in us.

        code: channel 1 as sent. Detail of a frame: status, serial_data and serial_start (bits 2 and 3 of the status),
        tick_us as measured, low_ticks (shortest), crc, and channel_2, counter, pause_ticks where there is one; of one
        that completes a message of the slow channel also those of sent_slow.Message.detail. Never raises.
        """
        wave = seen.waves.get(SIGNALS[0])
        if wave is None:
            return []
        line = clean(wave)
        limit_us = SILENT_FRAMES * self.longest_ticks * self.tick_us * (1.0 + CLOCK_TOLERANCE)
        readings = silences(line, limit_us)
        for pulses in _stretches(line, limit_us):
            readings.extend(_Receiver(self, pulses).readings())
        return in_order(readings)

    def ask(self) -> WatchLevels:
        """Two of the longest frames and a bit: one is always whole, whatever pause it has, and what has stopped is told
        as silent.
        """
        frame_us = self.longest_ticks * self.tick_us * (1.0 + CLOCK_TOLERANCE)
        wish = 0.0 if self.serial == "none" else MESSAGE_WATCH_FRAMES
        return WatchLevels(frame_us, SILENT_FRAMES + WATCHED_MORE, self.tick_us / LOOKS, 0.0, wish)

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record. The board sends FORMATS[format].first + position as channel 1."""
        return {
            "tick_ns": round(1e3 * self.tick_us),
            "frame_format": int(self.format[-1]),
            "legacy_crc": int(self.crc == "legacy"),
            "frame_ticks": self.frame_ticks,
            "status": self.status,
            "low_ticks": self.low_ticks,
            **message_fields(self.serial, self.messages),
        }

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        if not FORMATS[self.format].reserved:
            return f"sends code 0 with bit 0 of the status set: format {self.format} reserves no code for errors"
        if starting:
            return f"sends code {STARTING_CODE}, reserved in format {self.format} for a sensor that is not ready"
        return f"sends code {BROKEN_CODE}, reserved in format {self.format} for errors"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        shape = FORMATS[self.format]
        shortest = SYNC_TICKS + NIBBLE_TICKS * (shape.nibbles + 2)
        if self.frame_ticks:
            length = f"{self.frame_ticks} ticks, by a pause pulse ({self.frame_ticks * self.tick_us / 1e3:.3f} ms)"
        else:
            millis = [ticks * self.tick_us / 1e3 for ticks in (shortest, self.longest_ticks)]
            length = f"{shortest}..{self.longest_ticks} ticks ({millis[0]:.3f}..{millis[1]:.3f} ms)"
        return [
            ("output", "SENT (SAE J2716), push-pull"),
            ("tick", f"{self.tick_us:g} us, {self.low_ticks} ticks low in each pulse"),
            ("format", f"{self.format}: {shape.says}, {shape.nibbles} data nibbles"),
            ("frame", length),
            ("check", f"CRC-4, {self.crc}"),
            ("codes", f"{shape.first}..{shape.first + shape.codes - 1}"),
            *describe_messages(self.serial, self.messages),
        ]


@dataclass(frozen=True)
class _Pulses:
    """Falling edge to falling edge without a silence between. fall_us (n + 1,); low_us (n,): how long each was low."""

    fall_us: list[float]
    low_us: list[float]

    def length(self, index: int) -> float:
        return self.fall_us[index + 1] - self.fall_us[index]

    def __len__(self) -> int:
        return len(self.low_us)


def _stretches(line: Line, limit_us: float) -> Iterator[_Pulses]:
    """The pulses between two silences."""
    falls = line.times_of(0).tolist()
    rises = line.times_of(1).tolist()
    if line.level.size and line.level[0] == 1:
        rises = rises[1:]  # levels alternate: from here on, rise i ends the low that fall i began
    begin = 0
    for index in range(len(falls)):
        at_end = index == len(falls) - 1
        low_us = rises[index] - falls[index] if index < len(rises) else 0.0
        if at_end or low_us > limit_us or falls[index + 1] - rises[index] > limit_us:
            lows = [rises[i] - falls[i] for i in range(begin, index)]
            yield _Pulses(falls[begin : index + 1], lows)
            begin = index + 1


class _Receiver:
    """Finds the frames in a stretch of pulses and reads them."""

    def __init__(self, encoding: SentEncoding, pulses: _Pulses) -> None:
        self._encoding = encoding
        self._pulses = pulses
        self._shape = FORMATS[encoding.format]
        self._need = self._shape.nibbles + 3  # sync, status, data, CRC
        self._last_sync: float | None = None
        self._good_sync: float | None = None
        self._slow = SlowChannel(legacy=encoding.crc == "legacy")

    def readings(self) -> list[Reading]:
        found: list[Reading] = []
        index = stray = 0
        while index < len(self._pulses):
            if not self._fits(index):
                index += 1
                continue
            if index > stray:
                self._slow.lose()
            found.extend(self._strays(stray, index))
            pause = self._pause_after(index)
            found.append(self._with_message(self._frame(index, pause)))
            index += self._need + (0 if pause is None else 1)
            stray = index
        found.extend(self._strays(stray, len(self._pulses)))
        return found

    def _with_message(self, frame: Reading) -> Reading:
        """The frame, and what it completes of the slow channel."""
        if frame.code is None:
            self._slow.lose()
            return frame
        message = self._slow.hear(int(frame.detail["status"]))
        return frame if message is None else replace(frame, detail={**frame.detail, **message.detail()})

    def _fits(self, index: int) -> bool:
        """True where a sync within the clock's tolerance is followed by pulses that are all nibbles by its ratio."""
        if index + self._need > len(self._pulses):
            return False
        sync = self._pulses.length(index)
        nominal = SYNC_TICKS * self._encoding.tick_us
        if abs(sync / nominal - 1.0) > CLOCK_TOLERANCE:
            return False
        return all(0 <= self._nibble(index, place) <= 15 for place in range(1, self._need))

    def _nibble(self, sync_index: int, place: int) -> int:
        """n = round(pulse * 56 / sync) - 12."""
        ratio = self._pulses.length(sync_index + place) / self._pulses.length(sync_index)
        return math.floor(ratio * SYNC_TICKS + 0.5) - NIBBLE_TICKS

    def _pause_after(self, index: int) -> float | None:
        """Ticks of the pulse between this frame and the next, None where there is none that could be a pause.

        A pause of 56 ticks looks like a sync, but no frame follows from it: the true sync is no nibble.
        """
        after = index + self._need
        if after >= len(self._pulses) or self._fits(after):
            return None
        ticks = self._pulses.length(after) / self._tick(index)
        if round(ticks) < PAUSE_TICKS[0]:
            return None
        expected = bool(self._encoding.frame_ticks) and round(ticks) <= PAUSE_TICKS[1]
        return ticks if expected or self._fits(after + 1) else None

    def _tick(self, index: int) -> float:
        return self._pulses.length(index) / SYNC_TICKS

    def _strays(self, begin: int, end: int) -> list[Reading]:
        """BAD_TIMING for pulses that belong to no frame. Where a stretch begins or ends, a frame cut off is none."""
        cut = begin == 0 or end == len(self._pulses)
        duration_us = self._pulses.fall_us[end] - self._pulses.fall_us[begin]
        longest_us = self._encoding.longest_ticks * self._encoding.tick_us * (1.0 + CLOCK_TOLERANCE)
        room = self._need + 1 if cut else 0
        if end - begin <= room and duration_us <= SILENT_FRAMES * longest_us:
            return []
        detail = {"pulses": end - begin, "lasted_us": duration_us}
        return [Reading(self._pulses.fall_us[end], None, None, BAD_TIMING, detail)]

    def _sync_agrees(self, sync: float) -> bool:
        """With the one just before or with the last that agreed: a single bad pulse does not put the next in doubt."""
        before = [s for s in (self._last_sync, self._good_sync) if s is not None]
        agrees = not before or any(abs(sync / s - 1.0) <= SYNC_AGREE for s in before)
        self._last_sync = sync
        if agrees:
            self._good_sync = sync
        return agrees

    def _length_wrong(self, index: int, pause: float | None) -> bool:
        """True for a pause that should not be, one that is missing, and a frame that it leaves at another length."""
        wanted = self._encoding.frame_ticks
        after = index + self._need
        if not wanted:
            return pause is not None
        if pause is None:
            return after < len(self._pulses)
        total = (self._pulses.fall_us[after + 1] - self._pulses.fall_us[index]) / self._tick(index)
        return abs(total / wanted - 1.0) > SYNC_AGREE

    def _frame(self, index: int, pause: float | None) -> Reading:
        nibbles = [self._nibble(index, place) for place in range(1, self._need)]
        status, data, check = nibbles[0], nibbles[1:-1], nibbles[-1]
        tick_us = self._tick(index)
        low_ticks = min(self._pulses.low_us[index : index + self._need]) / tick_us
        detail: dict[str, int | float | str] = {
            "status": status,
            "serial_data": status >> 2 & 1,
            "serial_start": status >> 3,
            "tick_us": tick_us,
            "low_ticks": low_ticks,
            "crc": check,
        }
        if pause is not None:
            detail["pause_ticks"] = pause
        end_us = self._pulses.fall_us[index + self._need]
        agrees = self._sync_agrees(self._pulses.length(index))
        # Half a tick of play: the least low time is stated in whole ticks.
        if not agrees or low_ticks < LOW_TICKS_MIN - 0.5 or self._length_wrong(index, pause):
            return Reading(end_us, None, None, BAD_TIMING, detail)
        if check != crc4_sent(data, legacy=self._encoding.crc == "legacy"):
            return Reading(end_us, None, None, BAD_CHECK, detail)
        code, more, fault = self._shape.unpack(data)
        detail.update(more)
        if fault:
            return Reading(end_us, None, None, fault, detail)
        return self._angle(end_us, code, status, detail)

    def _angle(self, end_us: float, code: int, status: int, detail: Mapping[str, int | float | str]) -> Reading:
        shape = self._shape
        if shape.reserved and (code < shape.first or code >= FIRST_RESERVED):
            return Reading(end_us, code, None, STARTING if code < shape.first else INTERNAL, detail)
        # Bit 0 is the error flag of channel 1 in many parts (Melexis MLX90367 data sheet, 14.2.1), but J2716 leaves it
        # to the application (value from memory): a profile whose sensor always sets it has it in its status.
        fault = INTERNAL if status & 1 and not self._encoding.status & 1 else ""
        return Reading(end_us, code, part_of(code - shape.first, shape.codes, wrap=False), fault, detail)
