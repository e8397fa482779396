"""Hidden Markov smoothing: what was the state, given all that came before and after. L. R. Rabiner, "A tutorial on
hidden Markov models", Proc. IEEE 77 (1989) 257: sections III.A (forward-backward, scaling by V.A), III.B (Viterbi).
"""

from __future__ import annotations

import numpy as np

from lidjig.measure.states_model import Floats, Ints


def forward_backward(log_like: Floats, start: Floats, change: Floats) -> tuple[Floats, float]:
    """Posterior (frames, states) and the log likelihood of everything.

    log_like (frames, states): log likelihood of each frame in each state; start (states,): probabilities before the
    first frame is seen; change (states, states): from row to column, rows in sum 1. Raises ValueError without a frame
    or where nothing is possible.
    """
    frames, states = log_like.shape
    if frames == 0:
        raise ValueError("forward-backward needs at least one frame")
    peak = log_like.max(axis=1, keepdims=True)
    like = np.exp(log_like - peak)
    ahead, scale = np.empty((frames, states)), np.empty(frames)
    row = start * like[0]
    for t in range(frames):
        if t:
            row = (row @ change) * like[t]
        scale[t] = row.sum()
        if not scale[t] > 0.0:
            raise ValueError(f"frame {t} is impossible in every state that can be reached")
        row = row / scale[t]
        ahead[t] = row
    back = np.ones(states)
    posterior = ahead.copy()
    for t in range(frames - 2, -1, -1):
        back = change @ (like[t + 1] * back) / scale[t + 1]
        posterior[t] *= back
    return posterior / posterior.sum(axis=1, keepdims=True), float(np.log(scale).sum() + peak.sum())


def viterbi(log_like: Floats, log_start: Floats, log_change: Floats, dwell: Ints | None = None) -> tuple[Ints, float]:
    """Most likely path (frames,) of state numbers, and its log probability.

    dwell (states,): frames that a state lasts at least, None for 1 each; what is cut off by the beginning or the end
    may be shorter. Staying is log_change[s, s]. With a minimum the search is the explicit-duration form: a state is
    entered with its whole minimum at once. Raises ValueError without a frame.
    """
    frames, states = log_like.shape
    if frames == 0:
        raise ValueError("viterbi needs at least one frame")
    dwell = np.ones(states, np.int64) if dwell is None else np.asarray(dwell, np.int64)
    stay = np.diag(log_change).copy()
    leave = log_change.copy()
    np.fill_diagonal(leave, -np.inf)
    total = np.vstack([np.zeros(states), np.cumsum(log_like, axis=0)])
    best = np.full((frames, states), -np.inf)
    came = np.full((frames, states), -1, np.int64)  # state before a whole entry that ends here; -1 = stayed
    entry = np.full((frames, states), -np.inf)  # best way to leave for a state after a frame
    origin = np.zeros((frames, states), np.int64)
    best[0] = log_start + log_like[0]
    columns = np.arange(states)
    for t in range(frames):
        if t:
            best[t] = best[t - 1] + stay + log_like[t]
            back = t - dwell
            can = back >= 0
            at = np.maximum(back, 0)
            inside = total[t + 1] - total[at + 1, columns] + (dwell - 1) * stay
            entered = np.where(can, entry[at, columns] + inside, -np.inf)
            wins = entered > best[t]
            best[t] = np.where(wins, entered, best[t])
            came[t] = np.where(wins, origin[at, columns], -1)
        ways = best[t][:, None] + leave
        origin[t] = ways.argmax(axis=0)
        entry[t] = ways[origin[t], columns]
    return _trace(best, came, entry, origin, total, stay, dwell)


def _trace(
    best: Floats, came: Ints, entry: Floats, origin: Ints, total: Floats, stay: Floats, dwell: Ints
) -> tuple[Ints, float]:
    """The path backwards from its best end, which may be a stay cut short by the end of the recording."""
    frames, states = best.shape
    state = int(best[-1].argmax())
    score, t = float(best[-1, state]), frames - 1
    path = np.empty(frames, np.int64)
    for s in range(states):
        for cut in range(1, min(int(dwell[s]), frames)):
            last = frames - 1 - cut
            way = float(entry[last, s] + total[-1, s] - total[last + 1, s] + (cut - 1) * stay[s])
            if way > score:
                score, state, t = way, s, last
    if t < frames - 1:
        path[t + 1 :] = state
        state = int(origin[t, state])
    while t >= 0:
        before = int(came[t, state])
        if before < 0:
            path[t] = state
            t -= 1
        else:
            first = t - int(dwell[state]) + 1
            path[first : t + 1] = state
            t, state = first - 1, before
    return path, score
