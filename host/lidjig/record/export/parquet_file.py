"""The run's table (see table.py) as Parquet: a column each, null where a row does not fill it, units in the metadata.

A row group holds about half a million rows, so that memory does not grow with the run.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

from lidjig.errors import BadInput
from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.table import Chunk, Column, Table
from lidjig.record.source import Source

GROUP_ROWS = 500_000


def write(source: Source, path: Path, _wishes: Wishes, exported: Exported) -> None:
    """Write the table to path. Raises BadInput where pyarrow is not installed."""
    try:
        pyarrow: Any = import_module("pyarrow")
        parquet: Any = import_module("pyarrow.parquet")
    except ImportError as error:
        accepted = "another format, or .parquet after: pip install 'lidjig[parquet]' (it needs pyarrow)"
        raise BadInput("", "FILE", str(exported.file), accepted) from error
    table = Table(source)
    kinds = {"int": pyarrow.int64(), "float": pyarrow.float64(), "text": pyarrow.string()}
    fields = [pyarrow.field(column.title, kinds[column.kind], metadata=_metadata(column)) for column in table.columns]
    schema = pyarrow.schema(fields, metadata={"lidjig run": source.run.id, "lidjig uid": source.run.uid})
    rows = 0
    waiting: list[Any] = []
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:

        def flush() -> None:
            if waiting:
                writer.write_table(pyarrow.Table.from_batches(waiting, schema), row_group_size=GROUP_ROWS)
                waiting.clear()

        for chunk in table.chunks():
            arrays = [_array(pyarrow, chunk, column, kinds[column.kind]) for column in table.columns]
            waiting.append(pyarrow.record_batch(arrays, schema=schema))
            rows += chunk.n
            if sum(len(batch) for batch in waiting) >= GROUP_ROWS:
                flush()
        flush()
    exported.counts = {"rows": rows, "columns": len(table.columns)}


def _metadata(column: Column) -> dict[str, str] | None:
    unit = column.unit or ("us" if column.name == "t_us" else "")
    return {"unit": unit} if unit else None


def _array(pyarrow: Any, chunk: Chunk, column: Column, kind: Any) -> Any:
    found = chunk.cells.get(column.title)
    if found is None:
        return pyarrow.nulls(chunk.n, kind)
    values, filled = found
    return pyarrow.array(values, type=kind, mask=~filled)
