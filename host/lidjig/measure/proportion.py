"""Proportions: misses in so many trials, and how many clean trials prove a reliability."""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal, localcontext

from scipy.special import betaincinv

from lidjig.measure.estimate import COVERAGE, Estimate, nothing


def _check(successes: int, trials: int, confidence: float) -> None:
    if trials < 1 or not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials}: accepted 0..trials of at least 1 trial")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence}, accepted between 0 and 1")


def clopper_pearson(successes: int, trials: int, confidence: float = COVERAGE) -> tuple[float, float]:
    """Exact two-sided interval of a proportion (Clopper and Pearson 1934; NIST e-Handbook 7.2.4.2).

    Returns (low, high) as parts of 1. Raises ValueError for counts or a confidence that cannot be.
    """
    _check(successes, trials, confidence)
    tail = 0.5 * (1.0 - confidence)
    return _exact_low(successes, trials, tail), _exact_high(successes, trials, tail)


def lower_bound(successes: int, trials: int, confidence: float = COVERAGE) -> float:
    """Exact one-sided lower bound: the proportion is at least this."""
    _check(successes, trials, confidence)
    return _exact_low(successes, trials, 1.0 - confidence)


def upper_bound(successes: int, trials: int, confidence: float = COVERAGE) -> float:
    """Exact one-sided upper bound: the proportion is at most this. For 0 successes about 3 / trials."""
    _check(successes, trials, confidence)
    return _exact_high(successes, trials, 1.0 - confidence)


def _exact_low(k: int, n: int, tail: float) -> float:
    return 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))


def _exact_high(k: int, n: int, tail: float) -> float:
    return 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))


def estimate(successes: int, trials: int, confidence: float = COVERAGE) -> Estimate:
    """The proportion with its exact interval, as a part of 1 (unit "1"); nothing without a trial."""
    if trials == 0:
        return nothing("1")
    low, high = clopper_pearson(successes, trials, confidence)
    return Estimate(successes / trials, None, low, high, trials, "1")


def success_run(reliability: float, confidence: float) -> int:
    """Trials without a failure that show a reliability at a confidence: n = ceil(ln(1 - C) / ln R)
    (success-run theorem).

    Both between 0 and 1, taken as the decimal numbers they are written as: R = 0.9, C = 0.19 is one trial
    exactly, which binary arithmetic would round up to two. Raises ValueError outside.
    """
    for name, value in (("reliability", reliability), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} {value}, accepted between 0 and 1, both excluded")
    with localcontext() as context:
        context.prec = 60
        ratio = (1 - Decimal(repr(confidence))).ln() / Decimal(repr(reliability)).ln()
        nearest = ratio.to_integral_value()
        if abs(ratio - nearest) < Decimal("1e-40") * max(nearest, Decimal(1)):
            return max(1, int(nearest))
        return max(1, int(ratio.to_integral_value(rounding=ROUND_CEILING)))
