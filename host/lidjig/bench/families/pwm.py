"""Pulse width: the angle is the share of each period that the output is active.

Two ways to say it. As a frame of clocks: head_clocks active, then one clock for each step of the code, then tail_clocks
idle; the parts' data sheets give it so. Or as a window of duty: the first code at duty_low_percent, the last at
duty_high_percent. The default frame is that of the ams AS5600 (data sheet v1-06, p.27): 128 + 4095 + 128 clocks at 115,
230, 460 or 920 Hz (p.19).
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.bench.families.base import ABOVE, BAD_TIMING, BELOW, Limits, Reading, Seen, WatchLevels, part_of
from lidjig.bench.families.checks import check_no_wrap, check_update
from lidjig.bench.families.waves import Line, clean, in_order, silences
from lidjig.bench.sensor import PUSH_PULL_MAX_V
from lidjig.errors import BadInput

SIGNALS = ("out",)

FRAME_CLOCKS = 128  # head and tail alike: ams AS5600 data sheet v1-06, p.27
Clocks = Annotated[int, Meta(ge=1, le=65535)]
Percent = Annotated[float, Meta(ge=0.0, le=100.0)]

# The board makes its clocks from one of 125 MHz. With fewer than ten of its cycles to a clock, the cycle by which a
# divided clock jitters would be more than a tenth of a step of the code; below the lower bound the divider ends
# (MicroPython documentation, rp2.StateMachine: at least 1908 Hz at 125 MHz).
CLOCK_HZ_MAX = 12.5e6
CLOCK_HZ_MIN = 1908.0
# The board's program takes five clocks itself in each part of a frame, and counts a part in 15 bits
# (device/boards/pio_pwm.py).
PULSE_CLOCKS_MIN = 5
FRAME_CLOCKS_MAX = 32767 + PULSE_CLOCKS_MIN

# Two periods without a change: the output has stopped (common practice, no source).
SILENT_PERIODS = 2.0
WATCHED_MORE = 0.1  # of a period, beyond those: a watch that ends with the silence would not show it
LOOKS = 3.0  # at each clock of a code, so that an edge is placed within a third of it
# An end of the range that comes out beyond its duty by less than this is the end (common practice, no source).
SLACK_DUTY = 0.001


class PwmEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The [encoding] table of a sensor with a PWM output on one line. Frequency in Hz, duty in percent of the
    period.
    """

    frequency_hz: Annotated[float, Meta(ge=8.0, le=20_000.0)]
    drive: Literal["open-drain", "push-pull"]
    active: Literal["low", "high"] = "high"
    codes: Annotated[int, Meta(ge=2, le=65536)] = 4096
    head_clocks: Clocks | None = None
    tail_clocks: Clocks | None = None
    duty_low_percent: Percent | None = None
    duty_high_percent: Percent | None = None
    frequency_tolerance_percent: Annotated[float, Meta(gt=0.0, le=20.0)] = 5.0

    @property
    def window(self) -> tuple[float, float]:
        """Duty of the first and of the last code, 0..1."""
        if self.duty_low_percent is not None and self.duty_high_percent is not None:
            return self.duty_low_percent / 100.0, self.duty_high_percent / 100.0
        head, tail = self.head_clocks or FRAME_CLOCKS, self.tail_clocks or FRAME_CLOCKS
        total = head + self.codes - 1 + tail
        return head / total, (head + self.codes - 1) / total

    @property
    def frame_clocks(self) -> tuple[int, int]:
        """Clocks active before the data and idle after it, as the board sends them. A window of duty is rounded to
        whole clocks, which moves a duty by half a step of the code at most.
        """
        low, high = self.window
        total = (self.codes - 1) / (high - low)
        return max(1, round(low * total)), max(1, round((1.0 - high) * total))

    def check(self, limits: Limits) -> None:
        """What a type cannot say. Raises BadInput."""
        self._check_drive(limits)
        self._check_window(limits.file)
        self._check_clocks(limits.file)
        check_no_wrap(limits, "pwm")
        check_update(limits, self.frequency_hz, "one pulse (encoding.frequency_hz)")

    def _check_clocks(self, file: str) -> None:
        """What the board can send."""
        for key, clocks in zip(("head_clocks", "tail_clocks"), (self.head_clocks, self.tail_clocks), strict=True):
            if clocks is not None and clocks < PULSE_CLOCKS_MIN:
                accepted = f"at least {PULSE_CLOCKS_MIN}: the board sends no shorter pulse"
                raise BadInput(file, f"encoding.{key}", clocks, accepted)
        total = sum(self.frame_clocks) + self.codes - 1
        if total > FRAME_CLOCKS_MAX:
            accepted = (
                f"fewer, or a wider window: the board sends at most {FRAME_CLOCKS_MAX} clocks a frame, this has {total}"
            )
            raise BadInput(file, "encoding.codes", self.codes, accepted)
        clock_hz = self.frequency_hz * total
        if not CLOCK_HZ_MIN <= clock_hz <= CLOCK_HZ_MAX:
            accepted = (
                f"{CLOCK_HZ_MIN / total:.4g}..{CLOCK_HZ_MAX / total:.4g} with a frame of {total} clocks: "
                "the board cannot time the steps otherwise (or change codes)"
            )
            raise BadInput(file, "encoding.frequency_hz", self.frequency_hz, accepted)

    def _check_drive(self, limits: Limits) -> None:
        if self.drive == "push-pull" and limits.supply_max_v > PUSH_PULL_MAX_V:
            accepted = (
                f"'open-drain' where supply.max_v is above {PUSH_PULL_MAX_V:g} V (it is {limits.supply_max_v:g} V): "
                "a push-pull output would drive the machine's line that high"
            )
            raise BadInput(limits.file, "encoding.drive", self.drive, accepted)

    def _check_window(self, file: str) -> None:
        for first, second in (("duty_low_percent", "duty_high_percent"), ("head_clocks", "tail_clocks")):
            if (getattr(self, first) is None) != (getattr(self, second) is None):
                missing = first if getattr(self, first) is None else second
                raise BadInput(file, f"encoding.{missing}", None, f"both {first} and {second} or neither")
        low, high = self.duty_low_percent, self.duty_high_percent
        if low is None or high is None:
            return
        if self.head_clocks is not None:
            accepted = "either a frame (head_clocks, tail_clocks) or a window (duty_low_percent, duty_high_percent)"
            raise BadInput(file, "encoding.head_clocks", self.head_clocks, accepted)
        if high <= low:
            accepted = f"above encoding.duty_low_percent = {low:g} (for a falling output, turn the transfer around)"
            raise BadInput(file, "encoding.duty_high_percent", high, accepted)
        # A pulse of no width has no edges: nobody could tell the end of the range from a broken wire.
        least = PULSE_CLOCKS_MIN * (high - low) / (self.codes - 1)
        words = f"{PULSE_CLOCKS_MIN} steps of the code, so that each period has a pulse and a rest that can be timed"
        if low < least:
            raise BadInput(file, "encoding.duty_low_percent", low, f"at least {least:.4g}, {words}")
        if 100.0 - high < least:
            raise BadInput(file, "encoding.duty_high_percent", high, f"at most 100 less {least:.4g}, {words}")

    def decode(self, seen: Seen) -> list[Reading]:
        """A reading for each period, from one edge that begins a pulse to the next, told when it ended; SILENT where
        the output stopped, with its level and for how long in us. Detail: duty_percent, frequency_hz. Never raises.
        """
        wave = seen.waves.get(SIGNALS[0])
        if wave is None:
            return []
        line = clean(wave)
        longest_us = 1e6 / self.frequency_hz * (1.0 + self.frequency_tolerance_percent / 100.0)
        limit_us = SILENT_PERIODS * longest_us
        return in_order(silences(line, limit_us) + self._periods(line, limit_us))

    def _periods(self, line: Line, limit_us: float) -> list[Reading]:
        on = 1 if self.active == "high" else 0
        begins = line.times_of(on)
        middles = line.times_of(1 - on)
        if begins.size < 2:
            return []
        # Levels alternate: each pulse that begins is followed by its end, before the next one begins.
        middles = middles[int(line.level[0] != on) :]
        readings = []
        for begin, middle, end in zip(begins[:-1].tolist(), middles.tolist(), begins[1:].tolist(), strict=False):
            if middle - begin > limit_us or end - middle > limit_us or end <= begin:
                continue  # a silence, told as one; or no time at all
            readings.append(self._period(begin, middle, end))
        return readings

    def _period(self, begin_us: float, middle_us: float, end_us: float) -> Reading:
        duty = (middle_us - begin_us) / (end_us - begin_us)
        frequency_hz = 1e6 / (end_us - begin_us)
        detail = {"duty_percent": 100.0 * duty, "frequency_hz": frequency_hz}
        low, high = self.window
        if abs(frequency_hz / self.frequency_hz - 1.0) > self.frequency_tolerance_percent / 100.0:
            return Reading(end_us, None, None, BAD_TIMING, detail)
        if duty < low - SLACK_DUTY:
            return Reading(end_us, None, None, BELOW, detail)
        if duty > high + SLACK_DUTY:
            return Reading(end_us, None, None, ABOVE, detail)
        code = math.floor((duty - low) / (high - low) * (self.codes - 1) + 0.5)
        code = min(max(code, 0), self.codes - 1)
        return Reading(end_us, code, part_of(code, self.codes, wrap=False), "", detail)

    def ask(self) -> WatchLevels:
        """Two whole periods and a bit: one is always whole, and what has stopped is told as silent. Three looks at each
        clock of the code.
        """
        slow = 1.0 + self.frequency_tolerance_percent / 100.0
        period_us = 1e6 / self.frequency_hz
        low, high = self.window
        clock_us = period_us * (high - low) / (self.codes - 1)
        frames = SILENT_PERIODS + WATCHED_MORE
        return WatchLevels(period_us * slow, frames, clock_us / LOOKS, 1.0 / (period_us * (high - low)))

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record: the frame is head clocks active, codes - 1 data clocks, tail clocks idle;
        code c is active for head + c clocks.
        """
        head, tail = self.frame_clocks
        return {
            "period_ns": round(1e9 / self.frequency_hz),
            "head_clocks": head,
            "tail_clocks": tail,
            "active_high": int(self.active == "high"),
            "push_pull": int(self.drive == "push-pull"),
        }

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        return "rests low: no width of a pulse stands for an error"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        head, tail = self.frame_clocks
        low, high = self.window
        tolerance = f"+/-{self.frequency_tolerance_percent:g} %"
        return [
            ("output", f"PWM, {self.drive}, active {self.active}"),
            ("frequency", f"{self.frequency_hz:g} Hz {tolerance} (period {1e3 / self.frequency_hz:.3f} ms)"),
            ("duty", f"{100.0 * low:.3f} % at the first code, {100.0 * high:.3f} % at the last"),
            ("frame", f"{head} + {self.codes - 1} + {tail} clocks"),
            ("codes", f"{self.codes}"),
        ]
