"""What a PIO block hears of a conductor that carries edges: all of them in order, however seldom anybody looks."""

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any


class Ear:
    """At a pin, from `begin` (cycles of clk_sys) on. line: the conductor, as the network has it. state() says how the
    network is, all but for what the line's own source does; changes(state, begin, end) the level at begin and the edges
    [(time, level), ...] behind it until end, in a network that is in that state all the while.
    """

    def __init__(self, line: "Any", begin: int) -> None:
        self._line = line
        self._state = line.state()
        self._until = begin
        self._queue: list[tuple[int, int]] = []  # edges that no machine has seen yet
        self.level: int = line.changes(self._state, begin, begin)[0]  # as the machines have it
        self._last = self.level  # behind all that is queued

    def catch_up(self, now: int) -> None:
        """Queues what there was until now."""
        if now <= self._until:
            return
        level, edges = self._line.changes(self._state, self._until, now)
        self._put(self._until, level)
        for t, level in edges:
            self._put(t, level)
        self._until = now

    def _put(self, t: int, level: int) -> None:
        if level != self._last:
            self._last = level
            self._queue.append((t, level))

    def look_again(self) -> None:
        """The network is another one from now on."""
        self._state = self._line.state()

    def take(self, until: int) -> list[tuple[int, int]]:
        """Edges up to that time, which are then seen."""
        queue = self._queue
        k = 0
        while k < len(queue) and queue[k][0] <= until:
            k += 1
        taken, self._queue = queue[:k], queue[k:]
        return taken
