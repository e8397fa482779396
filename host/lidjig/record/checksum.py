"""A checksum with each row of a run: SQLite sees damage to its own structure, not to what stands in a row.

CRC-32 (zlib) over the table's name and every column that has a value, by name: a column that a later version adds
changes none of the older sums. Keys count too, so that a row is known to belong where it stands. Rows from before
schema 5 have none (NULL); none is ever made for what is there already, since it would vouch for damage as well.
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable, Mapping
from typing import Any

import sqlalchemy as sa

COLUMN = "checksum"


def checksum_of(table: sa.Table, row: Mapping[Any, Any]) -> int:
    """The sum of a row by column, 0 .. 2^32 - 1. What the row does not name is NULL.

    Raises ValueError or TypeError for a value that its column does not hold.
    """
    told: list[object] = [table.name]
    for name, plain in _plan(table):
        value = row.get(name)
        if value is not None:
            told.append((name, plain(value)))
    # ascii(), since what repr() shows as it is depends on Python's table of characters.
    return zlib.crc32(ascii(told).encode())


def with_checksum(table: sa.Table, row: Mapping[Any, Any]) -> dict[str, Any]:
    """The row with its sum."""
    return {**row, COLUMN: checksum_of(table, row)}


def moved(table: sa.Table, row: Mapping[Any, Any], **values: Any) -> dict[str, Any]:
    """The row with other values in some columns: one that had a sum has that of what it is now."""
    now = {**row, **values}
    return with_checksum(table, now) if row.get(COLUMN) is not None else now


def agrees(table: sa.Table, row: Mapping[Any, Any]) -> bool:
    """Whether a row is as it was written; of one without a sum nothing is known, which is no disagreement."""
    try:
        return row.get(COLUMN) is None or bool(checksum_of(table, row) == row[COLUMN])
    except (ValueError, TypeError, OverflowError):
        return False


@functools.cache
def _plan(table: sa.Table) -> tuple[tuple[str, Callable[[Any], object]], ...]:
    """The columns that count, with what makes of a value what the database gives back for it."""
    return tuple((column.name, _plain(column)) for column in table.columns if column.name != COLUMN)


def _plain(column: sa.Column[Any]) -> Callable[[Any], object]:
    if isinstance(column.type, sa.LargeBinary):
        return zlib.crc32
    if isinstance(column.type, sa.String):
        return str
    if isinstance(column.type, sa.Integer):
        return int
    return lambda value: float(value) + 0.0  # SQLite keeps no sign of a zero
