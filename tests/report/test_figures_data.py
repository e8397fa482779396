"""From the record to tracks: boots on one axis, gaps, angles, levels, power states and latencies."""

from __future__ import annotations

import numpy as np
import pytest
from figure_runs import Made, alder, cycles, timeline_of
from lidjig.record.stored import StoredGap, StoredSample
from lidjig.show.report.figures.tracks import StepTrack
from lidjig.show.report.figures.trials import series_of, trials_from

S0_LINES = 0b11010000  # observers 1 and 2 high, supply there


def words_of(track: StepTrack) -> list[str]:
    return [track.words[value] for _begin, _end, value, _inferred in track.spans()]


def lines(boot: str, t_s: float, mask: int) -> StoredSample:
    return StoredSample(f"lines boot {boot}", "mask", float(mask), None, 1, round(t_s * 1e6), None, (), None)


def test_power_states_follow_the_observers() -> None:
    made = cycles(2)
    made.event("mark", 9.0, pressed=0)  # the last state lasts until something else is heard
    made.samples.append(lines("00000001", 0.05, S0_LINES))
    found = timeline_of(made.run(), alder())
    assert words_of(found.power) == ["S0", "S3", "S0", "S3", "S0"]
    begin = found.power.spans()[1][0]
    assert begin == round(1.3e6 + 0.7e6 + (37 % 100) / 250.0 * 1e6)


def test_without_a_reading_an_observer_that_never_changed_leaves_the_state_unknown() -> None:
    found = timeline_of(cycles(2).run(), alder())
    assert not found.power.heard
    observer_2 = next(track for track in found.observers if track.name == "observer_2")
    assert not observer_2.heard


def test_without_a_profile_states_are_unknown_and_the_rest_is_drawn() -> None:
    found = timeline_of(cycles(2).run(), None)
    assert not found.power.heard
    assert [band.track.name for band in found.bands] == ["charger_v", "charger_i", "light"]
    assert found.bands[0].thresholds == ()


def test_a_restart_lays_the_boots_one_after_another() -> None:
    made = Made("confirm")
    made.begin()
    made.move(1.0, shut=True, latency_s=0.9)
    made.event("mark", 3.0, pressed=0)
    before = len(made.events)
    made.gaps += [
        StoredGap("link-lost", "the port closed", None, before),
        StoredGap("link-back", "a frame came", None, before),
        StoredGap("restart", "boot 00000001 -> 0000000f", None, before),
    ]
    made.begin()
    made.move(1.0, shut=True, latency_s=0.8)
    made.event("mark", 3.0, pressed=0)
    # The second reading is later in its boot than the first was in its own: only the boot id tells them apart.
    made.samples += [lines("00000001", 0.05, S0_LINES), lines("0000000f", 0.09, S0_LINES)]
    found = timeline_of(made.run(), alder())
    first, second = found.boots
    assert (first.first, first.last, second.first) == (0, before - 1, before)
    assert second.offset_us >= first.end_us + 1_000_000
    assert words_of(found.power) == ["S0", "S3", "S0", "S3"]
    assert {gap.kind for gap in found.gaps} == {"link-lost", "restart"}
    for gap in found.gaps:
        assert gap.begin_us == first.end_us
        assert gap.end_us == second.offset_us
        assert gap.place == before - 1
    angles = found.angle.deg
    assert np.any(np.isnan(angles[:-1])), "the angle is not drawn through the gap"


def test_lost_events_break_every_track() -> None:
    made = Made()
    made.begin()
    made.event("edge", 1.0, line=6, level=1)
    made.event("lost", 2.0, count=7)
    made.event("edge", 3.0, line=6, level=1)
    made.event("edge", 4.0, line=6, level=0)
    found = timeline_of(made.run(), alder())
    observer = next(track for track in found.observers if track.name == "observer_1")
    spans = [(begin / 1e6, end / 1e6, value, inferred) for begin, end, value, inferred in observer.spans()]
    before, after = [(0.0, 1.0, 0, True), (1.0, 2.0, 1, False)], [(2.0, 3.0, 0, True), (3.0, 4.0, 1, False)]
    assert spans == [*before, *after, (4.0, 4.0, 0, False)]  # the last change is the end of the record


