"""The simulated operator's bench meter: the voltages of the bench's nodes, as wrong as its data sheet allows.

Its errors come from the bench's seed: a gain and an offset that all its readings share, and a little noise in each.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from lidjig.link.base import METER_PLACES, MeterSheet
from lidjig.twin.scenario import OperatorPart

NAME = "simulated meter"
# The machine's connector, where a person has the lead: its supply pin and its lines.
NODES = dict(zip(METER_PLACES, ("VM", "M1", "M2"), strict=True))
_NOISE_STEPS = 0.2  # rms; what is left of the counts in the data sheet is offset


class TwinMeter:
    """volts: of the bench's nodes in uV, by name, now. seed: the bench's."""

    def __init__(self, volts: Callable[[], Mapping[str, int]], operator: OperatorPart, seed: int) -> None:
        percent, counts, self._step_v = operator.meter_percent, operator.meter_counts, operator.meter_step_mv / 1000.0
        # "g" would write a small percentage with an exponent, which the form of a data sheet allows as well.
        self.sheet = MeterSheet(NAME, f"{percent:g}%+{counts:g}", f"{operator.meter_step_mv:g} mV", datetime.now(UTC))
        self._volts = volts
        self._rng = random.Random(f"meter {seed}")
        self._gain = 1.0 + self._rng.uniform(-1.0, 1.0) * percent / 100.0
        self._offset_v = self._rng.uniform(-1.0, 1.0) * max(0.0, counts - 1.0) * self._step_v

    def volts(self, place: str) -> float:
        """Rounded to a step of its display."""
        true_v = self._volts()[NODES[place]] / 1e6
        steps = (true_v * self._gain + self._offset_v) / self._step_v + self._rng.gauss(0.0, _NOISE_STEPS)
        # Rounded once more: a product of steps has digits that no display shows.
        return round(round(steps) * self._step_v, 9)
