"""A record that cannot be written to: on a read-only medium, or in a folder of somebody else's. It can be looked at."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from lidjig.errors import StoreFailed
from lidjig.record.write_ahead import log_of


class StoreReadOnly(StoreFailed):
    """The record lies where nothing can be written, and what was asked for has to write there."""

    @property
    def next_step(self) -> str:
        return (
            "Copy the file, with the -wal file of its name where there is one, into a folder that you can write to, "
            "and name the copy with --store."
        )


def can_write(path: Path) -> bool:
    """Whether a file or folder may be written to, by rights and by the medium."""
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def is_read_only(path: Path) -> bool:
    """Whether a record that is there cannot be opened for writing: SQLite makes its log in the same folder."""
    return path.is_file() and not (can_write(path) and can_write(path.parent))


def connect(path: Path, timeout_s: float) -> sqlite3.Connection:
    """Open it for reading. Without a log nobody is writing to it, and SQLite need make no file beside it (SQLite,
    "Uniform Resource Identifiers", mode and immutable).
    """
    log = log_of(path)
    idle = not log.exists() or log.stat().st_size == 0
    address = f"file:{quote(str(path.absolute()))}?mode=ro" + ("&immutable=1" if idle else "")
    return sqlite3.connect(address, uri=True, timeout=timeout_s, check_same_thread=False)
