"""A real sensor whose outputs are voltages, in proportion to its own supply."""

from angle_sensor import AngleSensor
from sensor import Sensor
from wiring import OUT_HIGH, OUT_LEAK, OUT_OPEN

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from kernel import Kernel
    from rng import Rng
    from sensor import Lid
    from wiring import Wiring


class AnalogSensor(AngleSensor):
    """form: has outputs, how many there are, and shares(code), what they are at."""

    def __init__(
        self, kernel: "Kernel", wiring: "Wiring", rng: "Rng", facts: "dict[str, Any]", lid: "Lid", form: "Any"
    ) -> None:
        AngleSensor.__init__(self, kernel, wiring, rng, facts, lid, form)
        if wiring.analog is not None:
            wiring.analog.sensor_drives = True

    def look(self) -> None:
        if self._powered:
            if self.wiring.analog is not None:
                self.wiring.analog.sensor_gives(self._form.shares(self._code()))
            self._publish()

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        return Sensor.drive(self, k, begin, end)

    def _publish(self) -> None:
        state = OUT_LEAK if self._facts["dead"] else OUT_HIGH if self._powered else OUT_OPEN
        if state != self.outputs[0]:
            for k in range(self._form.outputs):
                self.outputs[k] = state
            self.wiring.update()

    def publish_first(self) -> None:
        for k in range(self._form.outputs):
            self.outputs[k] = OUT_LEAK if self._facts["dead"] else OUT_OPEN
