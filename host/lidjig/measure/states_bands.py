"""Comparators of the board: thresholds, hysteresis and dwell from learned states, and a model from given thresholds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lidjig.measure.states_learn import Recording, with_evidence
from lidjig.measure.states_model import Floats, Level, Model, Scope, Shape, Track

THRESHOLDS_MAX = 3
CLEAR = 4.0  # spreads that a comparator keeps off a level
NOISE = 6.0  # spreads that hysteresis is to cover
DWELL_MS_MIN, DWELL_MS_MAX = 20, 1000
DWELL_FACTOR = 2.0  # over the longest stray reading seen
STRAY_SHARE = 0.01  # a band that a state shows for less of the time is a stray


_Place = tuple[float, float, float]  # threshold, room to the nearer level, spread of the noisier one


@dataclass(frozen=True)
class Bands:
    """Comparator of one observer: thresholds and hysteresis in its unit, dwell in ms; bands of each state.

    thresholds is empty where no level separates any two states.
    """

    thresholds: tuple[float, ...]
    hysteresis: float
    dwell_ms: int
    bands: dict[str, tuple[int, ...]]


@dataclass(frozen=True)
class _Group:
    """Levels of states that lie within each other's spread."""

    low: float
    high: float
    spread: float
    states: frozenset[str]


def comparator(model: Model, observer: str, recordings: Sequence[Recording], floor: float = 0.0) -> Bands:
    """The best separating levels for an analog observer. floor: smallest hysteresis, one step of the channel.

    Levels of all states are laid side by side with CLEAR spreads of margin; a threshold goes between two groups of
    different states, nearer to the quieter one. Of more than THRESHOLDS_MAX those are kept that separate most pairs.
    """
    shapes = {state: rows[observer] for state, rows in model.signatures.items() if observer in rows}
    groups = _groups(shapes)
    places: list[_Place] = []
    for below, above in zip(groups, groups[1:], strict=False):
        if below.states == above.states or above.high <= 0.0:
            continue
        gap = above.low - below.high
        part = min(max(below.spread / (below.spread + above.spread), 0.25), 0.75)
        at = below.high + part * gap
        if at > floor:
            places.append((at, min(part, 1.0 - part) * gap, max(below.spread, above.spread)))
    kept = _best(places, groups)
    thresholds = tuple(place[0] for place in kept)
    hysteresis = 0.0
    if kept:
        room = min([place[1] for place in kept] + np.diff(thresholds).tolist() + [thresholds[0]])
        hysteresis = max(floor, min(room, NOISE * max(place[2] for place in kept)))
    bands = {state: bands_of(shape, thresholds) for state, shape in shapes.items()}
    return Bands(thresholds, hysteresis, _dwell_ms(observer, thresholds, bands, recordings), bands)


def _groups(shapes: Mapping[str, Shape]) -> list[_Group]:
    found = []
    for state, shape in shapes.items():
        for level in shape.levels:
            reach = level.half + CLEAR * level.spread
            found.append(_Group(level.centre - reach, level.centre + reach, level.spread, frozenset([state])))
    out: list[_Group] = []
    for group in sorted(found, key=lambda g: g.low):
        if out and group.low <= out[-1].high:
            last = out[-1]
            out[-1] = _Group(
                last.low, max(last.high, group.high), max(last.spread, group.spread), last.states | group.states
            )
        else:
            out.append(group)
    return out


def _best(places: list[_Place], groups: list[_Group]) -> list[_Place]:
    """At most THRESHOLDS_MAX of the places: those that leave the most pairs of states in different bands."""
    if len(places) <= THRESHOLDS_MAX:
        return places

    def told(chosen: Sequence[_Place]) -> tuple[int, float]:
        cuts = [place[0] for place in chosen]
        bands: dict[str, set[int]] = {}
        for group in groups:
            band = int(np.searchsorted(cuts, 0.5 * (group.low + group.high)))
            for state in group.states:
                bands.setdefault(state, set()).add(band)
        apart = sum(not (bands[a] & bands[b]) for a in bands for b in bands if a < b)
        return apart, min(place[1] / place[2] for place in chosen)

    chosen = [places[i] for i in range(THRESHOLDS_MAX)]
    while True:
        # One place exchanged for another as long as that is better: what is left out is rarely more than one or two.
        ways = [
            sorted([*chosen[:k], place, *chosen[k + 1 :]])
            for k in range(len(chosen))
            for place in places
            if place not in chosen
        ]
        better = max(ways, key=lambda way: told(way))
        if told(better) <= told(chosen):
            return chosen
        chosen = better


