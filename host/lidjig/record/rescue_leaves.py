"""Rows of a table whose tree can no longer be walked: every leaf page of the file is looked at by itself.

A leaf page does not say to which table it belongs: the checksum of a row does, since the table's name is part of it. So
only rows that a checksum vouches for are found here.

Source: "SQLite database file format", 1.6 (pages of a tree, cells, overflow) and 2.1 (records)
(https://www.sqlite.org/fileformat2.html).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from lidjig.record.checksum import COLUMN, agrees

LEAF = 13
_INT_BYTES = (0, 1, 2, 3, 4, 6, 8)  # by serial type, 1 to 6
_DAMAGE = (IndexError, ValueError, struct.error)


def rows_of_leaves(path: Path, table: sa.Table, names: Sequence[str]) -> Iterator[tuple[int, dict[str, Any]]]:
    """(rowid, row) of every row of the table on a leaf page that is there, the oldest version of a row not told apart.

    names: the table's columns in the order of the file. Raises OSError.
    """
    if COLUMN not in names:
        return
    data = path.read_bytes()
    size = int.from_bytes(data[16:18])
    size = 65536 if size == 1 else size
    if size < 512 or size & (size - 1):
        return
    pages = _Pages(data, size, size - data[20])
    keys = [column.name for column in table.primary_key]
    for number in range(2, len(data) // size + 1):  # the first page has the table of contents
        if data[(number - 1) * size] == LEAF:
            yield from _of_page(pages, number, table, names, keys)


def _of_page(
    pages: _Pages, number: int, table: sa.Table, names: Sequence[str], keys: Sequence[str]
) -> Iterator[tuple[int, dict[str, Any]]]:
    for rowid, values in pages.cells(number, len(names)):
        row = dict(zip(names, values, strict=True))
        if len(keys) == 1 and row[keys[0]] is None:
            row[keys[0]] = rowid  # a key that is a whole number is kept as the rowid alone
        if isinstance(row[COLUMN], int) and agrees(table, row):
            yield rowid, row


class _Pages:
    """A file by pages. usable: bytes of a page that rows may take."""

    def __init__(self, data: bytes, size: int, usable: int) -> None:
        self._data, self._size, self._usable = data, size, usable

    def cells(self, number: int, columns: int) -> Iterator[tuple[int, list[object]]]:
        """(rowid, values) of the rows on a leaf page with so many columns; all of a page are of one table."""
        begin = (number - 1) * self._size
        page = self._data[begin : begin + self._size]
        for at in range(struct.unpack_from(">H", page, 3)[0]):
            try:
                (cell,) = struct.unpack_from(">H", page, 8 + 2 * at)
                length, cell = _varint(page, cell)
                rowid, cell = _varint(page, cell)
                values = _values(self._payload(page, cell, length), columns)
            except _DAMAGE:
                continue
            if values is None:
                return
            yield rowid, values

    def _payload(self, page: bytes, at: int, length: int) -> bytes:
        """A row's bytes: what lies on the page, then the overflow pages. Raises ValueError where these do not go on."""
        most = self._usable - 35
        if length <= most:
            return page[at : at + length]
        least = (self._usable - 12) * 32 // 255 - 23
        local = least + (length - least) % (self._usable - 4)
        local = local if local <= most else least
        parts, left = [page[at : at + local]], length - local
        (following,) = struct.unpack_from(">I", page, at + local)
        while left > 0:
            begin = (following - 1) * self._size
            if not 0 < begin <= len(self._data) - self._size:
                raise ValueError("an overflow page is missing")
            take = min(left, self._usable - 4)
            parts.append(self._data[begin + 4 : begin + 4 + take])
            left -= take
            following = int.from_bytes(self._data[begin : begin + 4])
        return b"".join(parts)


def _values(payload: bytes, columns: int) -> list[object] | None:
    """The values of a record; None where it has another number of columns. Raises one of _DAMAGE."""
    end, at = _varint(payload, 0)
    kinds = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    if len(kinds) != columns:
        return None
    out = []
    for kind in kinds:
        value, at = _value(payload, at, kind)
        out.append(value)
    if at != len(payload):
        raise ValueError(f"a record of {at} bytes in {len(payload)}")
    return out


def _value(payload: bytes, at: int, kind: int) -> tuple[object, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    if kind == 7:
        return struct.unpack_from(">d", payload, at)[0], at + 8
    if kind < 7:
        end = at + _INT_BYTES[kind]
        return int.from_bytes(payload[at:end], signed=True), end
    if kind < 12:
        raise ValueError(f"a value of type {kind}")
    end = at + (kind - 12) // 2
    raw = payload[at:end]
    return (raw.decode("utf-8") if kind % 2 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of 1 to 9 bytes, and where it ends."""
    value = 0
    for place in range(at, at + 8):
        value = value << 7 | data[place] & 0x7F
        if data[place] < 0x80:
            return value, place + 1
    return value << 8 | data[at + 8], at + 9
