"""The shift between two samples against a published example and scipy's test of ranks."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.measure.difference import EXACT_MAX, PAIRS_MAX, excludes_zero, shift
from lidjig.measure.estimate import nothing
from numpy.typing import NDArray
from scipy.stats import mannwhitneyu

# Permeability constants of the human chorioamnion at term, and at 12 to 26 weeks of gestation, in 1e-4 cm/s.
# M. Hollander and D. A. Wolfe, Nonparametric Statistical Methods, table 4.1 and examples 4.2, 4.3; the data, the
# estimate and the interval stand in the help of R's wilcox.test too. Values from memory.
TERM = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
EARLY = [1.15, 0.88, 0.90, 0.74, 1.21]


@pytest.mark.parametrize("confidence", [0.95, 0.96])  # the 9th of 50 differences covers 96.0 %, the 10th 94.5 %
def test_the_published_example(confidence: float) -> None:
    found = shift(TERM, EARLY, "1e-4 cm/s", confidence)
    assert found.value == pytest.approx(-0.305)
    assert (found.low, found.high) == (pytest.approx(-0.76), pytest.approx(0.15))
    assert (found.n, found.unit) == (5, "1e-4 cm/s")
    back = shift(EARLY, TERM, "1e-4 cm/s", confidence)
    assert (back.low, back.high) == (pytest.approx(-0.15), pytest.approx(0.76))


@pytest.mark.parametrize(("m", "n"), [(4, 4), (5, 9), (8, 8), (20, 7), (30, 30), (EXACT_MAX, EXACT_MAX)])
def test_zero_is_outside_where_the_exact_test_rejects(m: int, n: int) -> None:
    random = np.random.default_rng(m * 100 + n)
    seen = set()
    for size in np.linspace(0.0, 1.6, 24):
        before: NDArray[np.float64] = random.normal(0.0, 1.0, m)
        after: NDArray[np.float64] = random.normal(size, 1.0, n)
        rejected = float(mannwhitneyu(before, after, method="exact").pvalue) <= 0.05
        assert excludes_zero(shift(before, after, "s")) == rejected
        seen.add(rejected)
    assert seen == {True, False}  # both cases were met


@pytest.mark.parametrize(("m", "n"), [(EXACT_MAX + 1, EXACT_MAX + 1), (100, 66), (1000, 40)])
def test_large_samples_agree_with_the_asymptotic_test(m: int, n: int) -> None:
    random = np.random.default_rng(m + n)
    apart = 0
    for size in np.linspace(0.0, 0.8, 30):
        before, after = random.normal(0.0, 1.0, m), random.normal(size, 1.0, n)
        p = float(mannwhitneyu(before, after, method="asymptotic").pvalue)
        excluded = excludes_zero(shift(before, after, "s"))
        apart += excluded
        assert excluded == (p <= 0.05) or 0.045 < p < 0.055  # continuity correction and rounding
    assert 0 < apart < 30


def test_the_interval_covers_as_often_as_it_says() -> None:
    random = np.random.default_rng(4)
    held = 0
    for _ in range(400):
        found = shift(random.exponential(1.0, 12), random.exponential(1.0, 9) + 0.3, "s")
        assert found.low is not None and found.high is not None
        held += found.low <= 0.3 <= found.high
    assert 0.93 <= held / 400 <= 0.985  # 95.2 % by count of ranks, four standard errors to either side


def test_few_readings_have_no_interval_and_none_no_value() -> None:
    assert shift([1.0, 2.0, 4.0], [2.0, 3.0, 6.0], "s").value == pytest.approx(1.0)
    assert shift([1.0, 2.0, 4.0], [2.0, 3.0, 6.0], "s").low is None  # 3 and 3: even all differences cover only 90 %
    assert shift([1.0, 2.0, 3.0, 4.0], [5.0, 6.0, 7.0, 8.0], "s").low == pytest.approx(1.0)
    assert shift([], [1.0], "s") == nothing("s") == shift([1.0], [], "s")
    tied = shift([0.7] * 9, [0.7] * 9, "s")
    assert (tied.low, tied.value, tied.high) == (0.0, 0.0, 0.0)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        shift([1.0, float("nan")], [1.0], "s")
    with pytest.raises(ValueError, match="pairs"):
        shift(np.zeros(PAIRS_MAX), [0.0, 1.0], "s")
