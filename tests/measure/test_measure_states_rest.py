"""What an observer mostly shows: not moved by bursts, with an interval that is the sign test's."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Track
from lidjig.measure.states_rest import mostly
from scipy.stats import binom


def recording(values: list[float], state: str = "S3") -> Recording:
    """Each value held for half a second of readings every 5 ms."""
    series = np.repeat(np.array(values), 100)
    times = np.arange(series.size) * 5_000
    return Recording(state, {"charger_i": Track(times, series)}, 0, int(times[-1]) + 5_000)


def test_bursts_leave_it_where_it_is() -> None:
    found = mostly([recording([130.0] * 9 + [550.0] * 3)], "S3", "charger_i", "mA")
    assert (found.value, found.n, found.unit) == (130.0, 12, "mA")


def test_the_interval_is_that_of_the_sign_test() -> None:
    """Of 12 values the 3rd and the 10th enclose the median with 95 %: binomial distribution by scipy.stats."""
    found = mostly([recording([float(value) for value in range(1, 13)])], "S3", "charger_i", "mA")
    assert 1.0 - 2.0 * binom.cdf(2, 12, 0.5) >= 0.95 > 1.0 - 2.0 * binom.cdf(3, 12, 0.5)
    assert found.value == pytest.approx(6.5)
    assert (found.low, found.high) == (pytest.approx(3.0), pytest.approx(10.0))


def test_what_was_not_heard_is_nothing() -> None:
    silent = Recording("S3", {"charger_i": Track(np.array([0]), np.array([np.nan]))}, 0, 1)
    for rows in ([], [silent], [recording([1.0], "S0")]):
        assert mostly(rows, "S3", "charger_i", "mA").value is None
