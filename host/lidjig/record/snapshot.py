"""A copy of another record, made without writing to it or leaving anything beside it."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from lidjig.errors import BadInput, StoreFailed
from lidjig.record.engine import failing_as
from lidjig.record.write_ahead import log_of


def check_file(path: Path, key: str) -> None:
    """Raises BadInput where there is no file to read."""
    try:
        if not path.is_file():
            what = "this is a folder" if path.is_dir() else "there is none of that name"
            raise BadInput("", key, str(path), f"the file of a record; {what}")
        with path.open("rb"):
            pass
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise BadInput("", key, str(path), f"the file of a record that can be read ({why})") from error


@contextlib.contextmanager
def folder_beside(near: Path | None) -> Iterator[Path]:
    """A folder for copies that is gone afterwards: beside `near`, where there is room for a record anyway, else where
    the system has its temporary files.
    """
    parent = None if near is None or not near.parent.is_dir() else near.parent
    try:
        made = tempfile.mkdtemp(prefix="lidjig-copy-", dir=parent)
    except OSError as error:
        raise StoreFailed(str(near or ""), "making a folder for a copy", str(error)) from error
    try:
        yield Path(made)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def copy_whole(path: Path, folder: Path) -> Path:
    """A consistent copy of a record that may be written to at this moment. Raises BadInput, StoreFailed."""
    target = folder / "other.db"
    with failing_as(str(path), "copying", "OTHER.db"):
        try:
            _back_up(path, target)
        except sqlite3.OperationalError:
            # Its folder cannot be written to, so that SQLite cannot make the index of its log there.
            copy_files(path, target)
    return target


def _back_up(path: Path, target: Path) -> None:
    log = log_of(path)
    # Whoever has the record open keeps a log; without one SQLite need not make any file beside it to read it.
    idle = not log.exists() or log.stat().st_size == 0
    address = f"file:{quote(str(path.absolute()))}?mode=ro" + ("&immutable=1" if idle else "")
    with contextlib.closing(sqlite3.connect(address, uri=True)) as source:
        with contextlib.closing(sqlite3.connect(target)) as copy:
            source.backup(copy)


def copy_files(path: Path, target: Path) -> None:
    """The file and its log, byte by byte, under the name `target`. Raises OSError."""
    shutil.copyfile(path, target)
    log = log_of(path)
    if log.exists():
        shutil.copyfile(log, log_of(target))
