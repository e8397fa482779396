"""The copy of a damaged file, made such that SQLite opens it."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import struct
from pathlib import Path

from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateTable

from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.checksum import COLUMN
from lidjig.record.engine import MAGIC
from lidjig.record.rescue_read import Reader
from lidjig.record.snapshot import copy_files
from lidjig.record.write_ahead import kept_logs, log_frames, log_of

# SQLite, "Database File Format", section 1.3: the header's first 16 bytes, page size (2 bytes from 16), number of
# pages (4 bytes from 28), first free page and number of free pages (4 bytes each from 32).
# Section 1.6: first byte of a page, of a table (leaf, interior) or an index.
_PAGE_TYPES = {"table": (13, 5), "index": (10, 2)}


def open_copy(broken: Path, folder: Path) -> tuple[Reader, list[str]]:
    """A reader of a copy of the damaged record, and what had to be done for it, in words.

    Raises BadInput where nothing says that the file ever was a record of lidjig.
    """
    remarks = []
    copy = folder / "broken.db"
    copy_files(broken, copy)
    frames, good = log_frames(log_of(copy))
    if good < frames:
        remarks.append(f"the write-ahead log is damaged: {good} of its {frames} pages count, later ones do not")
    for log in kept_logs(broken):
        frames, good = log_frames(log)
        found = f"a damaged write-ahead log was found before and kept as {log.name}"
        remarks.append(f"{found}: {good} of its {frames} pages count")
    log_lost = bool(remarks)
    remarks += _fill_up(copy)
    for way in (_as_it_is, _without_log, _with_new_contents, _with_contents_of_4):
        try:
            said = way(copy, folder)
            reader = Reader(copy)
        except (sqlite3.Error, OSError, ValueError):
            continue
        if "runs" in reader.tables:
            reader.log_lost = log_lost or way is _without_log
            return reader, remarks + said
        foreign = reader.tables and way is _as_it_is
        reader.close()
        if foreign:
            accepted = "a record written by lidjig; this is another program's database"
            raise BadInput("", "BROKEN.db", str(broken), accepted)
    raise BadInput("", "BROKEN.db", str(broken), "a record of lidjig; nothing in this file can be read as one")


def _as_it_is(_copy: Path, _folder: Path) -> list[str]:
    return []


def _without_log(copy: Path, _folder: Path) -> list[str]:
    log_of(copy).unlink()  # OSError where there is none: then this way is the same as the one before
    return ["the write-ahead log had to be left out: what was written last is missing"]


def _with_new_contents(copy: Path, folder: Path) -> list[str]:
    """Where the table of contents is destroyed: that of a new record. lidjig makes a record's tables in one order, so
    that they begin on the same pages, unless the record was brought up from an older version. Rows that do not fit
    are found unusable one by one. Raises ValueError where the pages say themselves that they are others.
    """
    return _with_contents(copy, folder / "fresh.db", schema.SCHEMA_VERSION)


def _with_contents_of_4(copy: Path, folder: Path) -> list[str]:
    """The same for a record that began without checksums: its table of contents was shorter."""
    return _with_contents(copy, folder / "fresh_4.db", 4)


def _with_contents(copy: Path, fresh: Path, version: int) -> list[str]:
    make_empty(fresh, version)
    with contextlib.closing(sqlite3.connect(fresh)) as plain:
        query = "SELECT rootpage, type FROM sqlite_master WHERE rootpage > 0"
        roots = {int(page): str(kind) for page, kind in plain.execute(query)}
    whole, template = bytearray(copy.read_bytes()), fresh.read_bytes()
    size = struct.unpack_from(">H", template, 16)[0]
    _check_roots(whole, roots, size)
    whole += bytes(max(0, len(template) - len(whole)))
    for number in range(1, len(template) // size + 1):
        if number not in roots:  # the first page, and those that the table of contents needs beside it
            whole[(number - 1) * size : number * size] = template[(number - 1) * size : number * size]
    struct.pack_into(">I", whole, 28, len(whole) // size)
    struct.pack_into(">II", whole, 32, 0, 0)
    copy.write_bytes(whole)
    return ["the file's table of contents was destroyed; rows were found by where lidjig begins its tables"]


def make_empty(path: Path, version: int) -> None:
    """A record without rows as lidjig made it with schema `version`, 4 or later."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("PRAGMA journal_mode = WAL")
        for table in dict.fromkeys((schema.schema, *schema.metadata.sorted_tables)):
            made = str(CreateTable(table).compile(dialect=sqlite.dialect()))
            if version < schema.CHECKSUMS_SINCE:
                made = re.sub(rf"\t{COLUMN} BIGINT, \n", "", made)
            plain.execute(made)


def _check_roots(whole: bytearray, roots: dict[int, str], size: int) -> None:
    """Raises ValueError where the pages on which the tables of a new record begin are others, or no such pages."""
    good = 0
    for number, kind in roots.items():
        first = whole[(number - 1) * size] if (number - 1) * size < len(whole) else 0
        if first in _PAGE_TYPES["index" if kind == "table" else "table"]:
            raise ValueError(f"page {number} is not the first of a {kind}: this record began as an older one")
        good += first in _PAGE_TYPES[kind]
    if 2 * good < len(roots):
        raise ValueError(f"{good} of {len(roots)} tables and indexes begin where they should")


def _fill_up(copy: Path) -> list[str]:
    """Give a cut file its length back, so that SQLite opens it: what is missing reads as damaged pages."""
    with copy.open("r+b") as file:
        head = file.read(100)
        there = file.seek(0, 2)
        if len(head) < 100 or not head.startswith(MAGIC):
            return []
        size = struct.unpack_from(">H", head, 16)[0]
        size = 65536 if size == 1 else size
        if size < 512 or size & (size - 1):
            return []
        whole = max(struct.unpack_from(">I", head, 28)[0], -(-there // size)) * size
        if whole <= there or whole > 64 * 2**30:
            return []
        file.truncate(whole)
    return [f"the file is cut: {there} of {whole} bytes are there"]
