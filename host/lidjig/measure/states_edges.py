"""When a power state began, to the reading: the change-point of each observer near a change of state."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lidjig.measure.estimate import COVERAGE
from lidjig.measure.states_frames import log_shape
from lidjig.measure.states_model import UNKNOWN, Floats, Ints, Model, Track, Tracks

GAIN_MIN = 3.0  # nats by which a change in the window must beat no change: odds of 20 to 1
MISFIT = 0.5  # nats a reading that "any other state" pays, since it takes the best of several explanations
WINDOW_FRAMES = 4  # looked at on either side of a change of state


@dataclass(frozen=True)
class Edge:
    """A change-point in us: at_us is the first reading that shows the new state; low_us the last that surely showed the
    old, high_us the first that surely shows the new one (95 %).
    """

    at_us: int
    low_us: int
    high_us: int


def change_point(before: Floats, after: Floats, t_us: Ints) -> Edge | None:
    """The change-point of one series, by likelihood; None where none is shown.

    before, after (n,): log likelihood of each reading under the old and the new state. With a change at reading i the
    whole has sum(before[:i]) + sum(after[i:]): its maximum is the estimate, and normalised over i it is the posterior
    under a flat prior (D. V. Hinkley, Biometrika 57 (1970) 1), from which the interval comes.
    """
    if t_us.size < 2:
        return None
    score = np.r_[0.0, np.cumsum(before)] + np.r_[np.cumsum(after[::-1])[::-1], 0.0]
    inside = score[1:-1]
    first = int(inside.argmax()) + 1
    if score[first] < max(score[0], score[-1]) + GAIN_MIN:
        return None
    weight = np.exp(inside - inside.max())
    total = np.cumsum(weight) / weight.sum()
    tail = 0.5 * (1.0 - COVERAGE)
    low, high = (1 + min(int(np.searchsorted(total, part)), inside.size - 1) for part in (tail, 1.0 - tail))
    return Edge(int(t_us[first]), int(t_us[min(low, first) - 1]), int(t_us[max(high, first)]))


def edges(model: Model, tracks: Tracks, before: str, after: str, begin_us: int, end_us: int) -> list[Edge]:
    """Change-points between two states of every observer that shows one between the times, in order of time.

    One of the states may be "unknown": then the change is from or to whatever does not look like the other. An observer
    that one of the states says nothing of may show the change as well: it comes to what the other one wants.
    """
    found: list[Edge] = []
    for name, scope in model.scopes.items():
        told = any(name in model.signatures[state] for state in (before, after) if state != UNKNOWN)
        if name not in tracks or not told:
            continue
        part = tracks[name].between(begin_us, end_us)
        good = np.isfinite(part.values)
        times, values = part.t_us[good], part.values[good]
        if times.size < 2:
            continue
        weight = _weights(model, name, part, times, (before, after))
        old = _log_state(model, name, before, after, values)
        new = _log_state(model, name, after, before, values)
        edge = change_point(weight * old, weight * new, times)
        if edge is not None:
            found.append(_at_the_stamp(edge) if scope.digital else edge)
    return sorted(found, key=lambda edge: edge.at_us)


def _at_the_stamp(edge: Edge) -> Edge:
    # A digital line carries the time of its change itself: nothing lies between two readings.
    return Edge(edge.at_us, edge.at_us, edge.at_us)


def _weights(model: Model, name: str, part: Track, times: Ints, states: Iterable[str]) -> Floats:
    """How much each reading says: readings close together repeat each other; a held level counts by its time."""
    if part.held:
        return np.asarray(np.maximum(1.0, np.diff(np.r_[times, part.end_us]) / model.frame_us))
    shapes = [model.signatures[state][name] for state in states if name in model.signatures.get(state, {})]
    rate = min((shape.independent_per_s for shape in shapes), default=50.0)
    return np.full(times.size, min(1.0, rate * float(np.median(np.diff(times))) / 1e6))


def _log_state(model: Model, name: str, state: str, other: str, values: Floats) -> Floats:
    """log density of readings in a state; for "unknown" that of anything that is not the other state."""
    scope = model.scopes[name]
    if state != UNKNOWN:
        return log_shape(model.signatures[state].get(name), scope, values)
    ways = [
        log_shape(model.signatures[s][name], scope, values)
        for s in model.states
        if s != other and name in model.signatures[s]
    ]
    ways.append(np.full(values.shape, scope.log_flat))
    return np.asarray(np.max(ways, axis=0) - MISFIT)
