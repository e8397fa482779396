"""Analog output in proportion to the supply: a 12-bit code between two clamp levels, with bands for errors beside them.

Levels of 0..100 % or 10..90 % of the supply and 12 bits: ams AS5600 datasheet v1-06, p.25-26. The output rises with the
code; one that falls as the lid opens is the transfer function's direction.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.bench.families import levels
from lidjig.bench.families.base import (
    ABOVE,
    BELOW,
    INTERNAL,
    SILENT,
    Floats,
    Limits,
    Reading,
    ReadVolts,
    Seen,
    part_of,
)
from lidjig.bench.families.checks import check_no_wrap, check_push_pull
from lidjig.bench.transfer import Outside
from lidjig.errors import BadInput

SIGNALS = ("out",)
VIA = ("filtered-pwm", "dac")  # by number in the board's record
CODES = 4096

DAC_SUPPLY_MIN_V = 2.7  # Microchip DS22039 (MCP4725), front page: 2.7 to 5.5 V, VDD is the reference
# How far an output may miss its clamp level and still stand for the end of the span, as a share of the supply (common
# practice, no source).
CLAMP_MARGIN = 0.01
SPAN_MIN_PERCENT = 1.0


class AnalogEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """low_percent, high_percent: output at the first and the last code, in percent of the supply, where it also clamps.
    fault_low_percent, fault_high_percent: at or below the one, at or above the other the output tells an error or a
    broken wire; left out where the part has no such band. via: what makes the voltage on the jig.
    """

    low_percent: float = 0.0
    high_percent: float = 100.0
    fault_low_percent: float | None = None
    fault_high_percent: float | None = None
    via: Literal["filtered-pwm", "dac"] = "filtered-pwm"
    pwm_hz: Annotated[int, Meta(ge=8, le=1_000_000)] | None = None

    @property
    def codes(self) -> int:
        """Positions that 12 bits tell apart."""
        return CODES

    def check(self, limits: Limits) -> None:
        """Levels in the supply and in order, a PWM that is fine enough, a drive that hurts nothing. Raises BadInput."""
        self._check_levels(limits)
        check_no_wrap(limits, "analog")
        check_push_pull(limits, "analog")
        if self.via == "filtered-pwm":
            share = (self.high_percent - self.low_percent) / 100.0
            why = f"the {CODES} codes are so many less one apart, between low_percent and high_percent"
            levels.check_pwm(self.pwm_hz_used, share, CODES - 1, why, limits)
            return
        if self.pwm_hz is not None:
            raise BadInput(limits.file, "encoding.pwm_hz", self.pwm_hz, "no pwm_hz with via = 'dac'")
        if limits.supply_min_v < DAC_SUPPLY_MIN_V:
            accepted = (
                f"'filtered-pwm' where supply.min_v is below {DAC_SUPPLY_MIN_V:g} V (it is {limits.supply_min_v:g} V): "
                "the DAC runs on the sensor's supply and needs that much"
            )
            raise BadInput(limits.file, "encoding.via", self.via, accepted)

    def _check_levels(self, limits: Limits) -> None:
        for name in ("low_percent", "high_percent", "fault_low_percent", "fault_high_percent"):
            value = getattr(self, name)
            if value is not None:
                levels.check_in_supply(f"encoding.{name}", value, limits)
        low, high = self.low_percent, self.high_percent
        if high < low + SPAN_MIN_PERCENT:
            accepted = (
                f"at least {low + SPAN_MIN_PERCENT:g}, above encoding.low_percent: an output without a slope tells no "
                "angle (one that falls has transfer.direction = 'down')"
            )
            raise BadInput(limits.file, "encoding.high_percent", high, accepted)
        if self.fault_low_percent is not None and not 0.0 < self.fault_low_percent < low:
            accepted = f"above 0 and below encoding.low_percent = {low:g}, or no such key where there is no such band"
            raise BadInput(limits.file, "encoding.fault_low_percent", self.fault_low_percent, accepted)
        if self.fault_high_percent is not None and not high < self.fault_high_percent < 100.0:
            accepted = (
                f"above encoding.high_percent = {high:g} and below 100, or no such key where there is no such band"
            )
            raise BadInput(limits.file, "encoding.fault_high_percent", self.fault_high_percent, accepted)

    def decode(self, seen: Seen) -> list[Reading]:
        """One reading: the mean over the window. detail: output and noise (standard deviation) in percent of the
        supply, samples, and the band where there is an error. A level in a fault band is told as the part's own error,
        though a broken wire may look the same. Never raises.
        """
        level = levels.level_of(seen.volts.get(SIGNALS[0]))
        if level is None:
            return []
        if not levels.supply_present(seen.supply_v):
            return [Reading(level.t_us, None, None, SILENT, {"supply_v": seen.supply_v, "samples": level.n})]
        share = level.mean_v / seen.supply_v
        detail: dict[str, int | float | str] = {
            "output_percent": 100.0 * share,
            "noise_percent": 100.0 * level.noise_v / seen.supply_v,
            "samples": level.n,
        }
        fault = self._fault(share)
        if fault == INTERNAL:
            detail["band"] = "low" if 100.0 * share < self.low_percent else "high"
        if fault:
            return [Reading(level.t_us, None, None, fault, detail)]
        low, high = self.low_percent / 100.0, self.high_percent / 100.0
        along = min(max((share - low) / (high - low), 0.0), 1.0)
        code = round(along * (CODES - 1))
        return [Reading(level.t_us, code, part_of(code, CODES, wrap=False), "", detail)]

    def _fault(self, share: float) -> str:
        low, high = self.low_percent / 100.0, self.high_percent / 100.0
        margin_low = margin_high = CLAMP_MARGIN
        if self.fault_low_percent is not None:
            band = self.fault_low_percent / 100.0
            if share <= band:
                return INTERNAL
            margin_low = min(margin_low, (low - band) / 2.0)
        if self.fault_high_percent is not None:
            band = self.fault_high_percent / 100.0
            if share >= band:
                return INTERNAL
            margin_high = min(margin_high, (band - high) / 2.0)
        if share < low - margin_low:
            return BELOW
        return ABOVE if share > high + margin_high else ""

    def ask(self) -> ReadVolts:
        """The voltage, against the supply."""
        return ReadVolts(levels.READ_N, 100.0 / (self.high_percent - self.low_percent))

    @property
    def pwm_hz_used(self) -> int:
        """The frequency where one is made: the one that is named, or the jig's own choice."""
        return levels.PWM_HZ_DEFAULT if self.pwm_hz is None else self.pwm_hz

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record; a band that is not there ends at the supply's own ends."""
        fault_low = 0.0 if self.fault_low_percent is None else self.fault_low_percent
        fault_high = 100.0 if self.fault_high_percent is None else self.fault_high_percent
        return {
            "via": VIA.index(self.via),
            "low_permyriad": levels.permyriad(self.low_percent),
            "high_permyriad": levels.permyriad(self.high_percent),
            "fault_low_permyriad": levels.permyriad(fault_low),
            "fault_high_permyriad": levels.permyriad(fault_high),
            "pwm_hz": self.pwm_hz_used,
        }

    def output_percent(self, part: Floats) -> dict[str, Floats]:
        """Level in percent of the supply at positions in the span (n,)."""
        return {SIGNALS[0]: self.low_percent + (self.high_percent - self.low_percent) * part}

    def percent_of(self, word: Outside | float) -> float:
        """Level in percent of the supply at a position in the span (0..1), or where the transfer function says a word:
        "error" is the middle of a fault band, and low of a part without one (ams AS5600 datasheet v1-06, p.31: an
        output that is pulled low).
        """
        if not isinstance(word, str):
            return self.low_percent + (self.high_percent - self.low_percent) * word
        if word == "error" and self.fault_low_percent is not None:
            return self.fault_low_percent / 2.0
        if word == "error" and self.fault_high_percent is not None:
            return (self.fault_high_percent + 100.0) / 2.0
        return 100.0 if word == "high" else 0.0

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        if self.fault_low_percent is None and self.fault_high_percent is None:
            return "rests low: it has no fault band"
        band = "high" if self.fault_low_percent is None else "low"
        return f"puts out {self.percent_of('error'):g} % of the supply, in its {band} fault band"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        rows = [
            ("output", f"{self.low_percent:g} to {self.high_percent:g} % of the supply, {CODES} codes"),
            ("at 3.3 V", f"{0.033 * self.low_percent:.3f} to {0.033 * self.high_percent:.3f} V"),
        ]
        if self.fault_low_percent is not None:
            rows.append(("error below", f"{self.fault_low_percent:g} % of the supply"))
        if self.fault_high_percent is not None:
            rows.append(("error above", f"{self.fault_high_percent:g} % of the supply"))
        made = f"PWM of {self.pwm_hz_used} Hz through a filter" if self.via == "filtered-pwm" else "12-bit DAC"
        return [*rows, ("made by", made)]
