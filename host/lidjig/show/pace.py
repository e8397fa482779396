"""Simulated time beside wall time, for views that a person reads while they run."""

from __future__ import annotations

import time

from lidjig.show.given import Clock


class Pace:
    """Keeps a clock that runs ahead (simulated time) to wall time; a clock on wall time is never held back."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began_s = clock.now_s()
        self._wall_s = time.monotonic()

    def keep(self) -> None:
        """Wait until wall time has caught up."""
        ahead_s = (self._clock.now_s() - self._began_s) - (time.monotonic() - self._wall_s)
        if ahead_s > 0.0:
            time.sleep(min(ahead_s, 1.0))
