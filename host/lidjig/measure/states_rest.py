"""What an observer mostly shows in a state, whatever bursts there are: the median of half-second means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lidjig.measure.estimate import Estimate, nothing
from lidjig.measure.latency import median_interval
from lidjig.measure.states_learn import BATCH_US, Recording
from lidjig.measure.states_model import Floats, Track


def mostly(recordings: Sequence[Recording], state: str, observer: str, unit: str) -> Estimate:
    """Median of the means over half a second each, in the observer's unit, with its interval by order statistics.

    Work in bursts for less than half of the time leaves it where it is. n: half seconds; the interval takes them for
    independent. Nothing where the observer was not heard in that state.
    """
    tracks = [r.tracks[observer] for r in recordings if r.state == state and observer in r.tracks]
    means = np.concatenate([_means(track) for track in tracks]) if tracks else np.empty(0)
    return median_interval(means, unit=unit) if means.size else nothing(unit)


def _means(track: Track) -> Floats:
    good = np.isfinite(track.values)
    if not good.any():
        return np.empty(0)
    times, values = track.t_us[good], track.values[good]
    batch = (times - times[0]) // BATCH_US
    count = np.bincount(batch)
    return np.asarray(np.bincount(batch, weights=values)[count > 0] / count[count > 0])
