"""Having channels sampled on the board, and what it does not sample. Their batches come by the jig's own way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from lidjig.errors import Refused
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.procedures.base import Bench


class Sampling:
    """wanted: channel -> period in s. keep: units and scales go into the record, which then takes the readings.

    periods: what was granted, by channel; refused: channels that the jig does not have in its wiring, or that its
    firmware does not sample. Any other refusal is raised.
    """

    def __init__(self, bench: Bench, wanted: Mapping[str, float], *, keep: bool) -> None:
        self._bench, self._wanted, self._keep = bench, dict(wanted), keep
        self.periods: dict[str, float] = {}
        self.refused: dict[str, Refused] = {}
        self._asked: list[str] = []

    def start(self) -> None:
        """Have every channel sampled. Again after the board restarted."""
        self.periods.clear()
        self.refused.clear()
        for channel, period_s in self._wanted.items():
            if self._keep:
                # Before the first reading comes.
                scale = self._bench.machine.scale(channel)
                self._bench.recorder.channel(channel, scale.unit, scale.per_raw, scale.offset)
            if channel not in self._asked:
                self._asked.append(channel)  # before it is asked for: Ctrl-C may come before the answer
            try:
                self.periods[channel] = self._bench.jig.sample(channel, period_s)
            except Refused as refusal:
                if refusal.reason not in (names.REFUSED_RANGE, names.REFUSED_UNKNOWN):
                    raise
                self.refused[channel] = refusal

    def stop(self) -> None:
        """Nothing is sampled any more; flush() when the last batches have come."""
        while self._asked:
            refusal = self.refused.get(self._asked[-1])
            if refusal is None or refusal.reason != names.REFUSED_UNKNOWN:
                self._bench.jig.sample(self._asked[-1], 0.0)
            self._asked.pop()

    def flush(self) -> None:
        """What was read goes into the record."""
        if self._keep and self._wanted:
            self._bench.recorder.flush()
