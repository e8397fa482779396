"""One run being written. What the board is told was received is on disk before it is told."""

from __future__ import annotations

import contextlib
import json
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Protocol

import sqlalchemy as sa

from lidjig.errors import StoreFailed
from lidjig.record import schema
from lidjig.record.checksum import COLUMN, checksum_of, moved, with_checksum
from lidjig.record.engine import failing_as
from lidjig.record.identity import run_id
from lidjig.record.model import RUN_OUTCOMES, Finding, MeasuredValue

if TYPE_CHECKING:
    import numpy as np

    from lidjig.record.blocks import ChannelRow
    from lidjig.record.buffers import BatchLike, SampleBuffers

RIDE_S = 0.2  # a step row rides with the next commit if the last one is younger than this
RIDERS_MAX = 500
# Samples are written at the latest so long after they were heard; it is what a killed program may lose of them.
BLOCK_S = 2.0
# Samples that are at least so old go to the disk together with an event, so that they need no write of their own.
SHARE_S = 1.0


Statement = tuple[Any, list[dict[str, object]]]  # an insert or update with its rows


class Clock(Protocol):
    """Time that steps are measured on: the link's clock."""

    def now_s(self) -> float:
        """Seconds, monotonic, from an arbitrary start."""
        ...


class EventLike(Protocol):
    """What the recorder stores of an event; jig.Event has it."""

    @property
    def name(self) -> str: ...
    @property
    def counter(self) -> int: ...
    @property
    def t_us(self) -> int: ...
    @property
    def data(self) -> Mapping[str, int]: ...


