"""The difference of two measured figures, from their intervals alone."""

from __future__ import annotations

import math

from lidjig.measure.estimate import Estimate


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
