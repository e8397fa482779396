"""What helps where the observers of a bench do not tell two power states apart: only what the bench lacks, and what
seems to hide the difference now.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from lidjig.bench.machine import MachineProfile
from lidjig.bench.remaining import SUPPLY_CURRENT
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Model
from lidjig.measure.states_rest import mostly

OFF_SHARE_MAX = 1.0 / 3.0  # of the working current; a machine that is off takes far less (common practice, no source)
WANDER_PER_S = 4.0  # fewer independent readings a second than this are no noise but a slow movement

PACK_NEXT = (
    "The charger's current does not show the difference now: a pack that charges adds to it, one that carries the "
    "machine hides it. Let the pack charge full, or disconnect it by its connector; then teach again."
)
PACK_CAUTION = "Disconnect the lithium pack by its connector only; do not bend or pierce it."
SETTLE_NEXT = "Wait until the machine has settled, then teach again, longer where it does something slowly."
SURE_NEXT = "Make sure that the machine really was in both states, then teach again."

_S3, _S4 = re.compile(r"SLP_?S3|\bSUSB", re.IGNORECASE), re.compile(r"SLP_?S4|\bSUSC", re.IGNORECASE)
_ASLEEP = frozenset(("S0", "S3"))


def to_wire(pair: tuple[str, str], machine: MachineProfile) -> str:
    """What of that which shows the difference of two states this bench does not have; "" where it has all."""
    both, analog = frozenset(pair), machine.analog()
    signals = [line.signal for line in machine.digital().values()]
    out = []
    if "G3" in both:
        return "" if "charger_v" in analog else "the charger voltage"
    wanted, name = (_S4, "SLP_S4#") if both == {"S3", "S5"} else (_S3, "SLP_S3#")
    if free_line(machine) and not any(wanted.search(signal) for signal in signals):
        out.append(f"{name} to a digital observer")
    if "S0" in both and "light" not in analog:
        out.append("a light sensor on the screen")
    if SUPPLY_CURRENT not in analog:
        out.append("a power monitor in the charger's lead")
    return ", or ".join(out)


def free_line(machine: MachineProfile) -> str:
    """A digital observer that nothing is wired to, or ""."""
    taken = {*machine.digital(), *([machine.tach.line] if machine.tach else [])}
    return next((name for name in ("observer_1", "observer_2") if name not in taken), "")


def pack_charges(recordings: Sequence[Recording], machine: MachineProfile) -> bool:
    """Whether a machine that is off takes a part of the working current that only a pack explains."""
    if SUPPLY_CURRENT not in machine.analog():
        return False
    unit = machine.analog()[SUPPLY_CURRENT].unit
    off, working = (mostly(recordings, state, SUPPLY_CURRENT, unit).value for state in ("S5", "S0"))
    return off is not None and working is not None and working > 0.0 and off > OFF_SHARE_MAX * working


def moving(model: Model, pair: Sequence[str]) -> list[str]:
    """Analog observers that moved slowly in one of the states."""
    return [
        name
        for name, scope in model.scopes.items()
        if not scope.digital
        and any(wanders(model, state, name) for state in pair if name in model.signatures.get(state, {}))
    ]


def wanders(model: Model, state: str, name: str) -> bool:
    """Whether an observer moved slowly while a state was recorded."""
    shape = model.signatures[state][name]
    return len(shape.levels) == 1 and shape.independent_per_s < WANDER_PER_S


def what_helps(
    pair: tuple[str, str], machine: MachineProfile, model: Model, recordings: Sequence[Recording]
) -> tuple[str, str]:
    """(what to do, caution): the cause that was seen first, then what could be wired."""
    wanted, caution = to_wire(pair, machine), ""
    by_current = SUPPLY_CURRENT in machine.analog() and "G3" not in pair
    slow = moving(model, pair)
    if by_current and pack_charges(recordings, machine):
        cause, caution = PACK_NEXT, PACK_CAUTION
    elif len(slow) > 1:
        cause = SETTLE_NEXT  # more than a pack moves
    elif by_current and frozenset(pair) != _ASLEEP:
        cause, caution = PACK_NEXT, PACK_CAUTION
    elif slow:
        cause = SETTLE_NEXT
    else:
        cause = "" if wanted else SURE_NEXT
    if not wanted:
        return cause, caution
    free = free_line(machine)
    where = f" ({free} is free)" if free and "digital observer" in wanted else ""
    if cause:
        return f"{cause} Or wire {wanted}{where}.", caution
    wire = f"Wire another observer that shows the difference: {wanted}{where}."
    return f"{wire} Make sure first that the machine really was in both states.", caution
