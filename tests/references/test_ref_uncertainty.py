"""Propagation of uncertainty against the examples of the GUM, and the line survey against hand-worked
circuits.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from lidjig.measure import budget, electrical
from lidjig.measure.estimate import coverage_factor


def test_gum_end_gauge() -> None:
    # JCGM 100:2008, H.1 (second hand): l = lS + d - lS (dalpha theta + alphaS dtheta), in nm and K
    def length(x: budget.Floats) -> float:
        standard, difference, alpha, theta, dalpha, dtheta = (float(v) for v in x)
        return standard + difference - standard * (dalpha * theta + alpha * dtheta)

    values = (50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0)
    u = (25.0, 9.7, 1.2e-6, 0.41, 0.58e-6, 0.029)
    slopes = budget.sensitivities(length, values, u)
    parts = [abs(c) * s for c, s in zip(slopes, u, strict=True)]
    assert length(np.asarray(values)) == pytest.approx(50_000_838.0)
    # H.1: contributions 25, 9.7, 2.9, 16.6 nm; first order, so alphaS and theta give none. 16.6 there is cut
    # off: 0.029 K * 11.5e-6 / K * 50.0006 mm is 16.675 nm (computed).
    assert parts == pytest.approx([25.0, 9.7, 0.0, 0.0, 2.900, 16.675], abs=2e-3)
    combined = budget.combined_u(slopes, u)
    assert combined == pytest.approx(31.7106, abs=1e-3)
    assert round(combined) == 32  # H.1: u_c = 32 nm
    df = (18.0, 25.6, math.inf, math.inf, 50.0, 2.0)
    effective = budget.effective_df(parts, df)
    assert effective == pytest.approx(16.7, abs=0.05)  # H.1: 16.7, used as 16
    assert coverage_factor(effective, 0.99) == pytest.approx(2.92, abs=5e-3)
    assert coverage_factor(effective, 0.99) * combined == pytest.approx(93.0, abs=0.5)  # H.1: U99 = 93 nm


@pytest.mark.parametrize(
    ("df", "percent", "t"),
    # JCGM 100:2008, table G.2 (second hand)
    [(16, 95.0, 2.12), (16, 95.45, 2.17), (16, 99.0, 2.92), (math.inf, 95.45, 2.00)],
)
def test_gum_table_of_t(df: float, percent: float, t: float) -> None:
    assert coverage_factor(df, percent / 100.0) == pytest.approx(t, abs=5e-3)


def test_gum_resistance_and_reactance() -> None:
    # JCGM 100:2008, H.2; value from memory
    volt = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    ampere = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000.0
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    data = np.stack([volt, ampere, phase])
    means = data.mean(axis=1)
    u = data.std(axis=1, ddof=1) / math.sqrt(5)
    correlation = np.corrcoef(data)
    expected = (
        (lambda x: float(x[0] / x[1] * np.cos(x[2])), 127.732, 0.071),
        (lambda x: float(x[0] / x[1] * np.sin(x[2])), 219.847, 0.295),
        (lambda x: float(x[0] / x[1]), 254.260, 0.236),
    )
    for model, value, u_published in expected:
        slopes = budget.sensitivities(model, means, u)
        assert model(means) == pytest.approx(value, abs=6e-4)
        assert budget.combined_u(slopes, u, correlation) == pytest.approx(u_published, abs=1e-3)
        # Without the correlations the answer is another one: they are not decoration.
        assert budget.combined_u(slopes, u) != pytest.approx(u_published, abs=0.02)


def test_correlation_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="symmetric"):
        budget.combined_u([1.0, 1.0], [1.0, 1.0], np.array([[1.0, 0.5], [0.0, 1.0]]))
    with pytest.raises(ValueError, match="variance"):
        budget.combined_u([1.0, 1.0], [1.0, 1.0], np.array([[1.0, -3.0], [-3.0, 1.0]]))


def test_line_with_pull_up_by_hand() -> None:
    # Hand-worked by Ohm's law, no divider: 3000 mV behind 20 kohm. To ground through 10 kohm: 3000 * 10 / 30
    # = 1000 mV. To 3000 mV through 10 kohm: no current, 3000 mV.
    found = electrical.thevenin(1000.0, 3000.0, 3000.0, 10_000.0, r_bleeder_ohm=math.inf)
    assert found.resistance.value == pytest.approx(20_000.0)
    assert found.voltage.value == pytest.approx(3000.0)


def test_line_with_divider_by_hand() -> None:
    # Hand-worked: 3000 mV behind 20 kohm and 20 kohm to ground is 1500 mV behind 10 kohm (Thevenin).
    # To ground: 1500 / 2 = 750 mV; to 3000 mV: (1500 + 3000) / 2 = 2250 mV.
    found = electrical.thevenin(750.0, 2250.0, 3000.0, 10_000.0, r_bleeder_ohm=math.inf)
    assert found.resistance.value == pytest.approx(10_000.0)
    assert found.voltage.value == pytest.approx(1500.0)


def test_the_converters_divider_is_taken_out_by_hand() -> None:
    # 100 kohm to 3300 mV, with 2 Mohm to ground and 10 kohm to ground or 3300 mV; node by Kirchhoff's current
    # law: (3300 / 100k) / (1/100k + 1/2M + 1/10k) = 0.033 / 0.0001105 = 298.6425 mV, and with 0.33 / 10k
    # more: 3285.0679 mV
    found = electrical.thevenin(298.642534, 3285.067873, 3300.0, 10_000.0)
    assert found.resistance.value == pytest.approx(100_000.0, rel=1e-6)
    assert found.voltage.value == pytest.approx(3300.0, rel=1e-6)