def test_a_smooth_move_passes_its_middle_at_half_time_and_a_slow_one_is_a_line() -> None:
    made = Made("sweep")
    made.begin()
    made.event("departed", 1.0, segment=1, angle_mdeg=100000)
    made.event("output", 19.4, output=0, operated=1, angle_mdeg=8000)
    made.event("arrived", 21.0, segment=1, angle_mdeg=0)
    made.event("departed", 30.0, segment=2, angle_mdeg=0)
    made.event("output", 30.15, output=0, operated=0, angle_mdeg=27516)
    made.event("arrived", 30.4, segment=2, angle_mdeg=100000)
    found = timeline_of(made.run(), alder()).angle
    at = lambda t_s: float(np.interp(t_s * 1e6, found.t_us, found.deg))  # noqa: E731
    assert at(6.0) == pytest.approx(75.0, abs=0.1)
    assert at(30.2) == pytest.approx(50.0, abs=0.1)
    assert at(30.1) == pytest.approx(10.35, abs=0.6)  # 10 u^3 - 15 u^4 + 6 u^5 at u = 1/4


def test_a_killed_run_ends_open_and_a_window_keeps_its_rows() -> None:
    found = timeline_of(cycles(3).run(closed=False), alder())
    assert not found.closed
    window = found.between(2_000_000, 4_000_000)
    assert window.closed
    assert [track.name for track in window.observers] == [track.name for track in found.observers]
    assert window.end_us == 4_000_000
    with pytest.raises(ValueError, match="window"):
        found.between(5, 5)


def test_a_run_without_events_is_empty_and_not_an_error() -> None:
    found = timeline_of(Made().run(), alder())
    assert found.end_us > found.begin_us
    assert found.gaps == ()


def test_cycles_give_their_latencies_and_misses() -> None:
    sleep, wake = series_of(trials_from(cycles(20, miss_every=5).run()))
    assert (sleep.verb, len(sleep.rows), sleep.misses) == ("sleep", 20, 4)
    assert (wake.verb, len(wake.rows), wake.misses) == ("wake", 16, 0)
    assert sleep.rows[4].latency_s is None
    assert sleep.rows[0].latency_s == pytest.approx(0.848)
    assert sleep.median.low is not None and sleep.median.high is not None
    made = cycles(20, miss_every=5)
    first = sleep.rows[0]
    assert first.place is not None
    assert made.events[first.place].name == "output"
    assert made.events[first.place].t_us == first.stimulus_us


def test_a_movement_that_no_trial_was_made_of_says_nothing() -> None:
    """The record broke off in it, or it brought the machine back: only the procedure knows."""
    made = cycles(1)
    made.move(5.0, shut=True, latency_s=None)
    assert [row.result for row in trials_from(made.run(closed=False))] == ["hit", "hit"]
    made.steps.clear()
    assert trials_from(made.run()) == []


def test_trials_find_their_boot_and_a_lost_one_is_no_row() -> None:
    """The second boot's first trial comes later in it than the last one came in the first: times alone do not tell."""
    made = Made()
    made.begin()
    made.cycle(1, 1.0)
    made.begin()
    made.cycle(2, 11.0)
    made.cycle(3, 15.0)
    assert isinstance(made.steps[2].result, list)
    made.steps[2].result[1] |= {"reaction_us": None, "found": "S5"}
    rows = trials_from(made.run())
    assert [(row.number, row.verb, row.boot, row.result) for row in rows] == [
        (1, "sleep", 1, "hit"), (1, "wake", 1, "hit"), (2, "sleep", 2, "hit"), (2, "wake", 2, "hit"),
        (3, "sleep", 2, "hit"),
    ]  # fmt: skip
    assert all(row.place is not None and made.events[row.place].t_us == row.stimulus_us for row in rows)


def test_a_round_over_a_restart_has_trials_of_both_boots() -> None:
    """What was found wrong before the restart stays in the round that is taken again after it."""
    made = Made("confirm")
    made.begin()
    made.cycle(1, 1.0)
    made.move(5.0, shut=True, latency_s=None)
    made.begin()
    made.cycle(2, 1.5)
    made.steps[1].result.insert(0, dict(made.steps[0].result[0], stimulus_us=5_300_000, reaction_us=None))
    found = [(row.result, row.boot, row.place is not None) for row in trials_from(made.run())]
    assert found[2:] == [("miss", 1, True), ("hit", 2, True), ("hit", 2, True)]
