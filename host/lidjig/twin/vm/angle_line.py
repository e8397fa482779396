"""A line that carries frames: its level over time, wherever the drive comes from.

Three things can move a line: the jig's enable and data pins, and the real sensor's output. For each of their states the
network is solved once (wiring.py keeps the solutions); between their edges a line rests.
"""

import gpio as g
from wiring import B1, M1, OUT_OPEN, VB, VM

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from kernel import Kernel
    from pio_unit import Pio
    from sensor import Sensor
    from wiring import Wiring

CLK_PER_US = 125


class AngleLine:
    """Line k (0, 1). low_permille, high_permille: thresholds of the machine's input, of its rail."""

    def __init__(self, kernel: "Kernel", wiring: "Wiring", pio: "Pio", sensor: "Sensor", k: int) -> None:
        self._kernel = kernel
        self._wiring = wiring
        self._pio = pio
        self._sensor = sensor
        self._k = k

    def edges(self, begin_us: int, low_permille: int, high_permille: int) -> tuple[int, list[tuple[int, int]]]:
        """(level at begin_us, [(time in cycles of 125 MHz, level), ...] until now), as the machine's input reads it."""
        k = self._k
        end_us = self._kernel.now
        moves = []
        state = [0, 0, OUT_OPEN]
        sources = ((0, g.DRV_OE[k]), (1, g.DRV_DATA[k]))
        for place, pin in sources:
            changes = self._pio.edges(pin, max(begin_us, 0), end_us)
            state[place] = 1 - changes[0][1] if changes else self._wiring.gpio.given(pin)
            moves += [(t, place, level) for t, level in changes]
        first, changes = self._sensor.drive(k, begin_us * CLK_PER_US, end_us * CLK_PER_US)
        state[2] = first
        moves += [(t, 2, code) for t, code in changes]
        moves.sort()
        rest = self._wiring.without_line(k)
        seen: dict[int, int] = {}  # level by the state of all three; 2: between the thresholds, as before
        level = self._level(seen, rest, state, low_permille, high_permille, 0)
        before = level
        found: list[tuple[int, int]] = []
        for t, place, value in moves:
            state[place] = value
            level = self._level(seen, rest, state, low_permille, high_permille, level)
            if level != (found[-1][1] if found else before):
                if found and found[-1][0] == t:
                    found.pop()
                else:
                    found.append((t, level))
        return before, found

    def _level(
        self, seen: dict[int, int], rest: int, state: list[int], low_permille: int, high_permille: int, before: int
    ) -> int:
        oe, data, out = state
        key = oe | data << 1 | out << 2
        level = seen.get(key)
        if level is None:
            mv = self._wiring.at(rest, self._k, (2 if data else 1) if oe else 0, out)
            line, rail = mv[B1 + self._k] * 1000, mv[VB]
            level = 2
            if rail <= 0 or line < low_permille * rail:
                level = 0
            elif line > high_permille * rail:
                level = 1
            seen[key] = level
        return before if level == 2 else level

    def sensed(self) -> int:
        """Level at the jig's own input of the machine's side, now."""
        k = self._k
        given = self._wiring.gpio.given
        now = self._kernel.now * CLK_PER_US
        out = self._sensor.drive(k, now, now)[0]
        mv = self._wiring.with_line(k, (2 if given(g.DRV_DATA[k]) else 1) if given(g.DRV_OE[k]) else 0, out)
        return 1 if 2 * mv[M1 + k] > mv[VM] else 0
