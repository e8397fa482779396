"""Sine and cosine as two voltages, as a sensor gives them and as a machine's controller reads them: the model's own
reading of the format. The controller was built for the sensor that it expects, imperfections included.

Facts: codes, amplitude_permyriad, offset_sin_permyriad, offset_cos_permyriad, cos_gain_permyriad, phase_mdeg
(lidjig.twin.facts_angle).
"""

from math import atan2, cos, pi, sin, sqrt

from analog_sensor import AnalogSensor
from volt_receiver import ABSENT, DEAD, STEPS, VoltReceiver
from voltages import Voltages

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from world import World

SENSOR = AnalogSensor  # of the hinge
_WHOLE = 10000
_REST_PERCENT = 3  # both lines this near to ground: a dead sensor


class Format:
    outputs = 2

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._codes: int = facts["codes"]
        self._a = facts["amplitude_permyriad"] / _WHOLE
        self._ac = self._a * facts["cos_gain_permyriad"] / _WHOLE
        self._mid_sin = facts["offset_sin_permyriad"] / _WHOLE
        self._mid_cos = facts["offset_cos_permyriad"] / _WHOLE
        self._phase = facts["phase_mdeg"] * pi / 180000
        self._field = 0 if facts.get("no_magnet") else 1

    def shares(self, code: int) -> list[float]:
        """What both outputs are at, in shares of the supply."""
        angle = 2 * pi * code / self._codes
        a, ac = self._field * self._a, self._field * self._ac
        return [self._mid_sin + a * sin(angle), self._mid_cos + ac * cos(angle - self._phase)]

    def hear(self, readings: list[int]) -> int:
        """The code that both readings stand for, or DEAD, or ABSENT where there is no circle."""
        if max(readings) * 100 < _REST_PERCENT * STEPS:
            return DEAD
        y = ((2 * readings[0] + 1) / (2 * STEPS) - self._mid_sin) / self._a
        late = ((2 * readings[1] + 1) / (2 * STEPS) - self._mid_cos) / self._ac
        x = (late - y * sin(self._phase)) / cos(self._phase)
        radius = sqrt(x * x + y * y)
        if not 1 / 2 < radius < 3 / 2:
            return ABSENT
        return int(atan2(y, x) * self._codes / (2 * pi) + self._codes + 1 / 2) % self._codes


def fit(world: "World", facts: "dict[str, Any]") -> None:
    """The jig's modules on both lines."""
    voltages = world.wiring.analog = Voltages(world.kernel, world.wiring, world.pwm, 2)
    voltages.stage = facts["stage"]


def listen(world: "World", facts: "dict[str, Any]") -> VoltReceiver:
    """The machine's controller."""
    return VoltReceiver(world.kernel, world.wiring, Format(facts), facts)
