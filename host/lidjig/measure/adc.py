"""Raw readings of the jig's converter in physical units, with what is known of their errors. Power monitors and pulses
are in monitor.py, which has the front for every channel.

The converter is the RP2040's: 12 bits, handed on as 16 (the upper bits repeated), so one step is 16 raw.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from lidjig.measure.budget import effective_df, rectangular_u
from lidjig.measure.estimate import Estimate, coverage_factor

RAW_FULL = 65535.0
PIN_FULL_MV = 3300.0
STEP_RAW = 16.0  # 12 bits in 16 (RP2040 datasheet 4.9: 12-bit SAR)

# RP2040 datasheet 4.9.3: ENOB 8.7. Noise and distortion together then amount to full scale / (2**8.7 *
# sqrt(12)). Averaging does not take the distortion out, so all of it is kept; the measured scatter comes on
# top.
ENOB_BITS = 8.7
CONVERTER_U_RAW = (RAW_FULL + 1.0) / (2.0**ENOB_BITS * math.sqrt(12.0))
# RP2040 erratum RP2040-E11: at these codes one step is more than 9 steps wide, and many readings of a quiet
# voltage may all fall there.
SPIKE_CODES = (512, 1536, 2560, 3584)
SPIKE_STEPS = 9.0

# Raspberry Pi Pico datasheet p.19: the reference is the 3.3 V rail through 200 ohm, and the converter's own current
# (150 uA, value from memory) puts it about 30 mV below the rail. So readings come out too high by up to this part of
# themselves. It differs between boards and is not corrected; it is in the uncertainty.
VREF_DROP_MV = 30.0
# 3.3 V rail against nominal, +/- 1 % (common practice, no source), and the drop, here taken as possible either way.
REFERENCE_HALF_PART = 0.01 + VREF_DROP_MV / PIN_FULL_MV
# What a grounded input reads: anywhere within +/- 15 mV at the pin (common practice, no source); not corrected.
OFFSET_HALF_MV = 15.0
# Two 0.1 % resistors per divider (WIRING.md) at worst against each other.
DIVIDER_HALF_PART = 0.002
# Gain of the current monitor amplifier with its shunt (common practice, no source).
MONITOR_HALF_PART = 0.02


# The converter's channels, and the half-width of the gain error of what is before each (WIRING.md), as a part of 1.
GAIN_HALF_PART = {
    "supply": DIVIDER_HALF_PART,
    "machine_1": DIVIDER_HALF_PART,
    "machine_2": DIVIDER_HALF_PART,
    "sensor_supply": DIVIDER_HALF_PART,
    "sensor_1": DIVIDER_HALF_PART,
    "sensor_2": DIVIDER_HALF_PART,
    "charger_v": DIVIDER_HALF_PART,
    "charger_i": MONITOR_HALF_PART,
    "jig_3v3": DIVIDER_HALF_PART,
    "light": 0.0,
}


class Scaled(Protocol):
    """A channel's unit and scale: value = (raw - offset) * per_raw. full_raw: where its readings end."""

    @property
    def unit(self) -> str: ...
    @property
    def per_raw(self) -> float: ...
    @property
    def offset(self) -> int: ...
    @property
    def full_raw(self) -> int: ...


@dataclass(frozen=True)
class Budget:
    """Standard uncertainties of one averaged reading, all in the channel's unit.

    noise: scatter of the mean. quantisation and converter: steps and nonlinearity. offset and reference are
    common to every channel of one board, so they cancel in differences and ratios. gain: the channel's own
    divider.
    """

    unit: str
    value: float
    n: int
    noise: float
    quantisation: float
    converter: float
    offset: float
    reference: float
    gain: float

    @property
    def parts(self) -> tuple[float, ...]:
        """The contributions, the scatter first."""
        return self.noise, self.quantisation, self.converter, self.offset, self.reference, self.gain

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(sum(p * p for p in self.parts))

    @property
    def df(self) -> float:
        """Effective degrees of freedom: the scatter is known from n readings, all else from data sheets."""
        if self.n < 2:
            return math.inf
        return max(1.0, effective_df(self.parts, (self.n - 1.0, *[math.inf] * (len(self.parts) - 1))))

    @property
    def u_difference(self) -> float:
        """What a reading adds to a difference of two on the same channel: all but offset and gain."""
        return math.sqrt(self.noise**2 + self.quantisation**2 + self.converter**2)


def _spike_u_raw(mean_raw: float, sd_raw: float) -> float:
    """What erratum RP2040-E11 adds near one of its codes: readings, and so the mean, may lie anywhere on the wide step.

    Near is also where some of the scattered readings still fall on it.
    """
    reach = max(SPIKE_STEPS * STEP_RAW, 0.5 * SPIKE_STEPS * STEP_RAW + 2.0 * sd_raw)
    near = any(abs(mean_raw - code * STEP_RAW) <= reach for code in SPIKE_CODES)
    return rectangular_u(SPIKE_STEPS * STEP_RAW) if near else 0.0


def check(channel: str, mean_raw: float, sd_raw: float, n: int) -> None:
    """Raises ValueError for readings that cannot be."""
    if n < 1 or not 0.0 <= mean_raw <= RAW_FULL or not sd_raw >= 0.0 or not math.isfinite(sd_raw):
        raise ValueError(
            f"{channel}: mean {mean_raw}, sd {sd_raw}, n {n}, accepted 0..65535, 0 or more, 1 or more"
        )


def budget(channel: str, scale: Scaled, mean_raw: float, sd_raw: float, n: int) -> Budget:
    """Budget of the mean of n readings. mean_raw 0..65535, sd_raw their standard deviation (n - 1), n >= 1.

    Raises KeyError for a channel that does not exist, ValueError for readings that cannot be.
    """
    check(channel, mean_raw, sd_raw, n)
    gain_half_part, per_raw = GAIN_HALF_PART[channel], scale.per_raw
    value = mean_raw * per_raw
    converter_raw = math.hypot(CONVERTER_U_RAW, _spike_u_raw(mean_raw, sd_raw))
    return Budget(
        unit=scale.unit,
        value=value,
        n=n,
        noise=sd_raw / math.sqrt(n) * per_raw,
        quantisation=STEP_RAW / math.sqrt(12.0) * per_raw,
        converter=converter_raw * per_raw,
        offset=rectangular_u(OFFSET_HALF_MV) / PIN_FULL_MV * RAW_FULL * per_raw,
        reference=rectangular_u(REFERENCE_HALF_PART) * value,
        gain=rectangular_u(gain_half_part) * value,
    )


def to_unit(channel: str, scale: Scaled, mean_raw: float, sd_raw: float, n: int) -> Estimate:
    """The mean of n raw readings in the channel's unit with its 95 % interval.

    At the ends of the range a reading is only a bound, since what lies beyond reads the same. Errors as in
    budget().
    """
    found = budget(channel, scale, mean_raw, sd_raw, n)
    half = coverage_factor(found.df) * found.u
    value, low, high = found.value, found.value - half, found.value + half
    if mean_raw >= RAW_FULL - STEP_RAW:
        return Estimate(low, found.u, low, None, n, found.unit)
    return Estimate(value, found.u, max(0.0, low), max(0.0, high), n, found.unit)
