"""By which observers the power states of a stored run were told, and since when: read from the steps that say so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lidjig.bench.machine import MachineProfile
from lidjig.bench.remaining import Remaining
from lidjig.record.axis import Boot, Levels
from lidjig.record.model import OBSERVERS_STEP
from lidjig.record.stored import StoredRun

Told = list[tuple[int, Remaining]]  # (from which board time in us on, by which signatures), ascending


def told_by(
    run: StoredRun, machine: MachineProfile, boots: Sequence[Boot], levels: Mapping[int, list[Levels]]
) -> dict[int, Told]:
    """Boot number -> by what its states are told; the first entry holds from the beginning (0). levels: levels_of().

    A boot goes on with what the one before it ended with.
    """
    changes = [
        (int(step.result["t_us"]), int(step.result.get("since_us", step.result["t_us"])), step.result["left_out"])
        for step in run.steps
        if step.name == OBSERVERS_STEP and step.result is not None
    ]
    out: dict[int, Told] = {}
    signed = Remaining(machine, frozenset())
    for boot in boots:
        # A step names the board time at which watching began, when the lines were read.
        began = {read.t_us for read in levels[boot.number]}
        mine: Told = [(0, signed)]
        while changes and (changes[0][0] in began or boot.number == len(boots)):
            _began_us, since_us, left_out = changes.pop(0)
            mine.append((since_us, Remaining(machine, frozenset(left_out))))
        signed = mine[-1][1]
        out[boot.number] = mine
    return out
