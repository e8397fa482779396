"""The trim's numbers against reference data: NIST StRD Norris, the GUM's thermometer, end gauge and voltmeter, isotonic
regression by another library, a maker's worked accuracy.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from lidjig.bench.meter import MeterSpec, read_spec
from lidjig.measure import trim_budget as tb
from lidjig.measure.budget import sensitivities
from lidjig.measure.trim_fit import isotonic
from lidjig.measure.trim_line import straight_line

# NIST StRD, Norris (second hand: as embedded in the tests of numerical libraries), pairs (y, x)
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def test_line_through_norris() -> None:
    y, x = np.array(NORRIS.split(), dtype=np.float64).reshape(-1, 2).T
    line = straight_line(x, y)
    # Certified values of NIST StRD, Norris (second hand)
    assert line.offset == pytest.approx(-0.262323073774029, rel=1e-12)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.u_offset == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert line.df == 34
    assert float(line.residual @ line.residual) == pytest.approx(26.6173985294224, rel=1e-12)
    # GSL's test of its linear fit gives the covariance -7.74327536339570e-05; exact arithmetic on the same data
    # -7.743275363156437e-05 (computed), so 1e-10 is allowed.
    assert line.covariance == pytest.approx(-7.74327536339570e-05, rel=1e-10)


def test_equal_uncertainties_below_the_scatter_change_nothing() -> None:
    y, x = np.array(NORRIS.split(), dtype=np.float64).reshape(-1, 2).T
    plain, weighted = straight_line(x, y), straight_line(x, y, np.full(len(x), 0.1))
    for key in ("offset", "slope", "u_offset", "u_slope", "covariance", "residual_sd"):
        assert getattr(weighted, key) == pytest.approx(getattr(plain, key), rel=1e-9)


def test_line_of_the_gums_thermometer() -> None:
    # JCGM 100:2008, H.3, table H.6 (second hand: as quoted in METAS UncLib's and GTC's examples)
    reading = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    correction = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    line = straight_line(reading - 20.0, correction)
    # H.3.3, H.3.4 (value from memory): y1 = -0.1712, u 0.0029; y2 = 0.00218, u 0.00067; r = -0.930; s = 0.0035; b(30) =
    # -0.1494, u 0.0041
    assert (round(line.offset, 4), round(line.slope, 5)) == (-0.1712, 0.00218)
    assert line.u_offset is not None and line.u_slope is not None and line.covariance is not None
    assert (round(line.u_offset, 4), round(line.u_slope, 5)) == (0.0029, 0.00067)
    assert line.covariance / (line.u_offset * line.u_slope) == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_sd == pytest.approx(0.0035, abs=5e-5)
    u_at = line.u_at(10.0)
    assert u_at is not None and (round(line.at(10.0), 4), round(u_at, 4)) == (-0.1494, 0.0041)


def test_budget_of_the_gums_end_gauge() -> None:
    # JCGM 100:2008, H.1 (second hand): l = lS + d - lS (dalpha theta + alphaS dtheta), in nm and K
    rows = (
        ("standard", 50_000_623.0, 25.0, 18.0),
        ("difference", 215.0, 9.7, 25.6),
        ("alpha", 11.5e-6, 1.2e-6, math.inf),
        ("theta", -0.1, 0.41, math.inf),
        ("dalpha", 0.0, 0.58e-6, tb.df_of_doubt(0.10)),  # H.1.3.4: reliable to 10 %
        ("dtheta", 0.0, 0.029, tb.df_of_doubt(0.50)),  # H.1.3.5: reliable to 50 %
    )
    slopes = sensitivities(
        lambda x: float(x[0] + x[1] - x[0] * (x[4] * x[3] + x[2] * x[5])), [r[1] for r in rows], [r[2] for r in rows]
    )
    parts = [
        tb.Component(name, tb.NORMAL, u, float(slope), df)
        for (name, _value, u, df), slope in zip(rows, slopes, strict=True)
    ]
    budget = tb.UncertaintyBudget(50_000_838.0, "nm", tuple(parts))
    assert [c.contribution for c in budget.components] == pytest.approx([25.0, 9.7, 0.0, 0.0, 2.9, 16.675], abs=2e-3)
    # Published: u_c = 32 nm, 16.7 degrees of freedom used as 16, U99 = 93 nm; computed: 31.7106, 16.656, 92.62
    assert budget.u == pytest.approx(31.7106, abs=1e-3) and round(budget.u) == 32
    assert budget.df == pytest.approx(16.7, abs=0.05)
    assert round(budget.expanded_by_t(0.99)) == 93
    # Table G.2 for 16 degrees of freedom (second hand): 2.12 at 95 %, 2.17 at 95.45 %
    assert budget.expanded_by_t(0.95) / budget.u == pytest.approx(2.12, abs=5e-3)
    assert budget.expanded_by_t() / budget.u == pytest.approx(2.17, abs=5e-3)
    assert budget.expanded == 2.0 * budget.u


@pytest.mark.parametrize(("doubt", "df"), [(0.25, 8.0), (0.10, 50.0), (0.50, 2.0)])
def test_degrees_of_freedom_of_a_doubtful_uncertainty(doubt: float, df: float) -> None:
    # JCGM 100:2008: 25 % gives 8 (example of G.4.2; value from memory); H.1: 10 % gives 50, 50 % gives 2 (second hand)
    assert tb.df_of_doubt(doubt) == pytest.approx(df)


def test_k_of_2_is_what_the_budget_compares_with() -> None:
    # JCGM 100:2008, table G.2 (second hand): 2.00 at 95.45 % for infinite degrees of freedom
    budget = tb.UncertaintyBudget(1.0, "V", (tb.Component("meter", tb.NORMAL, 0.001),))
    assert budget.expanded_by_t() == pytest.approx(budget.expanded, rel=1e-4)


def test_voltmeter_of_the_gum() -> None:
    # JCGM 100:2008, example 2 of 4.3.7 and example of 5.1.5 (value from memory): 14e-6 of the reading plus 2e-6 of the
    # 1 V range at 0.928 571 V is +/-15 uV, u = 8.7 uV; with 12 uV of scatter u_c = 15 uV
    spec = MeterSpec(resolution_v=1e-6, reading_percent=14e-4, range_percent=2e-4, range_v=1.0)
    assert spec.half_width_v(0.928571) == pytest.approx(15e-6, rel=1e-3)
    assert spec.u_v(0.928571) == pytest.approx(8.7e-6, abs=0.05e-6)
    meter = tb.Component("meter", tb.RECTANGULAR, spec.half_width_v(0.928571))
    budget = tb.UncertaintyBudget(0.928571, "V", (meter, tb.Component("scatter", tb.NORMAL, 12e-6)))
    assert budget.u == pytest.approx(15e-6, abs=0.5e-6)


def test_percent_of_reading_and_counts_by_a_makers_example() -> None:
    # Fluke, knowledge article KA-03135: +/-(1 % of reading + 3 counts) at 120 V with 0.1 V steps is +/-1.5 V
    assert read_spec("1%+3", "0.1 V").half_width_v(120.0) == pytest.approx(1.5)


def test_steps_of_a_display_and_shapes_of_a_ripple() -> None:
    # JCGM 100:2008, F.2.2.1 (value from memory): a step gives 0.29 steps
    step = tb.Component("resolution", tb.RECTANGULAR, 0.5)
    assert step.u == pytest.approx(0.29, abs=5e-3)
    # Root mean square of the shapes themselves, of peak to peak 1, sampled over whole periods (computed)
    at = (np.arange(100_000) + 0.5) / 100_000
    triangle, sine = np.abs(2.0 * at - 1.0) - 0.5, 0.5 * np.sin(2.0 * np.pi * at)
    assert tb.Component("ripple", tb.RECTANGULAR, 0.5).u == pytest.approx(float(np.std(triangle)), rel=1e-6)
    assert tb.Component("ripple", tb.ARCSINE, 0.5).u == pytest.approx(float(np.std(sine)), rel=1e-6)


def test_isotonic_regression_by_another_library() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    if not hasattr(optimize, "isotonic_regression"):
        pytest.skip("scipy before 1.12 has no isotonic regression")
    rng = np.random.default_rng(7)
    for n in (1, 2, 3, 33):
        v, weight = np.linspace(0.0, 3.3, n) + rng.normal(0.0, 0.3, n), rng.uniform(0.1, 5.0, n)
        found, blocks = isotonic(v, weight)
        other = optimize.isotonic_regression(v, weights=weight)
        assert found == pytest.approx(other.x, abs=1e-12)
        assert [a for a, _b in blocks] + [n] == list(other.blocks)
