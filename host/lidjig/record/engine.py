"""Opening the database: where it is, how hard it writes, and which schema it holds."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import platformdirs
import sqlalchemy as sa
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import StaticPool
from sqlalchemy.schema import CreateTable

import lidjig
from lidjig.errors import BadInput, StoreDamaged, StoreFailed
from lidjig.record import migrate, schema
from lidjig.record.read_only import StoreReadOnly, connect, is_read_only
from lidjig.record.write_ahead import keep_if_damaged

# Another bench on the same file holds it for milliseconds; whoever holds it this long hangs.
BUSY_TIMEOUT_MS = 10000
MAGIC = b"SQLite format 3\x00"
_MADE_BY = "A test makes the record: 'lidjig confirm' on your jig, 'lidjig demo' without hardware. Is its name right?"
_IF_IT_WAS = "(if it was one, try: lidjig rescue FILE NEW.db)"


def default_path() -> Path:
    """Where the record is when nobody says otherwise."""
    return Path(platformdirs.user_data_dir("lidjig", appauthor=False)) / "lidjig.db"


def to_url(url_or_path: str | Path | None) -> str:
    """A database URL from a URL, a path, or nothing (the default place)."""
    if url_or_path is None:
        url_or_path = default_path()
    text = str(url_or_path)
    if isinstance(url_or_path, str) and "://" in text:
        return text
    if not text.strip():
        raise BadInput("", "--store", text, "a path or a database URL")
    return sa.URL.create("sqlite", database=str(Path(text).expanduser().absolute())).render_as_string()


def shown(url: str) -> str:
    """The store as a person knows it: a path for SQLite, else the URL without its password."""
    parsed = sa.make_url(url)
    if parsed.get_backend_name() == "sqlite":
        return parsed.database or "(in memory)"
    return parsed.render_as_string(hide_password=True)


def open_engine(
    url_or_path: str | Path | None, create: bool, known_as: str | None = None, key: str = "--store"
) -> tuple[sa.Engine, str]:
    """(engine with the schema in place, its URL). Raises BadInput for what is no record, StoreFailed for what
    fails.

    create: False refuses a file that is not there yet. known_as: what errors call it, where it is a copy.
    key: the argument that named it.
    """
    url = to_url(url_or_path)
    try:
        parsed = sa.make_url(url)
    except ArgumentError as error:
        raise BadInput("", "--store", str(url_or_path), "a path or a database URL") from error
    is_sqlite = parsed.get_backend_name() == "sqlite"
    if is_sqlite and parsed.database not in (None, "", ":memory:"):
        _prepare_file(Path(str(parsed.database)), create)
        _check_length(Path(str(parsed.database)), known_as or shown(url))
        if known_as is None:
            keep_if_damaged(Path(str(parsed.database)))
    called = known_as or shown(url)
    read_only = is_sqlite and parsed.database not in (None, "", ":memory:") and is_read_only(Path(str(parsed.database)))
    if read_only and create:
        raise StoreReadOnly(called, "opening", "it is read-only")
    engine = _reading_engine(parsed) if read_only else _engine(parsed, is_sqlite)
    try:
        with failing_as(called, "opening", key, read_only=read_only):
            _bring_up(engine, called, is_sqlite, create, key)
    except BaseException:
        engine.dispose()
        raise
    return engine, url


def _prepare_file(path: Path, create: bool) -> None:
    try:
        if path.is_dir():
            raise BadInput("", "--store", str(path), "a file, not a folder")
        if not path.exists():
            if not create:
                raise BadInput("", "--store", str(path), "an existing record; this file does not exist", _MADE_BY)
            path.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise StoreFailed(str(path), "creating its folder", str(error)) from error


def _check_length(path: Path, store: str) -> None:
    """Raises StoreDamaged for a file that ends within a page: SQLite reads zeros there and says nothing.

    Pages are written whole, but another process may be at it: so a look is taken twice. That whole pages are missing
    SQLite sees by itself (SQLite, "Database File Format", section 1.3: page size in 2 bytes from 16, 1 for 65536).
    """
    for left in (1, 0):
        try:
            with path.open("rb") as file:
                head, there = file.read(18), file.seek(0, 2)
        except OSError:
            return  # not there yet, or not to be read: whoever opens it says so
        if not there or len(head) < 18 or not head.startswith(MAGIC):
            return
        size = int.from_bytes(head[16:18])
        size = 65536 if size == 1 else size
        if size < 512 or there % size == 0:
            return
        if left:
            time.sleep(0.05)
    raise StoreDamaged(store, "opening", f"the file is cut: it ends {there % size} bytes into a page of {size}")


def _engine(url: sa.URL, is_sqlite: bool) -> sa.Engine:
    options: dict[str, Any] = {}
    if is_sqlite and url.database in (None, "", ":memory:"):
        options["poolclass"] = StaticPool  # every connection would be a database of its own
    if is_sqlite:
        options["connect_args"] = {"timeout": BUSY_TIMEOUT_MS / 1000.0}
    try:
        engine = sa.create_engine(url, **options)
    except (NoSuchModuleError, ModuleNotFoundError, ArgumentError) as error:
        accepted = f"a path, or the URL of a database whose Python driver is installed ({error})"
        raise BadInput("", "--store", url.render_as_string(hide_password=True), accepted) from error
    if is_sqlite:
        sa.event.listen(engine, "connect", _pragmas)
    return engine


def _reading_engine(url: sa.URL) -> sa.Engine:
    """For a file that cannot be written to: whatever tries gets an error."""
    path = Path(str(url.database))
    engine = sa.create_engine(url, creator=lambda: connect(path, BUSY_TIMEOUT_MS / 1000.0))
    sa.event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA foreign_keys = ON"))
    return engine


def _pragmas(connection: Any, _record: object) -> None:
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    _to_wal(cursor)
    # FULL: a commit has reached the disk when it returns. NORMAL would keep it in the log until the next
    # checkpoint, and a power cut could then take back an event that the board has already forgotten.
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA fullfsync = ON")  # macOS: fsync alone leaves the data in the drive's cache
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _to_wal(cursor: Any) -> None:
    """Switch to the write-ahead log, once for the life of the file.

    The switch needs the file alone, and SQLite does not wait for that as it waits for a write: so it is tried
    again.
    """
    end = time.monotonic() + BUSY_TIMEOUT_MS / 1000.0
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(0.02)


def _bring_up(engine: sa.Engine, store: str, is_sqlite: bool, create: bool, key: str = "--store") -> None:
    """Create what is missing and check the version. Two processes may do so at once."""
    present = set(sa.inspect(engine).get_table_names())
    if not present and not create:
        raise BadInput("", key, store, "an existing record; this one is empty", _MADE_BY if key == "--store" else "")
    if present and schema.schema.name not in present and is_sqlite:
        raise BadInput("", key, store, "a record written by lidjig; this is another program's database")
    written = _version(engine) if schema.schema.name in present else None
    if written is None:
        _create(engine)
        written = _version(engine)
    if written is None:
        raise StoreFailed(store, "opening", "its schema version could not be written")
    version, by = written
    if version > schema.SCHEMA_VERSION:
        raise newer(key, store, version, by)
    if version < schema.SCHEMA_VERSION:
        migrate.update(engine)


def newer(key: str, store: str, version: int, by: str) -> BadInput:
    """The error for a record of a schema version that came after this program."""
    accepted = (
        f"a record of schema {schema.SCHEMA_VERSION} or older; this one has schema {version}, written by lidjig {by}. "
        f"This is lidjig {lidjig.__version__}: update lidjig, or name another record"
    )
    return BadInput("", key, store, accepted)


def _version(engine: sa.Engine) -> tuple[int, str] | None:
    """(schema version, lidjig that wrote it); None while the record is still being set up."""
    query = sa.select(schema.schema.c.version, schema.schema.c.written_by)
    with engine.connect() as connection:
        row = connection.execute(query).first()
    return None if row is None else (int(row.version), str(row.written_by))


def _create(engine: sa.Engine) -> None:
    # The version's table comes first and its row last: whoever opens the file in between sees a record of
    # lidjig that is not finished, and finishes it.
    with engine.begin() as connection:
        for table in (schema.schema, *schema.metadata.sorted_tables):
            connection.execute(CreateTable(table, if_not_exists=True))
    row = {"id": 1, "version": schema.SCHEMA_VERSION, "written_by": lidjig.__version__}
    try:
        with engine.begin() as connection:
            connection.execute(sa.insert(schema.schema), row)
    except IntegrityError:
        pass  # another process came first; its version is checked like any other


@contextlib.contextmanager
def failing_as(store: str, doing: str, key: str = "--store", *, read_only: bool = False) -> Iterator[None]:
    """Database errors inside become StoreFailed, or BadInput where the file is no database at all. key: the argument
    that named it. read_only: it is known that it cannot be written to.
    """
    try:
        yield
    except DBAPIError as error:
        raise _as_lidjig(store, doing, error.orig or error, key, read_only) from error
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise _as_lidjig(store, doing, error, key, read_only) from error
    except OverflowError as error:  # a number from the wire that no database column holds
        raise StoreFailed(store, doing, f"a number is too large to be stored ({error})") from error


def _as_lidjig(
    store: str, doing: str, error: BaseException, key: str, read_only: bool = False
) -> BadInput | StoreFailed:
    code = getattr(error, "sqlite_errorcode", None) or 0
    # A log that is left can be read only with an index of it beside it, which SQLite cannot make there.
    if code & 0xFF == sqlite3.SQLITE_READONLY or (read_only and code & 0xFF == sqlite3.SQLITE_CANTOPEN):
        return StoreReadOnly(store, doing, f"it is read-only ({error})")
    if code == sqlite3.SQLITE_NOTADB:
        return BadInput("", key, store, f"a record written by lidjig; this file is no database {_IF_IT_WAS}")
    # Python's own words for a text that is no UTF-8, which lidjig never writes; they carry no code of SQLite.
    garbled = isinstance(error, UnicodeDecodeError) or str(error).startswith("Could not decode to UTF-8")
    if code & 0xFF == sqlite3.SQLITE_CORRUPT or garbled:
        return StoreDamaged(store, doing, str(error))
    return StoreFailed(store, doing, str(error))
