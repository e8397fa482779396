"""The rows of one run, united from two copies of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from lidjig.record import schema
from lidjig.record.checksum import moved
from lidjig.record.holes import RESCUED

# One transaction takes about so much at once: the record may be written to by a bench meanwhile, which waits.
CHUNK_BYTES = 4 * 2**20
CHUNK_ROWS = 2000
ROWS_AT_ONCE = 500

# What is added beside a run's own writing is the same where its content is.
_CONTENT = {"notes": ("text", "written_utc"), "gaps": ("kind", "text", "t_us", "after_event")}

Row = Mapping[str, Any]


@dataclass
class Brought:
    """Rows that were new; notes: how many of them are notes that people added."""

    rows: int = 0
    notes: int = 0


def bring_rows(engine: sa.Engine, theirs: sa.Connection, their_run: int, our_run: int) -> Brought:
    """Every row of their run that ours has not. Repeated or broken off, it brings no row twice."""
    brought = Brought()
    for table in (*schema.RUN_TABLES, schema.blocks):
        keys = [column for column in table.primary_key if column.name != "run"]
        own = _own(table)
        have = _keys(engine, table, keys, our_run)
        query = sa.select(table).where(table.c.run == their_run, own).order_by(*keys)
        missing = sa.select(*keys).where(table.c.run == their_run, own)
        if any(tuple(row) not in have for row in theirs.execute(missing).all()):
            streamed = theirs.execution_options(yield_per=ROWS_AT_ONCE).execute(query).mappings()
            fresh = (dict(row) for row in streamed if tuple(row[key.name] for key in keys) not in have)
            brought.rows += _insert(engine, table, fresh, our_run)
        if table.name in _CONTENT:
            added = _bring_beside(engine, theirs, table, their_run, our_run)
            brought.rows += added
            brought.notes += added if table is schema.notes else 0
    brought.rows += _end_steps(engine, theirs, their_run, our_run)
    brought.rows += _settle_rescued(engine, theirs, their_run, our_run)
    return brought


def _own(table: sa.Table) -> sa.ColumnElement[bool]:
    """Rows that the run wrote by itself."""
    return table.c.place <= schema.OPERATOR_PLACE if table.name in _CONTENT else sa.true()


def _keys(engine: sa.Engine, table: sa.Table, keys: list[sa.Column[Any]], run: int) -> set[tuple[Any, ...]]:
    with engine.connect() as connection:
        return {tuple(row) for row in connection.execute(sa.select(*keys).where(table.c.run == run))}


def _insert(engine: sa.Engine, table: sa.Table, rows: Iterable[Row], run: int) -> int:
    count = 0
    for chunk in _chunks(rows):
        with engine.begin() as connection:
            connection.execute(sa.insert(table), [moved(table, row, run=run) for row in chunk])
        count += len(chunk)
    return count


def _chunks(rows: Iterable[Row]) -> Iterator[list[Row]]:
    chunk: list[Row] = []
    size = 0
    for row in rows:
        chunk.append(row)
        size += sum(len(value) for value in row.values() if isinstance(value, (bytes, str)))
        if size >= CHUNK_BYTES or len(chunk) >= CHUNK_ROWS:
            yield chunk
            chunk, size = [], 0
    if chunk:
        yield chunk


def _bring_beside(engine: sa.Engine, theirs: sa.Connection, table: sa.Table, their_run: int, our_run: int) -> int:
    """Notes and marks that were added to the run later, on either side; their places are given anew."""
    names = _CONTENT[table.name]
    query = sa.select(table).where(table.c.place > schema.OPERATOR_PLACE).order_by(table.c.place)
    added = theirs.execute(query.where(table.c.run == their_run)).mappings().all()
    if table is schema.gaps and added:
        with engine.connect() as connection:
            if _is_whole(connection, our_run):
                added = [row for row in added if row["kind"] != RESCUED]
    if not added:
        return 0
    with engine.begin() as connection:
        ours = connection.execute(query.where(table.c.run == our_run)).mappings().all()
        have = {tuple(row[name] for name in names) for row in ours}
        place = max((int(row["place"]) for row in ours), default=schema.OPERATOR_PLACE)
        count = 0
        for row in added:
            content = tuple(row[name] for name in names)
            if content in have:
                continue
            place, count = place + 1, count + 1
            have.add(content)
            connection.execute(sa.insert(table), moved(table, row, run=our_run, place=place))
    return count


def _is_whole(connection: sa.Connection, run: int) -> bool:
    """Whether a copy of a run has its end and nothing was lost of it in a damaged record."""
    runs, gaps = schema.runs, schema.gaps
    ended = connection.execute(sa.select(runs.c.ended_utc).where(runs.c.number == run)).scalar()
    marked = sa.select(gaps.c.place).where(gaps.c.run == run, gaps.c.kind == RESCUED)
    return ended is not None and connection.execute(marked).first() is None


def _settle_rescued(engine: sa.Engine, theirs: sa.Connection, their_run: int, our_run: int) -> int:
    """Take away our marks of what a rescue could not save where their copy is whole: all of it is here now."""
    if not _is_whole(theirs, their_run):
        return 0
    gaps = schema.gaps
    with engine.begin() as connection:
        gone = connection.execute(sa.delete(gaps).where(gaps.c.run == our_run, gaps.c.kind == RESCUED))
        return int(gone.rowcount)


def _end_steps(engine: sa.Engine, theirs: sa.Connection, their_run: int, our_run: int) -> int:
    """Steps that are open in our copy and ended in theirs, which saw more of the run."""
    steps = schema.steps
    is_open = sa.select(steps.c.place).where(steps.c.run == our_run, steps.c.state == "open")
    with engine.connect() as connection:
        places = [int(place) for place in connection.execute(is_open).scalars()]
    count = 0
    for place in places:
        ended = sa.select(steps).where(steps.c.run == their_run, steps.c.place == place, steps.c.state != "open")
        row = theirs.execute(ended).mappings().first()
        if row is not None:
            now = moved(steps, row, run=our_run)
            values = {key: value for key, value in now.items() if key not in ("run", "place")}
            with engine.begin() as connection:
                connection.execute(
                    sa.update(steps).where(steps.c.run == our_run, steps.c.place == place).values(**values)
                )
            count += 1
    return count
