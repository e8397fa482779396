"""Breaking a run off in the middle, and changing what is in its record afterwards."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from lidjig.record import schema
from lidjig.record.blocks import unpack_data
from lidjig.record.checksum import agrees, checksum_of
from lidjig.record.recorder import RunRecorder


def break_into(monkeypatch: pytest.MonkeyPatch, after: int, act: Callable[[], None]) -> None:
    """act() once so many events are on disk, counted over the whole run."""
    stored = 0
    keep = RunRecorder.events

    def events(self: RunRecorder, batch: Sequence[object]) -> None:
        nonlocal stored
        keep(self, batch)  # type: ignore[arg-type]
        before, stored = stored, stored + len(batch)
        if before < after <= stored:
            act()

    monkeypatch.setattr(RunRecorder, "events", events)


class Killed(BaseException):
    """The program ends here; nobody catches it."""


def kill() -> None:
    raise Killed


def sum_anew(connection: sqlite3.Connection) -> None:
    """Rows get the checksum of what they are now, as if they had been written so: damage is looked at elsewhere."""
    connection.row_factory = sqlite3.Row
    for table in schema.SUMMED:
        keys = [column.name for column in table.primary_key]
        where = " AND ".join(f"{key} = ?" for key in keys)
        for row in map(dict, connection.execute(f"SELECT * FROM {table.name}").fetchall()):
            if not agrees(table, row):
                values = (checksum_of(table, row), *(row[key] for key in keys))
                connection.execute(f"UPDATE {table.name} SET checksum = ? WHERE {where}", values)
    connection.row_factory = None


def change(path: Path, sql: str, *values: object, rows: int | None = 1) -> None:
    """One statement on a record; rows: how many it must meet, None = at least one."""
    connection = sqlite3.connect(path)
    with connection:
        met = connection.execute(sql, values).rowcount
        sum_anew(connection)
    connection.close()
    assert met == rows if rows is not None else met > 0, met


def change_samples(
    path: Path, channel: str, between: tuple[int, int], how: Callable[[npt.NDArray[np.uint16]], Any]
) -> None:
    """how(raw) gives the numbers of the blocks of run 1 that begin between two board times; stored as blocks.py has it:
    differences modulo 2^16, zigzag, low bytes before high bytes, zlib.
    """
    connection = sqlite3.connect(path)
    query = "SELECT place, n, data FROM blocks WHERE run = 1 AND channel = ? AND t_us BETWEEN ? AND ?"
    found = connection.execute(query, (channel, *between)).fetchall()
    assert found, f"no block of {channel} begins between {between}"
    with connection:
        for place, n, data in found:
            raw = np.asarray(how(unpack_data(data, n))).astype("<u2")
            steps = np.diff(raw, prepend=np.uint16(0)).astype("<i2")
            folded = ((steps << 1) ^ (steps >> 15)).astype("<u2")
            packed = zlib.compress(folded.view("u1").reshape(-1, 2).T.tobytes())
            assert np.array_equal(unpack_data(packed, n), raw)
            connection.execute(
                "UPDATE blocks SET data = ? WHERE run = 1 AND channel = ? AND place = ?", (packed, channel, place)
            )
        sum_anew(connection)
    connection.close()
