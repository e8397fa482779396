"""The difference of two measured figures: from their intervals alone, or from the readings behind them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from lidjig.measure.estimate import COVERAGE, Estimate, nothing

EXACT_MAX = 50  # readings on either side up to which ranks are counted out; beyond it they are as good as normal
PAIRS_MAX = 4_000_000  # differences that are held at once: 32 MB


def _arm(middle: float, end: float | None) -> float | None:
    return None if end is None else abs(end - middle)


def _both(first: float | None, second: float | None) -> float | None:
    return None if first is None or second is None else math.hypot(first, second)


def difference(before: Estimate, after: Estimate) -> Estimate | None:
    """after - before with its interval by the square-and-add rule; None where one of them has no value or no interval.

    Each end is as far from the difference as the root of the sum of the squared distances of the two ends that make it
    (R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10, for proportions; G. Y. Zou and A. Donner,
    Statistics in Medicine 27 (2008) 1693-1702, for any two independent estimates). An end that is unbounded in one of
    them is unbounded in the difference. Errors that both share only make the true interval narrower. n is the smaller
    of the two. Raises ValueError for different units.
    """
    if before.unit != after.unit:
        raise ValueError(f"difference of {after.unit} and {before.unit}, accepted the same unit")
    if before.value is None or after.value is None:
        return None
    if before.low is None and before.high is None or after.low is None and after.high is None:
        return None
    value = after.value - before.value
    down = _both(_arm(after.value, after.low), _arm(before.value, before.high))
    up = _both(_arm(after.value, after.high), _arm(before.value, before.low))
    low = None if down is None else value - down
    high = None if up is None else value + up
    return Estimate(value, None, low, high, min(before.n, after.n), before.unit)


def excludes_zero(estimate: Estimate) -> bool:
    """Whether zero lies outside the interval; an unbounded end excludes nothing."""
    above = estimate.low is not None and estimate.low > 0.0
    below = estimate.high is not None and estimate.high < 0.0
    return above or below


def shift(before: ArrayLike, after: ArrayLike, unit: str, confidence: float = COVERAGE) -> Estimate:
    """How far the readings after lie from those before: Hodges-Lehmann estimate with the interval of Mann and Whitney.

    before (m,), after (n,) in `unit`. The value is the median of all m * n differences after - before, the interval
    goes from the k-th smallest to the k-th largest of them, with k from the null distribution of the rank sum (M.
    Hollander and D. A. Wolfe, Nonparametric Statistical Methods, sections 4.2 and 4.3): whatever the distribution, as
    long as both have the same shape. Ties only make it cover more. Too few readings for the confidence (3 and 3 at
    95 %): the value stands without an interval. No readings on one side: nothing. n is the smaller of the two. Raises
    ValueError for readings that are not finite or more than PAIRS_MAX pairs.
    """
    left, right = _readings("before", before), _readings("after", after)
    if left.size == 0 or right.size == 0:
        return nothing(unit)
    if left.size * right.size > PAIRS_MAX:
        raise ValueError(f"{left.size} * {right.size} readings, accepted up to {PAIRS_MAX} pairs")
    apart = np.sort(np.subtract.outer(right, left).ravel())
    value, n = float(np.median(apart)), min(left.size, right.size)
    rank = _rank(left.size, right.size, 0.5 * (1.0 - confidence))
    if rank < 1:
        return Estimate(value, None, None, None, n, unit)
    return Estimate(value, None, float(apart[rank - 1]), float(apart[-rank]), n, unit)


def _readings(name: str, values: ArrayLike) -> NDArray[np.float64]:
    data = np.asarray(values, dtype=np.float64).ravel()
    if not np.all(np.isfinite(data)):
        raise ValueError(f"{name}: accepted finite numbers only")
    return data


def _rank(m: int, n: int, tail: float) -> int:
    """The largest k for which the rank sum statistic U of m and n readings lies below k with at most `tail`; 0 = none.

    Small samples by counting, others by the normal approximation, rounded to the wider side.
    """
    if max(m, n) <= EXACT_MAX:
        counts = _rank_sum_counts(m, n)
        allowed = tail * math.comb(m + n, m)
        total = 0
        for k, ways in enumerate(counts):
            total += ways  # ways to U <= k
            if total > allowed:
                return k
    z = float(ndtri(1.0 - tail))
    return max(0, math.floor(0.5 * m * n - z * math.sqrt(m * n * (m + n + 1) / 12.0)))


def _rank_sum_counts(m: int, n: int) -> list[int]:
    """Orders of m and n readings with U = 0, 1, ..., m * n: the coefficients of the Gaussian binomial.

    Product over i = 1..m of (1 - q^(n+i)) / (1 - q^i) (G. E. Andrews, The Theory of Partitions, 1976, theorem 3.1).
    """
    counts = [1] + [0] * (m * n)
    for i in range(1, m + 1):
        for u in range(m * n, n + i - 1, -1):
            counts[u] -= counts[u - n - i]
        for u in range(i, m * n + 1):
            counts[u] += counts[u - i]
    return counts
