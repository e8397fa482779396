"""Whether the rows of a run are as they were written: looked at whenever a run is read whole.

A letter that became another one in a sentence, a time that moved by some milliseconds: SQLite sees neither, and what is
shown, reported or exported would pass it on. Rows from before schema 5 have no checksum; they are taken as they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from lidjig.errors import StoreDamaged
from lidjig.record.checksum import agrees
from lidjig.record.identity import run_id


def check_sums(rows: Mapping[sa.Table, Sequence[Any]], run: int, store: str) -> None:
    """Raises StoreDamaged, with kinds and numbers of rows, where some do not agree with their checksums."""
    told = []
    for table, of_table in rows.items():
        bad = sum(not agrees(table, row._mapping) for row in of_table)
        if bad:
            told.append(f"{bad} of {len(of_table)} in {table.name}")
    if told:
        why = f"rows that are not as they were written (their checksum does not agree): {', '.join(told)}"
        raise StoreDamaged(store, f"reading run {run_id(run)}", why)
