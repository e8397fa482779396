"""Which reaction belongs to which stimulus."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.measure import latency

times = st.lists(st.integers(0, 10_000), max_size=30).map(sorted)


def slow_pairs(stimuli: list[int], reactions: list[int], window: int) -> dict[int, int]:
    """The rule in plain words: the first reaction at or after a stimulus, in its window, before the next
    stimulus.
    """
    out = {}
    for i, start in enumerate(stimuli):
        end = stimuli[i + 1] if i + 1 < len(stimuli) else None
        fitting = [
            j for j, t in enumerate(reactions) if start <= t <= start + window and (end is None or t < end)
        ]
        if fitting:
            out[i] = fitting[0]
    return out


@settings(max_examples=200, deadline=None)
@given(stimuli=times, reactions=times, window=st.integers(1, 3000))
def test_pairs_follow_the_rule_and_nothing_is_lost(
    stimuli: list[int], reactions: list[int], window: int
) -> None:
    found = latency.pair(stimuli, reactions, window)
    pairs = dict(zip(found.stimulus_index.tolist(), found.reaction_index.tolist(), strict=True))
    assert pairs == slow_pairs(stimuli, reactions, window)
    assert sorted([*pairs, *found.missed.tolist()]) == list(range(len(stimuli)))
    assert sorted([*pairs.values(), *found.extra.tolist()]) == list(range(len(reactions)))
    assert found.trials == len(stimuli)
    assert all(0 <= us <= window for us in found.latency_us.tolist())


def test_a_late_reaction_is_a_miss_and_an_extra() -> None:
    found = latency.pair([0, 1000, 2000], [100, 1900, 2050], window_us=500)
    assert found.latency_us.tolist() == [100, 50]
    assert (found.missed.tolist(), found.extra.tolist(), found.trials) == ([1], [1], 3)
    median = latency.median_interval(found.latency_us)
    assert median.value == 75.0 and median.low is None  # two pairs give no interval


def test_of_two_stimuli_before_a_reaction_the_last_one_is_answered() -> None:
    found = latency.pair([10, 30], [50], window_us=100)
    assert (found.stimulus_index.tolist(), found.latency_us.tolist(), found.missed.tolist()) == ([1], [20], [0])


def test_the_windows_ends_belong_to_it() -> None:
    found = latency.pair([0, 1000, 2000], [0, 1500, 2501], window_us=500)
    assert (found.latency_us.tolist(), found.missed.tolist()) == ([0, 500], [2])


def test_no_reaction_at_all() -> None:
    found = latency.pair([10, 20], [], window_us=5)
    assert found.missed.tolist() == [0, 1]
    assert latency.median_interval(found.latency_us).value is None


@pytest.mark.parametrize(("stimuli", "reactions"), [([2, 1], []), ([], [5, 4]), ([0.5], [1]), ([[1, 2]], [])])
def test_times_that_cannot_be_are_refused(stimuli: list[int], reactions: list[int]) -> None:
    with pytest.raises(ValueError, match="accepted"):
        latency.pair(stimuli, reactions, 10)


def test_a_window_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="window"):
        latency.pair([1], [2], 0)


def test_board_time_of_years_keeps_its_microseconds() -> None:
    start = 2**55  # a thousand years of microseconds, beyond what a float holds exactly
    found = latency.pair(np.array([start, start + 10]), np.array([start + 1, start + 11]), 5)
    assert found.latency_us.tolist() == [1, 1]


@pytest.mark.parametrize("bad", [[1.0, float("nan")], [float("inf")]])
def test_values_that_are_no_numbers_are_refused(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="finite"):
        latency.median_interval(bad)
