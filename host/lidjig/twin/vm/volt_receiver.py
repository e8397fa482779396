"""The model machine's controller where the sensor's lines are voltages: a 12-bit converter on the sensor's supply."""

from receiver import Receiver
from wiring import B1, VB

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from kernel import Kernel
    from wiring import Wiring

STEPS = 4096  # of the converter; its reference is the supply

# What a format hears where there is no code.
DEAD = -1  # at rest near ground
ABSENT = -2  # not driven
_TURN_MDEG = 360000
_BEYOND_MDEG = 315000  # no lid opens so far: a little below 0 deg


class VoltReceiver(Receiver):
    """form: has outputs, and hear(), the code of its converter's readings, DEAD or ABSENT."""

    def __init__(self, kernel: "Kernel", wiring: "Wiring", form: "Any", facts: "dict[str, Any]") -> None:
        line: Any = None  # there are no edges to hear
        Receiver.__init__(self, kernel, line, form, facts)
        self._wiring = wiring

    def look(self) -> None:
        uv = self._wiring.microvolts()
        supply = uv[VB]
        readings = [self._convert(uv[B1 + k], supply) for k in range(self._form.outputs)]
        code = self._form.hear(readings) if supply > 0 else DEAD
        if code < 0:
            self.angle_mdeg = -1
            self.unread += 1
            self.shut = code == DEAD
            return
        angle = self._angle(code)
        if self._facts["wrap"] and angle > _BEYOND_MDEG:
            angle -= _TURN_MDEG
        self.believe(angle)

    def _convert(self, uv: int, supply_uv: int) -> int:
        if supply_uv <= 0:
            return 0
        return min(max(uv * STEPS // supply_uv, 0), STEPS - 1)
