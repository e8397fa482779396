"""Reading a damaged SQLite file row by row: round bad pages, past the end of a cut file, without its indexes.

All of it works on a copy; see rescue.py.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import sqlite3
import zlib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import sqlalchemy as sa

from lidjig.record import schema
from lidjig.record.stored import event_of, finding_of, measured_of

# Columns whose text is JSON: a run with one that does not parse would not open.
_JSON = {"arguments", "command_line", "link_details", "evidence", "shape", "result"}
_MADE = {schema.events: event_of, schema.findings: finding_of, schema.measurements: measured_of}
Key = tuple[Any, ...]


class Reader:
    """A damaged record that is open. Raises sqlite3.DatabaseError where not even its table of contents is there.

    breaks: table name -> (run of the last row before what could not be read, run of the first row after it); None where
    there is none. A table whose rows belong to no run has None twice.
    """

    def __init__(self, path: Path) -> None:
        self.breaks: dict[str, list[tuple[int | None, int | None]]] = defaultdict(list)
        # Rowids are given from 1 on, and a row takes more than a byte: what is beyond this is no rowid but damage. So
        # is a table with more rows, where damaged pages point at each other in a circle.
        self._rowid_max = path.stat().st_size
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.text_factory = _text
        # What a damaged table of contents says of other tables does not keep us from reading this one.
        self._db.execute("PRAGMA writable_schema = ON")
        names = self._db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        self.tables = {str(name) for (name,) in names}

    def close(self) -> None:
        self._db.close()

    def columns(self, table: sa.Table) -> list[str]:
        """Columns of ours that the file has in this table."""
        present = {str(row[1]) for row in self._db.execute(f"PRAGMA table_info({table.name})")}
        return [column.name for column in table.columns if column.name in present]

    def rows_broke(self, table: sa.Table) -> bool:
        """Whether reading the rows of a table met something that could not be read."""
        return table.name in self.breaks

    def version(self) -> tuple[int, str] | None:
        """(schema version, lidjig that wrote it), None where that cannot be read."""
        with contextlib.suppress(sqlite3.Error, TypeError, ValueError):
            row = self._db.execute("SELECT version, written_by FROM lidjig_schema").fetchone()
            if row is not None:
                return int(row[0]), str(row[1])
        return None

    def rows(self, table: sa.Table) -> Iterator[dict[str, Any]]:
        """Every row that can be read, by rowid."""
        names = self.columns(table)
        if not names:
            return
        listed = ", ".join(f'"{name}"' for name in names)
        query = f"SELECT rowid, {listed} FROM {table.name} NOT INDEXED WHERE rowid > ? ORDER BY rowid"
        last: int | None = -1
        run: int | None = None
        broken = False
        while last is not None:
            try:
                for row in itertools.islice(self._db.execute(query, (last,)), self._rowid_max):
                    if last < int(row[0]) <= self._rowid_max:  # never back: a damaged page may say anything
                        last = int(row[0])
                    found = dict(zip(names, row[1:], strict=True))
                    now = found.get("run")
                    if broken:
                        self.breaks[table.name].append((run, now if isinstance(now, int) else None))
                    run, broken = now if isinstance(now, int) else run, False
                    yield found
                break
            except (sqlite3.Error, OverflowError):
                assert last is not None
                broken = True
                last = self._next_readable(table.name, last)
        if broken:
            self.breaks[table.name].append((run, None))

    def _next_readable(self, table: str, last: int) -> int | None:
        """From where on reading goes on after an error behind row `last`: the row itself is left out. None: nowhere.

        A page that cannot be read covers rows in a row, so the first row beyond it is found by doubling the step and
        halving it again.
        """
        found = self._after(table, last)
        if found is not None:  # the row is there, its content is not
            return found[0] if found else None
        good = 1
        while (found := self._after(table, last + good)) is None:
            good *= 2
            if last + good > self._rowid_max:
                return None
        bad = good // 2
        while good - bad > 1:
            middle = (good + bad) // 2
            if self._after(table, last + middle) is None:
                bad = middle
            else:
                good = middle
        return last + good

    def _after(self, table: str, rowid: int) -> tuple[int] | tuple[()] | None:
        """The first row beyond rowid, () where there is none, None where that cannot be read."""
        query = f"SELECT rowid FROM {table} NOT INDEXED WHERE rowid > ? ORDER BY rowid LIMIT 1"
        try:
            row = self._db.execute(query, (rowid,)).fetchone()
        except sqlite3.Error:
            return None
        if row is None:
            return ()
        # A damaged page above leads anywhere; where it leads back, there is no way on.
        return (int(row[0]),) if rowid < int(row[0]) <= self._rowid_max else None

    def keys(self, table: sa.Table) -> tuple[set[Key], bool]:
        """(primary keys that the table's index lists, whether all of it could be read). The index lies on other pages
        than the rows, and so knows of rows that are lost.
        """
        names = [column.name for column in table.primary_key]
        if len(names) == 1 and isinstance(table.c[names[0]].type, sa.Integer):
            return self._numbers(table, names[0])
        listed = ", ".join(f'"{name}"' for name in names)
        found: set[Key] = set()
        whole = True
        for order in ("ASC", "DESC"):
            ordered = ", ".join(f'"{name}" {order}' for name in names)
            query = f"SELECT {listed} FROM {table.name} INDEXED BY sqlite_autoindex_{table.name}_1 ORDER BY {ordered}"
            try:
                for row in self._db.execute(query):
                    found.add(tuple(row))
                break
            except (sqlite3.Error, OverflowError):
                whole = False
        return found, whole

    def _numbers(self, table: sa.Table, name: str) -> tuple[set[Key], bool]:
        """Numbers that were given: none is ever taken back, so that every one up to the highest was."""
        with contextlib.suppress(sqlite3.Error, TypeError, ValueError):
            query = "SELECT seq FROM sqlite_sequence WHERE name = ?"
            row = self._db.execute(query, (table.name,)).fetchone() if table is schema.runs else None
            if row is None:
                row = self._db.execute(f"SELECT max({name}) FROM {table.name}").fetchone()
            return {(number,) for number in range(1, int(row[0] or 0) + 1)}, True
        return set(), False


def _text(raw: bytes) -> object:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw  # bytes where text belongs: the row is found unusable


def usable(table: sa.Table, row: dict[str, Any]) -> bool:
    """Whether a row is one that lidjig can have written: types, what must be there, and content that proves itself."""
    for column in table.columns:
        value = row.get(column.name)
        if value is None:
            if not column.nullable and not (column.primary_key and column.name not in row):
                return False
        elif not _fits(column, value):
            return False
    try:
        return _proves_itself(table, row)
    except (ValueError, zlib.error, TypeError):
        return False


def _fits(column: sa.Column[Any], value: object) -> bool:
    if isinstance(column.type, sa.LargeBinary):
        return isinstance(value, bytes)
    if isinstance(column.type, sa.String):
        return isinstance(value, str)
    if isinstance(column.type, sa.Integer):
        return isinstance(value, int)
    return isinstance(value, (int, float))


def _proves_itself(table: sa.Table, row: dict[str, Any]) -> bool:
    """False, ValueError or zlib.error for content that is not what it says it is."""
    for name in _JSON.intersection(row):
        if row[name] is not None:
            json.loads(row[name])
    if table in _MADE:
        _MADE[table](SimpleNamespace(**row))
    if table is schema.steps:
        return isinstance(json.loads(row["arguments"]), dict)
    if table is schema.runs:
        kinds = (("arguments", dict), ("link_details", dict), ("command_line", list))
        return all(isinstance(json.loads(row[name]), kind) for name, kind in kinds)
    if table is schema.blocks:
        from lidjig.record.blocks import unpack_data, unpack_marks

        unpack_data(row["data"], row["n"])
        return bool(unpack_marks(row["marks"]).n.sum() == row["n"])
    if table is schema.attachments:
        return bool(hashlib.sha256(row["data"]).hexdigest() == row["sha256"])
    return True
