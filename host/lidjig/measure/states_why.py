"""Why a stretch of a power-state timeline is "unknown"."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lidjig.measure.states_frames import Evidence
from lidjig.measure.states_model import Ints, Model

NOT_HEARD = "not heard"  # no observer told anything
NOT_TOLD = "not told apart"  # those that were heard fit more than one state
NO_FIT = "no fit"  # every observer that was heard shows what it shows in no state
CONTRADICTION = "contradiction"  # observers fit states, but not the same one
UNSURE = "unsure"  # the mean posterior of the likeliest state is too low
RESTARTED = "restarted"  # between two boots of the board


@dataclass(frozen=True)
class Why:
    """cause: one of the above, that of most of the stretch. without: observers that said nothing useful in most of it,
    since they were not heard or fit no state.
    """

    cause: str
    without: tuple[str, ...] = ()


def why_unknown(model: Model, evidence: Evidence, decoded: Ints, path: Ints, low: int, high: int) -> Why:
    """Why frames low..high are unknown. decoded (frames,): the path as decoded; path (frames,): after what cannot be
    told apart was taken out; the number after the last state is "unknown" in both.
    """
    unknown = len(evidence.states)
    part = slice(low, high)
    heard, fitting = evidence.heard[part], evidence.known[:, part].any(axis=0)
    was, now = decoded[part] == unknown, path[part] == unknown
    frames = {
        NOT_HEARD: ~heard,
        NOT_TOLD: heard & ~was & now,
        NO_FIT: heard & was & ~fitting,
        CONTRADICTION: heard & was & fitting,
        UNSURE: heard & ~now,
    }
    cause = max(frames, key=lambda name: int(np.count_nonzero(frames[name])))
    shares = dict(zip(evidence.observers, evidence.known[:, part].mean(axis=1).tolist(), strict=True))
    return Why(cause, tuple(sorted(name for name in model.scopes if shares.get(name, 0.0) < 0.5)))
