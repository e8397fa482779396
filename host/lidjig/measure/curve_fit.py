"""Linear models of a transfer curve's error: least squares, harmonics with intervals, jumps in the course of time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

from lidjig.measure.estimate import Estimate, coverage_factor, nothing, symmetric

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CONDITION_MAX = 1e6  # of a design with columns of like size; beyond it the columns are the same thing
ROUNDING_DEG = 1e-9  # no reading is better: keeps exact, invented curves from having no noise at all


@dataclass(frozen=True)
class Fit:
    """solved (p,), covariance (p, p) by the residuals, residual (n,), sd of the residuals, df = n - p."""

    solved: Floats
    covariance: Floats
    residual: Floats
    sd: float
    df: int


def _determined(design: Floats) -> bool:
    """Whether the columns tell their coefficients apart, with readings to spare."""
    n, p = design.shape
    size = np.linalg.norm(design, axis=0)
    return n > p and bool(np.all(size > 1e-9)) and bool(np.linalg.cond(design / size) < CONDITION_MAX)


def least_squares(design: Floats, y: Floats, floor: float = ROUNDING_DEG) -> Fit | None:
    """Ordinary least squares of y (n,) on design (n, p); None where that is not determined or no df is left.

    floor: least sd of a reading, in the unit of y (its resolution).
    """
    n, p = design.shape
    if not _determined(design):
        return None
    q, r = np.linalg.qr(design)
    solved = np.linalg.solve(r, q.T @ y)
    residual = y - design @ solved
    sd = max(math.sqrt(float(residual @ residual) / (n - p)), floor)
    inverse = np.linalg.inv(r)
    return Fit(solved, sd * sd * (inverse @ inverse.T), residual, sd, n - p)


def limited_squares(design: Floats, nuisance: Floats, limits: Floats, y: Floats, sd: float, df: int) -> Fit | None:
    """Least squares of y (n,) on design (n, p), with columns nuisance (n, k) whose coefficients are known to be 0 with
    standard uncertainty limits (k,) before anything is read.

    Each limit is one more reading (Gelman et al., Bayesian Data Analysis, section 14.8): so the interval holds what the
    nuisances could do. sd, df: of the readings. None where the design is not determined.
    """
    p = design.shape[1]
    if not _determined(design):
        return None
    scale = np.maximum(limits, ROUNDING_DEG * 1e-3)
    rows = np.hstack([np.zeros((len(scale), p)), np.diag(sd / scale)])
    whole = np.vstack([np.hstack([design, nuisance]), rows])
    q, r = np.linalg.qr(whole)
    solved = np.linalg.solve(r, q.T @ np.concatenate([y, np.zeros(len(scale))]))
    inverse = np.linalg.inv(r)[:p]
    residual = y - np.hstack([design, nuisance]) @ solved
    return Fit(solved[:p], sd * sd * (inverse @ inverse.T), residual, sd, df)


@dataclass(frozen=True)
class HarmonicFound:
    """A harmonic of the error: amplitude_deg * sin(order * lid angle + phase_deg).

    p: chance of one as large where there is none (F test of sine and cosine part together); None where nothing was
    determined. The phase has an interval only where p is below 5 %, and may lie beyond +/-180 at its ends.
    """

    order: int
    amplitude: Estimate
    phase: Estimate
    p: float | None


def no_harmonic(order: int) -> HarmonicFound:
    """What the angles do not determine."""
    return HarmonicFound(order, nothing("deg"), nothing("deg"), None)


def harmonic_of(fit: Fit, order: int, at: int, n: int) -> HarmonicFound:
    """The harmonic with its sine part in column `at` and its cosine part in the next; n: readings behind the fit.

    Amplitude and phase carry their uncertainty to first order (JCGM 100:2008, 5.2.2). Where the F test does not tell
    it from none, the interval of the amplitude begins at 0.
    """
    part = fit.solved[at : at + 2]
    covariance = fit.covariance[at : at + 2, at : at + 2]
    amplitude = math.hypot(float(part[0]), float(part[1]))
    f = 0.5 * float(part @ np.linalg.solve(covariance, part))
    # Survival function of F(2, df) in closed form.
    p = (1.0 + 2.0 * f / fit.df) ** (-0.5 * fit.df)
    along = part / amplitude if amplitude > 0.0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    u = math.sqrt(max(0.0, float(along @ covariance @ along)))
    half = coverage_factor(fit.df) * u
    if p > 0.05:
        # The longer axis: the direction is not known.
        widest = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
        high = amplitude + coverage_factor(fit.df) * widest
        return HarmonicFound(order, Estimate(amplitude, u, 0.0, high, n, "deg"), nothing("deg"), p)
    found = Estimate(amplitude, u, max(0.0, amplitude - half), amplitude + half, n, "deg")
    phase_deg = math.degrees(math.atan2(float(part[1]), float(part[0])))
    u_phase = math.degrees(math.sqrt(max(0.0, float(across @ covariance @ across))) / amplitude)
    return HarmonicFound(order, found, symmetric(phase_deg, u_phase, n, "deg", fit.df), p)


def largest(values: Floats, u: Floats, df: float, n: int, unit: str) -> Estimate:
    """The largest |value| (k,) with an interval that covers the true largest.

    u (k,) standard uncertainties. With every true value within its own t * u, t widened to k at once (Bonferroni), the
    largest lies between the largest of |value| - t u and that of |value| + t u. df below 1: no interval.
    """
    size = np.abs(values)
    if len(size) == 0:
        return nothing(unit)
    at = int(np.argmax(size))
    if df < 1.0:
        return Estimate(float(size[at]), None, None, None, n, unit)
    t = coverage_factor(df, 1.0 - 0.05 / len(size))
    low = max(0.0, float(np.max(size - t * u)))
    return Estimate(float(size[at]), float(u[at]), low, float(np.max(size + t * u)), n, unit)


JUMP = "jump"
DRIFT = "drift"
JUMP_OR_DRIFT = "jump or drift"
RESTLESS = "restless"

STEPS_MAX = 2
SIDE_MIN = 5  # readings before and after a jump: fewer are outliers
STEP_LEVEL = 0.01  # chance of seeing a jump where there is none, over all places together
# Difference of the log likelihoods (times two, the place of a jump counted as a parameter) from which one
# explanation is taken: odds of about 20 (Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773: "strong" from 6).
DECISIVE = 6.0


@dataclass(frozen=True)
class Shift:
    """A change in the course of the recording. kind: JUMP, DRIFT, JUMP_OR_DRIFT where both fit about as well, RESTLESS
    for more than STEPS_MAX jumps, or jumps no larger than the runs differ among themselves.

    at (k,): readings, in order of time, with which a new level begins. size (k,) in deg. net: level at the end less
    that at the beginning; stays: whether it is told from 0. For drift size is empty and net the whole drift.
    """

    kind: str
    at: tuple[int, ...]
    size: tuple[Estimate, ...]
    net: Estimate
    stays: bool


def orthonormal(design: Floats) -> Floats:
    """Orthonormal basis (n, rank) of the columns."""
    left, singular, _ = np.linalg.svd(design, full_matrices=False)
    return np.asarray(left[:, singular > singular[0] * 1e-10], dtype=np.float64)


def _best_step(q: Floats, residual: Floats) -> tuple[int, float]:
    """Place at which a step explains most of the residual, and the sum of squares that it explains.

    q (n, p): orthonormal basis of what is explained already; residual (n,) of it. For a step u at place t the sum of
    squares explained is (u . residual)^2 / (u . u - |q' u|^2); all from sums over the tail.
    """
    n = len(residual)
    tail = np.cumsum(residual[::-1])[::-1]
    tail_q = np.cumsum(q[::-1], axis=0)[::-1]
    left = (n - np.arange(n)) - np.sum(tail_q**2, axis=1)
    # Where less than a reading's worth of the step is left, what is explained already has taken it.
    usable = left > 1.0
    usable[:SIDE_MIN] = False
    usable[n - SIDE_MIN + 1 :] = False
    gain = np.where(usable, tail**2 / np.where(usable, left, 1.0), 0.0)
    at = int(np.argmax(gain))
    return at, float(gain[at])


def _places(q: Floats, y: Floats, floor: float) -> list[int]:
    """Places of jumps by rising number, one more than STEPS_MAX at most, beside what q explains."""
    n = len(y)
    places: list[int] = []
    basis, residual = q, y - q @ (q.T @ y)
    while len(places) <= STEPS_MAX:
        df = n - basis.shape[1] - 1
        at, gain = _best_step(basis, residual)
        if df < 2 or gain <= 0.0:
            break
        spread = max((float(residual @ residual) - gain) / df, floor**2)
        if stdtr(df, -math.sqrt(gain / spread)) * 2.0 > STEP_LEVEL / n:
            break
        places.append(at)
        step = _steps(n, [at])[:, 0]
        step = step - basis @ (basis.T @ step)
        basis = np.column_stack([basis, step / np.linalg.norm(step)])
        residual = y - basis @ (basis.T @ y)
    return sorted(places)


def _steps(n: int, places: list[int]) -> Floats:
    """(n, k): 0 before a place, 1 from there on."""
    return (np.arange(n)[:, None] >= np.asarray(places)[None, :]).astype(np.float64)


def find_shift(q: Floats, y: Floats, run: Ints, floor: float = ROUNDING_DEG) -> Shift | None:
    """Jumps or drift of y (n,) in order of time, beside what q (n, p), orthonormal, explains; None where there is none.

    run (n,): number of the run that a reading belongs to. Places are taken one by one, the best first, while a t test
    widened to all places (Bonferroni) finds them; then jumps are weighed against steady drift, and against the scatter
    of the runs' means.
    """
    n, p = q.shape
    if n - p < 3 or n < 2 * SIDE_MIN:
        return None
    places = _places(q, y, floor)
    if not places:
        return None
    jumps = _beside(q, y, _steps(n, places), floor)
    drift = _beside(q, y, np.linspace(-0.5, 0.5, n)[:, None], floor)
    least = n * floor**2
    after = [max(float(fit.residual @ fit.residual), least) for fit in (jumps, drift)]
    # Each jump has a size and a place, the drift a slope.
    favours = n * math.log(after[1] / after[0]) - (2 * len(places) - 1) * math.log(n)
    if favours < -DECISIVE:
        net = symmetric(float(drift.solved[0]), math.sqrt(float(drift.covariance[0, 0])), n, "deg", drift.df)
        return Shift(DRIFT, (), (), net, True)
    net, stays = _net(jumps, n)
    size = tuple(
        symmetric(float(v), math.sqrt(float(jumps.covariance[k, k])), n, "deg", jumps.df)
        for k, v in enumerate(jumps.solved)
    )
    kind = JUMP if favours >= DECISIVE else JUMP_OR_DRIFT
    if len(places) > STEPS_MAX or not _above_runs(jumps, places, run):
        kind = RESTLESS
    return Shift(kind, tuple(places), size, net, stays)


def _net(jumps: Fit, n: int) -> tuple[Estimate, bool]:
    """Sum of the jumps, and whether it is told from 0."""
    total, u = float(np.sum(jumps.solved)), math.sqrt(max(0.0, float(np.sum(jumps.covariance))))
    net = symmetric(total, u, n, "deg", jumps.df)
    return net, abs(total) > coverage_factor(jumps.df, 1.0 - STEP_LEVEL) * u


def _above_runs(jumps: Fit, places: list[int], run: Ints) -> bool:
    """Whether every jump is larger than the scatter of the runs' means explains; True where too few runs tell."""
    number = np.unique(run, return_inverse=True)[1]
    means = np.bincount(number, jumps.residual) / np.bincount(number)
    df = len(means) - len(places) - 1
    if df < 1:
        return True
    scatter = math.sqrt(float(means @ means) / df)
    edges = [0, *places, len(run)]
    # Runs between the jumps: parts of runs count as parts.
    between = [
        float(np.sum(np.bincount(number[a:b], minlength=len(means)) / np.bincount(number)))
        for a, b in zip(edges[:-1], edges[1:], strict=True)
    ]
    # The jump stands where it looks largest: as many places as there are seams between runs.
    t = coverage_factor(df, 1.0 - STEP_LEVEL / max(1, len(means) - 1))
    sizes = zip(np.abs(jumps.solved), between[:-1], between[1:], strict=True)
    return all(size > t * scatter * math.sqrt(1.0 / a + 1.0 / b) for size, a, b in sizes)


def _beside(q: Floats, y: Floats, columns: Floats, floor: float) -> Fit:
    """Fit of y on columns (n, k) beside q: both with q taken out."""
    own = columns - q @ (q.T @ columns)
    rest = y - q @ (q.T @ y)
    inverse = np.linalg.pinv(own.T @ own)
    solved = inverse @ (own.T @ rest)
    residual = rest - own @ solved
    df = max(1, len(y) - q.shape[1] - columns.shape[1])
    sd = max(math.sqrt(float(residual @ residual) / df), floor)
    return Fit(np.asarray(solved), np.asarray(sd * sd * inverse), np.asarray(residual), sd, df)
