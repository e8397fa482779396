"""Forward-backward and Viterbi against worked examples and an independent library."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from lidjig.measure.states_hmm import forward_backward, viterbi


def test_the_umbrella_world() -> None:
    """S. Russell and P. Norvig, Artificial Intelligence, on inference in temporal models: umbrella on days 1, 2,
    none on day 3, umbrella on days 4, 5. Smoothed probability of rain as in Wikipedia, "Forward-backward algorithm",
    example (values from memory to 4 digits: 0.8673, 0.8204, 0.3075, 0.8204, 0.8673).
    """
    umbrella = np.array([1, 1, 0, 1, 1])
    like = np.where(umbrella[:, None] == 1, [0.9, 0.2], [0.1, 0.8])
    change = np.array([[0.7, 0.3], [0.3, 0.7]])
    # That example gives a prior for day 0; the first frame here is day 1.
    posterior, _ = forward_backward(np.log(like), np.array([0.5, 0.5]) @ change, change)
    assert posterior[:, 0] == pytest.approx([0.8673, 0.8204, 0.3075, 0.8204, 0.8673], abs=5e-5)


def test_the_doctor() -> None:
    """Wikipedia, "Viterbi algorithm", example: normal, cold, dizzy is Healthy, Healthy, Fever with 0.01512."""
    like = np.array([[0.5, 0.1], [0.4, 0.3], [0.1, 0.6]])
    change = np.array([[0.7, 0.3], [0.4, 0.6]])
    path, score = viterbi(np.log(like), np.log([0.6, 0.4]), np.log(change))
    assert path.tolist() == [0, 0, 1]
    assert np.exp(score) == pytest.approx(0.01512, abs=5e-6)


@pytest.mark.parametrize("seed", range(6))
def test_as_hmmlearn_has_it(seed: int) -> None:
    """hmmlearn 0.3 (https://hmmlearn.readthedocs.io): CategoricalHMM with the same numbers."""
    hmm = pytest.importorskip("hmmlearn.hmm")
    rng = np.random.default_rng(seed)
    states, symbols, frames = 4, 6, 400
    model = hmm.CategoricalHMM(n_components=states)
    model.startprob_ = rng.dirichlet(np.ones(states))
    model.transmat_ = rng.dirichlet(0.5 * np.ones(states), size=states) * 0.2 + 0.8 * np.eye(states)
    model.emissionprob_ = rng.dirichlet(np.ones(symbols), size=states)
    seen = rng.integers(0, symbols, frames)
    seen[:symbols] = np.arange(symbols)
    like = np.log(model.emissionprob_.T[seen])
    posterior, whole = forward_backward(like, model.startprob_, model.transmat_)
    wanted_score, wanted = model.score_samples(seen[:, None])
    assert whole == pytest.approx(wanted_score, rel=1e-9)
    np.testing.assert_allclose(posterior, wanted, atol=1e-9)
    path, score = viterbi(like, np.log(model.startprob_), np.log(model.transmat_))
    best_score, best = model.decode(seen[:, None], algorithm="viterbi")
    assert score == pytest.approx(best_score, rel=1e-9)
    assert path.tolist() == best.tolist()


def test_thousands_of_unlikely_frames_do_not_underflow() -> None:
    like = np.full((5000, 2), -800.0) + np.array([0.0, -1.0])
    posterior, whole = forward_backward(like, np.array([0.5, 0.5]), np.array([[0.9, 0.1], [0.1, 0.9]]))
    assert np.isfinite(whole) and np.isfinite(posterior).all()
    assert posterior[2500, 0] > 0.7


def best_by_hand(like: np.ndarray, start: np.ndarray, change: np.ndarray, dwell: list[int]) -> float:
    """All paths of a short recording in which every stay that is whole lasts its minimum."""
    frames, states = like.shape
    best = -np.inf
    for path in itertools.product(range(states), repeat=frames):
        runs = [(s, len(list(g))) for s, g in itertools.groupby(path)]
        if any(length < dwell[s] for s, length in runs[1:-1]):
            continue
        score = start[path[0]] + sum(like[t, s] for t, s in enumerate(path))
        score += sum(change[a, b] for a, b in itertools.pairwise(path))
        best = max(best, score)
    return best


@pytest.mark.parametrize("seed", range(25))
def test_a_minimum_dwell_is_kept_and_the_best_such_path_is_found(seed: int) -> None:
    """Against all 3**8 paths, one by one."""
    rng = np.random.default_rng(seed)
    like = rng.normal(0.0, 3.0, (8, 3))
    start, change = np.log(rng.dirichlet(np.ones(3))), np.log(rng.dirichlet(np.ones(3), size=3))
    dwell = rng.integers(1, 5, 3)
    path, score = viterbi(like, start, change, dwell)
    assert score == pytest.approx(best_by_hand(like, start, change, dwell.tolist()))
    runs = [(int(s), len(list(g))) for s, g in itertools.groupby(path)]
    assert all(length >= dwell[s] for s, length in runs[1:-1])


def test_nothing_to_decode_is_said() -> None:
    empty = np.zeros((0, 2))
    with pytest.raises(ValueError, match="at least one frame"):
        forward_backward(empty, np.ones(2) / 2, np.eye(2))
    with pytest.raises(ValueError, match="at least one frame"):
        viterbi(empty, np.zeros(2), np.zeros((2, 2)))
    with pytest.raises(ValueError, match="impossible"):
        forward_backward(np.zeros((1, 2)), np.zeros(2), np.eye(2))
