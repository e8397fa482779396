"""Bringing another record's jobs and runs into ours: what we have already stays, what is new comes in.

A run is known by its uid. It has one writer, so that a row at a place is the same in every copy: the union of two
copies by place is the run, whichever of them saw more of it. What people add beside it (notes, files, fields of a
job) is united by content. So the order of merging does not matter, nor does repetition; and a merge that is broken
off is made whole by the next.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from lidjig.errors import BadInput, StoreDamaged
from lidjig.record import schema
from lidjig.record.checksum import COLUMN, agrees, moved, with_checksum
from lidjig.record.engine import failing_as, open_engine, shown
from lidjig.record.identity import derived_uid, run_id, uid_of
from lidjig.record.merge_rows import ROWS_AT_ONCE, bring_rows
from lidjig.record.snapshot import check_file, copy_whole, folder_beside
from lidjig.record.write_ahead import damage_of


@dataclass(frozen=True)
class Conflict:
    """A field of a job for which the other record has another text: ours stays, theirs is kept beside it."""

    job: str
    name: str
    ours: str
    theirs: str


@dataclass
class Merged:
    """What a merge brought. runs: (id there, id here). completed: runs that we had in part, by their id here."""

    jobs: list[str] = field(default_factory=list)
    runs: list[tuple[str, str]] = field(default_factory=list)
    completed: list[str] = field(default_factory=list)
    known_runs: int = 0
    notes: int = 0
    attachments: int = 0
    job_fields: int = 0
    conflicts: list[Conflict] = field(default_factory=list)

    @property
    def nothing_new(self) -> bool:
        """True where the other record had nothing that ours lacked."""
        counts = (self.jobs, self.runs, self.completed, self.notes, self.attachments, self.job_fields, self.conflicts)
        return not any(counts)


def merge(engine: sa.Engine, url: str, other: Path) -> Merged:
    """Bring the record in the file `other` into the one that is open. Never writes to `other`.

    Raises BadInput for what is no record, a newer one, or ours itself; StoreDamaged, StoreFailed.
    """
    check_file(other, "OTHER.db")
    parsed = sa.make_url(url)
    ours = Path(parsed.database) if parsed.get_backend_name() == "sqlite" and parsed.database else None
    if ours is not None and ours.exists() and ours.samefile(other):
        raise BadInput("", "OTHER.db", str(other), "another record than the one that it is brought into")
    state = damage_of(other)
    if state is not None:
        why = f"its write-ahead log is damaged: {state.good} of its {state.frames} pages count"
        raise StoreDamaged(str(other), "reading", why)
    with folder_beside(ours) as folder:
        copy, _ = open_engine(copy_whole(other, folder), create=False, known_as=str(other), key="OTHER.db")
        try:
            with copy.connect() as theirs:
                _check_whole(theirs, str(other))
                return _Merge(engine, shown(url), theirs).all()
        finally:
            copy.dispose()


def _check_whole(theirs: sa.Connection, other: str) -> None:
    """Raises StoreDamaged before anything is brought from a record that cannot be read whole."""
    with failing_as(other, "reading"):
        said = str(theirs.exec_driver_sql("PRAGMA quick_check(1)").scalar())
        if said != "ok":
            raise StoreDamaged(other, "reading", said)
        for table in schema.SUMMED:
            streamed = theirs.execution_options(yield_per=ROWS_AT_ONCE).execute(sa.select(table)).mappings()
            for row in streamed:
                if not agrees(table, row):
                    where = ", ".join(f"{column.name} {row[column.name]}" for column in table.primary_key)
                    raise StoreDamaged(other, "reading", f"table {table.name}, {where}: its checksum does not agree")


class _Merge:
    """One merge under way. theirs: a copy of the other record, read only."""

    def __init__(self, engine: sa.Engine, store: str, theirs: sa.Connection) -> None:
        self._engine, self._store, self._theirs = engine, store, theirs
        self._done = Merged()
        self._jobs: dict[int, int] = {}  # their number -> ours
        self._runs: dict[int, int] = {}

    def all(self) -> Merged:
        """Jobs first, since runs point at them; then runs in the order in which they were begun there."""
        with failing_as(self._store, "merging"):
            for job in self._theirs.execute(sa.select(schema.jobs).order_by(schema.jobs.c.number)).all():
                self._bring_job(job)
            ours = self._known_runs()
            for run in self._theirs.execute(sa.select(schema.runs).order_by(schema.runs.c.number)).mappings().all():
                self._bring_run(dict(run), ours)
        return self._done

    def _known_runs(self) -> dict[str, int]:
        """uid -> number of our runs. Those that an older program began without a uid get theirs now."""
        runs = schema.runs
        with self._engine.begin() as connection:
            for row in connection.execute(sa.select(runs).where(runs.c.uid.is_(None))).mappings().all():
                change = sa.update(runs).where(runs.c.number == row["number"])
                connection.execute(change.values(uid=derived_uid(dict(row))))
        with self._engine.connect() as connection:
            return {str(row.uid): int(row.number) for row in connection.execute(sa.select(runs.c.uid, runs.c.number))}

    # Jobs.

    def _bring_job(self, job: Any) -> None:
        jobs = schema.jobs
        with self._engine.begin() as connection:
            ours = connection.execute(sa.select(jobs).where(jobs.c.name == job.name)).first()
            if ours is None:
                inserted = connection.execute(sa.insert(jobs).values(name=job.name, created_utc=job.created_utc))
                number = _new_number(inserted)
                self._done.jobs.append(job.name)
            else:
                number = int(ours.number)
                if job.created_utc < ours.created_utc:
                    change = sa.update(jobs).where(jobs.c.number == number)
                    connection.execute(change.values(created_utc=job.created_utc))
            self._jobs[job.number] = number
            self._bring_fields(connection, job, number)
            self._bring_attached(connection, schema.job_attachments, job.number, number)

    def _bring_fields(self, connection: sa.Connection, job: Any, number: int) -> None:
        fields, beside = schema.job_fields, schema.job_fields_elsewhere
        theirs = [
            dict(row)
            for table in (fields, beside)
            for row in self._theirs.execute(
                sa.select(table).where(table.c.job == job.number).order_by(table.c.name)
            ).mappings()
        ]
        for field_ in theirs:
            name, text = field_["name"], field_["text"]
            same = (fields.c.job == number, fields.c.name == name)
            ours = connection.execute(sa.select(fields.c.text).where(*same)).scalar()
            if ours is None:
                row = {"job": number, "name": name, "text": text}
                summed = "digest" in field_ or field_[COLUMN] is not None
                connection.execute(sa.insert(fields), with_checksum(fields, row) if summed else row)
                self._done.job_fields += 1
            elif ours != text and _keep_beside(connection, number, name, text):
                self._done.conflicts.append(Conflict(job.name, name, ours, text))

    # Files.

    def _bring_attached(self, connection: sa.Connection, table: sa.Table, theirs: int, ours: int) -> None:
        owner = next(iter(table.primary_key))
        for row in self._theirs.execute(sa.select(table).where(owner == theirs)).mappings().all():
            same = (owner == ours, table.c.sha256 == row["sha256"], table.c.name == row["name"])
            there = connection.execute(sa.select(table).where(*same)).first()
            if there is None:
                if not self._bring_content(connection, row["sha256"]):
                    continue
                connection.execute(sa.insert(table), {**row, owner.name: ours})
                self._done.attachments += 1
            elif (row["attached_utc"], row["media_type"]) < (there.attached_utc, there.media_type):
                first = {"attached_utc": row["attached_utc"], "media_type": row["media_type"]}
                connection.execute(sa.update(table).where(*same).values(**first))

    def _bring_content(self, connection: sa.Connection, sha256: str) -> bool:
        """Whether the content of an attachment is in our record now. It may be missing from a rescued one."""
        files = schema.attachments
        if connection.execute(sa.select(files.c.sha256).where(files.c.sha256 == sha256)).first() is not None:
            return True
        row = self._theirs.execute(sa.select(files).where(files.c.sha256 == sha256)).mappings().first()
        if row is None:
            return False
        connection.execute(sa.insert(files), dict(row))
        return True

    # Runs.

    def _bring_run(self, run: dict[str, Any], ours: dict[str, int]) -> None:
        uid = uid_of(run)
        number = ours.get(uid)
        is_new = number is None
        if number is None:
            number = ours[uid] = self._begin(run, uid)
        self._runs[run["number"]] = number
        brought = bring_rows(self._engine, self._theirs, run["number"], number)
        with self._engine.begin() as connection:
            self._bring_attached(connection, schema.run_attachments, run["number"], number)
        ended = self._end(run, number)
        self._done.notes += 0 if is_new else brought.notes
        if is_new:
            self._done.runs.append((run_id(run["number"]), run_id(number)))
        elif brought.rows or ended:
            self._done.completed.append(run_id(number))
        else:
            self._done.known_runs += 1

    def _begin(self, run: dict[str, Any], uid: str) -> int:
        """A run that is new to us, without its end: broken off, it reads as incomplete until it is merged whole."""
        row = {key: value for key, value in run.items() if key != "number"}
        row |= {
            "uid": uid,
            "job": self._jobs.get(run["job"]),
            "resumes": self._runs.get(run["resumes"]),
            "origin": run["origin"] or run_id(run["number"]),
            "ended_utc": None,
            "outcome": None,
        }
        runs = schema.runs
        try:
            with self._engine.begin() as connection:
                number = _new_number(connection.execute(sa.insert(runs).values(**row)))
                change = sa.update(runs).where(runs.c.number == number)
                connection.execute(change.values(checksum=moved(runs, row, number=number)[COLUMN]))
                return number
        except IntegrityError:  # another merge has just brought it
            with self._engine.connect() as connection:
                return int(connection.execute(sa.select(runs.c.number).where(runs.c.uid == uid)).scalar_one())

    def _end(self, run: dict[str, Any], number: int) -> bool:
        """Give the run its end where only the other record has it."""
        runs = schema.runs
        if run["ended_utc"] is None:
            return False
        one = (runs.c.number == number, runs.c.ended_utc.is_(None))
        with self._engine.begin() as connection:
            ours = connection.execute(sa.select(runs).where(*one)).mappings().first()
            if ours is None:
                return False
            end = moved(runs, ours, ended_utc=run["ended_utc"], outcome=run["outcome"])
            change = sa.update(runs).where(*one)
            changed = connection.execute(change.values({k: end[k] for k in ("ended_utc", "outcome", COLUMN)}))
            return changed.rowcount > 0


def _new_number(inserted: sa.CursorResult[Any]) -> int:
    assert inserted.inserted_primary_key is not None  # there is one for a single-row insert
    return int(inserted.inserted_primary_key[0])


def _keep_beside(connection: sa.Connection, job: int, name: str, text: str) -> bool:
    """Keep another record's text for a field; whether that is new."""
    table = schema.job_fields_elsewhere
    digest = hashlib.sha256(text.encode()).hexdigest()
    same = (table.c.job == job, table.c.name == name, table.c.digest == digest)
    if connection.execute(sa.select(table.c.job).where(*same)).first() is not None:
        return False
    connection.execute(sa.insert(table).values(job=job, name=name, digest=digest, text=text))
    return True