def bands_of(shape: Shape, thresholds: Sequence[float]) -> tuple[int, ...]:
    """Bands in which the levels of a shape lie."""
    bands: set[int] = set()
    for level in shape.levels:
        low, high = np.searchsorted(thresholds, [level.centre - level.half, level.centre + level.half])
        bands |= set(range(int(low), int(high) + 1))
    return tuple(sorted(bands))


def _dwell_ms(
    observer: str,
    thresholds: Sequence[float],
    bands: Mapping[str, tuple[int, ...]],
    recordings: Sequence[Recording],
) -> int:
    """Longer than any stray reading across a threshold while learning."""
    longest_us = 0
    for recording in recordings:
        track = recording.tracks.get(observer)
        if track is None or recording.state not in bands or track.t_us.size < 2 or not thresholds:
            continue
        band = np.searchsorted(thresholds, track.values)
        stray = ~np.isin(band, bands[recording.state])
        if float(stray.mean()) > STRAY_SHARE:
            continue  # no strays but a level that the signature has too little of
        cuts = np.flatnonzero(np.diff(stray.astype(np.int8)))
        for first, last in zip(cuts[:-1], cuts[1:], strict=True):
            if stray[first + 1]:
                longest_us = max(longest_us, int(track.t_us[last + 1] - track.t_us[first + 1]))
    wanted = DWELL_FACTOR * longest_us / 1000.0
    return int(min(DWELL_MS_MAX, max(DWELL_MS_MIN, 10 * np.ceil(wanted / 10.0))))


def apart(first: Mapping[str, frozenset[int]], second: Mapping[str, frozenset[int]]) -> bool:
    """True where some observer shows disjoint bands in two states."""
    return any(not (first[name] & second[name]) for name in first.keys() & second.keys())


def from_bands(
    signatures: Mapping[str, Mapping[str, frozenset[int]]],
    thresholds: Mapping[str, Sequence[float]],
    scopes: Mapping[str, Scope],
) -> Model:
    """A model from comparator bands, for a machine that nobody has taught: each band is a plateau.

    signatures: state -> observer -> bands or levels that fit; thresholds: of analog observers, in their unit; scopes:
    of every observer. What is not in scopes is left out.
    """
    shapes: dict[str, dict[str, Shape]] = {}
    for state, wanted in signatures.items():
        shapes[state] = {}
        for name, fits in wanted.items():
            if name not in scopes:
                continue
            scope = scopes[name]
            levels = [_plateau(band, thresholds.get(name, ()), scope, len(fits)) for band in sorted(fits)]
            shapes[state][name] = Shape(tuple(levels))
    used = {name: scope for name, scope in scopes.items() if any(name in rows for rows in shapes.values())}
    return with_evidence(Model(used, shapes), [_as_shown(state, rows, used) for state, rows in shapes.items()])


def _plateau(band: int, thresholds: Sequence[float], scope: Scope, count: int) -> Level:
    # How often a band among several is left is not known: once a second is neither a rhythm nor rare.
    if scope.digital:
        return Level(float(band), 1.0, 1.0 / count, 0.0, 1.0)
    edges = [scope.low, *thresholds, scope.high]
    low, high = edges[band], edges[band + 1]
    tails = 0.01 * float(np.diff(edges).min())
    return Level(0.5 * (low + high), tails, 1.0 / count, 0.5 * (high - low), 1.0)


def _as_shown(state: str, rows: Mapping[str, Shape], scopes: Mapping[str, Scope]) -> Recording:
    """A second of the state as its bands say, each level in turn, to see by what it can be told."""
    times = np.arange(0, 1_000_000, 5_000)
    tracks = {}
    for name, shape in rows.items():
        values: Floats = np.array([level.centre for level in shape.levels])[(times * len(shape.levels)) // 1_000_000]
        tracks[name] = Track(times, values, held=scopes[name].digital, until_us=1_000_000)
    return Recording(state, tracks, 0, 1_000_000)
