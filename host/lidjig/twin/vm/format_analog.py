"""One voltage in proportion to the supply, as a sensor gives it and as a machine's controller reads it: the model's own
reading of the format.

Facts: codes, low_permyriad, high_permyriad, fault_low_permyriad, fault_high_permyriad, via (lidjig.twin.facts_angle).
"""

from analog_sensor import AnalogSensor
from volt_receiver import ABSENT, DEAD, STEPS, VoltReceiver
from voltages import Voltages

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from world import World

SENSOR = AnalogSensor  # of the hinge
_WHOLE = 10000
_MISSED = 100  # a level so far outside is no end of the span (1 %; common practice, no source)


class Format:
    outputs = 1

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._steps: int = facts["codes"] - 1
        self._low: int = facts["low_permyriad"]
        self._high: int = facts["high_permyriad"]
        # Without bands of its own the part ends at its clamp levels.
        self._dead = facts["fault_low_permyriad"] or self._low - _MISSED
        high = facts["fault_high_permyriad"]
        self._absent = high if high < _WHOLE else self._high + _MISSED

    def shares(self, code: int) -> list[float]:
        """What the output is at, in shares of the supply."""
        return [(self._low + (self._high - self._low) * code / self._steps) / _WHOLE]

    def hear(self, readings: list[int]) -> int:
        """The code that the converter's reading stands for, or DEAD or ABSENT."""
        middle = (2 * readings[0] + 1) * _WHOLE  # of the step, in 1/10000 of twice the steps
        if middle <= 2 * STEPS * self._dead:
            return DEAD
        if middle >= 2 * STEPS * self._absent:
            return ABSENT
        above = middle - 2 * STEPS * self._low
        span = 2 * STEPS * (self._high - self._low)
        code = (above * self._steps + span // 2) // span
        return min(max(code, 0), self._steps)


def fit(world: "World", facts: "dict[str, Any]") -> None:
    """The jig's module on line 1."""
    voltages = world.wiring.analog = Voltages(world.kernel, world.wiring, world.pwm, 1)
    voltages.stage = facts["stage"]
    if facts["via"]:
        voltages.fit_dac(world.bus)


def listen(world: "World", facts: "dict[str, Any]") -> VoltReceiver:
    """The machine's controller."""
    return VoltReceiver(world.kernel, world.wiring, Format(facts), facts)
