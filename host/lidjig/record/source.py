"""A run whole: the run itself in memory, its samples piece by piece, both on one axis of time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from lidjig.errors import BadInput
from lidjig.record.axis import LINES_SAMPLE, RESTART_MIN_US, Boot, boots_of
from lidjig.record.blocks import ChannelRow, Segment
from lidjig.record.store import Store
from lidjig.record.stored import StoredRun, StoredSample


@dataclass(frozen=True)
class Placed:
    """Samples in a row and the boot (from 1) that their board time belongs to. offset_us: board time to axis."""

    segment: Segment
    boot: int
    offset_us: int


@dataclass(frozen=True)
class Source:
    """One run. channels: those sampled that are wanted, by name."""

    store: Store
    run: StoredRun
    boots: tuple[Boot, ...]
    channels: tuple[ChannelRow, ...]

    @classmethod
    def of(cls, store: Store, wanted: str, channels: Sequence[str]) -> Source:
        """Raises BadInput for a run or a channel that is not there."""
        run = store.run(wanted)
        present = {row.channel: row for row in store.channels(run.id)}
        for name in channels:
            if name not in present:
                accepted = ", ".join(present) or f"no --channel: {run.id} holds no samples"
                raise BadInput(store.shown, "--channel", name, accepted)
        rows = tuple(row for name, row in present.items() if not channels or name in channels)
        plain = cls(store, run, boots_of(run), rows)
        return replace(plain, boots=plain._with_room()) if len(plain.boots) > 1 else plain

    def _with_room(self) -> tuple[Boot, ...]:
        """The boots laid out anew so that samples beyond the last event of a boot do not run into the next one."""
        ends = {boot.number: boot.end_us for boot in self.boots}
        for row in self.channels:
            for placed in self.series(row.channel):
                ends[placed.boot] = max(ends[placed.boot], int(placed.segment.t_us[-1]))
        out: list[Boot] = []
        for boot in self.boots:
            offset = boot.offset_us
            if out:
                offset = max(offset, out[-1].end_us + out[-1].offset_us + RESTART_MIN_US - boot.begin_us)
            out.append(replace(boot, end_us=ends[boot.number], offset_us=offset))
        return tuple(out)

    def series(self, channel: str) -> Iterator[Placed]:
        """The samples of a channel in order. Raises BadInput where its unit changed within the run."""
        unit = next(row.unit for row in self.channels if row.channel == channel)
        place = BootOf(self.boots)
        for segment in self.store.series(self.run.id, channel):
            if segment.unit != unit:
                accepted = f"--channel with the others: {channel} was recorded in {segment.unit or 'raw'} and in {unit}"
                raise BadInput(self.store.shown, "--channel", channel, accepted)
            boot = place.of(int(segment.t_us[0]), int(segment.t_us[-1]))
            yield Placed(segment, boot.number, boot.offset_us)

    @property
    def begin_us(self) -> int:
        """First moment on the axis."""
        first = self.boots[0].begin_us if self.run.events else None
        begins = [row.begin_us for row in self.channels] + ([] if first is None else [first])
        return min(begins, default=0) + self.boots[0].offset_us

    @property
    def end_us(self) -> int:
        """Last moment on the axis."""
        last = self.boots[-1]
        ends = [row.end_us for row in self.channels] if len(self.boots) == 1 else []
        known = max([last.end_us, *ends]) + last.offset_us
        return known if self.lost_us is None else max(known, self.lost_us)

    @property
    def lost_us(self) -> int | None:
        """From where on the axis nothing came any more because the link was lost for good; None: it was not."""
        lost = self.run.lost_for_good
        return None if lost is None or lost.t_us is None else lost.t_us + self.boots[-1].offset_us


class BootOf:
    """Says to which boot board times belong that come in the order in which they were heard."""

    def __init__(self, boots: Sequence[Boot]) -> None:
        self._boots = boots
        self._at = 0
        self._last_us: int | None = None

    def of(self, begin_us: int, end_us: int | None = None) -> Boot:
        """The boot of something from begin_us to end_us. Time that runs backwards belongs to the next one, and so does
        what comes after everything that was heard of this boot and within the next.
        """
        boots = self._boots
        if self._at + 1 < len(boots):
            back = self._last_us is not None and begin_us < self._last_us
            following = boots[self._at + 1]
            beyond = begin_us > boots[self._at].end_us and following.begin_us <= begin_us <= following.end_us
            if back or beyond:
                self._at += 1
        self._last_us = begin_us if end_us is None else end_us
        return boots[self._at]


def column_of(sample: StoredSample) -> tuple[str, str]:
    """(name, unit) of the column that a single reading belongs to."""
    return ("lines", sample.unit) if LINES_SAMPLE.fullmatch(sample.channel) else (sample.channel, sample.unit)
