"""Samples as they lie on the disk: how a block is packed, and how a channel is read back from its blocks.

A block holds the batches of one channel over about 2 s. Its `data` is zlib over the raw 16-bit numbers: each as the
difference from the one before (modulo 2^16), small differences of either sign made small numbers (zigzag), all low
bytes before all high bytes. That takes a fifth to a third less room than differences alone and less time to pack:
what compresses is that the high bytes of small differences are all alike. Its `marks` are zlib over three arrays with
an entry for each batch: samples (uint32), board time of the first sample (int64, differences), us from the first
sample to the last (uint32); little-endian all. So every batch keeps its own two stamps, exactly; between them samples
are evenly spaced. `number` is that of the first batch; the others of the block follow it without a hole. Where samples
are missing: record/sample_holes.py.
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
from lidjig.record.checksum import agrees
from lidjig.record.sample_holes import HOLE, SET_ANEW, Int64Array, Kinds, Marks, with_kinds

BLOCKS_AT_ONCE = 64  # when samples are read
SUMMED_AT_ONCE = 512  # when only their stamps are


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
class Segment:
    """Samples in a row, none missing among them. value = (raw - offset) * per_raw.

    t_us (n,) int64: board time, us. values (n,) float64 in `unit`. raw (n,) uint16. after_hole: at least one sample
    is missing between the segment before and this one, or the board restarted. set_anew: sampling was set between the
    two, so that they are not in a row though nothing is known to be missing.
    """

    t_us: Int64Array
    values: npt.NDArray[np.float64]
    raw: npt.NDArray[np.uint16]
    unit: str
    after_hole: bool = False
    set_anew: bool = False


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


def unpack_marks(*packed: bytes, first: Sequence[int | None] = ()) -> Marks:
    """The stamps of one block, or of several in a row. first: number of the first batch in each, None where it is not
    known. Raises ValueError or zlib.error for what is none.
    """
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
    within = np.arange(len(stamps)) - np.repeat(ends - counts, counts)
    begin = np.repeat(np.array([number or 0 for number in first] or [0] * len(packed), dtype=np.int64), counts)
    return Marks(
        np.frombuffer(n, "<u4").astype(np.int64),
        stamps,
        np.frombuffer(span, "<u4").astype(np.int64),
        np.where(begin > 0, begin + within, 0),
    )


def unpack_data(packed: bytes, n: int) -> npt.NDArray[np.uint16]:
    """The n raw numbers of a block. Raises ValueError or zlib.error for what is none."""
    planes = np.frombuffer(zlib.decompress(packed), dtype="u1")
    if planes.size != 2 * n:
        raise ValueError(f"{planes.size} bytes for {n} samples")
    folded = np.ascontiguousarray(planes.reshape(2, n).T).reshape(-1).view("<u2")
    steps = (folded >> 1) ^ (np.uint16(0) - (folded & 1))
    return np.cumsum(steps, dtype=np.uint16)


def read_series(connection: sa.Connection, run: int, channel: str, store: str) -> Iterator[Segment]:
    """The segments of a channel in order, as they come from the disk: memory holds a few blocks at a time.

    Raises StoreDamaged where a block cannot be unpacked.
    """
    table = schema.blocks
    query = sa.select(table).where(table.c.run == run, table.c.channel == channel).order_by(table.c.place)
    rows = iter(connection.execution_options(yield_per=BLOCKS_AT_ONCE).execute(query))
    doing = f"reading {channel} of run {run}"
    for (row,), marks, kinds in with_kinds(_marked(rows, 1, doing, store)):
        try:
            if not agrees(table, row._mapping):
                raise ValueError("its checksum does not agree: it is not as it was written")
            raw = unpack_data(row.data, row.n)
            times_us = marks.times_us()
            if len(times_us) != len(raw):
                raise ValueError(f"{len(times_us)} stamps for {len(raw)} samples")
        except (ValueError, zlib.error) as error:
            raise StoreDamaged(store, doing, f"block {row.place}: {error}") from error
        whole = Segment(times_us, (raw - row.offset) * row.per_raw, raw, row.unit)
        yield from _split(whole, kinds, marks)


def _split(whole: Segment, kinds: Kinds, marks: Marks) -> Iterator[Segment]:
    """A block parted where its samples are not in a row."""
    first = np.cumsum(marks.n) - marks.n
    begins = [0, *(at for at in np.flatnonzero(kinds).tolist() if at > 0)]
    bounds = [*first[begins].tolist(), len(whole.raw)]
    for at, begin, end in zip(begins, bounds, bounds[1:], strict=False):
        part = slice(begin, end)
        yield replace(
            whole,
            t_us=whole.t_us[part],
            values=whole.values[part],
            raw=whole.raw[part],
            after_hole=bool(kinds[at] == HOLE),
            set_anew=bool(kinds[at] == SET_ANEW),
        )


def read_channels(connection: sa.Connection, run: int, store: str) -> list[ChannelRow]:
    """What the run holds of each channel, by name; the samples themselves are not read."""
    c = schema.blocks.c
    size = (sa.func.length(c.data) + sa.func.length(c.marks)).label("size")
    columns = (c.channel, c.place, c.unit, c.per_raw, c.offset, c.n, c.number, c.marks, size)
    query = sa.select(*columns).where(c.run == run).order_by(c.channel, c.place)
    found: dict[str, _Summary] = {}
    streamed = connection.execution_options(yield_per=SUMMED_AT_ONCE).execute(query)
    for channel, of_channel in itertools.groupby(streamed, key=lambda row: str(row.channel)):
        summary = found[channel] = _Summary()
        doing = f"reading {channel} of run {run}"
        for rows, marks, kinds in with_kinds(_marked(of_channel, SUMMED_AT_ONCE, doing, store)):
            summary.add(rows, marks, kinds)
    return [summary.row() for summary in found.values()]


def _marked(rows: Iterator[Any], at_once: int, doing: str, store: str) -> Iterator[tuple[list[Any], Marks]]:
    """So many blocks at once with their stamps."""
    while some := list(itertools.islice(rows, at_once)):
        try:
            yield some, unpack_marks(*(row.marks for row in some), first=[row.number for row in some])
        except (ValueError, zlib.error) as error:
            which = f"block {some[0].place}" + (f" to {some[-1].place}" if len(some) > 1 else "")
            raise StoreDamaged(store, doing, f"{which}: {error}") from error


class _Summary:
    """Adds up the blocks of a channel."""

    def __init__(self) -> None:
        self._last: Any = None
        self._n = self._gaps = self._spaces = self._spaced_us = self._bytes = 0
        self._begin_us: int | None = None
        self._end_us = 0

    def add(self, rows: Sequence[Any], marks: Marks, kinds: Kinds) -> None:
        self._last = rows[-1]
        self._n += sum(int(row.n) for row in rows)
        self._bytes += sum(int(row.size) for row in rows)
        self._gaps += int((kinds == HOLE).sum())
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
