"""What a line of the connector looks into: source voltage and resistance from readings under two test loads.

The line is a source V behind a resistance R. The jig reads it while a known resistance Rt pulls it to ground
(v_low) and while the same Rt pulls it to the drive level Vd (v_high). The divider of the converter loads the
line with Rb all along. By Kirchhoff's current law at the node, twice:

    x  = (v_high - v_low) / Vd
    Rp = Rt * x / (1 - x)               the line's resistance and Rb in parallel
    V' = v_low * (1 + Rp / Rt)          the voltage behind Rp
    R  = 1 / (1 / Rp - 1 / Rb)          Rb taken out
    V  = V' * R / Rp

x runs from 0 (a short: the load does not move the line) to Rb / (Rb + Rt) (nothing but the divider: an open
line), and R rises with x throughout. So the interval is formed in x, where the readings' errors are small and
even, and its ends are carried over: at the open end R has then a lower bound and no upper one, at the short
end an upper one and 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lidjig.measure import adc
from lidjig.measure.budget import Floats, combined_u, rectangular_u, sensitivities
from lidjig.measure.estimate import Estimate, at_least, coverage_factor, nothing

TEST_LOAD_OHM = 10_000.0  # 0.1 % (WIRING.md)
# The buffer behind the test resistor adds tens of ohms, differently high and low (74LVC1G126: value
# from memory).
TEST_LOAD_U_OHM = 25.0
BLEEDER_OHM = 2_000_000.0  # divider of every channel, to ground (WIRING.md)
BLEEDER_U_PART = 0.01

PULLED = "pulled"
OPEN = "open"
SHORT_LOW = "short to ground"
SHORT_HIGH = "short to supply"
UNCLEAR = "unclear"


@dataclass(frozen=True)
class Reading:
    """A reading in mV with its errors apart, since they act differently in differences and ratios.

    u_mv: its own part (noise, steps, nonlinearity). The errors of offset, reference and divider are
    common to several readings; thevenin() adds them where they do not cancel.
    """

    mv: float
    u_mv: float
    n: int = 1

    @classmethod
    def of_raw(cls, channel: str, scale: adc.Scaled, mean_raw: float, sd_raw: float, n: int) -> Reading:
        """From a measurement of the jig. Errors as in adc.budget()."""
        found = adc.budget(channel, scale, mean_raw, sd_raw, n)
        return cls(found.value, found.u_difference, n)


@dataclass(frozen=True)
class LineSource:
    """What a line looks into: resistance in ohm and the voltage behind it in mV.

    An open line has a resistance of at least something and no voltage that could be told. x: see the module.
    """

    resistance: Estimate
    voltage: Estimate
    x: float
    u_x: float
    drive_mv: float

    def kind(self, *, short_max_ohm: float, open_min_ohm: float) -> str:
        """PULLED, OPEN, SHORT_LOW, SHORT_HIGH or UNCLEAR, by the interval and not by the value alone.

        A short is one whose resistance is surely below short_max_ohm, an open line one surely above
        open_min_ohm.
        """
        low, high = self.resistance.low, self.resistance.high
        if low is not None and low >= open_min_ohm:
            return OPEN
        if high is not None and high <= short_max_ohm:
            if self.voltage.value is None:
                return UNCLEAR
            return SHORT_HIGH if self.voltage.value > 0.5 * self.drive_mv else SHORT_LOW
        clear = low is not None and low > short_max_ohm and high is not None and high < open_min_ohm
        return PULLED if clear else UNCLEAR


def thevenin(
    v_low_mv: float | Reading,
    v_high_mv: float | Reading,
    v_drive_mv: float | Reading,
    r_test_ohm: float = TEST_LOAD_OHM,
    *,
    u_mv: float = 1.0,
    u_r_test_ohm: float = TEST_LOAD_U_OHM,
    r_bleeder_ohm: float = BLEEDER_OHM,
) -> LineSource:
    """Resistance and voltage of the source behind a line.

    v_low_mv, v_high_mv: the line with the load to ground and to the drive level; v_drive_mv: that level, read
    at the same time. Plain numbers get u_mv as their own standard uncertainty. r_bleeder_ohm: math.inf for a
    meter that loads nothing. Raises ValueError for a drive level or resistance that is not positive.
    """
    low, high, drive = (
        v if isinstance(v, Reading) else Reading(v, u_mv) for v in (v_low_mv, v_high_mv, v_drive_mv)
    )
    if drive.mv <= 0.0 or r_test_ohm <= 0.0 or r_bleeder_ohm <= 0.0:
        raise ValueError(
            f"drive {drive.mv} mV, test load {r_test_ohm} ohm, bleeder {r_bleeder_ohm} ohm: accepted above 0"
        )
    n = min(low.n, high.n, drive.n)
    x = (high.mv - low.mv) / drive.mv
    u_x = _u_x(low, high, drive, x, u_r_test_ohm / r_test_ohm, r_test_ohm / r_bleeder_ohm)
    resistance = _resistance(x, u_x, r_test_ohm, r_bleeder_ohm, n)
    voltage = _voltage(low, high, drive, resistance, r_test_ohm, r_bleeder_ohm, u_r_test_ohm, n)
    return LineSource(resistance, voltage, x, u_x, drive.mv)


def _u_x(low: Reading, high: Reading, drive: Reading, x: float, test_part: float, bleed_part: float) -> float:
    """Standard uncertainty of x, with the errors of both resistors expressed as errors of x.

    The offset is common to v_low and v_high and cancels in their difference; the reference error is common to
    all three and cancels in the ratio. The offset stays in the drive level, and so do the gain errors of two
    different dividers.
    """
    offset_mv = rectangular_u(adc.OFFSET_HALF_MV) * 2.0  # at the line, behind the 2:1 divider
    gain_part = rectangular_u(adc.DIVIDER_HALF_PART) * math.sqrt(2.0)
    parts = (
        low.u_mv / drive.mv,
        high.u_mv / drive.mv,
        x * math.hypot(drive.u_mv, offset_mv) / drive.mv,
        x * gain_part,
        x * (1.0 - x) * test_part,  # dR/R = dRt/Rt, and dR/dx = Rt / (1 - x)**2
        x * x * bleed_part * BLEEDER_U_PART,  # the conductance 1 / Rp = (1 - x) / (Rt x)
    )
    return math.sqrt(sum(p * p for p in parts))


def _ohm(x: float, r_test_ohm: float, r_bleeder_ohm: float) -> float:
    """Resistance of the line for an x; math.inf where no finite one gives it, 0 below 0."""
    if x <= 0.0:
        return 0.0
    conductance = (1.0 - x) / (r_test_ohm * x) - 1.0 / r_bleeder_ohm
    return 1.0 / conductance if conductance > 0.0 else math.inf


def _resistance(x: float, u_x: float, r_test_ohm: float, r_bleeder_ohm: float, n: int) -> Estimate:
    half = coverage_factor(math.inf) * u_x
    low = _ohm(x - half, r_test_ohm, r_bleeder_ohm)
    middle = _ohm(x, r_test_ohm, r_bleeder_ohm)
    high = _ohm(x + half, r_test_ohm, r_bleeder_ohm)
    if math.isinf(low):
        # Not even the lower end leaves a current to be seen: the readings contradict the circuit (a source
        # that drives).
        return nothing("ohm")
    if math.isinf(high) or math.isinf(middle):
        return at_least(low, "ohm", n)
    inside = min(max(x, half), 1.0 - half) if half < 0.5 else x
    slope = r_test_ohm / (1.0 - inside) ** 2 * (1.0 + middle / r_bleeder_ohm) ** 2
    return Estimate(middle, slope * u_x, low, high, n, "ohm")


def _voltage(
    low: Reading,
    high: Reading,
    drive: Reading,
    resistance: Estimate,
    r_test_ohm: float,
    r_bleeder_ohm: float,
    u_r_test_ohm: float,
    n: int,
) -> Estimate:
    """Voltage behind the resistance in mV; nothing where the resistance has no upper bound."""
    if resistance.high is None:
        return nothing("mV")

    def model(inputs: Floats) -> float:
        v_low, v_high, v_drive, r_test = (float(i) for i in inputs)
        part = (v_high - v_low) / v_drive
        if part <= 0.0:
            return 0.5 * (v_low + v_high)  # a source too stiff for the loads to move it
        loaded = r_test * part / (1.0 - part)
        return v_low * (1.0 + loaded / r_test) / (1.0 - min(0.9, loaded / r_bleeder_ohm))

    inputs = (low.mv, high.mv, drive.mv, r_test_ohm)
    own = (low.u_mv, high.u_mv, drive.u_mv, u_r_test_ohm)
    slopes = sensitivities(model, inputs, own)
    # Offset and reference move all three readings together: their slopes add before they are squared.
    offset = rectangular_u(adc.OFFSET_HALF_MV) * 2.0 * float(slopes[:3].sum())
    scale = rectangular_u(adc.REFERENCE_HALF_PART) * float(slopes[:3] @ np.asarray(inputs[:3]))
    line_gain = rectangular_u(adc.DIVIDER_HALF_PART) * float(slopes[:2] @ np.asarray(inputs[:2]))
    drive_gain = rectangular_u(adc.DIVIDER_HALF_PART) * float(slopes[2]) * drive.mv
    u = math.hypot(combined_u(slopes, own), offset, scale, line_gain, drive_gain)
    value = model(np.asarray(inputs))
    half = coverage_factor(math.inf) * u
    return Estimate(value, u, value - half, value + half, n, "mV")
