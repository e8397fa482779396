"""Proportions and clean runs against published figures and scipy."""

from __future__ import annotations

import math

import pytest
from lidjig.measure import proportion
from scipy.stats import binomtest

# NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.2: N = 20, 4 defects, 90 %: 0.071354,
# 0.401029.
NIST_LOW, NIST_HIGH = 0.071354, 0.401029

# (successes, trials, confidence, Clopper-Pearson low, high): computed with independent code from the definition
# (Clopper and Pearson, Biometrika 26 (1934); citation from memory).
TABLE = [
    (4, 20, 0.95, 0.057333997, 0.436614003),
    (4, 20, 0.90, 0.071353884, 0.401028117),
    (0, 20, 0.95, 0.0, 0.168433471),
    (0, 10, 0.95, 0.0, 0.308497108),
    (1, 10, 0.95, 0.0025285785, 0.445016117),
    (5, 10, 0.95, 0.187086028, 0.812913972),
    (10, 10, 0.95, 0.691502892, 1.0),
    (20, 20, 0.95, 0.831566529, 1.0),
    (59, 59, 0.95, 0.939391099, 1.0),
    (26, 200, 0.95, 0.086708353, 0.184652331),
    (26, 200, 0.90, 0.092712675, 0.175771367),
]

# Success-run theorem n = ceil(ln(1 - C) / ln R); the formula as in the tutorial "Success-run theorem", sizes
# computed.
SUCCESS_RUN = {
    0.80: {0.80: 8, 0.90: 16, 0.95: 32, 0.99: 161, 0.999: 1609},
    0.90: {0.80: 11, 0.90: 22, 0.95: 45, 0.99: 230, 0.999: 2302},
    0.95: {0.80: 14, 0.90: 29, 0.95: 59, 0.99: 299, 0.999: 2995},
    0.99: {0.80: 21, 0.90: 44, 0.95: 90, 0.99: 459, 0.999: 4603},
}


def test_exact_interval_is_the_handbooks() -> None:
    low, high = proportion.clopper_pearson(4, 20, 0.90)
    assert (low, high) == pytest.approx((NIST_LOW, NIST_HIGH), abs=2e-6)


@pytest.mark.parametrize("row", TABLE, ids=lambda r: f"{r[0]}/{r[1]} at {r[2]}")
def test_intervals_match_the_table(row: tuple[int, int, float, float, float]) -> None:
    k, n, confidence, exact_low, exact_high = row
    assert proportion.clopper_pearson(k, n, confidence) == pytest.approx((exact_low, exact_high), abs=1e-8)


@pytest.mark.parametrize("n", [1, 2, 7, 30, 500])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
def test_intervals_match_scipy(n: int, confidence: float) -> None:
    # scipy.stats.binomtest(...).proportion_ci, method "exact"
    for k in {0, 1, n // 3, n // 2, n - 1, n}:
        exact = binomtest(k, n).proportion_ci(confidence, method="exact")
        assert proportion.clopper_pearson(k, n, confidence) == pytest.approx(
            (exact.low, exact.high), abs=1e-10
        )


def test_one_sided_bounds_match_scipy() -> None:
    for k, n in ((0, 59), (3, 200), (59, 59), (17, 40)):
        # alternative "less" gives the upper bound, "greater" the lower one
        upper = binomtest(k, n, alternative="less").proportion_ci(0.95, method="exact").high
        lower = binomtest(k, n, alternative="greater").proportion_ci(0.95, method="exact").low
        assert proportion.upper_bound(k, n) == pytest.approx(upper, abs=1e-10)
        assert proportion.lower_bound(k, n) == pytest.approx(lower, abs=1e-10)


def test_rule_of_three() -> None:
    # Rule of three (common practice): upper 95 % bound about 3 / n; exact 1 - 0.05 ** (1 / n), computed.
    assert proportion.upper_bound(0, 59) == pytest.approx(0.0495076, abs=1e-7)
    assert proportion.upper_bound(0, 299) == pytest.approx(0.0099691, abs=1e-7)
    for n in (30, 100, 1000):
        assert proportion.upper_bound(0, n) == pytest.approx(3.0 / n, rel=0.06)
    # 59 clean of 59 shows 0.9504924, in step with the success run (computed)
    assert proportion.lower_bound(59, 59) == pytest.approx(0.9504924, abs=1e-7)


@pytest.mark.parametrize("confidence", SUCCESS_RUN)
def test_success_run_table(confidence: float) -> None:
    sizes = {r: proportion.success_run(r, confidence) for r in SUCCESS_RUN[confidence]}
    assert sizes == SUCCESS_RUN[confidence]


def test_success_run_cross_check() -> None:
    # Tutorial "Success-run theorem": R 0.9973, C 0.95: 1109; R 0.80, C 0.95: 14
    assert proportion.success_run(0.9973, 0.95) == 1109
    assert proportion.success_run(0.80, 0.95) == 14


@pytest.mark.parametrize(
    ("reliability", "confidence", "n"),
    [
        (0.5, 0.75, 2),
        (0.9, 0.19, 2),
        (0.9, 0.1, 1),
        (0.8, 0.36, 2),
        (0.7, 0.657, 3),
        (0.1, 0.999, 3),
        (0.9, 0.271, 3),
        (0.99, 0.0199, 2),
        (0.8, 0.737856, 6),
    ],
)
def test_success_run_exact_powers_are_not_rounded_up(reliability: float, confidence: float, n: int) -> None:
    # By decimal arithmetic 1 - C = R ** n exactly: 0.25 = 0.5^2, 0.81 = 0.9^2, 0.343 = 0.7^3
    assert proportion.success_run(reliability, confidence) == n


def test_success_run_is_the_smallest_that_shows_it() -> None:
    for r in (0.6, 0.9, 0.99, 0.9999, 0.999999):
        for c in (0.5, 0.9, 0.95, 0.999):
            n = proportion.success_run(r, c)
            assert n * math.log(r) <= math.log1p(-c) * (1 - 1e-12)
            assert n == 1 or (n - 1) * math.log(r) > math.log1p(-c)


@pytest.mark.parametrize("bad", [0.0, 1.0, -0.1, 1.5, math.nan, math.inf])
def test_impossible_arguments_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        proportion.success_run(bad, 0.95)
    with pytest.raises(ValueError, match="between 0 and 1"):
        proportion.success_run(0.9, bad)
    with pytest.raises(ValueError, match="confidence"):
        proportion.clopper_pearson(1, 2, bad)


@pytest.mark.parametrize(("k", "n"), [(0, 0), (-1, 5), (6, 5)])
def test_impossible_counts_are_refused(k: int, n: int) -> None:
    with pytest.raises(ValueError, match="accepted"):
        proportion.clopper_pearson(k, n)


def test_no_trials_is_nothing() -> None:
    assert proportion.estimate(0, 0).value is None
    assert proportion.estimate(0, 20).high == pytest.approx(0.168433471, abs=1e-8)
