"""The record: opens it, begins runs, finds them again."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

import lidjig
from lidjig.errors import BadInput
from lidjig.record import engine as opening
from lidjig.record import jobs as entered
from lidjig.record import schema
from lidjig.record.model import INCOMPLETE
from lidjig.record.recorder import Clock, RunRecorder, run_id, to_json, utc_now
from lidjig.record.stored import StoredRun, read_run

JOB_NAME_MAX = 120

_ID = re.compile(r"(?:r-)?(\d{1,9})")


@dataclass(frozen=True)
class RunRow:
    """One line of the list of runs."""

    id: str
    number: int
    job: str | None
    command: str
    outcome: str  # "incomplete" also where the run was killed or still runs
    closed: bool
    board_id: str
    firmware_version: str
    host_version: str
    seed: str | None
    started_utc: str
    ended_utc: str | None
    events: int
    gaps: int  # what broke its continuity: restarts, lost links, missing events


class Store:
    """A record that is open. Use open_store()."""

    def __init__(self, engine: sa.Engine, url: str) -> None:
        self._engine = engine
        self.url = url
        self.shown = opening.shown(url)  # as a person knows it: path, or URL without password

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Release the database. Safe to call twice."""
        self._engine.dispose()

    def start_run(
        self,
        command: str,
        *,
        job: str | None = None,
        seed: int | str | None = None,
        argv: Sequence[str] = (),
        host_version: str = lidjig.__version__,
        board_id: str = "",
        firmware: str = "",
        texts: Mapping[str, str] | None = None,
        link_details: Mapping[str, str] | None = None,
        arguments: Mapping[str, object] | None = None,
        resumes: str | None = None,
        clock: Clock | None = None,
    ) -> RunRecorder:
        """Begin a run; it is on disk, without an end, when this returns. Raises StoreFailed.

        texts: full text by kind ("sensor", "machine", "scenario"). arguments: what a later run needs to
        resume this one. resumes: id of the interrupted run that this one goes on with. clock: the link's
        clock, for step times.
        """
        resumed = self._number(resumes) if resumes else None
        job_number = self._job(job) if job else None
        row = {
            "job": job_number,
            "command": command,
            "arguments": to_json(dict(arguments or {})),
            "command_line": to_json(list(argv)),
            "seed": None if seed is None else str(seed),
            "host_version": host_version,
            "firmware_version": firmware,
            "board_id": board_id,
            "link_details": to_json(dict(link_details or {})),
            "resumes": resumed,
            "started_utc": utc_now(),
        }
        with opening.failing_as(self.shown, "beginning a run"), self._engine.begin() as connection:
            inserted = connection.execute(sa.insert(schema.runs), row)
            assert inserted.inserted_primary_key is not None  # there is one for a single-row insert
            number = int(inserted.inserted_primary_key[0])
            rows = [
                {"run": number, "place": place, "kind": kind, "text": text}
                for place, (kind, text) in enumerate(sorted((texts or {}).items()), start=1)
            ]
            if rows:
                connection.execute(sa.insert(schema.texts), rows)
        recorder = RunRecorder(self._engine, self.shown, number, clock)
        recorder.places_taken(schema.texts, len(rows))
        return recorder

    def runs(self, job: str | None = None, limit: int | None = None) -> list[RunRow]:
        """Runs, newest first. Raises StoreFailed."""
        counts = [
            sa.select(sa.func.count()).select_from(table).where(table.c.run == schema.runs.c.number).scalar_subquery()
            for table in (schema.events, schema.gaps)
        ]
        columns = [schema.jobs.c.name.label("job_name"), counts[0].label("event_count"), counts[1].label("gap_count")]
        query = (
            sa.select(schema.runs, *columns)
            .select_from(schema.runs.outerjoin(schema.jobs, schema.runs.c.job == schema.jobs.c.number))
            .order_by(schema.runs.c.number.desc())
        )
        if job is not None:
            query = query.where(schema.jobs.c.name == job)
        if limit is not None:
            query = query.limit(limit)
        with opening.failing_as(self.shown, "listing runs"), self._engine.connect() as connection:
            return [_run_row(row) for row in connection.execute(query)]

    def jobs(self) -> list[str]:
        """Names of the jobs in the record, in the order they were begun."""
        query = sa.select(schema.jobs.c.name).order_by(schema.jobs.c.number)
        with opening.failing_as(self.shown, "listing jobs"), self._engine.connect() as connection:
            return [str(name) for name in connection.execute(query).scalars()]

    def job_fields(self, name: str) -> dict[str, str]:
        """What was entered about a job, in the order of record.jobs.FIELDS. Raises BadInput where there is no such job,
        StoreFailed.
        """
        names = self.jobs()
        if name not in names:
            raise BadInput(self.shown, "job", name, entered.known(names))
        with opening.failing_as(self.shown, "reading a job"), self._engine.connect() as connection:
            number = connection.execute(sa.select(schema.jobs.c.number).where(schema.jobs.c.name == name)).scalar_one()
            return entered.read_fields(connection, int(number))

    def enter_job(self, name: str, fields: Mapping[str, str]) -> None:
        """Enter fields of a job, which is created where it is new; an empty text takes a field away.

        Raises BadInput for a field or text that cannot be, StoreFailed.
        """
        clean = {key: entered.check_field(key, text) for key, text in fields.items()}
        number = self._job(name)
        with opening.failing_as(self.shown, "entering a job"), self._engine.begin() as connection:
            entered.write_fields(connection, number, clean)

    def add_note(self, wanted: str, text: str) -> str:
        """Add an operator's note to a run, ended or not; the run's id. wanted as for run().

        Raises BadInput for a run that is not there or a text that cannot be, StoreFailed.
        """
        number = self._number(wanted)
        clean = entered.check_text("TEXT", text)
        if not clean:
            raise BadInput("", "TEXT", text, "some words")
        notes = schema.notes
        last = sa.select(sa.func.max(notes.c.place)).where(notes.c.run == number)
        with opening.failing_as(self.shown, "adding a note"), self._engine.begin() as connection:
            # Beyond the places that a run gives out while it is written: it may still be running.
            place = max(schema.OPERATOR_PLACE, int(connection.execute(last).scalar() or 0)) + 1
            row = {"run": number, "place": place, "text": f"operator: {clean}", "written_utc": utc_now()}
            connection.execute(sa.insert(notes), row)
        return run_id(number)

    def run(self, wanted: str) -> StoredRun:
        """One run whole. wanted: "last", an id ("r-000042", "r-42", "42") or the beginning of one.

        Raises BadInput where there is none or more than one, StoreFailed where it cannot be read.
        """
        number = self._number(wanted)
        with opening.failing_as(self.shown, "reading a run"), self._engine.connect() as connection:
            return read_run(connection, number)

    def _number(self, wanted: str) -> int:
        """The number of the run that is meant."""
        with opening.failing_as(self.shown, "looking for a run"), self._engine.connect() as connection:
            numbers = list(
                connection.execute(sa.select(schema.runs.c.number).order_by(schema.runs.c.number)).scalars()
            )
        if not numbers:
            raise BadInput(self.shown, "run", wanted, "none: this record holds no run yet")
        text = wanted.strip().lower()
        if text == "last":
            return int(numbers[-1])
        match = _ID.fullmatch(text)
        if match and int(match.group(1)) in numbers:
            return int(match.group(1))
        begins = [n for n in numbers if text and run_id(n).startswith(text)]
        if len(begins) == 1:
            return int(begins[0])
        if begins:
            some = ", ".join(run_id(n) for n in begins[-5:])
            raise BadInput(
                self.shown, "run", wanted, f"more digits: {len(begins)} runs begin so, the newest {some}"
            )
        raise BadInput(
            self.shown,
            "run",
            wanted,
            f"last, or an id up to {run_id(numbers[-1])} as 'lidjig runs' lists them",
        )

    def _job(self, name: str) -> int:
        """Number of the job, created where it is new; another process may create it at the same moment."""
        if not name.strip() or len(name) > JOB_NAME_MAX:
            raise BadInput("", "--job", name, f"a name of 1..{JOB_NAME_MAX} characters")
        query = sa.select(schema.jobs.c.number).where(schema.jobs.c.name == name)
        with opening.failing_as(self.shown, "opening a job"):
            with self._engine.connect() as connection:
                found = connection.execute(query).scalar()
            if found is not None:
                return int(found)
            try:
                with self._engine.begin() as connection:
                    connection.execute(sa.insert(schema.jobs), {"name": name, "created_utc": utc_now()})
            except IntegrityError:
                pass  # created meanwhile
            with self._engine.connect() as connection:
                return int(connection.execute(query).scalar_one())


def _run_row(row: sa.Row[tuple[object, ...]]) -> RunRow:
    return RunRow(
        id=run_id(row.number),
        number=row.number,
        job=row.job_name,
        command=row.command,
        outcome=row.outcome or INCOMPLETE,
        closed=row.ended_utc is not None,
        board_id=row.board_id,
        firmware_version=row.firmware_version,
        host_version=row.host_version,
        seed=row.seed,
        started_utc=row.started_utc,
        ended_utc=row.ended_utc,
        events=row.event_count,
        gaps=row.gap_count,
    )


def open_store(url_or_path: str | Path | None = None, *, create: bool = True) -> Store:
    """Open a record: a path, a database URL, or None for the default place.

    create: False refuses a file that is not there. Raises BadInput for what is no record of lidjig or a newer
    one, StoreFailed for what cannot be opened.
    """
    engine, url = opening.open_engine(url_or_path, create)
    return Store(engine, url)
