"""A run read back whole."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import sqlalchemy as sa

from lidjig.errors import StoreDamaged
from lidjig.record import schema
from lidjig.record.holes import Hole, holes_of
from lidjig.record.identity import row_lost, run_id, uid_of
from lidjig.record.jobs import read_fields
from lidjig.record.model import INCOMPLETE, PASS, Finding, MeasuredValue
from lidjig.record.row_sums import check_sums

if TYPE_CHECKING:
    import numpy as np

T = TypeVar("T")


@dataclass(frozen=True)
class StoredEvent:
    """An event as it was received; t_us is board time."""

    counter: int
    name: str
    t_us: int
    data: dict[str, int]


@dataclass(frozen=True)
class StoredSample:
    """A reading in `unit`; a series keeps its array in values()."""

    channel: str
    unit: str
    value: float | None
    u: float | None
    n: int
    t_us: int | None
    dtype: str | None
    shape: tuple[int, ...]
    data: bytes | None

    def values(self) -> np.ndarray[Any, Any]:
        """The series with the shape and type it was stored with. Raises ValueError for a single reading."""
        import numpy as np

        if self.data is None or self.dtype is None:
            raise ValueError(f"sample {self.channel} is a single reading")
        return np.frombuffer(self.data, dtype=np.dtype(self.dtype)).reshape(self.shape)


@dataclass(frozen=True)
class StoredStep:
    """A step; times in s on the link's clock and in us of board time, None where unknown. state: open, done,
    failed.
    """

    place: int
    parent: int | None
    depth: int
    name: str
    arguments: dict[str, Any]
    begin_s: float | None
    end_s: float | None
    begin_t_us: int | None
    end_t_us: int | None
    state: str
    result: Any
    exception: str | None

    @property
    def duration_s(self) -> float | None:
        """Seconds on the link's clock, None where the step did not end or nobody kept time."""
        return None if self.begin_s is None or self.end_s is None else self.end_s - self.begin_s


@dataclass(frozen=True)
class StoredGap:
    """Something is missing here. after_event: how many of the run's events that are there were stored before it."""

    kind: str
    text: str
    t_us: int | None
    after_event: int


@dataclass(frozen=True)
class StoredObservation:
    """What the findings stand on: an observation of the reasoning table, its value there, the sentence with its
    numbers.
    """

    name: str
    value: str
    text: str


@dataclass(frozen=True)
class StoredAttachment:
    """A file that was attached. size in bytes; its content: Store.attachment()."""

    name: str
    media_type: str
    size: int
    sha256: str
    attached_utc: str


@dataclass(frozen=True)
class StoredRun:
    """A run with everything that was recorded.

    outcome is "incomplete" where it was killed or still runs, and where it passed and part of its record is missing
    since (recorded_outcome has what it ended with; holes what is missing).
    """

    id: str
    number: int
    job: str | None
    command: str
    arguments: dict[str, Any]
    argv: list[str]
    seed: str | None
    host_version: str
    firmware_version: str
    board_id: str
    link_details: dict[str, str]
    resumes: str | None
    started_utc: str
    ended_utc: str | None
    outcome: str
    texts: dict[str, str]
    events: list[StoredEvent]
    samples: list[StoredSample]
    steps: list[StoredStep]
    measurements: list[MeasuredValue]
    findings: list[Finding]
    gaps: list[StoredGap]
    notes: list[str]
    frames: list[str]
    job_fields: dict[str, str] = field(default_factory=dict)  # as entered by a person; see record/jobs.py
    observations: list[StoredObservation] = field(default_factory=list)
    attachments: list[StoredAttachment] = field(default_factory=list)
    uid: str = ""  # the same in every record that the run is brought to
    machine: str | None = None  # name of the machine profile
    origin: str | None = None  # id in the record it was made in, where that was another one
    holes: list[Hole] = field(default_factory=list)
    recorded_outcome: str = ""

    @property
    def closed(self) -> bool:
        """True where the run came to its end."""
        return self.ended_utc is not None

    @property
    def row_lost(self) -> bool:
        """True where its own row was lost: command, times, versions, board and outcome are not known."""
        return row_lost(self.command, self.started_utc)

    @property
    def lost_for_good(self) -> StoredGap | None:
        """The loss of the link after which nothing came any more; None where it never was lost, or came back."""
        of_link = [gap for gap in self.gaps if gap.kind in ("link-lost", "link-back")]
        return of_link[-1] if of_link and of_link[-1].kind == "link-lost" else None


def outcome_left(outcome: str | None, *, damaged: bool) -> str:
    """What may be said of a run: that it passed only where all is there that it stood on."""
    return INCOMPLETE if outcome is None or (damaged and outcome == PASS) else outcome


class _Parser:
    """Turns rows into what they say. Raises StoreDamaged, with run, table and place, for one that says nothing."""

    def __init__(self, store: str, run: int) -> None:
        self._store, self._run = store, run

    def one(self, make: Callable[[Any], T], row: Any, table: str, place: object = "") -> T:
        """What one row says."""
        try:
            return make(row)
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            where = f"run {run_id(self._run)}, table {table}" + (f", row {place}" if place != "" else "")
            raise StoreDamaged(self._store, f"reading {where}", str(error).splitlines()[0]) from error

    def all(self, make: Callable[[Any], T], rows: Iterable[Any], table: str) -> list[T]:
        """What the rows of a table say."""
        return [self.one(make, row, table, row.place) for row in rows]


