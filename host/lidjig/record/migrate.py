"""Bringing an older record up to date: one step a version, all of them in one transaction.

What is broken off in the middle leaves the record as it was; of two programs that open it at once, the second waits
and finds nothing left to do.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

import sqlalchemy as sa
from sqlalchemy.schema import CreateColumn, CreateTable

import lidjig
from lidjig.record import schema
from lidjig.record.identity import UNCHANGING, derived_uid, machine_named


def update(engine: sa.Engine) -> None:
    """Take the steps from the version of the record to schema.SCHEMA_VERSION."""
    with _alone(engine) as connection:
        query = sa.select(schema.schema.c.version)
        if connection.dialect.name != "sqlite":
            query = query.with_for_update()
        version = int(connection.execute(query).scalar_one())
        while version < schema.SCHEMA_VERSION:
            STEPS[version](connection)
            version += 1
            change = sa.update(schema.schema).values(version=version, written_by=lidjig.__version__)
            connection.execute(change)


@contextlib.contextmanager
def _alone(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that nobody else writes beside, tables that are made or changed in it included."""
    if engine.dialect.name != "sqlite":
        with engine.begin() as connection:
            yield connection
        return
    # sqlite3 opens no transaction by itself before a table is made or changed: so it is told to, at once for writing.
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            connection.exec_driver_sql("ROLLBACK")
            raise
        connection.exec_driver_sql("COMMIT")


def _to_2(connection: sa.Connection) -> None:
    """What a person entered about a job."""
    _make_tables(connection, schema.job_fields)


def _to_3(connection: sa.Connection) -> None:
    """Runs that are known again in another record; samples in blocks, attachments, observations."""
    _add_columns(connection, schema.runs, "uid", "machine", "origin")
    _make_tables(
        connection,
        schema.job_fields_elsewhere,
        schema.observations,
        schema.blocks,
        schema.attachments,
        schema.run_attachments,
        schema.job_attachments,
    )
    runs = schema.runs
    text = sa.select(schema.texts.c.text).where(schema.texts.c.run == runs.c.number, schema.texts.c.kind == "machine")
    profile = text.limit(1).scalar_subquery().label("profile")
    known = (runs.c[name] for name in UNCHANGING)  # not all of them: later steps bring more
    for row in connection.execute(sa.select(*known, profile).where(runs.c.uid.is_(None))).mappings().all():
        values = {"uid": derived_uid(dict(row)), "machine": machine_named(row["profile"])}
        connection.execute(sa.update(runs).where(runs.c.number == row["number"]).values(**values))
    if not any(names == ["uid"] for names in _unique(connection, runs)):
        connection.exec_driver_sql("CREATE UNIQUE INDEX runs_uid ON runs (uid)")


def _to_4(connection: sa.Connection) -> None:
    """Numbers of batches; those that were written before have none."""
    _add_columns(connection, schema.blocks, "number")


def _to_5(connection: sa.Connection) -> None:
    """Checksums of rows; those that were written before have none."""
    for table in schema.SUMMED:
        _add_columns(connection, table, "checksum")


def _make_tables(connection: sa.Connection, *tables: sa.Table) -> None:
    for table in tables:
        connection.execute(CreateTable(table, if_not_exists=True))


def _add_columns(connection: sa.Connection, table: sa.Table, *names: str) -> None:
    present = {column["name"] for column in sa.inspect(connection).get_columns(table.name)}
    for name in names:
        if name not in present:
            column = CreateColumn(table.c[name]).compile(dialect=connection.dialect)
            connection.exec_driver_sql(f"ALTER TABLE {table.name} ADD COLUMN {column}")


def _unique(connection: sa.Connection, table: sa.Table) -> list[list[str | None]]:
    """Columns of each unique index or constraint of a table."""
    inspector = sa.inspect(connection)
    indexes = [list(index["column_names"]) for index in inspector.get_indexes(table.name) if index["unique"]]
    return indexes + [list(rule["column_names"]) for rule in inspector.get_unique_constraints(table.name)]


# Version that a record has -> the step to the next one. A step finds tables and columns made already where a record
# was set back by hand.
STEPS: dict[int, Callable[[sa.Connection], None]] = {1: _to_2, 2: _to_3, 3: _to_4, 4: _to_5}
