"""The run's table (see table.py) as comma-separated values: UTF-8, RFC 4180 quoting, the first line is the header.

Numbers are written with as many digits as give the same number back; what a row does not fill is an empty cell.
"""

from __future__ import annotations

import csv
from itertools import repeat
from pathlib import Path

from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.table import Chunk, Column, Table
from lidjig.record.source import Source


def write(source: Source, path: Path, _wishes: Wishes, exported: Exported) -> None:
    """Write the table to path, some seconds of the run at a time."""
    table = Table(source)
    rows = 0
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([column.title for column in table.columns])
        for chunk in table.chunks():
            writer.writerows(zip(*(_cells(chunk, column) for column in table.columns), strict=False))
            rows += chunk.n
    exported.counts = {"rows": rows, "columns": len(table.columns)}


def _cells(chunk: Chunk, column: Column) -> object:
    found = chunk.cells.get(column.title)
    if found is None:
        return repeat("", chunk.n)
    values, filled = found
    cells = values.tolist()
    if filled.all():
        return cells
    return [cell if there else "" for cell, there in zip(cells, filled.tolist(), strict=True)]
