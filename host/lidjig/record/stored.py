"""A run read back whole."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from lidjig.record import schema
from lidjig.record.jobs import read_fields
from lidjig.record.model import INCOMPLETE, Finding, MeasuredValue

if TYPE_CHECKING:
    import numpy as np


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
    """Something is missing here. after_event: how many events had been stored before it."""

    kind: str
    text: str
    t_us: int | None
    after_event: int


@dataclass(frozen=True)
class StoredRun:
    """A run with everything that was recorded; outcome is "incomplete" where it was killed or still runs."""

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

    @property
    def closed(self) -> bool:
        """True where the run came to its end."""
        return self.ended_utc is not None


def read_run(connection: sa.Connection, number: int) -> StoredRun:
    """The run of that number, which exists."""
    from lidjig.record.recorder import run_id

    query = (
        sa.select(schema.runs, schema.jobs.c.name.label("job_name"))
        .select_from(schema.runs.outerjoin(schema.jobs, schema.runs.c.job == schema.jobs.c.number))
        .where(schema.runs.c.number == number)
    )
    row = connection.execute(query).one()
    rows: dict[str, list[Any]] = defaultdict(list)
    for table in schema.metadata.sorted_tables:
        if "place" in table.c:
            ordered = sa.select(table).where(table.c.run == number).order_by(table.c.place)
            rows[table.name] = list(connection.execute(ordered))
    return StoredRun(
        id=run_id(number),
        number=number,
        job=row.job_name,
        command=row.command,
        arguments=json.loads(row.arguments),
        argv=json.loads(row.command_line),
        seed=row.seed,
        host_version=row.host_version,
        firmware_version=row.firmware_version,
        board_id=row.board_id,
        link_details=json.loads(row.link_details),
        resumes=None if row.resumes is None else run_id(row.resumes),
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        outcome=row.outcome or INCOMPLETE,
        texts={r.kind: r.text for r in rows["texts"]},
        events=[StoredEvent(r.counter, r.name, r.t_us, json.loads(r.data)) for r in rows["events"]],
        samples=[_sample(r) for r in rows["samples"]],
        steps=[_step(r) for r in rows["steps"]],
        measurements=[_measured(r) for r in rows["measurements"]],
        findings=[
            Finding(r.where_at, r.what, r.probability, json.loads(r.evidence), r.next_step, r.caution)
            for r in rows["findings"]
        ],
        gaps=[StoredGap(r.kind, r.text, r.t_us, r.after_event) for r in rows["gaps"]],
        notes=[r.text for r in rows["notes"]],
        frames=[r.text for r in rows["frames"]],
        job_fields={} if row.job is None else read_fields(connection, row.job),
    )


def _measured(row: Any) -> MeasuredValue:
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
        arguments=json.loads(row.arguments),
        begin_s=row.begin_s,
        end_s=row.end_s,
        begin_t_us=row.begin_t_us,
        end_t_us=row.end_t_us,
        state=row.state,
        result=None if row.result is None else json.loads(row.result),
        exception=row.exception,
    )
