"""What can be read of a damaged record, written into a new one. The damaged file is copied first and never touched."""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.checksum import COLUMN, checksum_of, with_checksum
from lidjig.record.engine import failing_as, newer, open_engine
from lidjig.record.holes import RESCUED
from lidjig.record.identity import UNKNOWN_COMMAND, UNKNOWN_UTC, derived_uid, machine_named, run_id
from lidjig.record.rescue_check import usable, vouched
from lidjig.record.rescue_file import open_copy
from lidjig.record.rescue_keys import Listed
from lidjig.record.rescue_read import Key, Reader
from lidjig.record.snapshot import check_file, folder_beside

CHUNK = 500
# Commands that keep no samples in blocks; a run of another one may have lost some.
_NO_BLOCKS = ("confirm", "isolate", "sense", "cycle", "sweep", "hold", "selftest")
_RECORDED = re.compile(r"recorded: (\d+) readings")
RECORDED_NOTE = "recorded: "  # begins the note of a run that says how many readings it kept
_FIRST = (schema.jobs, schema.runs, schema.attachments)  # what other rows point at
_REST = (
    schema.job_fields, schema.job_fields_elsewhere, *schema.RUN_TABLES, schema.blocks, schema.run_attachments,
    schema.job_attachments,
)  # fmt: skip


@dataclass(frozen=True)
class SavedTable:
    """Rows of a table: saved, and known to be missing. missing_is_all: False where more may be missing. vouched: how
    many of those saved prove by a checksum of their own that they are as they were written.
    """

    name: str
    saved: int
    missing: int
    missing_is_all: bool
    vouched: int = 0


@dataclass
class Rescued:
    """What was saved. runs: what is missing of each run, by its id. remarks: what was wrong with the file."""

    tables: list[SavedTable] = field(default_factory=list)
    runs: dict[str, list[str]] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """True where nothing is known to be missing."""
        return not self.remarks and not self.runs and all(not t.missing and t.missing_is_all for t in self.tables)


def rescue(broken: Path, new: Path) -> Rescued:
    """Save what can be read of `broken` into `new`, which must not be there yet.

    Raises BadInput for what is no record of lidjig or a newer one, or where `new` is there; StoreFailed where the new
    one cannot be written.
    """
    check_file(broken, "BROKEN.db")
    if new.exists():
        raise BadInput("", "NEW.db", str(new), "a file that is not there yet: nothing is overwritten")
    with folder_beside(new) as folder:
        with failing_as(str(broken), "copying"):
            reader, remarks = open_copy(broken, folder)
        try:
            _refuse_newer(reader, broken)
            engine, _ = open_engine(new, create=True)
            try:
                with failing_as(str(new), "writing what was saved"):
                    return _Rescue(reader, engine, remarks).all()
            finally:
                engine.dispose()
        finally:
            reader.close()


def _refuse_newer(reader: Reader, broken: Path) -> None:
    written = reader.version()
    if written is not None and written[0] > schema.SCHEMA_VERSION:
        raise newer("BROKEN.db", str(broken), *written)


