"""Sine or cosine as the output that is trimmed, and which stage a sensor's output has.

A jig's output can give more than the circle of the format needs, and an amplifier that is short may have to be driven
past it: so levels a little beyond the circle are read as well, by a profile whose own circle is larger, and what is
commanded are parts of the whole supply.
"""

from __future__ import annotations

import math

import msgspec

from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.levels import permyriad, pwm_steps
from lidjig.bench.families.sincos import SIGNALS, SincosEncoding
from lidjig.bench.sensor import SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG
from lidjig.bench.trim import Trim
from lidjig.bench.trim_pair import WORDS, TrimPair
from lidjig.procedures.trim_output import OutputStage, Stage, check_trimmable, filter_ripple, measuring_profile

MORE = 0.2  # of the amplitude, read beyond the circle on either side ...
RAIL = 0.02  # ... but no nearer to a rail: followers end there (MCP6002: 25 mV; value from memory)
WHOLE = 10000  # the board's record has levels in parts of it
PLACES = dict(zip(SIGNALS, ("output", "output-2"), strict=True))  # line 1, line 2


class SincosStage(Stage):
    """One of a sincos profile's two outputs."""

    def __init__(self, sensor: SensorProfile, coded: SincosEncoding, signal: str) -> None:
        self.sensor, self.coded, self.signal = sensor, coded, signal
        self.place = PLACES[signal]
        # As the board has them.
        sine = signal == "sin"
        middle = permyriad(coded.offset_sin_percent if sine else coded.offset_cos_percent) / WHOLE
        self._amplitude = permyriad(coded.amplitude_percent) / WHOLE * (1.0 if sine else coded.cos_gain)
        self.low, self.high = middle - self._amplitude, middle + self._amplitude
        self.begin, self.end = 0.0, 1.0
        self.code_step = 2.0 * math.pi * self._amplitude / coded.codes
        self.step = max(self.code_step, 1.0 / pwm_steps(coded.pwm_hz))
        self.ripple = filter_ripple(coded.pwm_hz)
        lowest = min(self.low, max(RAIL, self.low - MORE * self._amplitude))
        highest = max(self.high, min(1.0 - RAIL, self.high + MORE * self._amplitude))
        # Levels of the circle that is read, whole numbers of the record; within the supply, both of them.
        half = math.ceil(0.5 * WHOLE * (highest - lowest))
        center = min(max(round(0.5 * WHOLE * (highest + lowest)), half), WHOLE - half)
        self._middle, self._reach = center / WHOLE, half / WHOLE
        encoding = {
            "amplitude_percent": half * 100.0 / WHOLE,
            "offset_sin_percent": center * 100.0 / WHOLE,
            "offset_cos_percent": center * 100.0 / WHOLE,
            "pwm_hz": coded.pwm_hz,
        }
        plain = measuring_profile(sensor, wrap=True)
        self.measuring = msgspec.structs.replace(plain, encoding=encoding)

    def points(self, n: int) -> list[int]:
        return [self._code(2.0 * k / (n - 1) - 1.0) for k in range(n)]

    def between(self, n: int) -> list[int]:
        return [self._code((2.0 * k + 1.0) / (n - 1) - 1.0) for k in range(n - 1)]

    def _code(self, along: float) -> int:
        """Of a level, -1..1 of the circle that is read, on the side where the output rises."""
        turn = math.asin(along) / (2.0 * math.pi) - (0.0 if self.signal == "sin" else 0.25)
        return round(turn * self.coded.codes) % self.coded.codes

    def wanted(self, code: int) -> float:
        turned = 2.0 * math.pi * code / self.coded.codes
        return self._middle + self._reach * (math.sin(turned) if self.signal == "sin" else math.cos(turned))

    def angle_deg(self, code: int) -> float:
        return code * FULL_TURN_DEG / self.coded.codes

    def turned_deg(self) -> float:
        """Where it crosses its middle, and so is steepest."""
        turned = 0.0 if self.signal == "sin" else 270.0 + self.coded.phase_deg
        return float(self.sensor.curve().lid_deg(turned / FULL_TURN_DEG % 1.0))

    def v_per_deg(self, supply_v: float) -> float:
        """There the angle is told by this output alone: an error of d turns it by d / amplitude (rad)."""
        return self._amplitude * supply_v * math.pi / 180.0

    def ends_at(self, end: float, wanted: float) -> str:
        return (
            f"the {WORDS[self.signal]} ends at {100.0 * end:.2f} % of the supply, where {100.0 * wanted:g} % is "
            "wanted: it stays there, whatever the trim"
        )

    def notes(self) -> list[str]:
        return [
            f"the angle's uncertainty stands where the {WORDS[self.signal]} is steepest and alone tells the angle; "
            "between these places both outputs do, each by its part"
        ]

    def record(self, trim: Trim | None, other: Trim | None = None) -> bytes:
        both = {self.signal: trim, self.other: other}
        outputs = {signal: one for signal, one in both.items() if one is not None}
        if not outputs:
            raise ValueError("no trim to record")
        (crc,) = {one.profile_crc for one in outputs.values()}
        return TrimPair(profile_crc=crc, outputs=outputs).to_record()

    @property
    def other(self) -> str:
        """The other output."""
        (other,) = (signal for signal in SIGNALS if signal != self.signal)
        return other


def stage_of(sensor: SensorProfile, output: str = "") -> Stage:
    """output: which of two. Raises BadInput for a profile whose outputs cannot be trimmed, and for another output."""
    check_trimmable(sensor, output)
    coded = sensor.coded()
    if isinstance(coded, SincosEncoding):
        return SincosStage(sensor, coded, output)
    assert isinstance(coded, AnalogEncoding)  # the table of families has it so
    return OutputStage(sensor, coded)