def utc_now() -> str:
    """Wall time as ISO 8601 with milliseconds, UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def to_json(value: object) -> str:
    """Compact JSON in a fixed key order; what JSON does not know becomes its text, what is not finite becomes
    null.
    """
    return json.dumps(_plain(value), sort_keys=True, separators=(",", ":"), allow_nan=False)


def _plain(value: object) -> object:
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(child) for key, child in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(child) for child in value]
    if isinstance(value, MeasuredValue):
        return value.to_json()
    if isinstance(value, bytes):
        return value.hex()
    return str(value)


class Step:
    """A step in progress; set `result` to what it gave."""

    def __init__(self, place: int, row: dict[str, object]) -> None:
        self.place = place
        self.row = row  # as it was begun
        self.result: object = None


class RunRecorder:
    """Writes one run. Also the sink that the jig gives its events to.

    Raises StoreFailed from every method where the write does not reach the disk; the run must then end.
    `clock`: the link's clock for step times. `board_time_us`: gives the present board time where somebody
    knows it.
    """

    def __init__(self, engine: sa.Engine, store: str, number: int, clock: Clock | None = None) -> None:
        self._engine = engine
        self._store = store
        self.number = number
        self.id = run_id(number)
        self.clock = clock
        self.board_time_us: Callable[[], int | None] = lambda: None
        self.outcome: str | None = None
        self._places: dict[str, int] = {}
        self._riders: list[Statement] = []
        # Being written, and the events among it; where that was broken into, only the disk knows what came of it.
        self._under_way: tuple[tuple[Statement, ...], dict[int, EventLike]] | None = None
        self._last_batch: dict[int, EventLike] = {}  # events that were written last
        self._open_steps: list[int] = []
        self._committed_at = -math.inf
        self._samples: SampleBuffers | None = None  # numpy is loaded with it: not before there are samples

    # What the jig tells.

    def events(self, batch: Sequence[EventLike]) -> None:
        """Store events in the order given; they are on disk when this returns.

        A batch may be given again where Ctrl-C broke into storing it: each event is stored once.
        """
        with failing_as(self._store, "storing events"):
            self._settle()
        fresh = [event for event in batch if id(event) not in self._last_batch]
        if not fresh:
            return
        rows = [
            self._row(schema.events, counter=e.counter, name=e.name, t_us=e.t_us, data=to_json(dict(e.data)))
            for e in fresh
        ]
        self._take_samples_along()
        self._commit("storing events", (sa.insert(schema.events), rows), batch={id(event): event for event in fresh})

    def gap(self, kind: str, text: str, t_us: int | None = None) -> None:
        """Something is missing here, or the link was: "link-lost", "link-back", "restart", "lost-events",
        "lost-samples". Samples that wait are written with it.
        """
        self._close_blocks()
        after = self._places.get(schema.events.name, 0)
        self._add("storing a gap", schema.gaps, kind=kind, text=text, t_us=t_us, after_event=after)

    def frames(self, lines: Sequence[str]) -> None:
        """The last frames in text form, oldest first."""
        if lines:
            rows = [self._row(schema.frames, text=line) for line in lines]
            self._commit("storing frames", (sa.insert(schema.frames), rows))

    def batch(self, batch: BatchLike) -> None:
        """Keep the samples of a batch; they are on disk 2 s later at the latest, together with the next event, gap
        or other row where one comes first. Whoever ends the sampling calls flush().

        Raises ValueError for a batch without samples: a fault of the caller.
        """
        samples = self._buffers()
        if samples.closing:
            self._close_blocks()
        if samples.breaks_off(batch):
            self._close_blocks()
            self._commit("storing samples")  # with what comes now their time would be counted anew
        samples.add(batch, self._now_s())
        if samples.age_s(self._now_s()) >= BLOCK_S:
            self._close_blocks()
            self._commit("storing samples")

    def channel(self, channel: str, unit: str, per_raw: float, offset: float = 0.0) -> None:
        """Unit and scale of a channel's samples from here on: value = (raw - offset) * per_raw.

        A channel that is not declared is stored as raw numbers. Raises ValueError for a scale that gives no number.
        """
        from lidjig.record.buffers import Scale

        if not (math.isfinite(per_raw) and math.isfinite(offset)):
            raise ValueError(f"channel {channel}: {per_raw} per raw from {offset}")
        if self._buffers().declare(channel, Scale(unit, float(per_raw), float(offset))):
            self._close_blocks()

    # What the procedure tells.

    @contextlib.contextmanager
    def step(self, name: str, **arguments: object) -> Iterator[Step]:
        """A step with begin, end, duration, result and exception; steps nest.

        A step rides with the next commit where one has just been made, so that a fast loop does not wait for
        the disk twice; a step in which nothing else happens is committed by itself.
        """
        row = self._row(
            schema.steps,
            parent=self._open_steps[-1] if self._open_steps else None,
            depth=len(self._open_steps),
            name=name,
            arguments=to_json(arguments),
            begin_s=self._now_s(),
            begin_t_us=self.board_time_us(),
            state="open",
        )
        step = Step(int(str(row["place"])), row)
        self._ride("storing a step", sa.insert(schema.steps), row)
        self._open_steps.append(step.place)
        try:
            yield step
        except StoreFailed:
            self._open_steps.pop()
            raise  # the record is what failed: writing to it again would only hide that
        except BaseException as error:
            self._end_step(step, "failed", f"{type(error).__name__}: {error}")
            raise
        self._end_step(step, "done", None)

    def _end_step(self, step: Step, state: str, exception: str | None) -> None:
        self._open_steps.pop()
        end: dict[str, object] = {
            "end_s": self._now_s(),
            "end_t_us": self.board_time_us(),
            "state": state,
            "result": None if step.result is None else to_json(step.result),
            "exception": exception,
        }
        end[COLUMN] = checksum_of(schema.steps, {**step.row, **end})
        change = (
            sa.update(schema.steps)
            .where(schema.steps.c.run == self.number, schema.steps.c.place == sa.bindparam("step_place"))
            .values({name: sa.bindparam(f"new_{name}") for name in end})
        )
        values = {f"new_{name}": value for name, value in end.items()}
        self._ride("storing a step", change, {"step_place": step.place, **values})

    def measurement(self, measured: MeasuredValue) -> None:
        """One declared measurement with its outcome."""
        self._add(
            "storing a measurement",
            schema.measurements,
            name=measured.name,
            value=measured.value,
            unit=measured.unit,
            low=measured.low,
            high=measured.high,
            n=measured.n,
            limit_low=measured.limit_low,
            limit_high=measured.limit_high,
            marginal_band=measured.marginal_band,
            outcome=measured.outcome,
        )

    def finding(self, finding: Finding) -> None:
        """One conclusion."""
        self._add(
            "storing a finding",
            schema.findings,
            where_at=finding.where,
            what=finding.what,
            probability=finding.probability,
            evidence=to_json(finding.evidence),
            next_step=finding.next,
            caution=finding.caution,
        )

    def observation(self, name: str, value: str, text: str) -> None:
        """What the findings will stand on: an observation of the reasoning table, its value there, and the sentence
        with its numbers. Of several with one name the last one counts.
        """
        self._add("storing an observation", schema.observations, name=name, value=value, text=text)

    def sample(
        self,
        channel: str,
        unit: str,
        value: float | None,
        u: float | None = None,
        n: int = 1,
        t_us: int | None = None,
    ) -> None:
        """One reading in `unit` with its standard uncertainty; rides with the next commit."""
        row = self._row(schema.samples, channel=channel, unit=unit, value=_finite(value), u=_finite(u), n=n, t_us=t_us)
        self._ride("storing a sample", sa.insert(schema.samples), row)

    def series(self, channel: str, unit: str, values: np.ndarray[Any, Any], t_us: int | None = None) -> None:
        """A whole array in `unit`, kept with shape and type. t_us: board time of its first entry.

        Raises ValueError for an array of anything but numbers.
        """
        import numpy as np

        if values.dtype.kind not in "iufb":
            raise ValueError(f"series {channel}: array of {values.dtype}, accepted numbers")
        array = np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<"))
        self._add(
            "storing a series",
            schema.samples,
            channel=channel,
            unit=unit,
            n=int(values.size),
            t_us=t_us,
            dtype=array.dtype.str,
            shape=to_json(list(values.shape)),
            data=array.tobytes(),
        )

    def note(self, text: str) -> None:
        """A remark by operator or procedure."""
        self._add("storing a note", schema.notes, text=text, written_utc=utc_now())

    def text(self, kind: str, text: str) -> None:
        """A further text that belongs to the run, in full."""
        self._add("storing a text", schema.texts, kind=kind, text=text)

    def finish(self, outcome: str) -> None:
        """Close the run. A run that never came here reads as incomplete.

        Raises ValueError for an outcome that does not exist or a run that is closed already.
        """
        if outcome not in RUN_OUTCOMES:
            raise ValueError(f"outcome {outcome!r}, accepted {', '.join(RUN_OUTCOMES)}")
        if self.outcome is not None:
            raise ValueError(f"run {self.id} is closed already")
        one = schema.runs.c.number == self.number
        with failing_as(self._store, "closing the run"), self._engine.connect() as connection:
            begun = connection.execute(sa.select(schema.runs).where(one)).mappings().one()
        end: dict[str, object] = {"outcome": outcome, "ended_utc": utc_now()}
        end[COLUMN] = moved(schema.runs, begun, **end)[COLUMN]
        self._close_blocks()
        self._commit("closing the run", (sa.update(schema.runs).where(one), [end]))
        self.outcome = outcome

    def flush(self) -> None:
        """Put on disk whatever still rides, and the samples that wait."""
        self._close_blocks()
        if self._riders:
            self._commit("storing the rest")

    def channels(self) -> list[ChannelRow]:
        """What this run holds of each sampled channel by now, by name; what waits is written first."""
        from lidjig.record.blocks import read_channels

        self.flush()
        with failing_as(self._store, "reading samples"), self._engine.connect() as connection:
            return read_channels(connection, self.number, self._store)

    # How it is written.

    def places_taken(self, table: sa.Table, count: int) -> None:
        """Rows of this run that were written before the recorder took over."""
        self._places[table.name] = count

    def _buffers(self) -> SampleBuffers:
        if self._samples is None:
            from lidjig.record.buffers import SampleBuffers

            self._samples = SampleBuffers()
        return self._samples

    def _take_samples_along(self) -> None:
        """Samples that have waited a while go with what is about to be written, and need no write of their own."""
        if self._samples is not None and self._samples.age_s(self._now_s()) >= SHARE_S:
            self._close_blocks()

    def _close_blocks(self) -> None:
        """Make blocks of the samples that wait; they ride with the next commit.

        Broken into (Ctrl-C) and begun again, it makes each block once: a block has its place from the moment it is
        made, and leaves its buffer when it rides.
        """
        if self._samples is None:
            return
        for channel in list(self._samples.waiting):
            buffer = self._samples.waiting[channel]
            if buffer.row is None:
                key = f"{schema.blocks.name} {channel}"
                place = self._places[key] = self._places.get(key, 0) + 1
                row = {"run": self.number, "place": place, **self._samples.columns(channel)}
                buffer.row = with_checksum(schema.blocks, row)
            if not any(row is buffer.row for _, rows in self._riders for row in rows):
                self._riders.append((sa.insert(schema.blocks), [buffer.row]))
            del self._samples.waiting[channel]

    def _now_s(self) -> float | None:
        return None if self.clock is None else self.clock.now_s()

    def _row(self, table: sa.Table, **values: object) -> dict[str, object]:
        place = self._places.get(table.name, 0) + 1
        self._places[table.name] = place
        return with_checksum(table, {"run": self.number, "place": place, **values})

    def _add(self, doing: str, table: sa.Table, **values: object) -> None:
        self._take_samples_along()
        self._commit(doing, (sa.insert(table), [self._row(table, **values)]))

    def _ride(self, doing: str, statement: Any, row: dict[str, object]) -> None:
        self._riders.append((statement, [row]))
        if time.monotonic() - self._committed_at > RIDE_S or len(self._riders) >= RIDERS_MAX:
            self._commit(doing)

    def _commit(self, doing: str, *statements: Statement, batch: dict[int, EventLike] | None = None) -> None:
        with failing_as(self._store, doing):
            self._settle()
            if self._samples is not None and self._samples.closing:
                self._close_blocks()
            work = (*self._riders, *statements)
            self._under_way = (work, batch or {})
            with self._engine.begin() as connection:
                for statement, rows in work:
                    connection.execute(statement, rows)
        self._is_written()

    def _is_written(self) -> None:
        """What was under way is on disk."""
        if self._under_way is None:
            return
        work, batch = self._under_way
        written = {id(statement) for statement in work}
        self._riders = [rider for rider in self._riders if id(rider) not in written]
        self._last_batch = batch or self._last_batch
        self._under_way = None
        self._committed_at = time.monotonic()

    def _settle(self) -> None:
        """Where a write was broken into (Ctrl-C, a failing disk), find out whether it is on disk: whole, or not at all.

        Updates may be written twice, rows may not.
        """
        if self._under_way is None:
            return
        work, batch = self._under_way
        for statement, rows in work:
            if isinstance(statement, sa.Insert):
                table = statement.table
                one = sa.select(table.c.run).where(*(column == rows[0][column.name] for column in table.primary_key))
                with self._engine.connect() as connection:
                    if connection.execute(one).first() is not None:
                        self._is_written()
                        return
                break
        if batch:
            self._places[schema.events.name] -= len(batch)  # they are given again
        self._under_way = None


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
