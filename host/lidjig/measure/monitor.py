"""Raw readings of power monitors and of the tach counter in physical units, and the front for every channel.

A monitor is of the INA226 type (TI SBOS547). Its current register holds shunt * calibration / 2048, both whole numbers,
so one step of the shunt input, 2.5 uV, may be several steps of the register or a part of one.
"""

from __future__ import annotations

import math
from typing import Protocol

from lidjig.measure import adc
from lidjig.measure.adc import Budget
from lidjig.measure.budget import rectangular_u
from lidjig.measure.estimate import Estimate, at_least, at_most, coverage_factor

RAW_FULL = 65535
BUS_RAW_FULL = 32767  # the bus register has 15 bits
ZERO_RAW = 32768  # a current register that holds 0
BUS_STEP_MV = 1.25
SHUNT_STEP_MV = 0.0025
# Largest errors by the INA226's data sheet, electrical characteristics at 25 deg C (SBOS547; values from memory).
BUS_OFFSET_HALF_MV = 7.5
SHUNT_OFFSET_HALF_MV = 0.010
GAIN_HALF_PART = 0.001  # of either input
SHUNT_HALF_PART = 0.01  # a 1 % shunt resistor (common practice, no source)

PULSE_WINDOW_S = 0.1
PULSES_FULL = 255  # the board counts no more in a window
# Edges that come while the board's service loop is on its way to read them lie beyond the window: up to 2 ms of it.
WINDOW_HALF_PART = 0.02

METERS_V = ("meter_1_v", "meter_2_v")
METERS_I = ("meter_1_i", "meter_2_i")
PULSES = "pulses"
_FULL = {"meter_1_v": BUS_RAW_FULL, "meter_2_v": BUS_RAW_FULL, PULSES: PULSES_FULL}  # where a channel ends, raw


class Shunted(Protocol):
    """A power monitor as wired: step of its current register in mA, and its shunt in ohm."""

    @property
    def step_ma(self) -> float: ...
    @property
    def shunt_ohm(self) -> float: ...


def budget(channel: str, mean_raw: float, sd_raw: float, n: int, shunted: Shunted | None = None) -> Budget:
    """Budget of the mean of n readings, for every channel. mean_raw 0..65535, sd_raw their standard deviation.

    shunted: the monitor, needed for its current. Raises KeyError for a channel that does not exist or whose monitor is
    not given, ValueError for readings that cannot be.
    """
    if channel in adc.CHANNELS:
        return adc.budget(channel, mean_raw, sd_raw, n)
    adc.check(channel, mean_raw, sd_raw, n)
    noise = sd_raw / math.sqrt(n)
    if channel in METERS_V:
        value = mean_raw * BUS_STEP_MV
        offset, gain = BUS_OFFSET_HALF_MV, GAIN_HALF_PART * value
        return _budget("mV", value, n, noise * BUS_STEP_MV, BUS_STEP_MV / math.sqrt(12.0), offset, gain)
    if channel in METERS_I:
        if shunted is None:
            raise KeyError(channel)
        value = (mean_raw - ZERO_RAW) * shunted.step_ma
        # The coarser of the two steps on the way is what a reading is rounded to.
        step_ma = max(shunted.step_ma, SHUNT_STEP_MV / shunted.shunt_ohm)
        offset, gain = SHUNT_OFFSET_HALF_MV / shunted.shunt_ohm, (GAIN_HALF_PART + SHUNT_HALF_PART) * abs(value)
        return _budget("mA", value, n, noise * shunted.step_ma, step_ma / math.sqrt(12.0), offset, gain)
    if channel == PULSES:
        per_raw = 1.0 / PULSE_WINDOW_S
        value = mean_raw * per_raw
        # Beginning and end of the window each fall anywhere between two edges: a triangle of one count either way
        # (JCGM 100:2008, 4.3.9). Windows overlap, so averaging does not make it smaller.
        return _budget("Hz", value, n, noise * per_raw, per_raw / math.sqrt(6.0), 0.0, WINDOW_HALF_PART * value)
    raise KeyError(channel)


def _budget(
    unit: str, value: float, n: int, noise: float, quantisation: float, offset_half: float, gain_half: float
) -> Budget:
    """A channel with its own reference: what is wrong with it counts as gain."""
    offset, gain = rectangular_u(offset_half), rectangular_u(gain_half)
    return Budget(unit, value, n, noise, quantisation, 0.0, offset, 0.0, gain)


def to_unit(channel: str, mean_raw: float, sd_raw: float, n: int, shunted: Shunted | None = None) -> Estimate:
    """The mean of n raw readings of any channel in its unit, with its 95 % interval.

    At the ends of the range a reading is only a bound. A current may be negative: a battery that feeds back. Errors as
    in budget().
    """
    if channel in adc.CHANNELS:
        return adc.to_unit(channel, mean_raw, sd_raw, n)
    found = budget(channel, mean_raw, sd_raw, n, shunted)
    half = coverage_factor(found.df) * found.u
    low, high = found.value - half, found.value + half
    if mean_raw > _FULL.get(channel, RAW_FULL) - 1:
        return at_least(low, found.unit, n)
    if channel in METERS_I:
        if mean_raw < 1:
            return at_most(high, found.unit, n)
        return Estimate(found.value, found.u, low, high, n, found.unit)
    return Estimate(found.value, found.u, max(0.0, low), max(0.0, high), n, found.unit)
