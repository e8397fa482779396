"""From tracks to evidence: how well each power state explains what the observers showed, frame by frame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from lidjig.measure.states_model import (
    EFFECTIVE_MAX,
    MISFIT_MAX,
    OUTLIERS,
    OVERDUE,
    RUSH,
    SHARE_MIN,
    Flags,
    Floats,
    Ints,
    Level,
    Model,
    Scope,
    Shape,
    Track,
    Tracks,
)

FRESH_PERIODS = 2.5  # a reading stands for so many of its own periods; then nothing is known
MIX = 0.02  # part of a frame's expectation that forgets the level before: readings may have been misread
_NEVER = -1e9


@dataclass(frozen=True)
class Pieces:
    """An observer's readings sorted into frames: frame (n,), t_us (n,), value (n,), weight (n,) (a held level counts by
    its time); present (frames,): something is known of the observer.
    """

    frame: Ints
    t_us: Ints
    value: Floats
    weight: Floats
    present: Flags
    frames: int

    def mean(self, numbers: Floats) -> Floats:
        """Weighted mean of numbers (n,) in each frame; 0 where a frame has none."""
        total = np.bincount(self.frame, weights=self.weight * numbers, minlength=self.frames)
        return np.asarray(total / np.maximum(self.weights(), 1e-12))

    def weights(self) -> Floats:
        """Sum of weights in each frame."""
        return np.asarray(np.bincount(self.frame, weights=self.weight, minlength=self.frames))


def cut(track: Track, begin_us: int, frames: int, frame_us: int) -> Pieces:
    """A track cut into frames that begin at begin_us."""
    return _cut_held(track, begin_us, frames, frame_us) if track.held else _cut_read(track, begin_us, frames, frame_us)


def _cut_read(track: Track, begin_us: int, frames: int, frame_us: int) -> Pieces:
    index = (track.t_us - begin_us) // frame_us
    good = (index >= 0) & (index < frames) & np.isfinite(track.values)
    index, times, values = index[good], track.t_us[good], track.values[good]
    period_us = float(np.median(np.diff(times))) if times.size > 1 else float(frame_us)
    starts = begin_us + frame_us * np.arange(frames)
    present = np.bincount(index, minlength=frames) > 0
    if times.size:
        # A slow observer has no reading in most frames and is still known.
        last = np.searchsorted(times, starts, side="right") - 1
        age = np.where(last >= 0, starts - times[np.maximum(last, 0)], np.iinfo(np.int64).max)
        present |= age <= FRESH_PERIODS * period_us - frame_us
    return Pieces(index, times, values, np.ones(index.size), present, frames)


def _cut_held(track: Track, begin_us: int, frames: int, frame_us: int) -> Pieces:
    end_us = begin_us + frames * frame_us
    if track.t_us.size == 0:
        return Pieces(*(np.zeros(0, np.int64),) * 2, *(np.zeros(0),) * 2, np.zeros(frames, bool), frames)
    marks = [begin_us + frame_us * np.arange(frames + 1), track.t_us, np.array([track.end_us])]
    marks += [np.array(gap) for gap in track.gaps]
    edges = np.unique(np.concatenate(marks))
    edges = edges[(edges >= begin_us) & (edges <= end_us)]
    begins, spans = edges[:-1], np.diff(edges)
    at = np.searchsorted(track.t_us, begins, side="right") - 1
    known = (at >= 0) & (begins < track.end_us)
    for low, high in track.gaps:
        known &= ~((begins >= low) & (begins < high))
    begins, spans, at = begins[known], spans[known], at[known]
    index = (begins - begin_us) // frame_us
    weight = spans / frame_us
    present = np.bincount(index, weights=weight, minlength=frames) > 0.5
    return Pieces(index, begins, track.values[at], weight, present, frames)


def log_readings(level: Level, scope: Scope, values: Floats) -> Floats:
    """log density of readings (n,) at one level, with the floor of OUTLIERS; a digital line shows it or does not."""
    if scope.digital:
        shown = np.abs(values - level.centre) < 0.5
        return np.asarray(np.where(shown, np.log1p(-OUTLIERS), np.log(OUTLIERS) + scope.log_flat))
    density = np.log1p(-OUTLIERS) + level.log_density(values)
    return np.asarray(np.logaddexp(density, np.log(OUTLIERS) + scope.log_flat))


def log_shape(shape: Shape | None, scope: Scope, values: Floats) -> Floats:
    """log density of readings (n,) in a state, whatever the level; flat where it says nothing of the observer."""
    if shape is None:
        return np.full(values.shape, scope.log_flat)
    weights = np.log(shares(shape))
    return np.asarray(
        logsumexp([w + log_readings(k, scope, values) for w, k in zip(weights, shape.levels, strict=True)], axis=0)
    )


def shares(shape: Shape) -> Floats:
    """Weights of the levels, none below SHARE_MIN, in sum 1."""
    weights = np.maximum([level.share for level in shape.levels], SHARE_MIN)
    return np.asarray(weights / weights.sum())


def effective(shapes: Iterable[Shape | None], pieces: Pieces, frame_us: int, digital: bool) -> Floats:
    """How many independent readings each frame (frames,) has; 1 for a digital line and for a slow observer.

    The same for all states, by the one whose readings repeat each other most: likelihoods of different weight could not
    be compared.
    """
    rates = [shape.independent_per_s for shape in shapes if shape is not None]
    if digital or not rates:
        return np.ones(pieces.frames)
    wanted = min(rates) * frame_us / 1e6
    return np.asarray(np.clip(wanted, 1.0, np.clip(pieces.weights(), 1.0, EFFECTIVE_MAX)))


def explain(
    shape: Shape | None, scope: Scope, pieces: Pieces, count: Floats, frame_us: int
) -> tuple[Floats, Floats]:
    """(evidence, fit) in each frame (frames,): log likelihood of its readings given the state and the frames before,
    and the mean log density of a reading at the level that fits best. 0 where there is no reading.

    The level is chosen once a frame, and follows from the one before by the learned holds and rates: that is where a
    rhythm counts. Readings of a frame count as `count` (frames,) many.
    """
    has = pieces.weights() > 0.0
    if shape is None:
        flat = np.where(has, scope.log_flat, 0.0)
        return count * flat, flat
    means = np.array([pieces.mean(log_readings(level, scope, pieces.value)) for level in shape.levels])
    fit = np.where(has, means.max(axis=0), 0.0)
    if len(shape.levels) == 1:
        return np.where(has, count * means[0], 0.0), fit
    expected = _expected(shape, means.argmax(axis=0), has & (means.max(axis=0) > scope.log_flat), frame_us)
    return np.where(has, logsumexp(np.log(expected) + count * means, axis=0), 0.0), fit


def _expected(shape: Shape, level: Ints, clear: Flags, frame_us: int) -> Floats:
    """Expected share of each level (levels, frames), from the level of the frame before and how long it has held.

    level (frames,): the level that fits best; clear (frames,): where one fits at all.
    """
    weights = shares(shape)
    frames = level.size
    at_all = np.arange(frames)
    told = np.maximum.accumulate(np.where(clear, at_all, -1))  # last frame with a clear level
    held = np.where(told >= 0, level[np.maximum(told, 0)], -1)
    # A stay that begins after something else was shown was entered in the middle of a rhythm: it may end at any time.
    fresh = np.r_[True, (held[1:] != held[:-1]) | (clear[1:] & ~clear[:-1])]
    first = np.maximum.accumulate(np.where(fresh, at_all, 0))
    entered = (first == 0) | ~clear[np.maximum(first - 1, 0)]
    age = at_all - first + 1
    out = np.repeat(weights[:, None], frames, axis=1)
    for k, this in enumerate(shape.levels):
        at = 1 + np.flatnonzero(held[:-1] == k)
        if at.size == 0:
            continue
        leaves = _hazard(this, age[at - 1], entered[at - 1], frame_us)
        others = np.delete(weights, k)
        column = np.empty((weights.size, at.size))
        column[k] = 1.0 - leaves
        column[np.arange(weights.size) != k] = leaves * (others / others.sum())[:, None]
        out[:, at] = (1.0 - MIX) * column + MIX * weights[:, None]
    return out


def _hazard(level: Level, age: Ints, entered: Flags, frame_us: int) -> Floats:
    """Chance that a level is left in the next frame, by its age in frames (n,) and whether the stay was cut short."""
    frame_s = frame_us / 1e6
    if level.hold_s is None:
        return np.full(age.shape, min(0.5, max(1e-4, level.rate_per_s * frame_s)))
    low, high = 0.8 * level.hold_s[0] / frame_s - 1.0, 1.25 * level.hold_s[1] / frame_s + 1.0
    within = 1.0 / max(1.0, high - low)
    early = np.where(entered, min(0.5, 1.0 / max(1.0, high)), RUSH)
    soon = np.where(age < low, early, np.where(entered, np.maximum(early, within), within))
    return np.where(age > high, OVERDUE, soon)


@dataclass(frozen=True)
class Evidence:
    """Per frame: state (states, frames) log likelihood, unknown (frames,) that of "none of them"; known (observers,
    frames): observers that are present and fit some state; heard (frames,): any observer present.
    """

    begin_us: int
    frame_us: int
    states: tuple[str, ...]
    observers: tuple[str, ...]
    state: Floats
    unknown: Floats
    known: Flags
    heard: Flags

    @property
    def frames(self) -> int:
        return int(self.unknown.size)


def explain_all(model: Model, observer: str, pieces: Pieces) -> tuple[Floats, Flags]:
    """(evidence (states, frames), fits (frames,)) of one observer for every state, and whether it fits any.

    A state that says nothing of the observer takes whatever it shows as well as the best of the others does. Where it
    fits no state (its readings are likelier anywhere than in any of them) there is no evidence. In one frame no state
    is worse than the best by more than MISFIT_MAX.
    """
    scope = model.scopes[observer]
    shapes = [model.signatures[state].get(observer) for state in model.states]
    count = effective(shapes, pieces, model.frame_us, scope.digital)
    weighed = [explain(shape, scope, pieces, count, model.frame_us) for shape in shapes]
    evidence, fit = np.array([w[0] for w in weighed]), np.array([w[1] for w in weighed])
    told = np.array([shape is not None for shape in shapes])
    fits = (fit.max(axis=0, where=told[:, None], initial=-np.inf) >= scope.log_flat) | (pieces.weights() == 0.0)
    if told.any() and not told.all():
        evidence[~told] = evidence[told].max(axis=0)
    evidence = np.maximum(evidence, evidence.max(axis=0) - MISFIT_MAX)
    return np.where(fits, evidence, 0.0), fits


def weigh(model: Model, tracks: Tracks, begin_us: int, end_us: int) -> Evidence:
    """Evidence of tracks between two times. Observers that the model does not know are left out.

    "Unknown" takes for each observer the state that explains it best, and pays model.surprise: it wins where observers
    contradict each other. An observer that fits no state at all (a screen dimmed as never before) says nothing in that
    frame; whether the others suffice without it is for the caller to see by `known`.
    """
    frames = max(1, -(-(end_us - begin_us) // model.frame_us))
    observers = tuple(name for name in model.scopes if name in tracks)
    states = model.states
    total, best = np.zeros((len(states), frames)), np.zeros(frames)
    known, heard = np.zeros((len(observers), frames), bool), np.zeros(frames, bool)
    for row, name in enumerate(observers):
        pieces = cut(tracks[name], begin_us, frames, model.frame_us)
        heard |= pieces.present
        evidence, fits = explain_all(model, name, pieces)
        known[row] = pieces.present & fits
        total += evidence
        best += evidence.max(axis=0)
    return Evidence(begin_us, model.frame_us, states, observers, total, best - model.surprise, known, heard)
