"""What a recorded transfer curve says of an angle sensor: zero, gain, linearity, hysteresis, repeatability, harmonics.

All errors are in degrees of the lid: error = (output - zero) / slope - lid angle, zero and slope being the ideal ones
of the profile. Lines and working formulas (common practice, no source; terms of VIM where it has them):

    zero error     the least squares line of the error at lid angle 0
    gain error     slope of the output over the ideal slope, less 1: the slope of that line
    INL            largest deviation from a line: from the least squares line, and from the line through the end points
    DNL            (step of the output - ideal step) / LSB between neighbouring angles; (y[k+1] - y[k]) / LSB - 1 where
                   the angles are one LSB apart
    hysteresis     largest difference of the means, lid coming up and going down, at one angle
    repeatability  standard deviation of approaches of one angle from the same side

How sure they are: readings at one angle from one side differ by noise, and that sd with its degrees of freedom carries
INL, DNL and hysteresis (where every angle was read once, the scatter about the harmonics stands in, which also holds
what these do not explain, and so is too wide rather than too narrow). The line and the harmonics are fitted to the
means per angle and side, and carry the scatter of those about the fit: more repeats do not make a curve straighter.
Zero and gain carry the scatter of the single runs' lines where that is larger: a run may be off as a whole. Harmonics 1
and 2 also carry what harmonics 3 to 6 may do to them, which over half a turn is much.

A jump or drift in the course of time is looked for first. Where it is jumps beyond doubt they are taken out: the
figures then stand for the state before the first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from lidjig.measure.curve_fit import (
    JUMP,
    ROUNDING_DEG,
    Fit,
    HarmonicFound,
    Shift,
    find_shift,
    harmonic_of,
    largest,
    least_squares,
    limited_squares,
    no_harmonic,
    orthonormal,
)
from lidjig.measure.curve_groups import Groups, columns_before, curve_of, design_of, grouped, nodes_of
from lidjig.measure.estimate import Estimate, at_most, nothing, symmetric

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

READINGS_MAX = 2000  # tables of readings by angles, and of angles by angles, are held at once: 32 MB each
HARMONICS_FITTED = 2
# Harmonics 3, 4, 5, 6: standard size as a part of the curve's deviation from a line. They fall off as q^n / n
# (sensor_errors.py) and as powers of the offset (magnet_field.py); unequal amplitudes of 0.9 have 0.026 and 0.001 of
# the 2nd in the 4th and 6th. Left out they would pass, over a part of a turn, for many times as much of a lower one.
HIGHER_PART = (0.1, 0.1, 0.01, 0.01)
DF_LEAST = 3
# Beside single readings a jump is looked for with more harmonics, lest it be the curve's own shape.
HARMONICS_MOST = 4


@dataclass(frozen=True)
class Scale:
    """The ideal transfer function: output = zero + slope * lid angle. unit: of the output, "deg" or "part".

    lsb: step of the output, None where unknown. turn: what the output wraps at, None where it does not.
    gain_known: the output is a count of the turn, so that its slope cannot be off; harmonics are then far better known
    over half a turn, where a wrong gain and a first harmonic look alike.
    """

    unit: str = "deg"
    slope: float = 1.0
    zero: float = 0.0
    lsb: float | None = None
    turn: float | None = None
    gain_known: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.slope) and self.slope != 0.0 and math.isfinite(self.zero)):
            raise ValueError(f"scale: slope {self.slope}, zero {self.zero}: accepted finite, a slope other than 0")
        for key in ("lsb", "turn"):
            value = getattr(self, key)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"scale.{key} = {value}, accepted above 0 or None")

    @property
    def lsb_deg(self) -> float | None:
        """Step of the output in deg of the lid."""
        return None if self.lsb is None else self.lsb / abs(self.slope)


@dataclass(frozen=True)
class Recording:
    """Readings in order of time: lid_deg (n,), output (n,), up (n,) lid coming from below, repeat (n,) number of the
    run. Raises ValueError for arrays that differ in length, are not finite, or are fewer than 3 or too many.
    """

    lid_deg: Floats
    output: Floats
    up: Bools
    repeat: Ints

    @classmethod
    def of(cls, lid_deg: ArrayLike, output: ArrayLike, up: ArrayLike, repeat: ArrayLike) -> Recording:
        """From anything like an array."""
        return cls(
            np.asarray(lid_deg, dtype=np.float64),
            np.asarray(output, dtype=np.float64),
            np.asarray(up, dtype=np.bool_),
            np.asarray(repeat, dtype=np.int64),
        )

    def __post_init__(self) -> None:
        shape = self.lid_deg.shape
        if len(shape) != 1 or any(a.shape != shape for a in (self.output, self.up, self.repeat)):
            raise ValueError("recording: accepted four arrays of one length")
        if not 3 <= shape[0] <= READINGS_MAX:
            raise ValueError(f"recording of {shape[0]} readings, accepted 3..{READINGS_MAX}; take means of several")
        if not np.all(np.isfinite(self.lid_deg) & np.isfinite(self.output)):
            raise ValueError("recording: leave out readings without an angle; accepted finite numbers only")


@dataclass(frozen=True)
class Figures:
    """See the top of the file. dnl: in LSB, or in deg where the LSB is not known. scatter_deg: sd of the means per
    angle and side about line and harmonics; None where those were not determined. span_deg: of the lid angles. lsb_deg,
    gain_known: of the scale, since they decide how the rest is read.
    """

    zero_error: Estimate
    gain_error: Estimate
    inl_endpoint: Estimate
    inl_least_squares: Estimate
    dnl: Estimate
    hysteresis: Estimate
    repeatability: Estimate
    first: HarmonicFound
    second: HarmonicFound
    shift: Shift | None
    scatter_deg: float | None
    span_deg: float
    lsb_deg: float | None
    gain_known: bool


def errors_deg(recording: Recording, scale: Scale) -> Floats:
    """Error (n,) of each reading in deg of the lid. Of an output that wraps, the turn nearest to the middle of all."""
    ideal = scale.zero + scale.slope * recording.lid_deg
    error = recording.output - ideal
    if scale.turn is not None:
        phase = 2.0 * math.pi * error / scale.turn
        middle = math.atan2(float(np.sum(np.sin(phase))), float(np.sum(np.cos(phase)))) * scale.turn / (2.0 * math.pi)
        error = middle + (error - middle + 0.5 * scale.turn) % scale.turn - 0.5 * scale.turn
    return np.asarray(error / scale.slope)


def figures(recording: Recording, scale: Scale) -> Figures:
    """All figures of a recording. What its readings do not determine is an Estimate without value or interval."""
    error = errors_deg(recording, scale)
    lsb = scale.lsb_deg
    floor = max(ROUNDING_DEG, (lsb or 0.0) / math.sqrt(12.0))
    node = nodes_of(recording.lid_deg)
    shift = find_shift(_explained(recording, node, error), error, 2 * recording.repeat + recording.up, floor)
    if shift is not None and shift.kind == JUMP:
        for at, size in zip(shift.at, shift.size, strict=True):
            error = error - np.where(np.arange(len(error)) >= at, size.value or 0.0, 0.0)
    groups = grouped(recording.lid_deg, recording.up, node, error)
    fit = _harmonic_fit(groups, scale.gain_known, floor)
    # Sine of the first harmonic: after mean, gain and side.
    at = columns_before(groups.up, scale.gain_known)
    n = len(error)
    first, second = (no_harmonic(k) if fit is None else harmonic_of(fit, k, at + 2 * k - 2, n) for k in (1, 2))
    sd, df = _noise(groups, fit)
    quantisation = 0.0 if lsb is None else lsb / math.sqrt(12.0)
    zero, gain = _line(recording, groups, node, error, floor)
    endpoint, squares, dnl = _linearity(groups, sd, df, quantisation, n)
    if lsb is not None and dnl.value is not None:
        dnl = dnl.scaled(1.0 / lsb, "LSB")
    return Figures(
        zero_error=zero,
        gain_error=gain,
        inl_endpoint=endpoint,
        inl_least_squares=squares,
        dnl=dnl,
        hysteresis=_hysteresis(groups, sd, df, quantisation),
        repeatability=_repeatability(groups, lsb),
        first=first,
        second=second,
        shift=shift,
        scatter_deg=None if fit is None else fit.sd,
        span_deg=float(np.ptp(recording.lid_deg)),
        lsb_deg=lsb,
        gain_known=scale.gain_known,
    )


def harmonic_u_parts(lid_deg: ArrayLike, up: ArrayLike, *, gain_known: bool) -> tuple[float, float]:
    """How much of the standard uncertainty of each lid angle (n,) the sine or cosine part of harmonics 1 and 2 carries,
    the worse of the two: of ordinary least squares (JCGM 100:2008, eq. 13). 0 where they are not determined.
    """
    sides = np.asarray(up, dtype=np.bool_)
    design = design_of(np.asarray(lid_deg, dtype=np.float64), sides, HARMONICS_FITTED, gain_known)
    if least_squares(design, np.zeros(len(design))) is None:
        return 0.0, 0.0
    covariance = np.linalg.inv(design.T @ design)
    at = columns_before(sides, gain_known)
    blocks = [covariance[at + k : at + k + 2, at + k : at + k + 2] for k in (0, 2)]
    first, second = (math.sqrt(float(np.linalg.eigvalsh(block)[-1])) for block in blocks)
    return first, second


def _explained(recording: Recording, node: Ints, error: Floats) -> Floats:
    """Orthonormal basis of what is no change in time: each angle and side its own level where most were read twice,
    else a smooth curve.
    """
    groups = grouped(recording.lid_deg, recording.up, node, error)
    if groups.df >= len(groups.count) // 2 and groups.df >= 8:
        basis = np.zeros((len(error), len(groups.count)))
        basis[np.arange(len(error)), groups.of] = 1.0 / np.sqrt(groups.count[groups.of])
        return basis
    highest = HARMONICS_MOST if len(error) >= 30 else HARMONICS_FITTED
    return orthonormal(design_of(recording.lid_deg, recording.up, highest, gain_known=False))


def _harmonic_fit(groups: Groups, gain_known: bool, floor: float) -> Fit | None:
    """Line and harmonics 1 and 2 through the means, harmonics 3 to 6 as nuisances of limited size."""
    wanted = design_of(groups.lid, groups.up, HARMONICS_FITTED, gain_known)
    whole = design_of(groups.lid, groups.up, len(HIGHER_PART) + HARMONICS_FITTED, gain_known)
    sizes = [_residual_sd(design, groups.mean, floor) for design in (wanted, whole)]
    known = [found for found in sizes if found is not None]
    if not known:
        return None
    # With the higher harmonics in it the scatter is that of the readings, as long as they leave enough df to tell.
    sd, df = known[-1]
    basis = orthonormal(design_of(groups.lid, groups.up, 0, gain_known))
    size = float(np.max(np.abs(groups.mean - basis @ (basis.T @ groups.mean))))
    limits = np.repeat(np.asarray(HIGHER_PART) * size, 2)
    return limited_squares(wanted, whole[:, wanted.shape[1] :], limits, groups.mean, sd, df)


def _residual_sd(design: Floats, mean: Floats, floor: float) -> tuple[float, int] | None:
    """(sd of means about the design, df); None where hardly any df is left."""
    basis = orthonormal(design)
    df = len(mean) - basis.shape[1]
    if df < DF_LEAST:
        return None
    rest = mean - basis @ (basis.T @ mean)
    return max(math.sqrt(float(rest @ rest) / df), floor), df


def _noise(groups: Groups, fit: Fit | None) -> tuple[float, float]:
    """(sd of one reading, its df); df 0 where nothing tells it."""
    # One angle read twice tells less than the scatter about the harmonics.
    if groups.df >= (1 if fit is None else DF_LEAST):
        return math.sqrt(groups.within_ss / groups.df), float(groups.df)
    return (0.0, 0.0) if fit is None else (fit.sd, float(fit.df))


def _line(
    recording: Recording, groups: Groups, node: Ints, error: Floats, floor: float
) -> tuple[Estimate, Estimate]:
    """Zero error in deg and gain error of the least squares line through the means, sides weighing alike."""
    n = len(error)
    middle = float(np.mean(groups.lid))
    fit = least_squares(design_of(groups.lid, groups.up, 0, gain_known=False), groups.mean, floor)
    if fit is None:
        return nothing("deg"), nothing("")
    per_deg = math.radians(1.0)
    # Carries mean and slope (rad) to the value at lid angle 0.
    to_zero = np.array([1.0, -math.radians(middle)])
    two = fit.covariance[:2, :2]
    zero, gain = float(fit.solved[:2] @ to_zero), float(fit.solved[1]) * per_deg
    u_zero, u_gain = math.sqrt(float(to_zero @ two @ to_zero)), math.sqrt(float(two[1, 1])) * per_deg
    runs, runs_df = _runs(recording, node, error)
    df = float(fit.df)
    if runs is not None:
        spread = np.sqrt(runs)
        if spread[0] > u_zero or spread[1] > u_gain:
            df = float(min(runs_df, fit.df))
        u_zero, u_gain = max(u_zero, float(spread[0])), max(u_gain, float(spread[1]))
    return symmetric(zero, u_zero, n, "deg", df), symmetric(gain, u_gain, n, "", df)


def _runs(recording: Recording, node: Ints, error: Floats) -> tuple[Floats | None, int]:
    """Variance of the mean of zero and gain by the lines of the single runs, pooled within sides; None where fewer than
    two runs of a side reach over the same angles.
    """
    lines: dict[bool, list[Floats]] = {}
    reach = int(np.max(node))
    for key in np.unique(2 * recording.repeat + recording.up):
        mask = 2 * recording.repeat + recording.up == key
        if np.count_nonzero(mask) < 3 or np.ptp(node[mask]) < 0.9 * reach:
            continue
        slope, zero = np.polyfit(recording.lid_deg[mask], error[mask], 1)
        lines.setdefault(bool(key % 2), []).append(np.array([zero, slope]))
    pooled = [np.stack(found) for found in lines.values() if len(found) >= 2]
    df = sum(len(found) - 1 for found in pooled)
    if df < 2:
        return None, 0
    ss = sum((np.sum((found - found.mean(axis=0)) ** 2, axis=0) for found in pooled), np.zeros(2))
    return np.asarray(ss / df / sum(len(found) for found in pooled)), df


def _linearity(
    groups: Groups, sd: float, df: float, quantisation: float, n: int
) -> tuple[Estimate, Estimate, Estimate]:
    """INL from the end points' line, INL from the least squares line, DNL in deg."""
    lid, mean, part = curve_of(groups)
    k = len(lid)
    if k < 3:
        return nothing("deg"), nothing("deg"), nothing("deg")
    variance = sd * sd * part + quantisation**2
    one = np.eye(k)
    share = (lid - lid[0]) / (lid[-1] - lid[0])
    ends = one - np.outer(1.0 - share, one[0]) - np.outer(share, one[-1])
    basis = orthonormal(np.stack([np.ones(k), lid - lid.mean()], axis=1))
    squares = one - basis @ basis.T
    # The end points lie on their own line: no candidates.
    found = [_largest_of(ends[1:-1], mean, variance, df, n), _largest_of(squares, mean, variance, df, n)]
    return found[0], found[1], _largest_of(one[1:] - one[:-1], mean, variance, df, n)


