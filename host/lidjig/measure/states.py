"""Power-state timeline from observer series: G3, S5, S0, S3 and "unknown", with times and confidence.

Each state has a signature over the observers (states_model), each frame of 20 ms gives evidence for each state
(states_frames), hidden-Markov smoothing with a minimum dwell turns it into spans (states_hmm), and their limits are
placed at single readings (states_edges). The model is learned from labelled recordings (states_learn) or made from the
comparator bands of a machine profile (states_bands).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from lidjig.measure.states_edges import WINDOW_FRAMES, Edge, edges
from lidjig.measure.states_frames import Evidence, weigh
from lidjig.measure.states_hmm import forward_backward, viterbi
from lidjig.measure.states_model import (
    CHANGE_EVERY_S,
    DWELL_US,
    UNKNOWN,
    UNKNOWN_DWELL_US,
    Flags,
    Floats,
    Ints,
    Model,
    Track,
    Tracks,
)
from lidjig.measure.states_why import Why, why_unknown

CONFIDENCE_MIN = 0.8  # a span whose mean posterior is lower is no state
TOLD_MIN = 0.1  # nats per frame of 20 ms that tell two states apart: 5 a second, odds of 150 to 1


@dataclass(frozen=True)
class Span:
    """A stretch of one state. begin_us is the first reading that shows it, end_us the first that no longer does.

    begin_low_us..begin_high_us: 95 % interval of the beginning. confidence: mean posterior probability of the state,
    0 for "unknown", which claims nothing. Confidence is that of the model: it says nothing of what was never learned.
    why: of an unknown stretch, else None.
    """

    state: str
    begin_us: int
    end_us: int
    confidence: float
    begin_low_us: int
    begin_high_us: int
    why: Why | None = None

    @property
    def seconds(self) -> float:
        return (self.end_us - self.begin_us) / 1e6


@dataclass(frozen=True)
class Timeline:
    """Spans without holes from begin_us to end_us, neighbours of different states."""

    spans: tuple[Span, ...]

    @property
    def begin_us(self) -> int:
        return self.spans[0].begin_us if self.spans else 0

    @property
    def end_us(self) -> int:
        return self.spans[-1].end_us if self.spans else 0

    def state_at(self, t_us: int) -> str:
        """The state at a time; "unknown" outside."""
        return next((span.state for span in self.spans if span.begin_us <= t_us < span.end_us), UNKNOWN)

    def changes(self) -> Iterator[tuple[Span, Span]]:
        """(before, after) of neighbouring known states; unknown stretches in between are left out."""
        known = [span for span in self.spans if span.state != UNKNOWN]
        return (pair for pair in zip(known, known[1:], strict=False) if pair[0].state != pair[1].state)


def timeline(model: Model, tracks: Tracks, begin_us: int | None = None, end_us: int | None = None) -> Timeline:
    """The timeline of tracks (observer -> Track) between two times in us; by default as far as the tracks go.

    "unknown" stands where nothing was heard, where no state fits, where observers contradict each other for longer than
    UNKNOWN_DWELL_US, where those that were heard cannot tell the state from another, and where the posterior stays
    below CONFIDENCE_MIN. Tracks of observers that the model does not know are left out. Empty without any reading.
    """
    heard = [track for name, track in tracks.items() if name in model.scopes and track.t_us.size]
    if not heard:
        return Timeline(())
    first = min(int(track.t_us[0]) for track in heard) if begin_us is None else begin_us
    last = max(track.end_us + (not track.held) for track in heard) if end_us is None else end_us
    if last <= first:
        return Timeline(())
    evidence = weigh(model, tracks, first, last)
    decoded, posterior = decode(evidence)
    path = _not_told(model, evidence, decoded)
    spans = [_explained(model, evidence, decoded, path, span) for span in _spans(evidence, path, posterior, last)]
    return Timeline(tuple(_refined(model, tracks, evidence, spans)))


def joined(parts: Iterable[Timeline]) -> Timeline:
    """Timelines one after another, each where the one before it ends, as one; a state goes on across the seam."""
    out: list[Span] = []
    for span in (span for part in parts for span in part.spans):
        if not out or out[-1].state != span.state:
            out.append(span)
            continue
        before = out[-1]
        longer = max(before, span, key=lambda one: one.seconds)
        sure = (before.confidence * before.seconds + span.confidence * span.seconds) / (before.seconds + span.seconds)
        out[-1] = replace(before, end_us=span.end_us, confidence=sure, why=longer.why)
    return Timeline(tuple(out))


def decode(evidence: Evidence) -> tuple[Ints, Floats]:
    """(path (frames,), posterior (frames, states + 1)); the last number is "unknown". Unheard stretches part what is
    before from what is after: neither says anything about the other.
    """
    states = len(evidence.states) + 1
    path = np.full(evidence.frames, states - 1, np.int64)
    posterior = np.zeros((evidence.frames, states))
    leave = evidence.frame_us / 1e6 / CHANGE_EVERY_S
    change = np.full((states, states), leave / max(1, states - 1))
    np.fill_diagonal(change, 1.0 - leave)
    start = np.full(states, 1.0 / states)
    dwell = np.full(states, max(1, round(DWELL_US / evidence.frame_us)))
    dwell[-1] = max(1, round(UNKNOWN_DWELL_US / evidence.frame_us))
    like = np.vstack([evidence.state, evidence.unknown]).T
    for low, high in _runs(evidence.heard):
        if evidence.heard[low]:
            path[low:high], _ = viterbi(like[low:high], np.log(start), np.log(change), dwell)
            posterior[low:high], _ = forward_backward(like[low:high], start, change)
    return path, posterior


def _runs(values: Flags | Ints) -> list[tuple[int, int]]:
    """(first, end) of each run of equal values."""
    if values.size == 0:
        return []
    cuts = np.flatnonzero(values[1:] != values[:-1]) + 1
    bounds = [0, *cuts.tolist(), values.size]
    return list(zip(bounds[:-1], bounds[1:], strict=True))


def _not_told(model: Model, evidence: Evidence, path: Ints) -> Ints:
    """The path with "unknown" where the observers that fit and were heard cannot tell its state from another one."""
    unknown = len(evidence.states)
    patterns, which = np.unique(evidence.known.T, axis=0, return_inverse=True)
    which = which.reshape(-1)
    blind = np.zeros((len(patterns), unknown + 1), bool)
    for row, pattern in enumerate(patterns):
        observers = frozenset(name for name, known in zip(evidence.observers, pattern, strict=True) if known)
        for k, state in enumerate(evidence.states):
            blind[row, k] = any(
                model.told_by(state, other, observers) < TOLD_MIN for other in evidence.states if other != state
            )
    lost = blind[which, path] & evidence.heard
    out = path.copy()
    for low, high in _runs(lost):
        # A slope between two levels is over sooner; the state was not lost for that.
        if lost[low] and (high - low) * evidence.frame_us >= UNKNOWN_DWELL_US:
            out[low:high] = unknown
    return out


def _spans(evidence: Evidence, path: Ints, posterior: Floats, end_us: int) -> list[Span]:
    """Spans at frame limits; neighbours that became equal are joined."""
    names = (*evidence.states, UNKNOWN)
    states: list[tuple[int, int, str, float]] = []
    for low, high in _runs(path):
        name = names[path[low]]
        sure = float(posterior[low:high, path[low]].mean()) if name != UNKNOWN else 0.0
        if name != UNKNOWN and sure < CONFIDENCE_MIN:
            name, sure = UNKNOWN, 0.0
        if states and states[-1][2] == name:
            states[-1] = (states[-1][0], high, name, sure)
        else:
            states.append((low, high, name, sure))
    spans = []
    for low, high, name, sure in states:
        at = evidence.begin_us + low * evidence.frame_us
        until = min(end_us, evidence.begin_us + high * evidence.frame_us)
        spans.append(Span(name, at, until, sure, max(evidence.begin_us, at - evidence.frame_us), at))
    return spans


def _explained(model: Model, evidence: Evidence, decoded: Ints, path: Ints, span: Span) -> Span:
    """An unknown span at frame limits with why it is unknown; another as it is."""
    if span.state != UNKNOWN:
        return span
    frames = _frames(evidence, span)
    return replace(span, why=why_unknown(model, evidence, decoded, path, frames.start, frames.stop))


def _refined(model: Model, tracks: Tracks, evidence: Evidence, spans: list[Span]) -> list[Span]:
    """The spans with limits at single readings. Between two states an unknown stretch lasts from the first observer
    that left the old one to the last that came to the new one; where none is told, the interval of the limit has both.
    """
    out = list(spans)
    reach_us = WINDOW_FRAMES * evidence.frame_us
    settled = 0
    for k in range(1, len(out)):
        if k <= settled:
            continue
        before, after = out[k - 1], out[k]
        low, high = max(before.begin_us, after.begin_us - reach_us), min(after.end_us, after.begin_us + reach_us)
        silent = _silence(evidence, after.begin_us)
        if silent is not None:
            _move(out, k, _limit_of_silence(model, tracks, low, high, after.begin_us, ends=silent))
            continue
        if after.state == UNKNOWN and k + 1 < len(out) and out[k + 1].state not in (before.state, UNKNOWN):
            to = out[k + 1]
            if _silence(evidence, to.begin_us) is None and evidence.heard[_frames(evidence, after)].all():
                far = min(to.end_us, to.begin_us + reach_us)
                found = edges(model, tracks, before.state, to.state, low, far)
                # An observer that changes in the middle (a current that wanders) is at neither limit.
                leaves = [edge for edge in found if abs(edge.at_us - after.begin_us) <= reach_us]
                comes = [edge for edge in found if abs(edge.at_us - to.begin_us) <= reach_us]
                if leaves and comes and comes[-1].at_us - leaves[0].at_us >= evidence.frame_us:
                    _move(out, k, leaves[0])
                    _move(out, k + 1, comes[-1])
                    settled = k + 1
                    continue
        found = edges(model, tracks, before.state, after.state, low, high)
        if found and after.state == UNKNOWN:
            _move(out, k, found[0])
        elif found:
            # From one state to another without an unknown stretch: it began with the last that came to it at the
            # latest, and not before the first that left.
            left_us = min(edge.low_us for edge in found)
            _move(out, k, replace(found[-1], low_us=left_us) if before.state != UNKNOWN else found[-1])
    return out


def _frames(evidence: Evidence, span: Span) -> slice:
    """Frames of a span."""
    first = (span.begin_us - evidence.begin_us) // evidence.frame_us
    return slice(max(0, first), max(0, -(-(span.end_us - evidence.begin_us) // evidence.frame_us)))


def _silence(evidence: Evidence, at_us: int) -> bool | None:
    """At a limit between frames: True where silence ends there, False where it begins, None where neither."""
    frame = (at_us - evidence.begin_us) // evidence.frame_us
    before, after = bool(evidence.heard[frame - 1]), bool(evidence.heard[min(frame, evidence.frames - 1)])
    return None if before == after else after


def _limit_of_silence(model: Model, tracks: Tracks, low_us: int, high_us: int, at_us: int, *, ends: bool) -> Edge:
    """Where silence begins, just after the last reading, or ends, at the first one."""
    times = [int(t) for name, track in tracks.items() if name in model.scopes for t in _told(track, low_us, high_us)]
    if ends:
        at = min((t for t in times if t >= at_us), default=at_us)
    else:
        at = max((t + 1 for t in times if t <= high_us), default=at_us)
    return Edge(at, at, at)


def _told(track: Track, low_us: int, high_us: int) -> Ints:
    """Times between the two at which something is heard of an observer, or heard for the last time."""
    limits = [track.end_us, *(t for gap in track.gaps for t in gap)] if track.held else []
    times = np.r_[track.t_us, np.array(limits, dtype=np.int64)]
    return np.asarray(times[(times >= low_us) & (times < high_us)])


def _move(spans: list[Span], k: int, edge: Edge) -> None:
    """Span k begins at an edge, and the one before it ends there; neither vanishes."""
    before, after = spans[k - 1], spans[k]
    at = min(max(edge.at_us, before.begin_us + 1), after.end_us - 1)
    spans[k - 1] = replace(before, end_us=at)
    spans[k] = replace(after, begin_us=at, begin_low_us=min(at, edge.low_us), begin_high_us=max(at, edge.high_us))
