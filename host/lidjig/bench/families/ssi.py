"""SSI: the machine clocks a word of 24 bits out of the sensor, highest bit first.

The word is that of the MagnTek MT6701 (data sheet, 7.8.2): 14 bits of angle over a full turn, four of status, a CRC-6
over the eighteen. The sensor puts each bit out at one edge of the clock and the receiver takes it at the other.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
import numpy as np
from msgspec import Meta

from lidjig.bench.families.base import (
    BAD_CHECK,
    BAD_TIMING,
    INTERNAL,
    SILENT,
    STRONG,
    WEAK,
    ClockWord,
    Floats,
    Limits,
    Reading,
    Seen,
    Word,
    part_of,
)
from lidjig.bench.families.checks import check_push_pull, check_update
from lidjig.bench.families.crc import crc6_ssi
from lidjig.bench.families.waves import Line, clean
from lidjig.errors import BadInput

# In order of the lines: data out on line 1, the machine's clock on line 2. Select need not be watched; low for a word.
SIGNALS = ("data", "clock", "select")

BITS = 24
ANGLE_BITS = 14
# A receiver that reads whole bytes takes up to eight bits more than the word (common practice, no source).
BITS_MAX = 32
# Clocks of a word where the clock rests high: the first falling edge comes before the first bit.
CLOCKS = BITS + 1

# The board's bit is out 48 ns at most after the edge of the clock at its pin (device/boards/pio_ssi.py: at 125 MHz two
# cycles of the input, one to see it, one to put out, one of the output, and less than one until the next begins);
# translator, buffer and 220 ohm into 100 pF take some 40 ns more (computed). Half a period of 125 ns leaves the machine
# the rest to set up.
BOARD_CLOCK_MAX_HZ = 4_000_000

BOARD_HALF_MIN_US = 2  # of the clock where the board reads a real sensor (shared_proto/messages.py, word)

# Status, MagnTek MT6701 data sheet, 7.8.2: bit 3 track lost, bit 2 push button, bits 1 and 0 the field. Which value of
# the field is strong and which weak: the same, in third-party drivers.
TRACK_LOST = 0b1000
PUSHED = 0b0100
FIELD = 0b0011
FIELD_FAULTS = ("", STRONG, WEAK, INTERNAL)


class SsiEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The [encoding] table of an SSI sensor. clock_max_hz: fastest clock it follows. sample_edge: at which edge of the
    clock the receiver takes a bit; the sensor puts it out at the other. pause_us: rest of the clock that ends a word.
    status: the four bits that the stand-in sends. wrap: true, a full turn.
    """

    clock_max_hz: Annotated[int, Meta(ge=1000, le=15_625_000)] = 1_000_000
    # MagnTek MT6701 data sheet, 7.8.2: bits come out at the rising edge, so drivers read at the falling one.
    sample_edge: Literal["falling", "rising"] = "falling"
    pause_us: Annotated[float, Meta(gt=0.0, le=10_000.0)] = 20.0
    status: Annotated[int, Meta(ge=0, le=15)] = 0
    wrap: bool = True

    @property
    def codes(self) -> int:
        """Codes of a full turn."""
        return 1 << ANGLE_BITS

    def check(self, limits: Limits) -> None:
        """What a type cannot say. Raises BadInput."""
        file = limits.file
        if self.wrap != limits.wrap:
            accepted = f"the same as transfer.wrap, which is {str(limits.wrap).lower()}"
            raise BadInput(file, "encoding.wrap", self.wrap, accepted)
        # Where a word has no end by a select line, the rest of the clock must stand out from its beat.
        least = 2e6 / self.clock_max_hz
        if self.pause_us < least:
            accepted = f"at least {least:.4g}, two clocks at clock_max_hz: a shorter rest does not end a word"
            raise BadInput(file, "encoding.pause_us", self.pause_us, accepted)
        if self.clock_max_hz > BOARD_CLOCK_MAX_HZ:
            accepted = f"at most {BOARD_CLOCK_MAX_HZ}, which the board follows; give the highest that the machine has"
            raise BadInput(file, "encoding.clock_max_hz", self.clock_max_hz, accepted)
        check_push_pull(limits, "ssi")
        word_us = CLOCKS * 1e6 / self.clock_max_hz + self.pause_us
        check_update(limits, 1e6 / word_us, f"a word of {BITS} bits (encoding.clock_max_hz)")

    def decode(self, seen: Seen) -> list[Reading]:
        """A reading for each word, told when its last bit was taken. Words are kept apart by the select line where it
        was watched (seen.waves["select"], low for a word), else by a rest of the clock.

        Words that were clocked out by whoever reads (seen.words) are taken as they are.

        Detail: word (24 bits), status, push, clock_hz; data = "never high" where the data line stayed low all along:
        that reads as angle 0 with a good check. SILENT: no clock, or data that stayed high. Never raises.
        """
        if seen.words:
            return [self._clocked(word) for word in seen.words]
        data, clock, select = (seen.waves.get(name) for name in SIGNALS)
        if data is None or clock is None:
            return []
        beat, bits = clean(clock), clean(data)
        if not beat.t_us.size:
            return [Reading(beat.end_us, None, None, SILENT, {"conductor": "clock"})]
        spans = self._rests(beat) if select is None else _selected(clean(select), beat)
        return [self._word(beat, bits, first, last) for first, last in spans]

    def _rests(self, clock: Line) -> list[tuple[int, int]]:
        """[first, last) of the clock's changes that belong to one word."""
        steps = np.diff(clock.t_us)
        # A machine may clock slower than the pause: what counts is a rest that stands out.
        rest_us = max(self.pause_us, 3.0 * float(np.median(steps))) if steps.size else self.pause_us
        cuts = [0, *(np.flatnonzero(steps > rest_us) + 1).tolist(), clock.t_us.size]
        spans = list(zip(cuts[:-1], cuts[1:], strict=True))
        # The watch may have begun or ended in the middle of a word.
        if spans and clock.t_us[0] - clock.begin_us <= rest_us:
            spans = spans[1:] if self._too_short(clock, *spans[0]) else spans
        if spans and clock.end_us - clock.t_us[-1] <= rest_us:
            spans = spans[:-1] if self._too_short(clock, *spans[-1]) else spans
        return spans

    def _too_short(self, clock: Line, first: int, last: int) -> bool:
        return self._samples(clock, first, last).size < BITS

    def _samples(self, clock: Line, first: int, last: int) -> Floats:
        """When bits were taken, us. An edge of the taking kind that comes first has no bit: none was put out yet."""
        taking = 1 if self.sample_edge == "rising" else 0
        start = first + int(clock.level[first] == taking)
        edges, levels = clock.t_us[start:last], clock.level[start:last]
        taken: Floats = edges[levels == taking]
        return taken

    def _word(self, clock: Line, bits: Line, first: int, last: int) -> Reading:
        taken = self._samples(clock, first, last)
        if not BITS <= taken.size <= BITS_MAX:
            detail = {"bits": int(taken.size), "wanted": BITS}
            return Reading(float(clock.t_us[last - 1]), None, None, BAD_TIMING, detail)
        taken = taken[:BITS]
        word = 0
        for level in bits.level_before(taken).tolist():
            word = word << 1 | level
        end_us = float(taken[-1])
        lasted_us = end_us - float(taken[0])
        more: dict[str, int | float | str] = {"clock_hz": (BITS - 1) * 1e6 / lasted_us} if lasted_us > 0.0 else {}
        if not bits.t_us.size:
            if bits.found:
                return Reading(end_us, None, None, SILENT, {"conductor": "data", "level": "high"} | more)
            more["data"] = "never high"
        return self._reading(end_us, word, more)

    def _clocked(self, word: Word) -> Reading:
        """A word that was clocked out: the clock is the reader's own."""
        if word.bits != BITS:
            return Reading(word.t_us, None, None, BAD_TIMING, {"bits": word.bits, "wanted": BITS})
        if word.value == (1 << BITS) - 1:
            return Reading(word.t_us, None, None, SILENT, {"conductor": "data", "level": "high"})
        return self._reading(word.t_us, word.value, {} if word.value else {"data": "never high"})

    def _reading(self, end_us: float, word: int, more: dict[str, int | float | str]) -> Reading:
        status = word >> 6 & 0xF
        code = word >> 10
        detail = {"word": word, "status": status, "push": int(bool(status & PUSHED))} | more
        if word & 0x3F != crc6_ssi(word >> 6):
            return Reading(end_us, None, None, BAD_CHECK, detail)
        fault = INTERNAL if status & TRACK_LOST else FIELD_FAULTS[status & FIELD]
        # With the track lost, or a field that the sensor itself calls wrong, the angle is not one to go by.
        part = None if fault == INTERNAL else part_of(code, self.codes, wrap=self.wrap)
        return Reading(end_us, code, part, fault, detail)

    def ask(self) -> ClockWord:
        """A word, at the sensor's own highest clock or the board's."""
        half_us = max(BOARD_HALF_MIN_US, math.ceil(5e5 / self.clock_max_hz))
        return ClockWord(BITS, half_us, self.sample_edge == "rising")

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record."""
        out_falling = int(self.sample_edge == "rising")
        return {"status": self.status, "clock_max_hz": self.clock_max_hz, "out_falling": out_falling}

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        return "repeats its last angle with bit 3 of the status set: track lost"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        other = "rising" if self.sample_edge == "falling" else "falling"
        return [
            ("output", "SSI, push-pull data, clock from the machine"),
            ("word", f"{BITS} bits, highest first: {ANGLE_BITS} angle, 4 status, 6 CRC"),
            ("clock", f"at most {self.clock_max_hz / 1e6:g} MHz, bits out at the {other} edge, taken at the other"),
            ("words apart", f"by select, or by a clock at rest for {self.pause_us:g} us"),
            ("codes", f"{self.codes}"),
        ]


def _selected(select: Line, clock: Line) -> list[tuple[int, int]]:
    """[first, last) of the clock's changes under each low of the select line; a low that was watched only in part is
    left out, and so is one without a clock.
    """
    falls, rises = select.times_of(0), select.times_of(1)
    spans = []
    for fall in falls.tolist():
        later = rises[rises > fall]
        if later.size:
            first, last = np.searchsorted(clock.t_us, [fall, later[0]]).tolist()
            spans.append((first, last))
    return [span for span in spans if span[1] > span[0]]
