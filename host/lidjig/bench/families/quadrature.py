"""Quadrature: two square waves a quarter of a period apart, and an index once a turn.

Codes are quarter steps. The levels of A and B at code 0, 1, 2, 3 are 11, 01, 00, 10 and so on, where A leads, which is
forward. The index is high at the codes below index_quarters: with one quarter while A and B are both high (both facts:
Rockwell Automation publication 4100-IN505A, tables 1.D and 1.E), with two while B is, with four for a whole period
(common practice, no source for the place of the wider ones).
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from lidjig.bench.families.base import (
    BAD_CHECK,
    BAD_TIMING,
    Count,
    CountSteps,
    Floats,
    Limits,
    Reading,
    Seen,
    Wave,
    part_of,
)
from lidjig.bench.families.checks import check_push_pull
from lidjig.bench.families.turns import check_full_turn, check_wrap
from lidjig.bench.families.waves import clean
from lidjig.errors import BadInput

SIGNALS = ("a", "b", "index")
QUARTERS = 4
# The board times steps by a clock that ends there (device/boards/pio_quadrature.py; MicroPython documentation,
# rp2.StateMachine: at least 1908 Hz at 125 MHz).
BOARD_RATE_MIN_HZ = 60
STAMP_US = 1.0  # edges are stamped in whole microseconds, so that a step may look so much too short

Ints = npt.NDArray[np.int64]

# Code modulo 4 by level of the channel that leads and of the one that follows.
_CODE_OF = np.array([[2, 1], [3, 0]], dtype=np.int64)
_ILLEGAL = 2


class QuadratureEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """steps_per_turn: quarter steps, four to a period of A. leads: the channel that is ahead while the code grows.
    index_quarters: width of the index. rate_max_hz: most quarter steps a second. wrap: true, for a turn is counted.
    """

    steps_per_turn: Annotated[int, Meta(ge=QUARTERS, le=65536)]
    leads: Literal["a", "b"] = "a"
    index_quarters: Literal[1, 2, 4] = 1
    rate_max_hz: Annotated[int, Meta(ge=1, le=2_000_000)] = 100_000
    wrap: bool = False

    @property
    def codes(self) -> int:
        """Quarter steps in a turn."""
        return self.steps_per_turn

    def check(self, limits: Limits) -> None:
        """Whole periods in a turn, a turn as span, a rate that the looks do not outrun. Raises BadInput."""
        if self.steps_per_turn % QUARTERS:
            accepted = "a multiple of 4: steps are quarters of a period, and a turn has whole periods"
            raise BadInput(limits.file, "encoding.steps_per_turn", self.steps_per_turn, accepted)
        if self.index_quarters >= self.steps_per_turn:
            accepted = (
                f"below encoding.steps_per_turn = {self.steps_per_turn}: an index that is always high marks nothing"
            )
            raise BadInput(limits.file, "encoding.index_quarters", self.index_quarters, accepted)
        if not self.wrap:
            raise BadInput(limits.file, "encoding.wrap", self.wrap, "true: quadrature counts a whole turn")
        check_wrap(self.wrap, limits)
        check_full_turn("quadrature", limits)
        if self.rate_max_hz < limits.update_hz:
            accepted = f"at least timing.update_hz = {limits.update_hz:g}: one step at each look must not be too fast"
            raise BadInput(limits.file, "encoding.rate_max_hz", self.rate_max_hz, accepted)
        if self.rate_max_hz < BOARD_RATE_MIN_HZ:
            accepted = f"at least {BOARD_RATE_MIN_HZ}: the board cannot time slower steps"
            raise BadInput(limits.file, "encoding.rate_max_hz", self.rate_max_hz, accepted)
        check_push_pull(limits, "quadrature")

    def decode(self, seen: Seen) -> list[Reading]:
        """A reading of what was found, and one for every step. detail: count, the steps since the start of the watch,
        and direction, +1, -1, or 0 where there is none. The position is known from the first index on, and no longer
        once a step was lost; until then code and part are None. Faults: both channels changing at once and steps that
        come too fast are bad timing; an index that contradicts the count (lost_steps in detail), misses or stands in a
        wrong place is a bad check. Never raises.

        Steps that were counted by whoever reads (seen.counts) are told as code, up where the output grows: no position.
        """
        if seen.counts:
            return [self._counted(count) for count in seen.counts]
        a, b = seen.waves.get("a"), seen.waves.get("b")
        if a is None or b is None:
            return []
        t_us, codes, index = self._states(a, b, seen.waves.get("index"))
        track = _Track(self, index is not None)
        readings = []
        for i in range(t_us.size):
            step = int(codes[i] - codes[i - 1] + 1) % QUARTERS - 1 if i else 0
            if i and not step:
                continue  # stamps too close together to be told apart
            # The watch begins at no step, so that the first one has no time before it.
            since_us = float(t_us[i] - t_us[i - 1]) if i > 1 else None
            high = bool(index[i]) if index is not None else False
            readings.append(track.reading(float(t_us[i]), step, int(codes[i]), high, since_us))
        return readings

    def _states(self, a: Wave, b: Wave, index: Wave | None) -> tuple[Floats, Ints, Ints | None]:
        """(times (n,) from which a state stands, its code modulo 4 (n,), its level of the index (n,))."""
        lines = [clean(a), clean(b)]
        begin_us = max(line.begin_us for line in lines)
        t_us = np.union1d(lines[0].t_us, lines[1].t_us)
        t_us = np.concatenate(([begin_us], t_us[t_us > begin_us]))
        end_us = max(max(line.end_us for line in lines), float(t_us[-1]) + STAMP_US)
        # Levels are taken in the middle of a state: the index need not change at the very moment of A and B.
        middle_us = 0.5 * (t_us + np.append(t_us[1:], end_us))
        leading, following = (line.level_before(middle_us) for line in (lines if self.leads == "a" else lines[::-1]))
        high = None if index is None else clean(index).level_before(middle_us).astype(np.int64)
        return t_us, _CODE_OF[leading, following], high

    def ask(self) -> CountSteps:
        """How far the lid goes: the index is on no line that the jig has."""
        return CountSteps()

    def _counted(self, count: Count) -> Reading:
        steps = count.steps if self.leads == "a" else -count.steps
        fault = BAD_TIMING if count.skipped else ""
        return Reading(count.t_us, steps, None, fault, {"skipped": count.skipped, "a": count.a, "b": count.b})

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record."""
        return {
            "steps_per_turn": self.steps_per_turn,
            "index_quarters": self.index_quarters,
            "rate_max_hz": self.rate_max_hz,
            "b_leads": int(self.leads == "b"),
        }

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        return "rests low on A and B: steps tell of no error"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        fastest = self.rate_max_hz * 360.0 / self.steps_per_turn
        return [
            ("outputs", f"A, B and index, push-pull, {self.leads.upper()} leads as the output grows"),
            ("steps", f"{self.steps_per_turn} quarter steps a turn ({self.steps_per_turn // QUARTERS} periods)"),
            ("index", f"high for {self.index_quarters} of 4 quarters, once a turn"),
            ("highest rate", f"{self.rate_max_hz} steps a second, {fastest:.6g} deg/s"),
            ("position", "unknown until the first index"),
        ]


