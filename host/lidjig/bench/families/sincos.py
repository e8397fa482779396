"""Sine and cosine of the field angle as two analog voltages around a middle level, in proportion to the supply.

With a the amplitude, o the middle levels, g the cosine's gain and p its phase error (shares of the supply and angles):
    sin = o_sin + a sin(angle)        cos = o_cos + a g cos(angle - p)
Without imperfections o = 1/2, g = 1, p = 0, and the angle is atan2(sin, cos), both taken from the middle (magpylib
documentation, end-of-shaft example). The four imperfections: TI SBAA539A.
"""

from __future__ import annotations

import math
from typing import Annotated

import msgspec
import numpy as np
from msgspec import Meta

from lidjig.bench.families import levels
from lidjig.bench.families.base import (
    NO_MAGNET,
    SILENT,
    STRONG,
    WEAK,
    Floats,
    Limits,
    Reading,
    ReadVolts,
    Seen,
    part_of,
)
from lidjig.bench.families.checks import check_push_pull
from lidjig.bench.families.turns import check_full_turn
from lidjig.errors import BadInput

SIGNALS = ("sin", "cos")
CODES = 4096
MIDDLE = 0.5
# Below this share of the amplitude stated there is nothing to take an angle of (common practice, no source).
NO_MAGNET_SHARE = 0.1
# One step of the duty must be seen as less than one code where the circle is crossed: 2 pi radius steps a turn.
RADIUS_STEPS_MIN = CODES / (2.0 * math.pi)


