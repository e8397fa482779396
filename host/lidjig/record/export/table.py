"""Events, readings, samples and gaps as the rows of one table, in order of time: what .csv and .parquet hold.

Columns: boot, t_us (board time), kind, name, counter; then a column for each field that events of the run have, under
its own name, numbers that have a name in the protocol (channel, line, route) by their name; then one for each channel
with its unit; then standard uncertainty (in the unit of its row's value) and n of single readings, and text. A row is
one thing that happened, and fills its own columns only.

kind     name                    what else is filled
event    event                   counter, the event's fields
sample   channel                 the channel's column
reading  channel                 the channel's column, u, n
series   name of the array       its column, n = place in the array from 1
gap      kind of gap             text; the time is that of the last event or gap before it where it has none of its own,
                                 or one of a boot that no event tells of
hole     channel                 text: here a sample is missing
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from lidjig.record import event_words
from lidjig.record.axis import Boot, boots_of
from lidjig.record.source import BootOf, Placed, Source, column_of
from lidjig.record.stored import StoredRun

WINDOW_US = 4_000_000  # so much board time is in memory at once
FIXED = ("boot", "t_us", "kind", "name", "counter")
U = "u [unit of the value]"
TAIL = ("u", "n", "text")
INTEGERS = ("boot", "t_us", "counter", "n")
UNITS = {"raw": "count"}  # of events' fields whose name does not tell it; others end with theirs
SUFFIXES = {"mv": "mV", "ma": "mA", "mdeg": "mdeg", "us": "us", "ms": "ms", "permille": "permille", "hz": "Hz"}
MASK = "mask"  # unit of readings that are whole numbers, a bit for each line

Row = dict[str, Any]


@dataclass(frozen=True)
class Column:
    """kind: "int", "float" or "text". unit: "" where the name carries it, or there is none."""

    name: str
    kind: str
    unit: str = ""

    @property
    def title(self) -> str:
        """Name with its unit: "charger_v [mV]"."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True)
class Chunk:
    """Rows in order. cells: title -> (values (n,), filled (n,) bool); a column that is not there is empty."""

    n: int
    cells: dict[str, tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]]


