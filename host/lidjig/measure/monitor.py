"""Raw readings of power monitors and of the tach counter in physical units, and the front for every channel.

A monitor is of the INA226 type (TI SBOS547). Its current register holds shunt * calibration / 2048, both whole numbers,
so one step of the shunt input, 2.5 uV, may be several steps of the register or a part of one.
"""

from __future__ import annotations

import math

from lidjig.measure import adc
from lidjig.measure.adc import Budget, Scaled
from lidjig.measure.budget import rectangular_u
from lidjig.measure.estimate import Estimate, at_least, at_most, coverage_factor

SHUNT_STEP_MV = 0.0025
# Largest errors by the INA226's data sheet, electrical characteristics at 25 deg C (SBOS547; values from memory).
BUS_OFFSET_HALF_MV = 7.5
SHUNT_OFFSET_HALF_MV = 0.010
GAIN_HALF_PART = 0.001  # of either input
SHUNT_HALF_PART = 0.01  # a 1 % shunt resistor (common practice, no source)

# Edges that come while the board's service loop is on its way to read them lie beyond the window: up to 2 ms of it.
WINDOW_HALF_PART = 0.02

METERS_V = ("meter_1_v", "meter_2_v")
METERS_I = ("meter_1_i", "meter_2_i")
PULSES = "pulses"


def budget(
    channel: str, scale: Scaled, mean_raw: float, sd_raw: float, n: int, shunt_ohm: float | None = None
) -> Budget:
    """Budget of the mean of n readings, for every channel. mean_raw 0..65535, sd_raw their standard deviation.

    shunt_ohm: of the monitor, needed for its current. Raises KeyError for a channel that does not exist or whose shunt
    is not given, ValueError for readings that cannot be.
    """
    if channel in adc.GAIN_HALF_PART:
        return adc.budget(channel, scale, mean_raw, sd_raw, n)
    adc.check(channel, mean_raw, sd_raw, n)
    unit, step = scale.unit, scale.per_raw
    noise, value = sd_raw / math.sqrt(n) * step, (mean_raw - scale.offset) * step
    if channel in METERS_V:
        return _budget(unit, value, n, noise, step / math.sqrt(12.0), BUS_OFFSET_HALF_MV, GAIN_HALF_PART * value)
    if channel in METERS_I:
        if shunt_ohm is None:
            raise KeyError(channel)
        # The coarser of the two steps on the way is what a reading is rounded to.
        rounded = max(step, SHUNT_STEP_MV / shunt_ohm)
        offset, gain = SHUNT_OFFSET_HALF_MV / shunt_ohm, (GAIN_HALF_PART + SHUNT_HALF_PART) * abs(value)
        return _budget(unit, value, n, noise, rounded / math.sqrt(12.0), offset, gain)
    if channel == PULSES:
        # Beginning and end of the window each fall anywhere between two edges: a triangle of one count either way
        # (JCGM 100:2008, 4.3.9). Windows overlap, so averaging does not make it smaller.
        return _budget(unit, value, n, noise, step / math.sqrt(6.0), 0.0, WINDOW_HALF_PART * value)
    raise KeyError(channel)


def _budget(
    unit: str, value: float, n: int, noise: float, quantisation: float, offset_half: float, gain_half: float
) -> Budget:
    """A channel with its own reference: what is wrong with it counts as gain."""
    offset, gain = rectangular_u(offset_half), rectangular_u(gain_half)
    return Budget(unit, value, n, noise, quantisation, 0.0, offset, 0.0, gain)


def to_unit(
    channel: str, scale: Scaled, mean_raw: float, sd_raw: float, n: int, shunt_ohm: float | None = None
) -> Estimate:
    """The mean of n raw readings of any channel in its unit, with its 95 % interval.

    At the ends of the range a reading is only a bound. A current may be negative: a battery that feeds back. Errors as
    in budget().
    """
    if channel in adc.GAIN_HALF_PART:
        return adc.to_unit(channel, scale, mean_raw, sd_raw, n)
    found = budget(channel, scale, mean_raw, sd_raw, n, shunt_ohm)
    half = coverage_factor(found.df) * found.u
    low, high = found.value - half, found.value + half
    if mean_raw > scale.full_raw - 1:
        return at_least(low, found.unit, n)
    if channel in METERS_I:
        if mean_raw < 1:
            return at_most(high, found.unit, n)
        return Estimate(found.value, found.u, low, high, n, found.unit)
    return Estimate(found.value, found.u, max(0.0, low), max(0.0, high), n, found.unit)
