"""Each reason for "unknown", from frames made so that only it holds (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.measure.states_frames import Evidence
from lidjig.measure.states_model import Model, Scope
from lidjig.measure.states_why import CONTRADICTION, NO_FIT, NOT_HEARD, NOT_TOLD, UNSURE, why_unknown

MODEL = Model({"current": Scope(0.0, 1.0), "light": Scope(0.0, 1.0), "signal": Scope(0.0, 1.0, digital=True)}, {})
UNKNOWN = 2  # after two states
FRAMES = 10


@pytest.mark.parametrize(
    ("cause", "heard", "fits", "decoded", "path"),
    [
        (NOT_HEARD, False, False, UNKNOWN, UNKNOWN),
        (NO_FIT, True, False, UNKNOWN, UNKNOWN),
        (CONTRADICTION, True, True, UNKNOWN, UNKNOWN),
        (NOT_TOLD, True, True, 0, UNKNOWN),
        (UNSURE, True, True, 0, 0),
    ],
)
def test_each_cause(cause: str, heard: bool, fits: bool, decoded: int, path: int) -> None:
    known = np.array([[fits] * FRAMES, [False] * FRAMES])  # the light is heard, and fits no state
    zeros = np.zeros((2, FRAMES))
    evidence = Evidence(
        0, 20_000, ("S0", "S3"), ("current", "light"), zeros, np.zeros(FRAMES), known, np.full(FRAMES, heard)
    )
    before, after = np.full(FRAMES, decoded), np.full(FRAMES, path)
    # A short moment of another kind at the edge does not name the whole.
    before[0], after[0] = (0, 0) if cause != UNSURE else (UNKNOWN, UNKNOWN)
    why = why_unknown(MODEL, evidence, before, after, 0, FRAMES)
    assert why.cause == cause
    assert why.without == (("light", "signal") if fits else ("current", "light", "signal"))
