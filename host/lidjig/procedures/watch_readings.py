"""Readings for a live view: channels sampled on the board, the newest value of each and its last half minute."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from lidjig.jig import Batch, Measurement
from lidjig.measure.estimate import Estimate
from lidjig.procedures.base import Bench
from lidjig.procedures.observe import UNWIRED
from lidjig.procedures.sampling import Sampling
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow

Int64Array = npt.NDArray[np.int64]

# A batch of the board spans 250 ms at most (PROTOCOL.md), so what is older than two steps has come.
STEP_US = 250_000
STEPS = 120
TRAIL_S = STEPS * STEP_US / 1e6
LATE_STEPS = 2
NEWS_S = 1.5  # a channel without news for so long has no reading
VIEW_PERIOD_S = 0.02  # for a view alone: a dozen readings in each batch
READINGS_MIN = 8  # the present value is the mean of the newest batch, or of several where it is shorter
MEAN_US = 500_000  # none of them older than this
FEW_MIN = 4  # where a band began within a batch: of fewer readings it is not known how much they scatter
LAST_BATCHES_S = 0.1  # what was read before sampling stopped has come by then
COVERS_S = 0.5  # a channel that begins or ends so much inside of what the others cover has not all that was due

SILENT = "no reading"
NOT_WIRED = "not in the jig's wiring"
NO_SAMPLES = "the jig's firmware sends no samples"


@dataclass(frozen=True)
class Reading:
    """A channel at one moment. now: mean of its newest readings, of those since its observer shows what it shows; None
    where there is none that is new, and then `why` says so ("" while the first one is still awaited). settled: the same
    of those since any observer changed, for whoever tells of that change; None also where its power monitor has failed.
    trail: means over TRAIL_S in steps of STEP_US, oldest first, in `unit`; None = nothing was read.
    """

    channel: str
    unit: str
    now: Estimate | None
    trail: tuple[float | None, ...]
    why: str
    settled: Estimate | None = None


class Trail:
    """One channel's readings of the last TRAIL_S, raw."""

    def __init__(self) -> None:
        self._steps: dict[int, tuple[int, int]] = {}  # board time in steps -> readings, their sum
        self._newest: deque[tuple[Int64Array, Int64Array]] = deque(maxlen=READINGS_MIN)  # times and readings by batch
        self.end_us: int | None = None  # board time of the newest reading

    def take(self, batch: Batch) -> None:
        """Add a batch."""
        raw = np.frombuffer(batch.data, dtype="<u2").astype(np.int64)
        times_us = batch.t_us + np.rint(np.linspace(0.0, batch.span_us, raw.size)).astype(np.int64)
        at = times_us // STEP_US
        for step in range(int(at[0]), int(at[-1]) + 1):
            there = raw[at == step]
            count, total = self._steps.get(step, (0, 0))
            self._steps[step] = (count + there.size, total + int(there.sum()))
        self.end_us = int(times_us[-1])
        self._newest.append((times_us, raw))
        for step in [step for step in self._steps if step < at[-1] - STEPS - LATE_STEPS]:
            del self._steps[step]

    def shift(self, by_us: int) -> None:
        """Board time began anew: what was read lies so much later on the new one (by_us may be negative)."""
        by = round(by_us / STEP_US)
        self._steps = {step + by: sums for step, sums in self._steps.items()}
        self._newest.clear()
        self.end_us = None

    def mean(self, channel: str, since_us: int | None = None) -> Measurement | None:
        """Mean and spread of the newest readings, of those after since_us; None where there are none. Sums are whole
        numbers, so that no digits cancel.
        """
        n = total = total_sq = 0
        wanted = 1
        for times_us, raw in reversed(self._newest):
            if n >= READINGS_MIN or int(times_us[-1]) < int(self._newest[-1][0][-1]) - MEAN_US:
                break
            if since_us is not None and int(times_us[0]) <= since_us:
                # A batch says only about when each of its readings was taken.
                spacing_us = int(times_us[-1] - times_us[0]) // max(1, raw.size - 1)
                raw = raw[times_us > since_us + spacing_us // 2]
                wanted = FEW_MIN
            n, total, total_sq = n + raw.size, total + int(raw.sum()), total_sq + int((raw * raw).sum())
        if self.end_us is None or n < wanted:
            return None
        spread = max(0, n * total_sq - total * total)
        sd = math.sqrt(spread / (n * (n - 1))) if n > 1 else 0.0
        return Measurement(channel, n, total / n, sd, 0, 0, self.end_us)

    def means(self, first: int) -> list[float | None]:
        """Raw means of STEPS steps from `first` on; None where nothing was read."""
        found = [self._steps.get(step) for step in range(first, first + STEPS)]
        return [None if sums is None or not sums[0] else sums[1] / sums[0] for sums in found]


def first_step(now_us: int) -> int:
    """Number of the oldest step of a trail that is shown at a board time: the newest ones may still be on their way."""
    return now_us // STEP_US - LATE_STEPS - STEPS + 1


class Readings:
    """Samples every channel that is wired on a bench. keep: at full rate, with unit and scale into the record.

    Named by observer where one is read from the channel, else by channel. lost: batches that were missing; taken:
    readings that came.
    """

    def __init__(self, bench: Bench, *, keep: bool) -> None:
        self._bench, self._keep = bench, keep
        machine = bench.machine
        self.names = {channel: machine.observer_of(channel) or channel for channel in machine.wired_channels()}
        self._scales = {channel: machine.scale(channel) for channel in self.names}
        self._trails = {channel: Trail() for channel in self.names}
        periods = {channel: self.period_s(channel) for channel in self.names}
        self._sampling = Sampling(bench, periods, keep=keep)
        self.lost = self.taken = 0
        self._began_us = 0
        bench.jig.on_batch.append(self._take)

    def period_s(self, channel: str) -> float:
        """Spacing asked for; the board may grant a longer one."""
        fastest_s = names.SAMPLE_MIN_MS[names.CHANNELS.index(channel)] / 1000.0
        return fastest_s if self._keep else max(fastest_s, VIEW_PERIOD_S)

    def start(self) -> None:
        """Have every channel sampled. Again after the board restarted. What its wiring has not is in `refused`."""
        self._began_us = self._bench.jig.status().t_us
        self._sampling.start()

    @property
    def refused(self) -> dict[str, str]:
        """Channel -> why it is not sampled."""
        return {
            channel: NO_SAMPLES if refusal.reason == names.REFUSED_UNKNOWN else NOT_WIRED
            for channel, refusal in self._sampling.refused.items()
        }

    def stop(self) -> None:
        """Nothing is sampled any more, and what was read before has come."""
        self._sampling.stop()
        self._bench.jig.idle(LAST_BATCHES_S)
        self._sampling.flush()

    def close(self) -> None:
        """Stop listening."""
        if self._take in self._bench.jig.on_batch:
            self._bench.jig.on_batch.remove(self._take)

    def shift(self, by_us: int) -> None:
        """Board time began anew, see Trail.shift."""
        for trail in self._trails.values():
            trail.shift(by_us)

    def _take(self, batch: Batch) -> None:
        # Another program may have left channels sampled that this one did not ask for.
        if batch.channel in self._trails:
            self.lost += batch.lost
            self.taken += batch.n
            self._trails[batch.channel].take(batch)

    def untold(self, told: Mapping[str, str]) -> list[str]:
        """Sentences on channels that are not sampled; those of observers in `told` have been told of already."""
        out = []
        for why, more in ((NOT_WIRED, UNWIRED), (NO_SAMPLES, "Update it with 'lidjig flash'.")):
            which = [self.names[channel] for channel, reason in self.refused.items() if reason == why]
            which = [name for name in which if name not in told]
            if which:
                out.append(f"no readings of {', '.join(which)}: {why}. {more}")
        return out

    def kept(self, rows: Sequence[ChannelRow]) -> list[str]:
        """Sentences on what the record holds of the readings that were due, when sampling has ended. rows: the run's
        channels, as read back from the record: what is missing there is told by its own rule (record/sample_holes.py).
        """
        due = [channel for channel in self.names if channel not in self.refused]
        found = {row.channel: row for row in rows if row.channel in due and row.n}
        begin_us = statistics.median([row.begin_us for row in found.values()] or [0])
        end_us = statistics.median([row.end_us for row in found.values()] or [0])
        away_us = COVERS_S * 1e6
        part = [c for c, row in found.items() if row.begin_us > begin_us + away_us or row.end_us < end_us - away_us]
        more = (
            ("no reading came of", [channel for channel in due if channel not in found]),
            ("begin late or end early: the readings of", part),
            ("gaps in the readings of", [channel for channel, row in found.items() if row.gaps]),
        )
        texts = [f"{text} {', '.join(sorted(which))}" for text, which in more if which]
        batches = "1 batch" if self.lost == 1 else f"{self.lost} batches"
        lost = f"{batches} missing" if self.lost else "not all that were due" if texts else "none missing"
        return [f"recorded: {self.taken} readings of {len(found)} channels, {lost}", *texts]

    def at(
        self,
        now_us: int,
        since_us: Mapping[str, int],
        *,
        heard: bool = True,
        failed: Collection[int] = (),
    ) -> dict[str, Reading]:
        """Name -> reading at a board time. since_us: observer -> board time from which on it has shown what it shows
        now: what was read before that is of another moment. heard: False = the link is down, so that nothing is new.
        failed: numbers of power monitors that do not answer.
        """
        first, changed_us = first_step(now_us), max(since_us.values(), default=None)
        out = {}
        for channel, trail in self._trails.items():
            scale = self._scales[channel]
            why = self._why_none(channel, now_us) or ("" if heard else SILENT)
            mean = None if why else trail.mean(channel, since_us.get(self.names[channel]))
            now = None if mean is None else self._bench.estimate(mean)
            meter = self._bench.machine.meter_of(channel)
            mean = None if why or (meter is not None and meter.number in failed) else trail.mean(channel, changed_us)
            settled = None if mean is None else self._bench.estimate(mean)
            means = tuple(None if step is None else scale.value(step) for step in trail.means(first))
            out[self.names[channel]] = Reading(channel, scale.unit, now, means, why, settled)
        return out

    def _why_none(self, channel: str, now_us: int) -> str:
        if channel in self.refused:
            return self.refused[channel]
        end_us = self._trails[channel].end_us
        return SILENT if now_us - (self._began_us if end_us is None else end_us) > NEWS_S * 1e6 else ""
