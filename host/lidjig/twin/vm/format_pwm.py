"""Pulse width, as a sensor sends it and as a machine's controller hears it: the model's own reading of the format.

Facts: period_ns, codes, head_clocks, tail_clocks, active_high (lidjig.twin.facts). Times in cycles of 125 MHz.
"""

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

CLK_PER_US = 125
_TOLERANCE_PERCENT = 8  # a controller takes what a part within 5 % sends (value from memory), and a little more


class Format:
    """One output of the family. silent: how long a line without a change is taken for dead."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._codes: int = facts["codes"]
        self._head: int = facts["head_clocks"]
        self._clocks: int = facts["head_clocks"] + facts["codes"] - 1 + facts["tail_clocks"]
        self._active: int = facts["active_high"]
        self.frame: int = facts["period_ns"] * CLK_PER_US // 1000
        self.window = 3 * self.frame

    def frames(self, code_at: "Callable[[int], int]", begin: int, end: int) -> list[tuple[int, int]]:
        """(time, level) of the edges from the last frame that began before begin until end. code_at: of a time."""
        found = []
        start = (begin // self.frame - 1) * self.frame
        while start <= end:
            active = (self._head + code_at(start)) * self.frame // self._clocks
            found += [(start, self._active), (start + active, 1 - self._active)]
            start += self.frame
        return [edge for edge in found if edge[0] <= end]

    def hear(self, edges: list[tuple[int, int]]) -> int:
        """Code of the last whole frame among edges; -1: pulses that are none of this format."""
        active = self._active
        end = len(edges) - 1
        while end >= 0 and edges[end][1] != active:
            end -= 1
        if end < 2:
            return -1
        begin, fall, after = edges[end - 2][0], edges[end - 1][0], edges[end][0]
        length = after - begin
        if abs(length - self.frame) * 100 > self.frame * _TOLERANCE_PERCENT:
            return -1
        code = (2 * (fall - begin) * self._clocks + length) // (2 * length) - self._head
        if not -4 <= code < self._codes + 4:
            return -1
        return min(max(code, 0), self._codes - 1)
