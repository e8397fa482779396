"""Tracks and their decimation: what lies in a column is never lost, whatever its length."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.show.report.figures.latency import POINTS_MAX, thinned
from lidjig.show.report.figures.tracks import UNKNOWN, AngleTrack, StepTrack, runs_of, steps

WORDS = ("a", "b", "c")
Change = tuple[int, int]


def track(changes: list[Change], end: int) -> StepTrack:
    return steps("x", WORDS, [(0, end, changes, False)])


@given(st.lists(st.tuples(st.integers(0, 9_999), st.integers(0, 2)), max_size=60), st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_extremes_of_columns_are_those_of_every_moment(changes: list[Change], columns: int) -> None:
    found = track(changes, 10_000)
    low, high = found.extremes(np.linspace(0.0, 10_000.0, columns + 1))
    for begin, end, value, _inferred in found.spans():
        if end == begin:
            continue
        first = int(begin * columns / 10_000)
        last = min(columns - 1, int((end - 1e-9) * columns / 10_000))
        for column in range(first, last + 1):
            assert low[column] <= value <= high[column]


@given(st.lists(st.tuples(st.integers(0, 9_999), st.integers(0, 2)), min_size=1, max_size=60), st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_shares_add_up_to_the_known_time(changes: list[Change], columns: int) -> None:
    found = track(changes, 10_000)
    shares = found.shares(np.linspace(0.0, 10_000.0, columns + 1))
    assert np.all(shares >= -1e-12)
    known = sum(end - begin for begin, end, _value, _inferred in found.spans())
    assert float(np.sum(shares)) * 10_000 / columns == pytest.approx(known, abs=1e-6)


def test_a_spike_of_a_microsecond_is_kept_among_a_million() -> None:
    changes = [(0, 0), (3_600_000_000, 1), (3_600_000_001, 0)]
    found = track(changes, 7_200_000_000)
    _low, high = found.extremes(np.linspace(0.0, 7.2e9, 601))
    assert np.count_nonzero(high == 1) >= 1
    assert np.count_nonzero(high == 1) <= 2


def test_angle_extremes_are_kept_at_full_length() -> None:
    n = 200_000
    deg = np.full(n, 50.0)
    deg[123_456], deg[77_777] = 179.5, 0.25
    found = AngleTrack(np.arange(n, dtype=np.int64) * 1000, deg)
    low, high = found.extremes(np.linspace(0.0, float(n * 1000), 569))
    assert float(np.nanmax(high)) == 179.5
    assert float(np.nanmin(low)) == 0.25
    assert not np.any(np.isnan(high[:-1]))


def test_angle_between_points_is_a_line_and_a_break_is_a_gap() -> None:
    deg = np.array([0.0, 100.0, np.nan, 30.0, 30.0])
    found = AngleTrack(np.array([0, 1000, 1000, 2100, 3000], dtype=np.int64), deg)
    low, high = found.extremes(np.array([0.0, 500.0, 1000.0, 1500.0, 2000.0, 3000.0]))
    assert (low[0], high[0]) == (0.0, 50.0)
    assert np.isnan(high[3])
    assert (low[4], high[4]) == (30.0, 30.0)
    window = found.between(250, 750)
    assert window.deg[0] == 25.0
    assert np.nanmax(window.deg) == 75.0


def test_the_level_before_the_first_change_is_inferred_only_where_asked() -> None:
    inferred = steps("x", ("low", "high"), [(0, 100, [(40, 0)], True)])
    assert inferred.spans() == [(0, 40, 1, True), (40, 100, 0, False)]
    told = steps("x", ("low", "high"), [(0, 100, [(40, 0)], False)])
    assert told.spans() == [(40, 100, 0, False)]
    assert not steps("x", ("low", "high"), [(0, 100, [], True)]).heard


def test_a_value_that_has_no_name_is_unknown() -> None:
    found = steps("x", WORDS, [(0, 100, [(10, 7), (20, 1)], False)])
    assert found.spans() == [(20, 100, 1, False)]
    assert found.value[1] == UNKNOWN


def test_a_late_band_event_is_put_in_its_place() -> None:
    found = steps("x", WORDS, [(0, 100, [(50, 1), (30, 0)], False)])
    assert found.spans() == [(30, 50, 0, False), (50, 100, 1, False)]


def test_a_window_holds_what_held_at_its_begin() -> None:
    found = track([(0, 0), (40, 1), (60, 2)], 100).between(45, 55)
    assert found.spans() == [(45, 55, 1, False)]


def test_runs_of_equal_codes() -> None:
    assert runs_of([]) == []
    assert runs_of([1, 1, 2]) == [(0, 2, 1), (2, 3, 2)]


def test_thinning_keeps_extremes_and_leaves_few_alone() -> None:
    x = np.arange(100_000, dtype=np.float64)
    y = np.sin(x)
    y[54_321], y[12_345] = 9.0, -9.0
    fewer_x, fewer_y = thinned(x, y)
    assert len(fewer_x) <= POINTS_MAX
    assert (float(fewer_y.max()), float(fewer_y.min())) == (9.0, -9.0)
    assert float(fewer_x[list(fewer_y).index(9.0)]) == 54_321.0
    same_x, _ = thinned(x[:POINTS_MAX], y[:POINTS_MAX])
    assert len(same_x) == POINTS_MAX