class SincosEncoding(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """amplitude_percent: peak of the sine over its middle, in percent of the supply; offset_sin_percent,
    offset_cos_percent: the middle levels, 50 without an error; cos_gain: amplitude of the cosine over that of the sine;
    phase_deg: by how much the cosine comes late. corrected: the decoder takes these imperfections out again.
    circle_percent: how far the amplitude may be from the one stated before the magnet counts as weak or strong.
    """

    amplitude_percent: Annotated[float, Meta(gt=0.0)] = 40.0
    offset_sin_percent: float = 50.0
    offset_cos_percent: float = 50.0
    cos_gain: Annotated[float, Meta(ge=0.1, le=2.0)] = 1.0
    phase_deg: Annotated[float, Meta(ge=-45.0, le=45.0)] = 0.0
    corrected: bool = True
    circle_percent: Annotated[float, Meta(ge=1.0, le=80.0)] = 25.0
    pwm_hz: Annotated[int, Meta(ge=8, le=1_000_000)] = levels.PWM_HZ_DEFAULT

    @property
    def codes(self) -> int:
        """Positions in a turn that readings are rounded to; detail has the angle unrounded."""
        return CODES

    @property
    def wrap(self) -> bool:
        """A sine begins anew after a turn."""
        return True

    def check(self, limits: Limits) -> None:
        """Both voltages within the supply, a PWM that is fine enough, a drive that hurts nothing. Raises BadInput."""
        if self.amplitude_percent > 50.0:
            accepted = "at most 50: a sine from peak to peak must fit in the supply that it stands on"
            raise BadInput(limits.file, "encoding.amplitude_percent", self.amplitude_percent, accepted)
        peaks = {"sin": self.amplitude_percent, "cos": self.amplitude_percent * self.cos_gain}
        if peaks["cos"] > 50.0:
            accepted = f"at most {50.0 / self.amplitude_percent:g}: the cosine must fit in the supply as well"
            raise BadInput(limits.file, "encoding.cos_gain", self.cos_gain, accepted)
        for name, middle in (("sin", self.offset_sin_percent), ("cos", self.offset_cos_percent)):
            peak = peaks[name]
            if not peak <= middle <= 100.0 - peak:
                accepted = (
                    f"{peak:g}..{100.0 - peak:g}: with an amplitude of {peak:g} % the output would have to leave the "
                    "supply that it stands on"
                )
                raise BadInput(limits.file, f"encoding.offset_{name}_percent", middle, accepted)
        check_full_turn("sincos", limits)
        check_push_pull(limits, "sincos")
        why = f"{CODES} codes in a turn need {RADIUS_STEPS_MIN:.0f} of them in the smaller amplitude"
        levels.check_pwm(self.pwm_hz, min(peaks.values()) / 100.0, RADIUS_STEPS_MIN, why, limits)

    def decode(self, seen: Seen) -> list[Reading]:
        """One reading: the means over the window. detail: angle_deg unrounded, amplitude and noise in percent of the
        supply, samples. Never raises.
        """
        sin, cos = (levels.level_of(seen.volts.get(name)) for name in SIGNALS)
        if sin is None or cos is None:
            return []
        t_us = max(sin.t_us, cos.t_us)
        samples = min(sin.n, cos.n)
        if not levels.supply_present(seen.supply_v):
            return [Reading(t_us, None, None, SILENT, {"supply_v": seen.supply_v, "samples": samples})]
        x, y = self._circle(cos.mean_v / seen.supply_v, sin.mean_v / seen.supply_v)
        radius = math.hypot(x, y)
        detail: dict[str, int | float | str] = {
            "amplitude_percent": 100.0 * radius,
            "noise_percent": 100.0 * max(sin.noise_v, cos.noise_v) / seen.supply_v,
            "samples": samples,
        }
        fault = self._fault(radius)
        if fault == NO_MAGNET:
            return [Reading(t_us, None, None, fault, detail)]
        turn = math.atan2(y, x) / (2.0 * math.pi) % 1.0
        detail["angle_deg"] = 360.0 * turn
        code = round(turn * CODES) % CODES
        return [Reading(t_us, code, part_of(code, CODES, wrap=True), fault, detail)]

    def ask(self) -> ReadVolts:
        """Both voltages, against the supply. Where the circle is crossed, an error of one turns the angle by its part
        of the radius; the smaller of the amplitudes is the worse.
        """
        radius = self.amplitude_percent / 100.0 * min(1.0, self.cos_gain * math.cos(math.radians(self.phase_deg)))
        return ReadVolts(levels.READ_N, 1.0 / (2.0 * math.pi * radius))

    def _circle(self, cos_share: float, sin_share: float) -> tuple[float, float]:
        """(cosine, sine) about the middle, in shares of the supply, with the imperfections taken out if so asked."""
        if not self.corrected:
            return cos_share - MIDDLE, sin_share - MIDDLE
        y = sin_share - self.offset_sin_percent / 100.0
        skewed = (cos_share - self.offset_cos_percent / 100.0) / self.cos_gain
        # skewed = a cos(angle - p) = x cos p + y sin p
        phase = math.radians(self.phase_deg)
        return (skewed - y * math.sin(phase)) / math.cos(phase), y

    def _fault(self, radius: float) -> str:
        stated = self.amplitude_percent / 100.0
        if radius < NO_MAGNET_SHARE * stated:
            return NO_MAGNET
        if radius < stated * (1.0 - self.circle_percent / 100.0):
            return WEAK
        return STRONG if radius > stated * (1.0 + self.circle_percent / 100.0) else ""

    def board_fields(self) -> dict[str, int]:
        """Fields of the board's record."""
        return {
            "amplitude_permyriad": levels.permyriad(self.amplitude_percent),
            "offset_sin_permyriad": levels.permyriad(self.offset_sin_percent),
            "offset_cos_permyriad": levels.permyriad(self.offset_cos_percent),
            "cos_gain_permyriad": round(self.cos_gain * 10000.0),
            "phase_mdeg": round(self.phase_deg * 1000.0),
            "pwm_hz": self.pwm_hz,
        }

    def output_percent(self, part: Floats) -> dict[str, Floats]:
        """Levels in percent of the supply at positions in the turn (n,)."""
        angle = 2.0 * math.pi * part
        sin = self.offset_sin_percent + self.amplitude_percent * np.sin(angle)
        late = angle - math.radians(self.phase_deg)
        cos = self.offset_cos_percent + self.amplitude_percent * self.cos_gain * np.cos(late)
        return {"sin": np.asarray(sin, dtype=np.float64), "cos": np.asarray(cos, dtype=np.float64)}

    def error_told(self, *, starting: bool = False) -> str:
        """What it does for "error"."""
        middles = f"sine {self.offset_sin_percent:g} %, cosine {self.offset_cos_percent:g} % of the supply"
        return f"rests with both outputs in their middle ({middles}), from which no angle follows"

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit), for a technician."""
        return [
            ("amplitude", f"{self.amplitude_percent:g} % of the supply, cosine {self.cos_gain:g} times that"),
            ("middle", f"sine {self.offset_sin_percent:g} %, cosine {self.offset_cos_percent:g} % of the supply"),
            ("phase of the cosine", f"{self.phase_deg:+g} deg"),
            ("imperfections", "taken out when read" if self.corrected else "left in when read"),
            ("magnet weak, strong", f"beyond {self.circle_percent:g} % of the amplitude"),
            ("made by", f"PWM of {self.pwm_hz} Hz through a filter, on both lines"),
        ]
