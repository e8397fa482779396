"""The record: opens it, begins runs, finds them again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

import lidjig
from lidjig.errors import BadInput, StoreFailed
from lidjig.record import attach, listing, schema
from lidjig.record import engine as opening
from lidjig.record import jobs as entered
from lidjig.record.checksum import checksum_of, with_checksum
from lidjig.record.identity import machine_named, new_uid, run_id
from lidjig.record.listing import Filter, RunRow
from lidjig.record.recorder import Clock, RunRecorder, to_json, utc_now
from lidjig.record.stored import StoredAttachment, StoredRun, read_run

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow, Segment
    from lidjig.record.merge import Merged

__all__ = ["Filter", "RunRow", "Store", "open_store", "run_id"]

JOB_NAME_MAX = 120


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
            "uid": new_uid(),
            "machine": machine_named((texts or {}).get("machine")),
        }
        with opening.failing_as(self.shown, "beginning a run"), self._engine.begin() as connection:
            inserted = connection.execute(sa.insert(schema.runs), row)
            assert inserted.inserted_primary_key is not None  # there is one for a single-row insert
            number = int(inserted.inserted_primary_key[0])
            one = sa.update(schema.runs).where(schema.runs.c.number == number)
            connection.execute(one.values(checksum=checksum_of(schema.runs, {"number": number, **row})))
            rows = [
                with_checksum(schema.texts, {"run": number, "place": place, "kind": kind, "text": text})
                for place, (kind, text) in enumerate(sorted((texts or {}).items()), start=1)
            ]
            if rows:
                connection.execute(sa.insert(schema.texts), rows)
        recorder = RunRecorder(self._engine, self.shown, number, clock)
        recorder.places_taken(schema.texts, len(rows))
        return recorder

    def runs(self, job: str | None = None, limit: int | None = None, wanted: Filter | None = None) -> list[RunRow]:
        """Runs that fit, the one begun last first; job is short for a Filter of that job. Raises StoreFailed."""
        wanted = wanted or Filter(job=job)
        with opening.failing_as(self.shown, "listing runs"), self._engine.connect() as connection:
            return listing.list_runs(connection, wanted, limit)

    def count(self, wanted: Filter | None = None) -> int:
        """How many runs fit; all of them without a filter. Raises StoreFailed."""
        with opening.failing_as(self.shown, "counting runs"), self._engine.connect() as connection:
            return listing.count_runs(connection, wanted or Filter())

    def known(self, column: str) -> list[str]:
        """The different values that a column of the runs has ("machine", "command"). Raises StoreFailed."""
        with opening.failing_as(self.shown, "listing runs"), self._engine.connect() as connection:
            return listing.known(connection, schema.runs.c[column])

    def channels(self, run: str) -> list[ChannelRow]:
        """What a run holds of each sampled channel, by name. run: as for run(). Raises BadInput, StoreFailed."""
        from lidjig.record.blocks import read_channels

        number = self._number(run)
        with opening.failing_as(self.shown, "reading samples"), self._engine.connect() as connection:
            return read_channels(connection, number, self.shown)

    def series(self, run: str, channel: str) -> Iterator[Segment]:
        """The samples of a channel in order, as they come from the disk: memory holds a few blocks at a time.

        run: as for run(). Nothing comes for a channel that the run did not sample. Raises BadInput, StoreFailed.
        """
        from lidjig.record.blocks import read_series

        number = self._number(run)
        with opening.failing_as(self.shown, "reading samples"), self._engine.connect() as connection:
            yield from read_series(connection, number, channel, self.shown)

    def jobs(self) -> list[str]:
        """Names of the jobs in the record, in the order they were begun."""
        query = sa.select(schema.jobs.c.name).order_by(schema.jobs.c.number)
        with opening.failing_as(self.shown, "listing jobs"), self._engine.connect() as connection:
            return [str(name) for name in connection.execute(query).scalars()]

    def job_fields(self, name: str) -> dict[str, str]:
        """What was entered about a job, in the order of record.jobs.FIELDS. Raises BadInput where there is no such job,
        StoreFailed.
        """
        number = self._known_job(name)
        with opening.failing_as(self.shown, "reading a job"), self._engine.connect() as connection:
            return entered.read_fields(connection, number)

    def job_fields_elsewhere(self, name: str) -> list[tuple[str, str]]:
        """(field, text) that other records had for fields of this job, beside ours. Raises BadInput, StoreFailed."""
        number = self._known_job(name)
        with opening.failing_as(self.shown, "reading a job"), self._engine.connect() as connection:
            return entered.read_elsewhere(connection, number)

    def _known_job(self, name: str) -> int:
        """Number of a job that is there."""
        with opening.failing_as(self.shown, "reading a job"), self._engine.connect() as connection:
            number = connection.execute(sa.select(schema.jobs.c.number).where(schema.jobs.c.name == name)).scalar()
        if number is None:
            raise BadInput(self.shown, "job", name, entered.known(self.jobs()))
        return int(number)

    # Files that belong to a run or a job: exactly one of `run` and `job` is given.

    def attach(self, files: Sequence[str | Path], *, run: str | None = None, job: str | None = None) -> list[bool]:
        """Attach files to a run (as for run()) or a job; for each whether that is new. All of them, or none.

        Raises BadInput for a file, run or job that cannot be, StoreFailed.
        """
        given = [attach.read_file(Path(file)) for file in files]
        table, owner = self._owner(run, job)
        with opening.failing_as(self.shown, "attaching"), self._engine.begin() as connection:
            return [attach.write(connection, table, owner, file) for file in given]

    def attachments(self, *, run: str | None = None, job: str | None = None) -> list[StoredAttachment]:
        """What is attached to a run or a job. Raises BadInput, StoreFailed."""
        table, owner = self._owner(run, job)
        with opening.failing_as(self.shown, "reading attachments"), self._engine.connect() as connection:
            return attach.attached_to(connection, table, owner)

    def attachment(
        self, name: str, *, run: str | None = None, job: str | None = None
    ) -> tuple[StoredAttachment, bytes]:
        """An attachment with its content, by its name or the beginning of its SHA-256.

        Raises BadInput where there is none or more than one, StoreFailed where its content is missing.
        """
        found = attach.find(self.attachments(run=run, job=job), name, self.shown)
        with opening.failing_as(self.shown, "reading an attachment"), self._engine.connect() as connection:
            data = attach.content(connection, found.sha256)
        if data is None:
            raise StoreFailed(self.shown, "reading an attachment", f"the content of {found.name} is missing")
        return found, data

    def merge(self, other: Path) -> Merged:
        """Bring the jobs and runs of the record in another file into this one; see record/merge.py.

        Raises BadInput for what is no record, a newer one, or this one; StoreDamaged, StoreFailed.
        """
        from lidjig.record.merge import merge

        return merge(self._engine, self.url, other)

    def _owner(self, run: str | None, job: str | None) -> tuple[sa.Table, int]:
        if job is not None:
            return schema.job_attachments, self._known_job(job)
        return schema.run_attachments, self._number(run or "last")

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
            connection.execute(sa.insert(notes), with_checksum(notes, row))
        return run_id(number)

    def run(self, wanted: str) -> StoredRun:
        """One run whole. wanted: "last", an id ("r-000042", "r-42", "42") or the beginning of one.

        Raises BadInput where there is none or more than one, StoreFailed where it cannot be read.
        """
        number = self._number(wanted)
        with opening.failing_as(self.shown, "reading a run"), self._engine.connect() as connection:
            return read_run(connection, number, self.shown)

    def run_id(self, wanted: str) -> str:
        """The id of the run that is meant; wanted as for run(). Raises BadInput, StoreFailed."""
        return run_id(self._number(wanted))

    def _number(self, wanted: str) -> int:
        """The number of the run that is meant."""
        with opening.failing_as(self.shown, "looking for a run"), self._engine.connect() as connection:
            return listing.number_of(connection, wanted, self.shown)

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


def open_store(url_or_path: str | Path | None = None, *, create: bool = True) -> Store:
    """Open a record: a path, a database URL, or None for the default place.

    create: False refuses a file that is not there. Raises BadInput for what is no record of lidjig or a newer
    one, StoreFailed for what cannot be opened.
    """
    engine, url = opening.open_engine(url_or_path, create)
    return Store(engine, url)
