"""What is learned from labelled recordings, on series whose makers are known."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.measure.states_bands import apart, comparator, from_bands
from lidjig.measure.states_cross import EVIDENCE_MIN, separability
from lidjig.measure.states_learn import Recording, learn
from lidjig.measure.states_model import FRAME_US, MISFIT_MAX, Level, Scope, Track
from scipy import integrate, stats

from tests.measure.states_series import Synthetic


def test_the_density_is_one_and_that_of_student() -> None:
    """Against scipy.stats.t; a plateau keeps its area at 1."""
    values = np.linspace(-30.0, 30.0, 601)
    wanted = stats.t(df=5.0, loc=2.0, scale=3.0).logpdf(values)
    np.testing.assert_allclose(Level(2.0, 3.0).log_density(values), wanted, atol=1e-9)
    wide = Level(10.0, 1.0, half=20.0)
    area = integrate.quad(lambda x: float(np.exp(wide.log_density(np.array([x]))[0])), -400, 400, points=[-10, 30])[0]
    assert area == pytest.approx(1.0, abs=1e-4)


def test_levels_spread_and_rhythm_of_a_blinking_machine() -> None:
    machine = Synthetic(seed=2, blink=(3.0, 0.4, 60.0), light={"S0": 600.0, "S3": 20.0, "S5": 20.0})
    model = learn(machine.recordings(30.0))
    shape = model.signatures["S3"]["light"]
    assert [level.centre for level in shape.levels] == pytest.approx([20.0, 60.0], abs=0.5)
    assert [level.share for level in shape.levels] == pytest.approx([2.6 / 3.0, 0.4 / 3.0], abs=0.01)
    assert shape.period_s == pytest.approx(3.0, abs=0.05)
    assert shape.levels[0].hold_s == pytest.approx((2.6, 2.6), abs=0.05)
    current = model.signatures["S0"]["current"]
    assert len(current.levels) == 1
    assert current.levels[0].spread == pytest.approx(25.0, rel=0.05)
    assert current.period_s is None


def test_a_screen_that_dims_has_two_levels_and_no_rhythm_is_needed() -> None:
    machine = Synthetic(seed=3, dim=(12.0, 5.0, 180.0))
    shape = learn(machine.recordings(30.0)).signatures["S0"]["light"]
    assert [level.centre for level in shape.levels] == pytest.approx([180.0, 600.0], abs=1.0)


@pytest.mark.parametrize("ar", [0.0, 0.5, 0.9])
def test_readings_that_repeat_each_other_count_less(ar: float) -> None:
    """(1 - r) / (1 + r) independent readings for one, r the correlation of neighbours in a first-order process (G. V.
    Bayley and J. M. Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184). 40 batches give it to a third.
    """
    model = learn(Synthetic(seed=5, ar=ar).recordings(20.0))
    wanted = 200.0 * (1.0 - ar) / (1.0 + ar)
    assert model.signatures["S0"]["current"].independent_per_s == pytest.approx(wanted, rel=0.35)


def test_spikes_do_not_become_levels() -> None:
    shape = learn(Synthetic(seed=6, spikes=0.01).recordings(20.0)).signatures["S5"]["light"]
    assert len(shape.levels) == 1
    assert shape.levels[0].centre < 10.0


def test_separate_states_are_told_apart_and_by_whom_is_said() -> None:
    machine = Synthetic(seed=7)
    recordings = machine.recordings(20.0)
    found = separability(recordings, learn(recordings))
    assert found.errors.value == 0.0 and found.errors.n == 120
    assert found.errors.high == pytest.approx(1.0 - 0.025 ** (1 / 120), rel=1e-6)  # Clopper-Pearson of 0 in n
    assert not found.overlapping
    by = {(pair.state, pair.other): pair.carried_by for pair in found.pairs}
    assert by["S5", "S3"] == ["current"]
    assert set(by["S0", "S3"]) == {"light", "current", "slp3"}


def test_an_observer_that_says_all_it_may_gives_a_lower_bound() -> None:
    """What one may hold against a state in a frame is limited: at the limit it might have said more, so that the sum
    has no upper end, and blocks that all stand at it have no spread to make an interval of.
    """
    recordings = Synthetic(seed=7).recordings(20.0)
    pairs = {frozenset((pair.state, pair.other)): pair for pair in separability(recordings, learn(recordings)).pairs}
    pair = pairs[frozenset(("S0", "S3"))]
    assert max(pair.nats_by_observer.values()) == pytest.approx(MISFIT_MAX * 1e6 / FRAME_US)
    assert pair.evidence.bound == "at least" and pair.evidence.high is None and pair.evidence.u is None
    assert pair.evidence.value is not None and EVIDENCE_MIN < pair.evidence.value <= pair.nats_per_s
    near = separability(overlapping_machine(1.0), learn(overlapping_machine(1.0))).pairs
    low = next(pair for pair in near if {pair.state, pair.other} == {"S3", "S5"}).evidence
    assert low.bound == "" and low.low is not None and low.value is not None and low.low < low.value


def test_a_rhythm_alone_tells_states_apart_given_its_time() -> None:
    machine = Synthetic(seed=8, blink=(2.0, 0.3, 80.0), current={"S0": 900.0, "S3": 15.0, "S5": 15.0})
    machine = Synthetic(**{**machine.__dict__, "current_noise": {"S0": 25.0, "S3": 2.0, "S5": 2.0}})
    recordings = machine.recordings(40.0)
    found = separability(recordings, learn(recordings))
    assert found.block_s == pytest.approx(4.0, abs=0.1)
    assert not found.overlapping
    pair = next(pair for pair in found.pairs if {pair.state, pair.other} == {"S3", "S5"})
    assert pair.carried_by == ["light"]


def overlapping_machine(distance: float) -> list[Recording]:
    """Asleep and off differ by `distance` spreads of the current alone; neighbours repeat each other."""
    noise = {"S0": 25.0, "S3": 4.0, "S5": 4.0}
    current = {"S0": 900.0, "S3": 100.0 + 4.0 * distance, "S5": 100.0}
    return Synthetic(seed=9, current=current, current_noise=noise, ar=0.97).recordings(20.0)


def test_states_that_look_the_same_overlap() -> None:
    recordings = overlapping_machine(0.0)
    found = separability(recordings, learn(recordings))
    assert [{pair.state, pair.other} for pair in found.overlapping] == [{"S3", "S5"}]
    pair = found.overlapping[0]
    assert pair.errors.value is not None and pair.errors.value > 0.2
    assert pair.carried_by == []


def test_the_estimate_follows_the_truth() -> None:
    """Blocks of two normal distributions d spreads apart whose noise is nearly constant in a block (correlation 0.97 at
    200 a second has a time constant of 0.16 s): one block is worth a few independent readings k, and the error is
    Phi(-d sqrt(k) / 2). It falls with d, and lies between the values for k = 1 and k = 8.
    """
    shares = []
    for distance in (0.5, 1.0, 2.0):
        recordings = overlapping_machine(distance)
        found = separability(recordings, learn(recordings))
        pair = next(p for p in found.pairs if {p.state, p.other} == {"S3", "S5"})
        assert pair.errors.low is not None and pair.errors.high is not None and pair.errors.value is not None
        shares.append(pair.errors.value)
        most, least = stats.norm.cdf(-distance / 2.0), stats.norm.cdf(-distance * np.sqrt(8.0) / 2.0)
        assert pair.errors.low <= most and pair.errors.high >= least
    assert shares == sorted(shares, reverse=True)


def test_comparators_keep_off_every_level_and_to_the_boards_limits() -> None:
    machine = Synthetic(seed=10, charging=0.0, blink=(3.0, 0.4, 60.0), spikes=0.002)
    recordings = machine.recordings(20.0)
    model = learn(recordings)
    current = comparator(model, "current", recordings, 0.05)
    assert current.bands == {"S0": (2,), "S3": (1,), "S5": (0,)}
    for state, readings in ((r.state, r.tracks["current"].values) for r in recordings):
        band = np.searchsorted(current.thresholds, readings)
        assert np.isin(band, current.bands[state]).mean() > 0.99  # but for the spikes
    light = comparator(model, "light", recordings, 0.02)
    assert light.bands["S0"] != light.bands["S5"]
    assert 20 <= light.dwell_ms <= 1000
    for found in (current, light):
        assert len(found.thresholds) <= 3
        assert found.hysteresis > 0.0
        gaps = np.diff([0.0, *found.thresholds])
        assert (gaps > found.hysteresis).all()


def test_dwell_is_longer_than_any_stray_reading() -> None:
    machine = Synthetic(seed=11)
    recordings = machine.recordings(20.0)
    track = recordings[1].tracks["light"]
    values = track.values.copy()
    values[2000:2015] = 600.0  # 30 ms of light while asleep
    tracks = {**recordings[1].tracks, "light": Track(track.t_us, values)}
    recordings[1] = Recording("S3", tracks, recordings[1].begin_us, recordings[1].end_us)
    model = learn(recordings)
    assert len(model.signatures["S3"]["light"].levels) == 1
    assert comparator(model, "light", recordings).dwell_ms == 60


def test_more_levels_than_thresholds_keep_the_pairs_apart() -> None:
    """Four states on one channel, six levels: three thresholds still separate all of them."""
    levels = {"G3": [0.0], "S5": [100.0, 150.0], "S3": [300.0, 350.0], "S0": [800.0]}
    recordings = []
    for place, (state, values) in enumerate(levels.items()):
        times = np.arange(0, 8_000_000, 5_000) + place * 10_000_000
        series = np.repeat(values, times.size // len(values)) + np.random.default_rng(place).normal(0, 2, times.size)
        recordings.append(
            Recording(state, {"current": Track(times, series)}, int(times[0]), int(times[-1]) + 5_000)
        )
    model = learn(recordings)
    found = comparator(model, "current", recordings)
    assert len(found.thresholds) == 3
    shown = {state: {"current": frozenset(bands)} for state, bands in found.bands.items()}
    assert all(apart(shown[a], shown[b]) for a in shown for b in shown if a != b)


def test_a_machine_that_nobody_taught_has_the_bands_of_its_profile() -> None:
    signatures = {
        "S0": {"light": frozenset({1}), "slp": frozenset({1})},
        "S3": {"light": frozenset({0, 1}), "slp": frozenset({0})},
    }
    scopes = {"light": Scope(0.0, 1000.0), "slp": Scope(0.0, 1.0, digital=True), "unused": Scope(0.0, 1.0)}
    model = from_bands(signatures, {"light": [250.0]}, scopes)
    assert set(model.scopes) == {"light", "slp"}
    assert model.told_by("S0", "S3", frozenset({"slp"})) > 1.0
    assert [level.centre for level in model.signatures["S3"]["light"].levels] == [125.0, 625.0]


def test_nothing_recorded_is_said() -> None:
    with pytest.raises(ValueError, match="nothing was recorded"):
        learn([])
    with pytest.raises(ValueError, match="do not ascend"):
        Track(np.array([2, 1]), np.zeros(2))
    with pytest.raises(ValueError, match="accepted"):
        Track(np.array([1, 2]), np.zeros(3))
