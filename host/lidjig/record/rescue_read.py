"""Reading a damaged SQLite file row by row: round bad pages, past the end of a cut file, without its indexes.

All of it works on a copy; see rescue.py.
"""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from lidjig.record import schema
from lidjig.record.rescue_leaves import rows_of_leaves

Key = tuple[Any, ...]


class Reader:
    """A damaged record that is open. Raises sqlite3.DatabaseError where not even its table of contents is there.

    breaks: table name -> (run of the last row before what could not be read, run of the first row after it); None where
    there is none. A table whose rows belong to no run has None twice. log_lost: what was written last is not there.
    """

    def __init__(self, path: Path) -> None:
        self.breaks: dict[str, list[tuple[int | None, int | None]]] = defaultdict(list)
        self.log_lost = False
        # Rowids are given from 1 on, and a row takes more than a byte: what is beyond this is no rowid but damage. So
        # is a table with more rows, where damaged pages point at each other in a circle.
        self._rowid_max = path.stat().st_size
        self._path = path
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

    def rows(self, table: sa.Table) -> Iterator[tuple[int, dict[str, Any]]]:
        """Every row that can be read, with its rowid, in order of these; then, where something could not be read, those
        of leaf pages by themselves, which may have come before."""
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
                    yield int(row[0]), found
                break
            except (sqlite3.Error, OverflowError):
                assert last is not None
                broken = True
                last = self._next_readable(table.name, last)
        if broken:
            self.breaks[table.name].append((run, None))
        if table.name in self.breaks:
            yield from self._of_leaves(table)

    def _of_leaves(self, table: sa.Table) -> Iterator[tuple[int, dict[str, Any]]]:
        """The same, and more, where pages above those of the rows are lost: without the tree, and not in order."""
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()  # what counts of the log, into the copy
        present = [str(row[1]) for row in self._db.execute(f"PRAGMA table_info({table.name})")]
        yield from rows_of_leaves(self._path, table, present)

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

    def keys(self, table: sa.Table) -> tuple[dict[int, Key], bool]:
        """(rowid -> primary key as the table's index lists it, whether all of it could be read). The index lies on
        other pages than the rows, and so knows of rows that are lost, and of rows whose key is no longer what it was.
        """
        names = [column.name for column in table.primary_key]
        if len(names) == 1 and isinstance(table.c[names[0]].type, sa.Integer):
            return self._numbers(table, names[0])
        found, whole = self._listed(table, f"sqlite_autoindex_{table.name}_1", names)
        return {rowid: key for rowid, key in found.items() if all(value is not None for value in key)}, whole

    def uids(self) -> dict[int, str]:
        """Number -> uid of the runs that the index of uids lists; empty where it could not be read whole."""
        for index in ("sqlite_autoindex_runs_1", "runs_uid"):  # the second where an older record was updated
            found, whole = self._listed(schema.runs, index, ["uid"])
            if whole and found:
                return {number: str(uid) for number, (uid,) in found.items()}
        return {}

    def _listed(self, table: sa.Table, index: str, names: list[str]) -> tuple[dict[int, Key], bool]:
        """(rowid -> what an index lists of these columns, whether all of it could be read)."""
        listed = ", ".join(f'"{name}"' for name in names)
        found: dict[int, Key] = {}
        whole = True
        for order in ("ASC", "DESC"):
            ordered = ", ".join(f'"{name}" {order}' for name in names)
            query = f"SELECT rowid, {listed} FROM {table.name} INDEXED BY {index} ORDER BY {ordered}"
            try:
                for rowid, *key in self._db.execute(query):
                    found[int(rowid)] = tuple(key)
                break
            except (sqlite3.Error, OverflowError, TypeError, ValueError):
                whole = False
        return found, whole

    def _numbers(self, table: sa.Table, name: str) -> tuple[dict[int, Key], bool]:
        """Numbers that were given. None is ever taken back, so that every one up to the highest was; of runs the index
        of their uids says which, and is asked first: a highest number may be damage like any other.
        """
        uids = self.uids() if table is schema.runs else {}
        if uids:
            return {number: (number,) for number in uids}, True
        with contextlib.suppress(sqlite3.Error, TypeError, ValueError):
            query = "SELECT seq FROM sqlite_sequence WHERE name = ?"
            row = self._db.execute(query, (table.name,)).fetchone() if table is schema.runs else None
            if row is None:
                row = self._db.execute(f"SELECT max({name}) FROM {table.name}").fetchone()
            last = int(row[0] or 0)
            if last <= self._rowid_max:
                return {number: (number,) for number in range(1, last + 1)}, True
        return {}, False


def _text(raw: bytes) -> object:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw  # bytes where text belongs: the row is found unusable