def _largest_of(rows: Floats, mean: Floats, variance: Floats, df: float, n: int) -> Estimate:
    """largest() of rows (j, k) applied to means (k,) of the given variance (k,)."""
    return largest(rows @ mean, np.sqrt(rows**2 @ variance), df, n, "deg")


def _hysteresis(groups: Groups, sd: float, df: float, quantisation: float) -> Estimate:
    """Largest difference of the sides' means at one angle."""
    both = np.flatnonzero((groups.node[1:] == groups.node[:-1]) & (groups.up[1:] != groups.up[:-1]))
    if len(both) == 0:
        return nothing("deg")
    apart = groups.mean[both + 1] - groups.mean[both]
    parts = 1.0 / groups.count[both] + 1.0 / groups.count[both + 1]
    u = np.sqrt(sd * sd * parts + 2.0 * quantisation**2)
    return largest(apart, u, df, int(np.sum(groups.count[both] + groups.count[both + 1])), "deg")


def _repeatability(groups: Groups, lsb_deg: float | None) -> Estimate:
    """Pooled sd with the interval of the chi-squared distribution."""
    df, ss = groups.df, groups.within_ss
    n = int(np.sum(groups.count[groups.count > 1]))
    if df < 1:
        return nothing("deg")
    sd = math.sqrt(ss / df)
    if sd < ROUNDING_DEG:
        # Always the same code: below a step, and by how much nobody can say.
        return Estimate(0.0, None, None, None, n, "deg") if lsb_deg is None else at_most(lsb_deg, "deg", n)
    low, high = (math.sqrt(ss / float(chdtri(df, tail))) for tail in (0.025, 0.975))
    return Estimate(sd, sd / math.sqrt(2.0 * df), low, high, n, "deg")
