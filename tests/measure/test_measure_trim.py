"""Line, table and inverse of an output; outputs that do not follow; the budget of one voltage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.measure import trim_budget as tb
from lidjig.measure.trim_fit import NotFollowing, Table, TrimFit, between, fit
from lidjig.measure.trim_line import straight_line

SUPPLY_V = 3.3
U_V = 0.3e-3  # a display of 1 mV: 1 mV / sqrt(12)


def readings(volts: list[float], low: float = 0.0, high: float = 1.0) -> list[tuple[float, float, float]]:
    """These volts at commands evenly spread over low..high."""
    return [(float(c), v, U_V) for c, v in zip(np.linspace(low, high, len(volts)), volts, strict=True)]


def bent(n: int = 17) -> list[float]:
    """An output with offset, gain error and a bow, in V."""
    at = np.linspace(0.0, 1.0, n)
    return [float(v) for v in SUPPLY_V * (0.004 + 0.985 * at + 0.01 * at * (1.0 - at))]


def test_a_straight_output_is_its_line() -> None:
    found = fit(readings([0.02, 0.82, 1.62, 2.42, 3.22]), SUPPLY_V)
    assert found.line.offset == pytest.approx(0.02) and found.line.slope == pytest.approx(3.2)
    assert found.residual_v == pytest.approx(np.zeros(5)) and found.notes == ()
    assert found.reach == (pytest.approx(0.02 / 3.3), pytest.approx(3.22 / 3.3))


def test_the_trimmed_output_is_the_one_wanted() -> None:
    found = fit(readings(bent()), SUPPLY_V)
    wanted = np.linspace(*found.reach, 101)
    assert found.table.at(found.command_for(wanted)) / SUPPLY_V == pytest.approx(wanted, abs=1e-9)
    given_parts, to_command = found.inverse()
    assert found.command_for(given_parts) == pytest.approx(to_command)


def test_beyond_the_reach_the_nearest_is_commanded() -> None:
    found = fit(readings(bent()), SUPPLY_V)
    assert list(found.command_for(np.array([-1.0, 0.0, 1.0, 2.0]))) == [0.0, 0.0, 1.0, 1.0]


def test_order_and_repeats_do_not_matter() -> None:
    up = readings(bent(9))
    down = [(c, v + 0.0004, u) for c, v, u in reversed(up)]
    both, once = fit([*up, *down], SUPPLY_V), fit(up, SUPPLY_V)
    assert both.table.output_v == pytest.approx(once.table.output_v + 0.0002)
    assert both.residual_v == pytest.approx([-0.0002] * 9 + [0.0002] * 9)
    assert both.line.df == 16


def test_a_more_certain_reading_counts_for_more() -> None:
    rows = [*readings(bent(5)), (0.5, bent(5)[2] + 0.001, U_V / 3.0)]
    assert fit(rows, SUPPLY_V).table.output_v[2] == pytest.approx(bent(5)[2] + 0.0009)


def test_readings_that_fall_are_levelled_and_that_is_said() -> None:
    volts = bent(11)
    found = fit([*readings(volts), (0.51, volts[5] - 0.010, U_V)], SUPPLY_V)  # 10 mV down where 33 mV up is commanded
    assert found.table.output_v[5] == found.table.output_v[6] == pytest.approx(volts[5] - 0.005)
    assert [str(stretch) for stretch in found.table.pooled] == ["50.0 to 51.0 % of the range"]
    assert "levelled" in found.notes[0] and "5.00 mV" in found.notes[0]
    # On the level any command gives the volts: the middle. Beside it the way leads from its ends.
    level = float(found.table.output_v[5])
    assert found.table.command_for(level) == pytest.approx(0.505)
    assert found.table.command_for(np.array([level - 1e-6, level + 1e-6])) == pytest.approx([0.5, 0.51], abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.0, 0.2), min_size=1, max_size=32).filter(lambda steps: sum(steps) > 0.01),
    st.floats(0.0, 1.0),
)
def test_inverse_of_any_table_that_never_falls(steps: list[float], at: float) -> None:
    output = np.concatenate([[0.1], 0.1 + np.cumsum(steps)])
    table = Table(np.linspace(0.0, 1.0, len(output)), output)
    wanted = output[0] + at * (output[-1] - output[0])
    command = float(table.command_for(wanted))
    assert 0.0 <= command <= 1.0
    assert float(table.at(command)) == pytest.approx(wanted, abs=1e-9)


def refused(rows: list[tuple[float, float, float]]) -> NotFollowing:
    with pytest.raises(NotFollowing) as caught:
        fit(rows, SUPPLY_V)
    assert caught.value.todo and str(caught.value) == caught.value.what
    return caught.value


@pytest.mark.parametrize("stuck_v", [0.0, 1.65, 3.29])
def test_a_dead_output_is_refused(stuck_v: float) -> None:
    error = refused(readings([stuck_v, stuck_v + 0.002, stuck_v - 0.001, stuck_v + 0.001]))
    assert error.kind == "dead" and "0.0 to 100.0 % of the range" in error.what


def test_a_slope_of_the_wrong_sign_is_refused() -> None:
    error = refused(readings(bent()[::-1]))
    assert error.kind == "wrong way" and "falls by 3.2" in error.what


def test_an_output_that_saturates_is_refused_with_where() -> None:
    error = refused(readings([min(v, 2.1) for v in bent(21)]))
    assert error.kind == "stuck high" and "2.100 V over 65.0 to 100.0 %" in error.what
    assert refused(readings([max(v, 0.9) for v in bent(21)])).kind == "stuck low"
    error = refused(readings([0.0, 0.4, 0.8, 1.2, 1.21, 1.22, 1.8, 2.4, 2.9, 3.2]))
    assert error.kind == "stuck between" and "33.3 to 55.6 %" in error.what


def test_a_little_saturation_at_a_rail_is_only_said() -> None:
    found = fit(readings([max(v, 0.15) for v in bent(33)]), SUPPLY_V)
    assert found.notes == ("the output hardly follows over 0.0 to 3.1 % of the range",)


def test_a_reading_above_the_supply_is_refused() -> None:
    assert refused(readings([0.0, 1.8, 3.6])).kind == "above supply"
    assert fit(readings([0.0, 1.65, 3.32]), SUPPLY_V).notes == ()  # two meters that differ by less than a percent


def test_a_slip_in_typing_is_refused_with_the_point() -> None:
    volts = bent(11)
    volts[4] = 1.038  # 1.308 was shown
    error = refused(readings(volts))
    assert error.kind == "erratic" and "1.0380 V at 40.0 % of the range" in error.what
    volts[4] = 1.803  # falls again after it
    error = refused(readings(volts))
    assert error.kind == "erratic" and "1.8030 V at 40.0 % of the range" in error.what
    # Two readings at one command that contradict each other.
    error = refused([*readings(bent(11)), (0.4, 1.803, U_V)])
    assert error.kind == "erratic" and "at 40.0 % of the range" in error.what


def test_a_strong_bow_and_a_corner_are_no_slips() -> None:
    at = np.linspace(0.0, 1.0, 9)
    bow = [float(v) for v in 3.2 * (at + 0.6 * at * (1.0 - at))]
    assert fit(readings(bow), SUPPLY_V).notes == ()
    corner = [float(v) for v in np.where(at < 0.5, 4.4 * at, 2.2 + 1.6 * (at - 0.5))]
    assert fit(readings(corner), SUPPLY_V).notes == ()


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([], "rows of three"),
        ([(0.5, 1.0, 0.0)], "1 different commands, accepted 2 to 33"),
        ([(k / 40, k / 40, 0.0) for k in range(41)], "41 different commands"),
        ([(0.0, 0.0, 0.0), (1.2, 3.0, 0.0)], "0..1"),
        ([(0.0, math.nan, 0.0), (1.0, 3.0, 0.0)], "rows of three"),
        ([(0.0, 0.0, -0.1), (1.0, 3.0, 0.0)], "standard uncertainty"),
    ],
)
def test_readings_that_cannot_be(rows: list[tuple[float, float, float]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit(rows, SUPPLY_V)
    with pytest.raises(ValueError, match="supply 0"):
        fit(readings(bent()), 0.0)


def test_two_points_have_an_uncertainty_only_where_the_readings_have_one() -> None:
    x = np.array([0.0, 1.0])
    bare, known = straight_line(x, 3.0 * x), straight_line(x, 3.0 * x, np.array([0.003, 0.004]))
    assert bare.u_slope is None and bare.residual_sd is None and bare.u_at(0.5) is None
    # Hand-worked: the slope is a difference of both, 5 mV; at either point the line is that reading.
    assert known.u_slope == pytest.approx(0.005) and known.u_offset == pytest.approx(0.003)
    assert known.u_at(1.0) == pytest.approx(0.004)
    with pytest.raises(ValueError, match="two different"):
        straight_line(np.zeros(3), np.zeros(3))
    with pytest.raises(ValueError, match="one length"):
        straight_line(np.arange(3.0), np.zeros(2))


def test_scatter_below_what_the_readings_allow_makes_nothing_more_certain() -> None:
    x = np.linspace(0.0, 1.0, 5)
    line = straight_line(x, 2.0 * x, np.full(5, 0.01))
    # Hand-worked: sum of squares about the mean is 0.625, so 0.01 / sqrt(0.625)
    assert line.u_slope == pytest.approx(0.01 / math.sqrt(0.625))


def made() -> TrimFit:
    return fit(readings(bent(5)), SUPPLY_V)


def test_between_the_points_is_judged_about_zero() -> None:
    table = made().table
    rows = [(0.1, float(table.at(0.1)) + 0.003), (0.6, float(table.at(0.6)) - 0.004)]
    checked = between(table, rows)
    assert checked.rms_v == pytest.approx(math.sqrt((9e-6 + 16e-6) / 2)) and checked.df == 2.0
    assert (checked.worst_v, checked.worst_command) == (pytest.approx(-0.004), 0.6)
    for wrong in ([], [(1.1, 3.0)], [(math.nan, 3.0)]):
        with pytest.raises(ValueError, match="accepted"):
            between(table, wrong)


GIVEN = tb.OutputInputs(
    level_v=1.65, supply_v=3.3, meter_half_v=0.011, resolution_v=0.001, ripple_pp_v=0.006, u_supply_v=0.004,
    fit_rms_v=0.0012, fit_df=4.0, step_v=3.3 / 4096,
)  # fmt: skip


def test_budget_of_one_voltage_by_hand() -> None:
    budget = tb.output_budget(GIVEN)
    parts = {c.name: c.contribution for c in budget.components}
    # Hand-worked from JCGM 100:2008, 4.3.7 and 5.1.2: half widths over sqrt(3), the supply by level / supply = 0.5
    assert parts == {
        "supply": pytest.approx(0.002),
        "meter": pytest.approx(0.0063509, abs=1e-7),
        "meter resolution": pytest.approx(0.00028868, abs=1e-8),
        "ripple": pytest.approx(0.0017321, abs=1e-7),
        "fit": pytest.approx(0.0012),
        "output step": pytest.approx(0.00023257, abs=1e-8),
    }
    # 4 + 40.3333 + 0.0833 + 3 + 1.44 + 0.0541 = 48.9107 (mV squared), so 6.9936 mV
    assert budget.u == pytest.approx(0.0069936, abs=2e-7)
    # eq. G.2b: only the fit has finite degrees of freedom
    assert budget.df == pytest.approx(0.0069936**4 / (0.0012**4 / 4.0), rel=1e-3)
    assert budget.expanded == pytest.approx(0.0139872, abs=4e-7)


def test_few_readings_between_the_points_widen_the_interval() -> None:
    rough = tb.output_budget(tb.OutputInputs(1.65, 3.3, 0.0, 0.0, 0.0, 0.0, 0.002, 2.0))
    assert rough.df == pytest.approx(2.0)
    # t of 2 degrees of freedom at 95.45 %: 4.53 (JCGM 100:2008, table G.2; value from memory)
    assert rough.expanded_by_t() / rough.u == pytest.approx(4.53, abs=5e-3)


def test_budget_in_degrees() -> None:
    volts, degrees = tb.output_budget(GIVEN), tb.output_budget(GIVEN).in_degrees(-0.0183, 90.0)
    assert (degrees.value, degrees.unit) == (90.0, "deg")
    assert degrees.u == pytest.approx(volts.u / 0.0183)
    assert degrees.df == pytest.approx(volts.df)
    assert degrees.expanded_by_t() == pytest.approx(volts.expanded_by_t() / 0.0183)
    assert [c.u for c in degrees.components] == [c.u for c in volts.components]  # inputs stay what they are
    with pytest.raises(ValueError, match="slope 0"):
        volts.in_degrees(0.0, 90.0)


def test_an_output_of_its_own_reference_does_not_mind_the_supply() -> None:
    fixed = tb.output_budget(tb.OutputInputs(1.65, 3.3, 0.0, 0.0, 0.0, 0.1, 0.0, 1.0, ratiometric=False))
    assert fixed.u == 0.0 and math.isinf(fixed.df) and fixed.expanded == fixed.expanded_by_t() == 0.0


def test_budgets_that_cannot_be() -> None:
    for width, sensitivity, df, shape in (
        (-1.0, 1.0, 5.0, tb.NORMAL),
        (math.nan, 1.0, 5.0, tb.NORMAL),
        (1.0, math.inf, 5.0, tb.NORMAL),
        (1.0, 1.0, 0.0, tb.NORMAL),
        (1.0, 1.0, 5.0, "cauchy"),
    ):
        with pytest.raises(ValueError, match="accepted"):
            tb.Component("meter", shape, width, sensitivity, df)
    with pytest.raises(ValueError, match="doubt"):
        tb.df_of_doubt(-0.1)
    assert math.isinf(tb.df_of_doubt(0.0)) and tb.df_of_doubt(3.0) == 1.0
    with pytest.raises(ValueError, match="supply 0"):
        tb.output_budget(tb.OutputInputs(1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0))