class _Track:
    """Where the count stands, step by step."""

    def __init__(self, encoding: QuadratureEncoding, has_index: bool) -> None:
        self._encoding = encoding
        self._has_index = has_index
        self._count = 0
        self._position: int | None = None

    def reading(self, t_us: float, step: int, code: int, index: bool, since_us: float | None) -> Reading:
        """The reading after a step of +1, -1, 0 (the start) or _ILLEGAL to this code modulo 4."""
        codes = self._encoding.steps_per_turn
        detail: dict[str, int | float | str] = {}
        fault = ""
        if step == _ILLEGAL:
            fault = BAD_TIMING
            self._position = None
            detail["illegal"] = "A and B changed at once"
        else:
            self._count += step
            if self._position is not None:
                self._position = (self._position + step) % codes
        fault = fault or self._by_index(code, index, detail)
        if since_us is not None and since_us + STAMP_US < 1e6 / self._encoding.rate_max_hz:
            detail["rate_hz"] = 1e6 / since_us if since_us > 0.0 else float("inf")
            fault = fault or BAD_TIMING
        detail["count"] = self._count
        detail["direction"] = 0 if step == _ILLEGAL else step
        part = None if self._position is None else part_of(self._position, codes, wrap=self._encoding.wrap)
        return Reading(t_us, self._position, part, fault, detail)

    def _by_index(self, code: int, index: bool, detail: dict[str, int | float | str]) -> str:
        """Sets the position where the index says it, and tells where it contradicts."""
        width = self._encoding.index_quarters
        if not index:
            if self._has_index and self._position is not None and self._position < width:
                detail["index"] = "missing"
                return BAD_CHECK
            return ""
        if code >= width:
            detail["index"] = "out of place"
            return BAD_CHECK
        before, self._position = self._position, code
        if before is None or before == code:
            return ""
        codes = self._encoding.steps_per_turn
        detail["lost_steps"] = (code - before + codes // 2) % codes - codes // 2
        return BAD_CHECK
