"""How much two power states have in common as the board's comparators and lines see them: the figure on which a pair is
refused that only rhythm or spread tells apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from lidjig.measure import proportion
from lidjig.measure.estimate import Estimate, nothing
from lidjig.measure.states_bands import STRAY_SHARE
from lidjig.measure.states_learn import BATCH_US, Recording
from lidjig.measure.states_model import Ints, Track

Signatures = Mapping[str, Mapping[str, frozenset[int]]]


def in_one_band(
    recordings: Sequence[Recording],
    state: str,
    other: str,
    signatures: Signatures,
    thresholds: Mapping[str, Sequence[float]],
) -> Estimate:
    """Share of the half seconds of two states in which one is where the other is found too, by the observer that shows
    the least of it: for most of the time, or in a band of both for longer than strays last. The exact interval takes
    half seconds for independent.

    signatures: state -> observer -> bands or levels; an observer that is not in both says nothing. thresholds: of
    analog observers, in their unit. Without any that is in both, the two have everything in common.
    """
    both = [r for r in recordings if r.state in (state, other)]
    shared = signatures[state].keys() & signatures[other].keys()
    found = [
        _common(both, name, {state: signatures[other][name], other: signatures[state][name]}, thresholds.get(name))
        for name in sorted(shared)
    ]
    told = [one for one in found if one.value is not None]
    if told:
        return min(told, key=lambda one: one.value if one.value is not None else 1.0)
    halves = sum((r.end_us - r.begin_us) // BATCH_US for r in both)
    return proportion.estimate(halves, halves) if halves else nothing("1")


def _common(
    recordings: Sequence[Recording],
    name: str,
    elsewhere: Mapping[str, frozenset[int]],
    thresholds: Sequence[float] | None,
) -> Estimate:
    """elsewhere: state -> what the other one shows."""
    common = total = 0
    for recording in recordings:
        if name not in recording.tracks:
            continue
        track = recording.tracks[name]
        shown, at_us = _shown(track, thresholds, recording)
        half = (at_us - recording.begin_us) // BATCH_US
        inside = np.isin(shown, sorted(elsewhere[recording.state]))
        shared = np.isin(shown, sorted(frozenset.intersection(*elsewhere.values())))
        for number in range((recording.end_us - recording.begin_us) // BATCH_US):
            mine = half == number
            if mine.any():
                total += 1
                common += int(inside[mine].mean() > 0.5 or shared[mine].mean() > STRAY_SHARE)
    return proportion.estimate(common, total)


STEP_US = 5_000  # a line is looked at so often


def _shown(track: Track, thresholds: Sequence[float] | None, recording: Recording) -> tuple[Ints, Ints]:
    """(band or level, board time in us) of an observer; a line holds what it showed last."""
    good = np.isfinite(track.values)
    values, t_us = track.values[good], track.t_us[good]
    if not track.held:
        return np.searchsorted(thresholds or (), values).astype(np.int64), t_us
    at_us = np.arange(recording.begin_us, recording.end_us, STEP_US, dtype=np.int64)
    place = np.searchsorted(t_us, at_us, side="right") - 1
    heard = place >= 0
    return np.rint(values[place[heard]]).astype(np.int64), at_us[heard]
