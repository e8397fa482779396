"""Interval for the median by order statistics against the table of ranks."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.measure import latency
from scipy.stats import binom

# n: (lower rank, upper rank, coverage in %), at least 95 %; computed from the binomial distribution, p = 1/2.
RANKS = {
    6: (1, 6, 96.88),
    7: (1, 7, 98.44),
    8: (1, 8, 99.22),
    9: (2, 8, 96.09),
    10: (2, 9, 97.85),
    11: (2, 10, 98.83),
    12: (3, 10, 96.14),
    13: (3, 11, 97.75),
    14: (3, 12, 98.71),
    15: (4, 12, 96.48),
    16: (4, 13, 97.87),
    17: (5, 13, 95.10),
    18: (5, 14, 96.91),
    19: (5, 15, 98.08),
    20: (6, 15, 95.86),
    25: (8, 18, 95.67),
    30: (10, 21, 95.72),
}


@pytest.mark.parametrize("n", RANKS)
def test_ranks(n: int) -> None:
    found = latency.median_ranks(n)
    assert found is not None
    low, high, coverage = found
    assert (low, high, round(100 * coverage, 2)) == RANKS[n]


@pytest.mark.parametrize("n", range(6))
def test_five_or_fewer_give_no_interval(n: int) -> None:
    # 1 - 2 * 0.5 ** 5 = 0.9375 is below 95 % (computed)
    assert latency.median_ranks(n) is None
    found = latency.median_interval(range(n))
    assert (found.low, found.high, found.n) == (None, None, n)
    assert (found.value is None) == (n == 0)


@pytest.mark.parametrize("n", [6, 17, 64, 365, 1000])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99])
def test_ranks_are_the_narrowest_by_scipy(n: int, confidence: float) -> None:
    found = latency.median_ranks(n, confidence)
    if found is None:
        assert 1 - 2 * binom.cdf(0, n, 0.5) < confidence  # scipy.stats.binom
        return
    low, high, coverage = found
    assert low + high == n + 1
    assert coverage == pytest.approx(1 - 2 * binom.cdf(low - 1, n, 0.5), abs=1e-12)
    assert coverage >= confidence > 1 - 2 * binom.cdf(low, n, 0.5)


def test_coverage_holds_on_a_skewed_sample() -> None:
    # By theory the interval is distribution-free; median of the unit exponential is ln 2.
    rng = np.random.default_rng(20)
    hits = 0
    for _ in range(1500):
        found = latency.median_interval(rng.exponential(size=20), unit="s")
        assert found.low is not None and found.high is not None
        hits += found.low <= np.log(2.0) <= found.high
    # Published coverage 95.86 %; three standard errors of 1500 trials are 1.6 %.
    assert hits / 1500 == pytest.approx(0.9586, abs=0.016)
