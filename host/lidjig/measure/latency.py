"""Latencies: which reaction belongs to which stimulus, and what the latencies say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr

from lidjig.measure.estimate import COVERAGE, Estimate, nothing

Int64Array = NDArray[np.int64]


@dataclass(frozen=True)
class Pairing:
    """Stimuli and reactions of one run, matched.

    stimulus_index (p,), reaction_index (p,): the pairs. latency_us (p,): reaction minus stimulus. missed
    (m,): indices of stimuli without a reaction in time. extra (e,): indices of reactions that belong to no
    stimulus.
    """

    stimulus_index: Int64Array
    reaction_index: Int64Array
    latency_us: Int64Array
    missed: Int64Array
    extra: Int64Array

    @property
    def trials(self) -> int:
        """Stimuli given, answered or not."""
        return len(self.stimulus_index) + len(self.missed)


def _ascending(name: str, values: ArrayLike) -> Int64Array:
    times = np.asarray(values)
    if times.size == 0:
        return np.zeros(0, dtype=np.int64)
    if times.ndim != 1 or times.dtype.kind not in "iu":
        raise ValueError(
            f"{name}: accepted a row of whole microseconds, not {times.dtype} of shape {times.shape}"
        )
    times = times.astype(np.int64)
    if np.any(np.diff(times) < 0):
        at = int(np.argmax(np.diff(times) < 0)) + 1
        raise ValueError(
            f"{name}: time {times[at]} us at {at} is before the one above it; accepted ascending times"
        )
    return times


def pair(stimuli_us: ArrayLike, reactions_us: ArrayLike, window_us: int) -> Pairing:
    """Match each stimulus with the first reaction at or after it, within window_us and before the next
    stimulus.

    stimuli_us (n,), reactions_us (m,): board time, ascending. A stimulus without such a reaction is a miss; a
    reaction that no stimulus explains is extra. Nothing is dropped. Raises ValueError where times do not
    ascend or the window is not positive.
    """
    if window_us <= 0:
        raise ValueError(f"window {window_us} us, accepted above 0")
    stimuli, reactions = _ascending("stimuli", stimuli_us), _ascending("reactions", reactions_us)
    first = np.searchsorted(reactions, stimuli, side="left")
    ends = np.append(
        stimuli[1:], np.iinfo(np.int64).max
    )  # a reaction at the next stimulus belongs to that one
    found = first < len(reactions)
    hit = np.zeros(len(stimuli), dtype=bool)
    when = reactions[first[found]]
    hit[found] = (when < ends[found]) & (when - stimuli[found] <= window_us)
    stimulus_index = np.flatnonzero(hit)
    reaction_index = first[hit]
    extra = np.setdiff1d(np.arange(len(reactions)), reaction_index)
    return Pairing(
        stimulus_index.astype(np.int64),
        reaction_index.astype(np.int64),
        reactions[reaction_index] - stimuli[stimulus_index],
        np.flatnonzero(~hit).astype(np.int64),
        extra.astype(np.int64),
    )


def median_ranks(n: int, confidence: float = COVERAGE) -> tuple[int, int, float] | None:
    """(lower rank, upper rank, coverage) of the narrowest symmetric pair of order statistics that covers the
    median.

    Ranks from 1. Coverage of r..n+1-r is 1 - 2 * P(B <= r - 1) with B binomial (n, 1/2): the number of values
    below the median. None where even the whole range does not reach the confidence (n of 5 or fewer at 95 %).
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence {confidence}, accepted between 0 and 1")
    best: tuple[int, int, float] | None = None
    for rank in range(1, n // 2 + 1):
        coverage = 1.0 - 2.0 * float(bdtr(rank - 1, n, 0.5))
        if coverage < confidence:
            break
        best = (rank, n + 1 - rank, coverage)
    return best


def median_interval(values: ArrayLike, confidence: float = COVERAGE, unit: str = "us") -> Estimate:
    """Median with its interval by order statistics: exact whatever the distribution.

    values (n,) in `unit`. Too few values for the confidence (5 or fewer at 95 %): the median stands without
    an interval. No values: nothing. Raises ValueError for values that are not finite.
    """
    data = _finite(values)
    if data.size == 0:
        return nothing(unit)
    ranks = median_ranks(data.size, confidence)
    middle = float(np.median(data))
    if ranks is None:
        return Estimate(middle, None, None, None, data.size, unit)
    return Estimate(middle, None, float(data[ranks[0] - 1]), float(data[ranks[1] - 1]), data.size, unit)


def _finite(values: ArrayLike) -> NDArray[np.float64]:
    data = np.sort(np.asarray(values, dtype=np.float64).ravel())
    if not np.all(np.isfinite(data)):
        raise ValueError("values: accepted finite numbers only")
    return data