def read_run(connection: sa.Connection, number: int, store: str = "") -> StoredRun:
    """The run of that number, which exists. store: what errors call the record. Raises StoreDamaged for a row that
    cannot be what lidjig wrote, or is not as it was written.
    """
    query = (
        sa.select(schema.runs, schema.jobs.c.name.label("job_name"))
        .select_from(schema.runs.outerjoin(schema.jobs, schema.runs.c.job == schema.jobs.c.number))
        .where(schema.runs.c.number == number)
    )
    row = connection.execute(query).one()
    rows: dict[str, list[Any]] = defaultdict(list)
    for table in schema.RUN_TABLES:
        ordered = sa.select(table).where(table.c.run == number).order_by(table.c.place)
        rows[table.name] = list(connection.execute(ordered))
    fields = sa.select(schema.job_fields).where(schema.job_fields.c.job == row.job)
    checked = {table: rows[table.name] for table in schema.RUN_TABLES}
    check_sums({schema.runs: [row], **checked, schema.job_fields: connection.execute(fields).all()}, number, store)
    parse = _Parser(store, number)
    places = [r.place for r in rows["events"]]
    holes = holes_of(rows)
    return StoredRun(
        id=run_id(number),
        number=number,
        job=row.job_name,
        command=row.command,
        arguments=parse.one(lambda r: dict(json.loads(r.arguments)), row, "runs"),
        argv=parse.one(lambda r: list(json.loads(r.command_line)), row, "runs"),
        seed=row.seed,
        host_version=row.host_version,
        firmware_version=row.firmware_version,
        board_id=row.board_id,
        link_details=parse.one(lambda r: dict(json.loads(r.link_details)), row, "runs"),
        resumes=None if row.resumes is None else run_id(row.resumes),
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        outcome=outcome_left(row.outcome, damaged=any(not hole.by_counter for hole in holes)),
        texts={r.kind: r.text for r in rows["texts"]},
        events=parse.all(event_of, rows["events"], "events"),
        samples=parse.all(_sample, rows["samples"], "samples"),
        steps=parse.all(_step, rows["steps"], "steps"),
        measurements=parse.all(measured_of, rows["measurements"], "measurements"),
        findings=parse.all(finding_of, rows["findings"], "findings"),
        gaps=[StoredGap(r.kind, r.text, r.t_us, bisect_right(places, r.after_event)) for r in rows["gaps"]],
        notes=[r.text for r in rows["notes"]],
        frames=[r.text for r in rows["frames"]],
        job_fields={} if row.job is None else read_fields(connection, row.job),
        observations=[StoredObservation(r.name, r.value, r.text) for r in rows["observations"]],
        attachments=read_attached(connection, schema.run_attachments, number),
        uid=uid_of(dict(row._mapping)),
        machine=row.machine,
        origin=row.origin,
        holes=holes,
        recorded_outcome=row.outcome or INCOMPLETE,
    )


def read_attached(connection: sa.Connection, table: sa.Table, owner: int) -> list[StoredAttachment]:
    """What is attached to a run or a job, in the order in which it was. table: schema.run_attachments or
    job_attachments.
    """
    files = schema.attachments
    column = next(iter(table.primary_key))
    query = (
        sa.select(table.c.name, table.c.media_type, files.c.size, table.c.sha256, table.c.attached_utc)
        .join(files, files.c.sha256 == table.c.sha256)
        .where(column == owner)
        .order_by(table.c.attached_utc, table.c.name, table.c.sha256)
    )
    return [StoredAttachment(*row) for row in connection.execute(query)]


def event_of(row: Any) -> StoredEvent:
    """The event of a row. Raises ValueError or TypeError where its fields are no numbers by name."""
    data = json.loads(row.data)
    if not isinstance(data, dict) or not all(isinstance(value, int) for value in data.values()):
        raise ValueError("the fields of an event are numbers by name")
    if not isinstance(row.t_us, int) or not isinstance(row.counter, int):
        raise ValueError("board time and counter of an event are whole numbers")
    return StoredEvent(row.counter, row.name, row.t_us, data)


def finding_of(row: Any) -> Finding:
    """The finding of a row. Raises ValueError or TypeError for what is none."""
    evidence = json.loads(row.evidence)
    if not isinstance(evidence, list):
        raise ValueError("evidence is a list of sentences")
    return Finding(row.where_at, row.what, row.probability, evidence, row.next_step, row.caution)


def measured_of(row: Any) -> MeasuredValue:
    """The measurement of a row. Raises ValueError or TypeError where it contradicts itself."""
    return MeasuredValue(
        row.name,
        row.value,
        row.unit,
        row.low,
        row.high,
        row.n,
        row.limit_low,
        row.limit_high,
        row.marginal_band,
    )


def _sample(row: Any) -> StoredSample:
    shape = tuple(json.loads(row.shape)) if row.shape else ()
    return StoredSample(row.channel, row.unit, row.value, row.u, row.n, row.t_us, row.dtype, shape, row.data)


def _step(row: Any) -> StoredStep:
    return StoredStep(
        place=row.place,
        parent=row.parent,
        depth=row.depth,
        name=row.name,
        arguments=dict(json.loads(row.arguments)),
        begin_s=row.begin_s,
        end_s=row.end_s,
        begin_t_us=row.begin_t_us,
        end_t_us=row.end_t_us,
        state=row.state,
        result=None if row.result is None else json.loads(row.result),
        exception=row.exception,
    )