class Table:
    """The table of one run."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self._rows = _rows(source)
        self.columns = _columns(source)
        self._by_title = {column.title: column for column in self.columns}

    def chunks(self) -> Iterator[Chunk]:
        """All rows, some seconds of board time at once."""
        cursors = [_Cursor(row.channel, _title(row.channel, row.unit), self.source) for row in self.source.channels]
        waiting = list(reversed(self._rows))
        for boot in self.source.boots:
            while True:
                begins = [t for cursor in cursors if (t := cursor.next_us(boot.number)) is not None]
                if waiting and waiting[-1]["boot"] == boot.number:
                    begins.append(waiting[-1]["t_us"])
                if not begins:
                    break
                until = min(begins) + WINDOW_US
                rows: list[Row] = []
                while waiting and waiting[-1]["boot"] == boot.number and waiting[-1]["t_us"] < until:
                    rows.append(waiting.pop())
                parts: list[tuple[str, str, npt.NDArray[np.int64], npt.NDArray[np.float64]]] = []
                for cursor in cursors:
                    taken = cursor.take(boot.number, until, rows)
                    parts += [(cursor.channel, cursor.title, times, values) for times, values in taken]
                yield self._chunk(boot.number, rows, parts)

    def _chunk(
        self, boot: int, rows: list[Row], parts: list[tuple[str, str, npt.NDArray[Any], npt.NDArray[Any]]]
    ) -> Chunk:
        times = np.concatenate([np.array([row["t_us"] for row in rows], dtype=np.int64), *(part[2] for part in parts)])
        n = len(times)
        order = np.argsort(times, kind="stable")
        cells: dict[str, tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]] = {}

        def put(title: str, where: slice | list[int], values: Any) -> None:
            if title not in cells:
                kind = self._by_title[title].kind
                dtype: Any = {"int": np.int64, "float": np.float64, "text": object}[kind]
                cells[title] = (np.zeros(n, dtype=dtype), np.zeros(n, dtype=np.bool_))
            cells[title][0][where] = values
            cells[title][1][where] = True

        put("boot", slice(0, n), boot)
        put("t_us", slice(0, n), times)
        by_title: dict[str, tuple[list[int], list[Any]]] = {}
        for at, row in enumerate(rows):
            for title, value in row.items():
                if value is not None and title not in ("boot", "t_us"):
                    where, values = by_title.setdefault(title, ([], []))
                    where.append(at)
                    values.append(value)
        for title, (where, values) in by_title.items():
            put(title, where, values)
        at = len(rows)
        for channel, title, stamps, numbers in parts:
            span = slice(at, at + len(stamps))
            put("kind", span, "sample")
            put("name", span, channel)
            put(title, span, numbers)
            at += len(stamps)
        return Chunk(n, {title: (values[order], filled[order]) for title, (values, filled) in cells.items()})


def _title(channel: str, unit: str) -> str:
    return Column(channel, "float", unit or "raw").title


def _columns(source: Source) -> list[Column]:
    fields = sorted({key for event in source.run.events for key in event.data})
    # An event's field may be called like a column of the table's own.
    taken = (*FIXED, *TAIL)
    channels = {(row.channel, row.unit or "raw") for row in source.channels}
    channels |= {column_of(sample) for sample in source.run.samples}
    return [
        *(Column(name, "int" if name in INTEGERS else "text") for name in FIXED),
        *(_event_column(name, taken) for name in fields),
        *(Column(name, "int" if unit == MASK else "float", unit) for name, unit in sorted(channels)),
        Column("u", "float", "unit of the value"),
        Column("n", "int"),
        Column("text", "text"),
    ]


def _event_column(name: str, taken: tuple[str, ...] = (*FIXED, *TAIL)) -> Column:
    kind = "text" if name in event_words.FIELDS else "int"
    return Column(_field(name, taken), kind, UNITS.get(name, "") or SUFFIXES.get(name.rpartition("_")[2], ""))


def _field(name: str, taken: tuple[str, ...] = (*FIXED, *TAIL)) -> str:
    return f"event_{name}" if name in taken else name


def _rows(source: Source) -> list[Row]:
    """Everything but samples, in order of boot and time."""
    run = source.run
    rows: list[Row] = []
    boots = boots_of(run)
    numbers = [boot.number for boot in boots for _ in range(boot.first, boot.last + 1)]
    for boot, event in zip(numbers, run.events, strict=True):
        fields = {_event_column(key).title: _told(event.name, key, value) for key, value in event.data.items()}
        row: Row = {"boot": boot, "t_us": event.t_us, "kind": "event", "name": event.name, "counter": event.counter}
        rows.append(row | fields)
    boot_of = BootOf(source.boots)
    known_us = source.boots[0].begin_us
    for sample in run.samples:
        known_us = known_us if sample.t_us is None else sample.t_us
        name, unit = column_of(sample)
        row = {"boot": boot_of.of(known_us).number, "t_us": known_us, "kind": "reading", "name": sample.channel}
        title = Column(name, "float", unit).title
        if sample.data is None:
            value = int(sample.value) if unit == MASK and sample.value is not None else sample.value
            rows.append(row | {title: value, U: sample.u, "n": sample.n})
        else:
            numbers_of = enumerate(sample.values().ravel().tolist(), start=1)
            rows += [row | {"kind": "series", title: float(value), "n": place} for place, value in numbers_of]
    rows += _gap_rows(run, boots, numbers)
    return sorted(rows, key=lambda row: (row["boot"], row["t_us"]))


def _gap_rows(run: StoredRun, boots: Sequence[Boot], numbers: Sequence[int]) -> Iterator[Row]:
    """A gap has its place after the event that was heard before it, and those of one place stay in their order: a link
    that is back has no board time of its own, yet it was lost before. numbers: of the boot of each event.
    """
    boot, t_us = (numbers[0], run.events[0].t_us) if run.events else (1, boots[0].begin_us)
    place, told = 0, True  # told: events tell of the boot that board times are of now
    for gap in sorted(run.gaps, key=lambda gap: gap.after_event):
        if gap.after_event > place:
            place = gap.after_event
            known_us = t_us if numbers[place - 1] == boot else run.events[place - 1].t_us
            boot, t_us, told = numbers[place - 1], max(known_us, run.events[place - 1].t_us), True
        if gap.kind == "restart":  # what follows is of the next boot, whose first event is still to come
            following = numbers[place] if place < len(numbers) else boot
            told = following > boot or (place > 0 and run.events[place - 1].name == "boot")
            if following > boot:
                boot, t_us = following, run.events[place].t_us
        at_us = gap.t_us if gap.t_us is not None and told else t_us
        t_us = max(t_us, at_us)
        yield {"boot": boot, "t_us": at_us, "kind": "gap", "name": gap.kind, "text": gap.text}


def _told(event: str, field: str, value: int) -> int | str:
    """A field's value: by its name where the field has one, else the number."""
    return (event_words.word(event, field, value) or str(value)) if field in event_words.FIELDS else value


class _Cursor:
    """Goes through the samples of one channel, which come in order."""

    def __init__(self, channel: str, title: str, source: Source) -> None:
        self.channel, self.title = channel, title
        self._coming = source.series(channel)
        self._placed: Placed | None = next(self._coming, None)
        self._begin = 0

    def next_us(self, boot: int) -> int | None:
        """Board time of the next sample in this boot, or None."""
        if self._placed is None or self._placed.boot != boot:
            return None
        return int(self._placed.segment.t_us[self._begin])

    def take(
        self, boot: int, until_us: int, rows: list[Row]
    ) -> Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]]:
        """The samples before until_us; a missing one becomes a row."""
        while self._placed is not None and self._placed.boot == boot:
            segment = self._placed.segment
            if self._begin == 0 and segment.after_hole and int(segment.t_us[0]) < until_us:
                text = f"samples of {self.channel} are missing before this moment"
                rows.append(
                    {"boot": boot, "t_us": int(segment.t_us[0]), "kind": "hole", "name": self.channel, "text": text}
                )
            end = int(np.searchsorted(segment.t_us, until_us, side="left"))
            if end > self._begin:
                yield segment.t_us[self._begin : end], segment.values[self._begin : end]
            if end < len(segment.t_us):
                self._begin = end
                return
            self._placed, self._begin = next(self._coming, None), 0
