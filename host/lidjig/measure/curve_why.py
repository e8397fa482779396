"""What a transfer curve's figures say of its cause: magnet or sensor off centre, magnet loose, unequal amplitudes.

What tells them apart (magnet_field.py and sensor_errors.py, which work it out):

- A magnet off centre alone does nothing to a point sensor on the axis of rotation; with a sensor that is off as well it
  gives a 1st harmonic, larger than the 2nd. An offset of the sine or cosine signal, or a stray field, gives a 1st
  harmonic too: the curve alone does not tell these apart.
- A sensor off centre gives a 2nd harmonic that grows as the square of the offset; so do unequal amplitudes of sine and
  cosine (the commonest cause, TI SBAA539A) and tilt. Two things may tell them apart: how far off the sensor would have
  to be, and the phase, which for unequal amplitudes follows the sensor's own axes.
- A magnet that slips gives a jump that stays. One that has play, or slips again and again, gives hysteresis or runs
  that differ; so do a worn hinge and the sensor itself.

Nothing is called likely while another cause of the list (the five names below) fits the figures as well; what lies
beyond that list and fits as well stands beside each cause. Nothing is certain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lidjig.measure.curve import Figures
from lidjig.measure.curve_fit import JUMP, RESTLESS, HarmonicFound, Shift
from lidjig.measure.estimate import Estimate
from lidjig.measure.magnet_field import Magnet, field_t

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MAGNET_OFF = "magnet off centre"
SENSOR_OFF = "sensor off centre"
LOOSE = "magnet loose"
MISMATCH = "amplitude mismatch"
NONE = "none that the figures show"

LIKELY = "likely"
POSSIBLE = "possible"

# Beside the list: what the curve alone does not tell from its causes.
SIGNAL_OFFSET = "offset of the sine or cosine signal"
STRAY_FIELD = "stray field of another magnet"
TILT = "magnet or sensor tilted"
PHASE = "phase error of sine and cosine"
GAIN = "wrong gain, bent the same way over this span"
DRIFTING = "slow drift, warming up for one"
TOUCHED = "machine or jig moved during the recording"
PLAY = "play or friction in the hinge"
OWN_HYSTERESIS = "hysteresis of the sensor itself"

SHOWN_P = 0.01  # two harmonics are looked at in every curve; 5 % would see one in every tenth good sensor
OFFSET_MAX_MM = 1.0  # a hinge is not built worse (common practice, no source)
WHOLE_TURN_DEG = 300.0  # from here on a wrong gain and a 1st harmonic no longer look alike
GRID = 17
TURN = 64
DIRECTIONS_DEG = (0.0, 30.0, 45.0, 60.0, 90.0)  # of the magnet's offset to its own polarisation


@dataclass(frozen=True)
class Cause:
    """name: one of the list above. standing: likely or possible. evidence: the figures, in words.

    not_told_from: other explanations that these figures fit as well.
    """

    name: str
    standing: str
    evidence: str
    not_told_from: tuple[str, ...] = ()


@dataclass(frozen=True)
class Known:
    """What is known of the build beside the curve. magnet and gap_mm: as fitted, both or none. axis_deg: lid angle at
    which the sensor's own angle, before any zero is taken off, is 0. offset_max_mm: worst case of the build.
    """

    magnet: Magnet | None = None
    gap_mm: float | None = None
    axis_deg: float | None = None
    offset_max_mm: float = OFFSET_MAX_MM

    def __post_init__(self) -> None:
        if (self.magnet is None) != (self.gap_mm is None):
            raise ValueError("known: accepted magnet and gap together, or neither")
        if not (math.isfinite(self.offset_max_mm) and self.offset_max_mm > 0.0):
            raise ValueError(f"known.offset_max_mm = {self.offset_max_mm}, accepted above 0")


def likely_causes(figures: Figures, known: Known | None = None) -> tuple[Cause, ...]:
    """Causes that fit the figures, the likelier first; never empty: NONE says what may still hide in the figures."""
    known = Known() if known is None else known
    found = _of_shift(figures.shift) or _of_hysteresis(figures)
    first, second = (_shown(h, figures.lsb_deg) for h in (figures.first, figures.second))
    if first and second:
        found += _both(figures, known)
    elif first:
        found.append(_first_only(figures, known))
    elif second:
        found += _second_only(figures, known)
    order = (LIKELY, POSSIBLE)
    found.sort(key=lambda cause: order.index(cause.standing))
    return tuple(found) or (Cause(NONE, POSSIBLE, _hidden(figures)),)


def _shown(found: HarmonicFound, lsb_deg: float | None) -> bool:
    """Told from none, and more than the steps of the output make by themselves."""
    if found.p is None or found.amplitude.value is None:
        return False
    return found.p < SHOWN_P and found.amplitude.value > 0.5 * (lsb_deg or 0.0)


def _of_shift(shift: Shift | None) -> list[Cause]:
    if shift is None or not shift.size:
        return []
    jumps = ", ".join(f"{_said(size)} from reading {at + 1} on" for at, size in zip(shift.at, shift.size, strict=True))
    if shift.kind == RESTLESS:
        return [Cause(LOOSE, POSSIBLE, f"the runs differ among themselves, by jumps of {jumps}", (PLAY, TOUCHED))]
    if not shift.stays:
        return []
    evidence = f"the output jumps by {jumps}, and stays {_said(shift.net)} away"
    if shift.kind == JUMP:
        return [Cause(LOOSE, LIKELY, evidence, (TOUCHED,))]
    return [Cause(LOOSE, POSSIBLE, f"{evidence}; a drift fits about as well", (DRIFTING, TOUCHED))]


def _of_hysteresis(figures: Figures) -> list[Cause]:
    """Coming up and going down differ by more than a step of the output, and by more than readings do by themselves."""
    found = figures.hysteresis
    scatter = figures.repeatability.value or figures.scatter_deg or 0.0
    if found.low is None or not found.low > max(scatter, figures.lsb_deg or 0.0):
        return []
    evidence = f"up and down differ by {_said(found)}"
    if figures.repeatability.value is None:
        evidence += "; with one run of each a jump at the turn looks the same: record a second"
    return [Cause(LOOSE, POSSIBLE, evidence, (PLAY, OWN_HYSTERESIS))]


def _both(figures: Figures, known: Known) -> list[Cause]:
    """Both harmonics are there: which one is larger decides what can be said of the magnet."""
    seconds = [cause for cause in _second_only(figures, known) if cause.name != NONE]
    low, high = figures.first.amplitude.low, figures.second.amplitude.high
    larger = low is not None and high is not None and low > high
    first = _first_only(figures, known)
    if larger:
        return [first, *(Cause(c.name, POSSIBLE, c.evidence, c.not_told_from) for c in seconds)]
    # With the sensor off centre the magnet's own offset gives the larger of the two: here it need not be there.
    evidence = f"{first.evidence}; it is not larger than the 2nd ({_said(figures.second.amplitude)})"
    return [*seconds, Cause(MAGNET_OFF, POSSIBLE, evidence, first.not_told_from)]


def _first_only(figures: Figures, known: Known) -> Cause:
    evidence = f"1st harmonic {_said(figures.first.amplitude)}, {_chance(figures.first)}"
    others = [SIGNAL_OFFSET, STRAY_FIELD]
    if not figures.gain_known and figures.span_deg < WHOLE_TURN_DEG:
        others.append(GAIN)
    needed = offset_for(figures.first.amplitude, 1, known)
    standing = LIKELY if GAIN not in others else POSSIBLE
    if needed is not None:
        evidence += f"; magnet and sensor would both be {_distance(needed, known)} off, or one less and the other more"
        if needed.value is None:
            standing = POSSIBLE
    else:
        evidence += "; magnet and sensor would both be off: a magnet off centre alone shows nothing"
    return Cause(MAGNET_OFF, standing, evidence, tuple(others))


def _second_only(figures: Figures, known: Known) -> list[Cause]:
    amplitude = figures.second.amplitude
    said = f"2nd harmonic {_said(amplitude)}, {_chance(figures.second)}"
    mismatch = f"; the amplitudes would be as {_ratio_said(amplitude)} to 1"
    needed = offset_for(amplitude, 2, known)
    sensor = "" if needed is None else f"; the sensor would be {_distance(needed, known)} off, {_whatever(known)}"
    too_far = needed is not None and needed.value is None
    off_axis = _off_axis_deg(figures.second, known)
    excluded = off_axis is not None and off_axis[0] > off_axis[1]
    phase = "" if off_axis is None else f"; its phase is {off_axis[0]:.0f} deg from that of unequal amplitudes"
    if too_far and excluded:
        return [Cause(NONE, POSSIBLE, f"{said}{phase}{sensor}", (PHASE, TILT))]
    if too_far:
        return [Cause(MISMATCH, LIKELY, f"{said}{mismatch}{phase}{sensor}", (PHASE, TILT))]
    if excluded:
        return [Cause(SENSOR_OFF, LIKELY, f"{said}{sensor}{phase}", (PHASE, TILT))]
    return [
        Cause(MISMATCH, POSSIBLE, f"{said}{mismatch}{phase}", (SENSOR_OFF, PHASE, TILT)),
        Cause(SENSOR_OFF, POSSIBLE, f"{said}{sensor}", (MISMATCH, PHASE, TILT)),
    ]


def _off_axis_deg(second: HarmonicFound, known: Known) -> tuple[float, float] | None:
    """(distance of the phase from what unequal amplitudes give, 0..90, half its interval); None where not known.

    Unequal amplitudes give +/- sin(2 (angle - axis)): the phase plus twice the axis is a multiple of 180.
    """
    phase = second.phase
    if known.axis_deg is None or phase.value is None or phase.high is None:
        return None
    away = (phase.value + 2.0 * known.axis_deg + 90.0) % 180.0 - 90.0
    return abs(away), phase.high - phase.value


def ratio_of(second_deg: float) -> float:
    """Ratio of the amplitudes, smaller to larger, that gives a 2nd harmonic of this amplitude: it is (1 - k)/(1 + k)
    rad, the first term of the series of atan2.
    """
    part = min(math.radians(second_deg), 1.0)
    return (1.0 - part) / (1.0 + part)


def _ratio_said(amplitude: Estimate) -> str:
    low, high = amplitude.low, amplitude.high
    ends = "" if low is None or high is None else f" ({ratio_of(high):.3f} to {ratio_of(low):.3f})"
    return f"{ratio_of(amplitude.value or 0.0):.3f}{ends}"


def offset_for(amplitude: Estimate, order: int, known: Known) -> Estimate | None:
    """How far off the axis of rotation, in mm, gives this amplitude (deg): of the sensor for order 2, of sensor and
    magnet alike for order 1. None without a magnet; no value where even offset_max_mm does not reach the low end.

    The magnet's own place has a part in the 2nd harmonic too. It is not known: the 1st harmonic, which would tell it,
    may be the signals' own offset or be hidden by one. So the value stands for a centred magnet, and the interval holds
    every place of the magnet up to offset_max_mm; for order 1, every direction.
    """
    if known.magnet is None or known.gap_mm is None or amplitude.value is None:
        return None
    offsets, given, least, most = _heights(known.magnet, known.gap_mm, known.offset_max_mm, order)

    def inverse(deg: float, heights: Floats) -> float | None:
        """None past the last offset. A height grows as the square of the offset: straight lines between its roots."""
        if deg > heights[-1]:
            return None
        return float(np.interp(math.sqrt(max(0.0, deg)), np.sqrt(heights), offsets))

    low = inverse(amplitude.value if amplitude.low is None else amplitude.low, most)
    if low is None:
        return Estimate(None, None, None, None, amplitude.n, "mm")
    # Beyond the grid the upper end is not known.
    high = inverse(amplitude.value if amplitude.high is None else amplitude.high, least)
    value = inverse(amplitude.value, given)
    return Estimate(low if value is None else value, None, low, None if value is None else high, amplitude.n, "mm")


def _heights(magnet: Magnet, gap_mm: float, offset_max_mm: float, order: int) -> tuple[Floats, Floats, Floats, Floats]:
    """(offsets in mm, amplitude in deg that each gives, the least and the most that it may give), each (GRID,),
    ascending.

    The 2nd harmonic is least with a centred magnet and grows with the magnet's offset, in every direction: the two ends
    of its way are enough. By symmetry so is a quarter turn of directions.
    """
    offsets = np.linspace(0.0, offset_max_mm, GRID)
    turns = np.exp(1j * np.radians(DIRECTIONS_DEG))
    if order == 1:
        magnets = offsets * turns[:, None]
    else:
        magnets = np.concatenate([np.zeros((1, GRID)), np.repeat(offset_max_mm * turns[:, None], GRID, axis=1)])
    rows = _harmonic_deg(magnet, gap_mm, offsets, np.asarray(magnets, dtype=np.complex128), order)
    ascending = np.maximum.accumulate(rows, axis=1)
    return offsets, ascending[0], ascending.min(axis=0), ascending.max(axis=0)


def _harmonic_deg(magnet: Magnet, gap_mm: float, sensor_mm: Floats, magnet_mm: Complexes, order: int) -> Floats:
    """Amplitude (...) of a harmonic of the angle error with the sensor off by sensor_mm, the magnet by magnet_mm (...),
    along and across its polarisation: magnet_field.angle_error_deg for many mountings without tilt at once.
    """
    turn = np.exp(-2j * np.pi * np.arange(TURN) / TURN)
    # The sensor as the turning magnet sees it; so seen, the field's angle is the error.
    seen = sensor_mm[:, None] * turn - magnet_mm[..., None]
    z_mm = np.full(seen.shape, gap_mm + 0.5 * magnet.height_mm)
    field = field_t(magnet, np.stack([seen.real, seen.imag, z_mm], axis=-1))
    error_deg = np.degrees(np.arctan2(-field[..., 1], -field[..., 0]))
    return np.asarray(np.abs(np.fft.rfft(error_deg, axis=-1)[..., order]) * 2.0 / TURN)


def _whatever(known: Known) -> str:
    return f"the magnet anywhere up to {known.offset_max_mm:g} mm"


def _distance(needed: Estimate, known: Known) -> str:
    if needed.value is None or needed.low is None:
        return f"more than {known.offset_max_mm:g} mm"
    if needed.high is None:
        return f"at least {needed.low:.2f} mm"
    return f"{needed.value:.2f} mm ({needed.low:.2f} to {needed.high:.2f})"


def _said(found: Estimate) -> str:
    if found.value is None:
        return "not known"
    if found.low is None or found.high is None:
        return f"{found.value:.2f} deg"
    return f"{found.value:.2f} deg ({found.low:.2f} to {found.high:.2f})"


def _chance(found: HarmonicFound) -> str:
    p = found.p
    return "chance of it by accident " + ("below 0.1 %" if p is None or p < 0.001 else f"{100.0 * p:.1f} %")


def _hidden(figures: Figures) -> str:
    """What the figures would not show."""
    words: list[str] = []
    for name, found in (("1st", figures.first), ("2nd", figures.second)):
        if found.p is None or found.amplitude.high is None:
            words.append(f"{figures.span_deg:.0f} deg of lid do not tell a {name} harmonic")
        else:
            words.append(f"a {name} harmonic up to {found.amplitude.high:.2f} deg may hide")
    shift = figures.shift
    if shift is not None and not shift.stays:
        words.append(f"the output jumped and came back, {_said(shift.net)} at the end")
    elif shift is not None and not shift.size:
        words.append(f"the output drifted by {_said(shift.net)}, steadily, which no cause of this list does")
    return "; ".join(words)
