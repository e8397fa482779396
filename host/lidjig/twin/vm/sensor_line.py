"""A line on the sensor's side that carries frames, as the jig's input there has it.

The frames come from the real sensor alone: while the relay joins both sides the jig drives nothing, and while it drives
the relay keeps them apart (firmware/jig.py). Whatever else is on the line is in the network (wiring.py).
"""

from wiring import INPUT_MV, S1

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from kernel import Kernel
    from sensor import Sensor
    from wiring import Wiring

CLK_PER_US = 125


class SensorLine:
    """Line k (0, 1). Times in cycles of 125 MHz."""

    def __init__(self, kernel: "Kernel", wiring: "Wiring", sensor: "Sensor", k: int) -> None:
        self._kernel = kernel
        self._wiring = wiring
        self._sensor = sensor
        self._k = k

    def state(self) -> int:
        """The network but for this output of the sensor, now."""
        return self._wiring.without_output(self._k)

    def changes(self, state: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        """(level at begin, [(time, level), ...] from then on until end), in a network that stays as it is."""
        out, moves = self._sensor.drive(self._k, begin, end)
        first = level = self._level(state, out)
        found = []
        for t, out in moves:
            if self._level(state, out) != level:
                level = 1 - level
                found.append((t, level))
        return first, found

    def sensed(self) -> int:
        """Level at the jig's input, now."""
        now = self._kernel.now * CLK_PER_US
        return self.changes(self.state(), now, now)[0]

    def _level(self, state: int, out: int) -> int:
        return 1 if self._wiring.with_output(state, self._k, out)[S1 + self._k] > INPUT_MV else 0
