"""Timelines on the simulated bench against its own state: twelve of the scenes of tests/bench/states_twin.py, one seed.

Levels required: those of tests/bench/bench_states.py. Wrong at most 0.5 % of the settled time, since a wrong state
becomes a wrong finding; "unknown" as far as the scene allows; a change within 20 ms where it is seen at once, which is
four readings of the slowest observer and a hundredth of a machine's limit.
"""

from __future__ import annotations

import pytest

from tests.bench.states_twin import Scene, judge, scenes

CHOSEN = (
    ("alder-14", "noisy"),
    ("alder-14", "charges, blinks, dims"),
    ("alder-14", "charges, untaught"),
    ("alder-14", "battery"),
    ("birch-13", "plain"),
    ("birch-13", "blinks"),
    ("birch-13", "works asleep"),
    ("birch-13", "dims, untaught"),
    ("birch-13", "battery"),
    ("dogwood-14", "dims"),
    ("dogwood-14", "drifts"),
    ("cedar-15", "lines alone"),
)


@pytest.mark.parametrize("scene", [s for s in scenes() if (s.machine, s.name) in CHOSEN], ids=lambda s: s.name)
def test_the_timeline_agrees_with_the_bench(scene: Scene) -> None:
    judged = judge(scene, 11)
    assert judged.wrong <= scene.wrong, judged
    assert judged.unknown <= scene.unsure, judged
    if scene.unsure <= 0.02 and scene.machine != "cedar-15":
        assert judged.changes == 3 and judged.missed == 0
        assert max(abs(error) for error in judged.errors_us) <= 20_000, judged.errors_us


def test_twelve_are_chosen() -> None:
    assert len([s for s in scenes() if (s.machine, s.name) in CHOSEN]) == len(CHOSEN) == 12
