"""The board's clock: 64-bit microseconds from a tick counter that wraps."""

TICKS_PERIOD = 1 << 30  # us; MicroPython's ticks_us on rp2 wraps after 17.9 min


class Unwrap:
    """Unwraps a counter of microseconds. Time starts at 0 with the first update.

    update() has to be called more often than every half period (8.9 min on rp2); the service loop does so
    hundreds of times a second. It allocates, so interrupts store raw ticks, and at() dates them later.
    """

    def __init__(self, period: int = TICKS_PERIOD) -> None:
        self._period = period
        self._half = period // 2
        self._last = -1  # ticks of the last update; -1 before the first
        self._total = 0

    def update(self, ticks: int) -> int:
        """Microseconds since the first update. ticks is the counter now; time never runs backwards."""
        if self._last < 0:
            self._last = ticks
            return self._total
        forward = (ticks - self._last) % self._period
        # Half a period or more means a stamp older than the last one: it must not count as a whole period.
        if forward < self._half:
            self._total += forward
            self._last = ticks
        return self._total

    def at(self, ticks: int) -> int:
        """Microseconds of a stamp within half a period of the last update, before or after; never below 0."""
        if self._last < 0:
            return 0
        forward = (ticks - self._last) % self._period
        if forward >= self._half:
            forward -= self._period
        return max(0, self._total + forward)
