"""Samples as they lie on the disk: how a block is packed, and how a channel is read back from its blocks.

A block holds the batches of one channel over about 2 s. Its `data` is zlib over the raw 16-bit numbers: each as the
difference from the one before (modulo 2^16), small differences of either sign made small numbers (zigzag), all low
bytes before all high bytes. That takes a fifth to a third less room than differences alone and less time to pack:
what compresses is that the high bytes of small differences are all alike. Its `marks` are zlib over three arrays with
an entry for each batch: samples (uint32), board time of the first sample (int64, differences), us from the first
sample to the last (uint32); little-endian all. So every batch keeps its own two stamps, exactly; between them samples
are evenly spaced.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from lidjig.errors import StoreDamaged
from lidjig.record import schema

# Two neighbours further apart than this many periods have a sample missing between them.
HOLE_PERIODS = 1.5
BLOCKS_AT_ONCE = 64  # when samples are read
SUMMED_AT_ONCE = 512  # when only their stamps are

Int64Array = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """One batch: board time of its first sample, us to its last, uint16 little-endian."""

    t_us: int
    span_us: int
    data: bytes

    @property
    def n(self) -> int:
        return len(self.data) // 2


@dataclass(frozen=True)
class Marks:
    """The stamps of a block, an entry for each batch: samples, board time of the first, us from first to last."""

    n: Int64Array
    t_us: Int64Array
    span_us: Int64Array

    @property
    def end_us(self) -> Int64Array:
        return self.t_us + self.span_us

    def times_us(self) -> Int64Array:
        """Board time of every sample, us; exact at both ends of each batch."""
        within = np.arange(int(self.n.sum()), dtype=np.int64) - np.repeat(np.cumsum(self.n) - self.n, self.n)
        steps = np.repeat(np.maximum(self.n - 1, 1), self.n)
        along: Int64Array = (np.repeat(self.span_us, self.n) * within + steps // 2) // steps
        return np.repeat(self.t_us, self.n) + along

    def periods_us(self) -> npt.NDArray[np.float64]:
        """us between the samples of each batch; 0 for a single sample."""
        return np.where(self.n > 1, self.span_us / np.maximum(self.n - 1, 1), 0.0)


@dataclass(frozen=True)
class Segment:
    """Samples in a row, none missing among them. value = (raw - offset) * per_raw.

    t_us (n,) int64: board time, us. values (n,) float64 in `unit`. raw (n,) uint16. after_hole: at least one sample
    is missing between the segment before and this one, or the board restarted.
    """

    t_us: Int64Array
    values: npt.NDArray[np.float64]
    raw: npt.NDArray[np.uint16]
    unit: str
    after_hole: bool = False


@dataclass(frozen=True)
class ChannelRow:
    """What a run holds of one channel: n samples from begin_us to end_us (board time), mean rate within the batches.

    rate_hz is None where no batch has two samples. gaps: places at which at least one sample is missing.
    """

    channel: str
    unit: str
    per_raw: float
    offset: float
    n: int
    begin_us: int
    end_us: int
    rate_hz: float | None
    gaps: int
    stored_bytes: int


def pack(parts: Sequence[Part]) -> dict[str, object]:
    """The columns t_us, span_us, n, marks and data of a block. parts: at least one batch, in order."""
    raw = np.frombuffer(b"".join(part.data for part in parts), dtype="<u2")
    steps = np.diff(raw, prepend=np.uint16(0)).astype("<i2")
    folded = ((steps << 1) ^ (steps >> 15)).astype("<u2")
    stamps = np.array([part.t_us for part in parts], dtype="<i8")
    arrays = (
        np.array([part.n for part in parts], dtype="<u4"),
        np.diff(stamps, prepend=np.int64(0)).astype("<i8"),
        np.array([part.span_us for part in parts], dtype="<u4"),
    )
    return {
        "t_us": parts[0].t_us,
        "span_us": parts[-1].t_us + parts[-1].span_us - parts[0].t_us,
        "n": len(raw),
        "marks": zlib.compress(b"".join(array.tobytes() for array in arrays)),
        "data": zlib.compress(folded.view("u1").reshape(-1, 2).T.tobytes()),
    }


def unpack_marks(*packed: bytes) -> Marks:
    """The stamps of one block, or of several in a row. Raises ValueError or zlib.error for what is none."""
    plain = [zlib.decompress(one) for one in packed]
    counts = np.array([len(one) // 16 for one in plain], dtype=np.int64)
    if any(len(one) % 16 or not one for one in plain):
        raise ValueError(f"marks of {[len(one) for one in plain]} bytes")
    n = b"".join([one[: len(one) // 4] for one in plain])
    steps = b"".join([one[len(one) // 4 : 3 * len(one) // 4] for one in plain])
    span = b"".join([one[3 * len(one) // 4 :] for one in plain])
    # Each block begins with a whole stamp: what had been added up before it is taken off again.
    added = np.cumsum(np.frombuffer(steps, dtype="<i8"), dtype=np.int64)
    ends = np.cumsum(counts)
    before = np.concatenate((np.zeros(1, dtype=np.int64), added[ends[:-1] - 1]))
    stamps = added - np.repeat(before, counts)
    return Marks(np.frombuffer(n, "<u4").astype(np.int64), stamps, np.frombuffer(span, "<u4").astype(np.int64))


def unpack_data(packed: bytes, n: int) -> npt.NDArray[np.uint16]:
    """The n raw numbers of a block. Raises ValueError or zlib.error for what is none."""
    planes = np.frombuffer(zlib.decompress(packed), dtype="u1")
    if planes.size != 2 * n:
        raise ValueError(f"{planes.size} bytes for {n} samples")
    folded = np.ascontiguousarray(planes.reshape(2, n).T).reshape(-1).view("<u2")
    steps = (folded >> 1) ^ (np.uint16(0) - (folded & 1))
    return np.cumsum(steps, dtype=np.uint16)


class _Run:
    """Finds the holes as the batches of a channel go by, in order."""

    def __init__(self) -> None:
        self._end_us: int | None = None
        self._period_us = 0.0

    def holes_before(self, marks: Marks) -> npt.NDArray[np.bool_]:
        """For each batch whether samples are missing before it. The first batch of all has nothing before it."""
        periods = marks.periods_us()
        before = np.concatenate(([self._period_us], periods[:-1]))
        first = marks.t_us[0] if self._end_us is None else self._end_us
        apart = marks.t_us - np.concatenate(([first], marks.end_us[:-1]))
        longest = np.maximum(periods, before)
        holes = (apart < 0) | ((longest > 0) & (apart > HOLE_PERIODS * longest))
        self._end_us = int(marks.end_us[-1])
        self._period_us = float(periods[-1] or before[-1])
        return holes


def read_series(connection: sa.Connection, run: int, channel: str, store: str) -> Iterator[Segment]:
    """The segments of a channel in order, as they come from the disk: memory holds a few blocks at a time.

    Raises StoreDamaged where a block cannot be unpacked.
    """
    table = schema.blocks
    query = sa.select(table).where(table.c.run == run, table.c.channel == channel).order_by(table.c.place)
    passing = _Run()
    for row in connection.execution_options(yield_per=BLOCKS_AT_ONCE).execute(query):
        try:
            marks = unpack_marks(row.marks)
            raw = unpack_data(row.data, row.n)
            times_us = marks.times_us()
            if len(times_us) != len(raw):
                raise ValueError(f"{len(times_us)} stamps for {len(raw)} samples")
        except (ValueError, zlib.error) as error:
            raise StoreDamaged(store, f"reading {channel} of run {run}", f"block {row.place}: {error}") from error
        values = (raw - row.offset) * row.per_raw
        whole = Segment(times_us, values, raw, row.unit)
        yield from _split(whole, passing.holes_before(marks), marks)


def _split(whole: Segment, holes: npt.NDArray[np.bool_], marks: Marks) -> Iterator[Segment]:
    begins = (np.cumsum(marks.n) - marks.n)[holes]
    bounds = [*begins.tolist(), len(whole.raw)]
    if not len(begins) or begins[0] > 0:
        bounds = [0, *bounds]
    for at, (begin, end) in enumerate(zip(bounds, bounds[1:], strict=False)):
        part = slice(begin, end)
        after = bool(holes[0]) if at == 0 else True
        yield replace(
            whole, t_us=whole.t_us[part], values=whole.values[part], raw=whole.raw[part], after_hole=after
        )


def read_channels(connection: sa.Connection, run: int, store: str) -> list[ChannelRow]:
    """What the run holds of each channel, by name; the samples themselves are not read."""
    c = schema.blocks.c
    size = (sa.func.length(c.data) + sa.func.length(c.marks)).label("size")
    columns = (c.channel, c.place, c.unit, c.per_raw, c.offset, c.n, c.marks, size)
    query = sa.select(*columns).where(c.run == run).order_by(c.channel, c.place)
    found: dict[str, _Summary] = {}
    streamed = connection.execution_options(yield_per=SUMMED_AT_ONCE).execute(query)
    for channel, of_channel in itertools.groupby(streamed, key=lambda row: str(row.channel)):
        summary = found[channel] = _Summary()
        while rows := list(itertools.islice(of_channel, SUMMED_AT_ONCE)):
            try:
                summary.add(rows, unpack_marks(*(row.marks for row in rows)))
            except (ValueError, zlib.error) as error:
                which = f"blocks {rows[0].place} to {rows[-1].place}"
                raise StoreDamaged(store, f"reading {channel} of run {run}", f"{which}: {error}") from error
    return [summary.row() for summary in found.values()]


class _Summary:
    """Adds up the blocks of a channel."""

    def __init__(self) -> None:
        self._passing = _Run()
        self._last: Any = None
        self._n = self._gaps = self._spaces = self._spaced_us = self._bytes = 0
        self._begin_us: int | None = None
        self._end_us = 0

    def add(self, rows: Sequence[Any], marks: Marks) -> None:
        self._last = rows[-1]
        self._n += sum(int(row.n) for row in rows)
        self._bytes += sum(int(row.size) for row in rows)
        self._gaps += int(self._passing.holes_before(marks).sum())
        self._spaces += int((marks.n - 1).sum())
        self._spaced_us += int(marks.span_us.sum())
        self._begin_us = int(marks.t_us[0]) if self._begin_us is None else self._begin_us
        self._end_us = int(marks.end_us[-1])

    def row(self) -> ChannelRow:
        rate_hz = 1e6 * self._spaces / self._spaced_us if self._spaced_us else None
        last, begin_us = self._last, self._begin_us or 0
        return ChannelRow(
            last.channel, last.unit, last.per_raw, last.offset, self._n, begin_us, self._end_us, rate_hz, self._gaps,
            self._bytes,
        )  # fmt: skip
