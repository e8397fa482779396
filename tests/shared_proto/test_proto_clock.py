"""Unwrapping of the tick counter, at every edge of its period."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_proto.clock import TICKS_PERIOD, Unwrap

HALF = TICKS_PERIOD // 2


def test_period_of_rp2() -> None:
    # MicroPython documentation, time.ticks_us; ports/rp2: 30 bits, that is 17.9 min
    assert TICKS_PERIOD == 2**30
    assert round(TICKS_PERIOD / 60e6, 1) == 17.9


@given(st.integers(0, TICKS_PERIOD - 1), st.lists(st.integers(0, HALF - 1), max_size=30))
def test_follows_true_time_over_any_number_of_wraps(start: int, steps: list[int]) -> None:
    clock = Unwrap()
    true_us = start
    assert clock.update(start) == 0
    for step in steps:
        true_us += step
        assert clock.update(true_us % TICKS_PERIOD) == true_us - start


@given(st.integers(0, TICKS_PERIOD - 1), st.integers(0, 1 << 40), st.integers(-HALF + 1, HALF - 1))
def test_stamps_before_and_after_the_last_update(start: int, elapsed: int, offset: int) -> None:
    clock = Unwrap()
    clock.update(start)
    at = 0
    while at < elapsed and elapsed - at < 40 * HALF:
        at = min(elapsed, at + HALF - 1)
        clock.update((start + at) % TICKS_PERIOD)
    now = clock.update((start + at) % TICKS_PERIOD)
    assert clock.at((start + at + offset) % TICKS_PERIOD) == max(0, now + offset)


@pytest.mark.parametrize("edge", [0, 1, HALF - 1, HALF, HALF + 1, TICKS_PERIOD - 2, TICKS_PERIOD - 1])
@pytest.mark.parametrize("step", [0, 1, 1000, HALF - 1])
def test_across_every_edge(edge: int, step: int) -> None:
    clock = Unwrap()
    clock.update(edge)
    assert clock.update((edge + step) % TICKS_PERIOD) == step
    assert clock.at(edge) == 0


def test_an_old_stamp_never_turns_time_back_or_a_period_on() -> None:
    clock = Unwrap()
    clock.update(1000)
    clock.update(5000)
    assert clock.update(4000) == 4000
    assert clock.update(6000) == 5000


def test_another_period_and_no_update() -> None:
    clock = Unwrap(256)
    assert clock.at(7) == 0
    assert [clock.update(ticks) for ticks in (250, 4, 100, 200, 20)] == [0, 10, 106, 206, 282]
