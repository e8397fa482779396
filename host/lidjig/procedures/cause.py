"""One cause of the table by which isolate and confirm reason, and the cautions that go with what is to be done."""

from __future__ import annotations

from dataclasses import dataclass, field

Row = dict[str, dict[str, float]]


@dataclass(frozen=True)
class Cause:
    """One explanation. `what` is the fault kind's name, None where the catalogue has none. only: the kind of sensor
    that it can be met with, "switch" or "angle"; "" for both.
    """

    where: str
    what: str | None
    prior: float
    says: str
    todo: str
    caution: str = ""
    sees: Row = field(default_factory=dict)
    only: str = ""


def no(probability: float) -> dict[str, float]:
    """It does not with this probability; otherwise it does in time, and hardly ever late."""
    return {"no": probability, "yes": 0.999 - probability, "late": 0.001}


def yes(probability: float) -> dict[str, float]:
    """It does in time with this probability; otherwise it does not, and is hardly ever late."""
    return {"yes": probability, "no": 0.999 - probability, "late": 0.001}


POWERED = "Up to 20 V on the board while the charger is connected: no rings, no loose probes."
APART = "Disconnect charger and lithium pack (by its connector) first; discharge yourself (ESD strap)."
HOT_AIR = f"{APART} Shield pack and screen from hot air, draw off the fumes."
PROBED = f"{POWERED} Before mending: {APART[0].lower()}{APART[1:]}"
SCREEN = "The backlight rail carries up to 50 V while the screen is on: keep off the display connector."
