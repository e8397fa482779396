"""A .parquet read back with pyarrow."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from export_runs import CHANNELS, HOLE, Made, Run
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store
from pytest import MonkeyPatch


def test_every_sample_and_event(opened: Store, made: Made, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed (pip install 'lidjig[parquet]')")
    file = tmp_path / "run.parquet"
    export_run(opened, made.run, file, Wishes())
    table = parquet.read_table(file)
    table.validate(full=True)
    kinds, name = table["kind"].to_pylist(), table["name"].to_pylist()
    stamps = table["t_us"].to_pylist()
    for channel, (times, values) in made.samples.items():
        unit = CHANNELS[channel][0] or "raw"
        column = f"{channel} [{unit}]"
        mine = [i for i, (k, n) in enumerate(zip(kinds, name, strict=True)) if k == "sample" and n == channel]
        cells = table[column].to_pylist()
        assert [stamps[i] for i in mine] == times.tolist() and [cells[i] for i in mine] == values.tolist()
        assert table.schema.field(column).metadata[b"unit"].decode() == unit
        # A row of another channel leaves it null, not NaN.
        assert cells[mine[0] + 1] is None or name[mine[0] + 1] == channel
    # Of an event's fields those with a unit have it as channels have it.
    assert table.schema.field("angle_mdeg [mdeg]").metadata[b"unit"] == b"mdeg"
    assert table.schema.field("t_us").metadata[b"unit"] == b"us" and table.schema.field("level").metadata is None
    events = [i for i, kind in enumerate(kinds) if kind == "event"]
    assert [(name[i], stamps[i]) for i in events] == [(e.name, e.t_us) for e in made.events]
    levels = table["level"].to_pylist()
    assert [levels[i] for i in events] == [e.data.get("level") for e in made.events]
    assert [n for k, n in zip(kinds, name, strict=True) if k == "hole"] == [HOLE[0]]
    assert table.schema.metadata[b"lidjig run"].decode() == made.run


def test_without_pyarrow_it_says_how_to_get_it(made: Made, run: Run, tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    ran = run("export", made.run, str(tmp_path / "run.parquet"), store=made.store)
    assert ran.status == 2 and "pip install 'lidjig[parquet]'" in ran.err
    assert list(tmp_path.glob("*.parquet*")) == []