class _Rescue:
    """One rescue under way: rows come from the reader, go into the new record, and are ticked off."""

    def __init__(self, reader: Reader, engine: sa.Engine, remarks: list[str]) -> None:
        self._reader, self._engine = reader, engine
        self._done = Rescued(remarks=remarks)
        self._has_all_tables = False
        self._jobs: set[int] = set()
        self._runs: set[int] = set()
        self._files: set[str] = set()
        self._given: set[int] | None = None  # the numbers that runs were given, where that is known
        self._vouched: Counter[str] = Counter()  # rows by table
        self._lost_runs: set[int] = set()
        self._told_missing: set[int] = set()  # runs of which it is known how many readings are missing
        self._doubtful: list[tuple[str, list[tuple[int | None, int | None]]]] = []  # tables, runs about their breaks
        self._last: dict[tuple[str, int], int] = {}  # table, run -> place of the last row saved
        self._missing: dict[int, list[tuple[str, int]]] = defaultdict(list)  # run -> (what, after which event)

    def all(self) -> Rescued:
        """Everything, what others point at first."""
        written = self._reader.version()
        self._has_all_tables = written is not None and written[0] >= schema.TABLES_SINCE
        for table in (*_FIRST, *_REST):
            # An older record need not have it. A record whose table of contents lost it misses all of it.
            if table.name in self._reader.tables:
                self._table(table)
            elif self._has_all_tables:
                self._done.tables.append(SavedTable(table.name, 0, 0, False))
                self._done.remarks.append(f"the file no longer says where the table {table.name} lies")
                if "run" in table.c:
                    self._doubtful.append((table.name, [(None, None)]))
        self._mark_doubtful()
        if self._reader.log_lost:
            self._mark_unended()
        self._mark_runs()
        return self._done

    def _table(self, table: sa.Table) -> None:
        saved: set[Key] = set()
        names = [column.name for column in table.primary_key]
        listed = self._listed(table)
        chunk: list[dict[str, Any]] = []
        for rowid, row in self._reader.rows(table):
            key = tuple(row.get(name) for name in names)
            if key in saved or not usable(table, row):
                continue
            if not vouched(table, row) and not listed.bears_out(rowid, key):
                continue
            if not self._points_right(table, row):
                continue
            listed.settle(rowid, key)
            self._vouched[table.name] += vouched(table, row)
            saved.add(key)
            chunk.append(row)
            if len(chunk) >= CHUNK:
                saved -= self._write(table, chunk, names)
                chunk = []
        saved -= self._write(table, chunk, names)
        if table is schema.jobs:
            self._jobs = {int(key[0]) for key in saved}
        elif table is schema.runs:
            self._runs = {int(key[0]) for key in saved}
            self._given = None if self._given is None else self._given | self._runs
        elif table is schema.attachments:
            self._files = {str(key[0]) for key in saved}
        self._account(table, saved, listed)

    def _listed(self, table: sa.Table) -> Listed:
        found, whole = self._reader.keys(table)
        if table is schema.runs:
            self._given = {int(number) for number in found} if whole else None
        return Listed(table, found, whole, self._given)

    def _points_right(self, table: sa.Table, row: dict[str, Any]) -> bool:
        """Whether what the row points at was saved too; a run whose own row is lost is begun anew."""
        if table is schema.runs:
            row["job"] = row["job"] if row["job"] in self._jobs else None
            row["uid"] = row.get("uid") or derived_uid(row)
            return True
        if "sha256" in row and table is not schema.attachments and row["sha256"] not in self._files:
            return False
        if "job" in row:
            return row["job"] in self._jobs
        if "run" in row and row["run"] not in self._runs:
            self._begin_lost(row)
        return True

    def _begin_lost(self, row: dict[str, Any]) -> None:
        number = int(row["run"])
        left = json.dumps([number, *(str(value) for value in row.values())], separators=(",", ":"))
        begun = {
            "number": number,
            "command": UNKNOWN_COMMAND,
            "arguments": "{}",
            "command_line": "[]",
            "host_version": "",
            "firmware_version": "",
            "board_id": "",
            "link_details": "{}",
            "started_utc": UNKNOWN_UTC,
            "uid": hashlib.sha256(left.encode()).hexdigest()[:32],
        }
        with self._engine.begin() as connection:
            connection.execute(sa.insert(schema.runs), begun)
        self._runs.add(number)
        self._lost_runs.add(number)

    def _write(self, table: sa.Table, rows: list[dict[str, Any]], names: list[str]) -> set[Key]:
        """Write rows; the keys of those that the new record does not take."""
        if not rows:
            return set()
        plain = [{**row, "resumes": None} for row in rows] if table is schema.runs else rows
        try:
            with self._engine.begin() as connection:
                connection.execute(sa.insert(table), plain)
                self._resume(connection, table, rows)
            return set()
        except IntegrityError:
            return self._write_singly(table, plain, names)

    def _write_singly(self, table: sa.Table, rows: list[dict[str, Any]], names: list[str]) -> set[Key]:
        refused = set()
        for row in rows:
            try:
                with self._engine.begin() as connection:
                    connection.execute(sa.insert(table), row)
            except IntegrityError:  # two rows that only one of can be true
                refused.add(tuple(row.get(name) for name in names))
        return refused

    def _resume(self, connection: sa.Connection, table: sa.Table, rows: Iterable[dict[str, Any]]) -> None:
        """Which run goes on with which, where both are there."""
        if table is not schema.runs:
            return
        runs = schema.runs
        there = {int(number) for number in connection.execute(sa.select(runs.c.number)).scalars()}
        for row in rows:
            if row["resumes"] in there:
                change = sa.update(runs).where(runs.c.number == row["number"])
                connection.execute(change.values(resumes=row["resumes"]))

    # What is missing.

    def _account(self, table: sa.Table, saved: set[Key], listed: Listed) -> None:
        names = [column.name for column in table.primary_key]
        were = self._numbered() if table is schema.runs else listed.keys()
        missing = (were | _up_to_the_last(table, saved)) - saved
        whole = listed.whole or not self._reader.rows_broke(table)
        vouched_for = min(self._vouched[table.name], len(saved))
        is_all = whole and not self._reader.log_lost
        self._done.tables.append(SavedTable(table.name, len(saved), len(missing), is_all, vouched_for))
        if "run" not in names:
            return
        if not whole:
            self._doubtful.append((table.name, self._reader.breaks[table.name]))
        for key in saved:
            row = dict(zip(names, key, strict=True))
            own = not isinstance(row.get("place"), int) or row["place"] <= schema.OPERATOR_PLACE
            if own:
                at = (table.name, row["run"])
                self._last[at] = max(self._last.get(at, 0), row.get("place") or 0)
        by_run: dict[tuple[int, str], list[int]] = defaultdict(list)
        for key in missing:
            row = dict(zip(names, key, strict=True))
            if isinstance(row["run"], int):
                place = row.get("place")
                by_run[row["run"], str(row.get("channel", ""))].append(place if isinstance(place, int) else 0)
        for (run, channel), places in sorted(by_run.items()):
            what = f"{table.name} of {channel}" if channel else table.name.replace("_", " ")
            after = min(places) - 1 if table is schema.events else 0
            which = _ranges(places) if "place" in names else f"({_rows(len(places))})"
            self._missing[run].append((f"{what} {which} could not be read", after))

    def _mark_doubtful(self) -> None:
        """A mark for each run that rows of unknown number may have been lost from: those about a break whose rows no
        index lists. A run that says itself that it holds none of them is left alone.
        """
        sampling = self._sampling()
        self._told_missing = self._mark_readings()
        for table, breaks in self._doubtful:
            for run in sorted(self._runs):
                near = any((a is None or a <= run) and (b is None or run <= b) for a, b in breaks)
                if not near or (table == schema.blocks.name and run not in sampling):
                    continue
                after = self._last.get((table, run), 0) if table == schema.events.name else 0
                behind = f" after {self._last[table, run]}" if self._last.get((table, run)) else ""
                if table == schema.blocks.name:
                    if run in self._told_missing:
                        continue
                    behind = ""
                name = table.replace("_", " ")
                text = f"{name}{behind}: unknown how many could not be read, perhaps none, perhaps more"
                self._missing[run].append((text, after))

    def _mark_unended(self) -> None:
        """A mark for each run without an end where a part of the log does not count: what it wrote last may be there.
        The log is one sequence: a run whose end is in the record has all that it wrote before.
        """
        runs = schema.runs.c
        with self._engine.connect() as connection:
            unended = connection.execute(sa.select(runs.number).where(runs.ended_utc.is_(None))).scalars().all()
        for run in unended:
            after = self._last.get((schema.events.name, run), 0)
            text = f"all that was written after event {after}: unknown how much, a part of the write-ahead log is lost"
            self._missing[run].append((text, after))

    def _mark_readings(self) -> set[int]:
        """A mark for each run that holds fewer readings than its own note says it recorded; those runs."""
        blocks, notes = schema.blocks, schema.notes
        with self._engine.connect() as connection:
            summed = sa.select(blocks.c.run, sa.func.sum(blocks.c.n)).group_by(blocks.c.run)
            saved = {int(run): int(n) for run, n in connection.execute(summed)}
            noted = sa.select(notes.c.run, notes.c.text).where(notes.c.text.startswith(RECORDED_NOTE))
            told = [(int(run), _RECORDED.match(text)) for run, text in connection.execute(noted)]
        out = set()
        for run, found in told:
            missing = int(found.group(1)) - saved.get(run, 0) if found else 0
            if found and missing > 0:
                text = f"blocks: {missing} of the {found.group(1)} readings that the run recorded could not be read"
                self._missing[run].append((text, 0))
                out.add(run)
        return out

    def _sampling(self) -> set[int]:
        """Runs whose samples may lie in blocks: commands that sample, or whose notes say so, or that are not known."""
        runs, notes = schema.runs, schema.notes
        with self._engine.connect() as connection:
            by_command = sa.select(runs.c.number).where(runs.c.command.not_in(_NO_BLOCKS))
            by_note = sa.select(notes.c.run).where(notes.c.text.startswith(RECORDED_NOTE))
            return {int(run) for query in (by_command, by_note) for run in connection.execute(query).scalars()}

    def _mark_runs(self) -> None:
        for number in self._lost_runs:
            self._missing[number].insert(0, ("command, versions, times and outcome of the run could not be read", 0))
        rows = []
        for number, texts in sorted(self._missing.items()):
            if number not in self._runs:
                self._done.runs[run_id(number)] = ["the whole run"]
                continue
            self._done.runs[run_id(number)] = [text for text, _ in texts]
            rows += [
                {"run": number, "kind": RESCUED, "text": text, "t_us": None, "after_event": after}
                for text, after in texts
            ]
        gaps = schema.gaps
        with self._engine.begin() as connection:
            self._set_machines(connection)
            highest = sa.select(sa.func.max(gaps.c.place)).where(gaps.c.run == sa.bindparam("of_run"))
            for row in rows:
                last = int(connection.execute(highest, {"of_run": row["run"]}).scalar() or 0)
                placed = {**row, "place": max(last, schema.OPERATOR_PLACE) + 1}
                connection.execute(sa.insert(gaps), with_checksum(gaps, placed))
            self._sum_runs(connection)
        for (lost,) in sorted(self._numbered()):
            if lost not in self._runs:
                self._done.runs.setdefault(run_id(lost), ["the whole run"])

    def _set_machines(self, connection: sa.Connection) -> None:
        """The machine of runs that were begun before the record kept it by itself."""
        runs, texts = schema.runs, schema.texts
        query = (
            sa.select(runs.c.number, texts.c.text)
            .join(texts, texts.c.run == runs.c.number)
            .where(runs.c.machine.is_(None), texts.c.kind == "machine")
        )
        for number, text in connection.execute(query).all():
            connection.execute(sa.update(runs).where(runs.c.number == number).values(machine=machine_named(text)))

    def _sum_runs(self, connection: sa.Connection) -> None:
        """Runs whose own row had a checksum have one of what is left in it: job and run before may be lost."""
        runs = schema.runs
        for row in connection.execute(sa.select(runs).where(runs.c.checksum.is_not(None))).mappings().all():
            change = sa.update(runs).where(runs.c.number == row["number"])
            connection.execute(change.values({COLUMN: checksum_of(runs, row)}))

    def _numbered(self) -> set[Key]:
        """The numbers that runs were given. One for which the index has the uid of a run that is there under another
        number is damage.
        """
        with self._engine.connect() as connection:
            query = sa.select(schema.runs.c.uid, schema.runs.c.number)
            uids = {str(row.uid): int(row.number) for row in connection.execute(query)}
        listed, _ = self._reader.keys(schema.runs)
        known = self._reader.uids()
        return {key for number, key in listed.items() if uids.get(known.get(number, ""), number) == number}


def _up_to_the_last(table: sa.Table, saved: set[Key]) -> set[Key]:
    """Keys that must have been there: places are given from 1 without holes, in each run and channel."""
    if "place" not in table.c:
        return set()
    highest: dict[Key, int] = {}
    for *before, place in saved:
        if place <= schema.OPERATOR_PLACE or table not in (schema.notes, schema.gaps):
            highest[tuple(before)] = max(highest.get(tuple(before), 0), place)
    return {(*before, place) for before, last in highest.items() for place in range(1, last + 1)}


def _ranges(places: list[int]) -> str:
    """ "3, 5 to 9 (6 rows)"."""
    ordered = sorted(places)
    parts: list[list[int]] = []
    for place in ordered:
        if parts and place == parts[-1][1] + 1:
            parts[-1][1] = place
        else:
            parts.append([place, place])
    shown = ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in parts[:8])
    more = f" and {len(parts) - 8} more stretches" if len(parts) > 8 else ""
    return f"{shown}{more} ({_rows(len(ordered))})"


def _rows(n: int) -> str:
    return f"{n} row{'s' if n != 1 else ''}"
