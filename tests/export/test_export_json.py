"""A .json read back with the json module."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from export_runs import NOTE, Made, no_constant
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store


def test_the_run_whole_and_no_nan(opened: Store, made: Made, tmp_path: Path) -> None:
    file = tmp_path / "run.json"
    export_run(opened, made.run, file, Wishes())
    data = json.loads(file.read_text(encoding="utf-8"), parse_constant=no_constant)
    run = opened.run(made.run)
    assert data["run"]["uid"] == run.uid and data["run"]["texts"] == run.texts and data["run"]["outcome"] == "fail"
    assert [(e["name"], e["counter"], e["t_us"], e["data"]) for e in data["events"]] == [
        (e.name, e.counter, e.t_us, e.data) for e in made.events
    ]
    assert data["notes"] == [NOTE] and data["frames"] == ["> hello seq=1"]
    assert [m["outcome"] for m in data["measurements"]] == ["pass", "marginal", "fail", "not measured"]
    assert data["observations"] == [{"name": "supply", "value": "right", "text": "sensor supply 3.301 V"}]
    steps = [(step["name"], step["state"]) for step in data["steps"]]
    assert steps == [("round", "done"), ("round", "done"), ("let go", "failed")]
    assert data["findings"][0]["what"] == "never-wakes" and [gap["kind"] for gap in data["gaps"]][1] == "lost-events"
    assert next(r for r in data["readings"] if r["channel"] == "curve")["values"] == [[1.5, 2.5], [3.5, None]]


def test_every_sample_with_its_time(opened: Store, made: Made, tmp_path: Path) -> None:
    file = tmp_path / "run.json"
    done = export_run(opened, made.run, file, Wishes())
    channels = {row["channel"]: row for row in json.loads(file.read_text(encoding="utf-8"))["channels"]}
    assert channels.keys() == made.samples.keys()
    for name, (times, values) in made.samples.items():
        segments = channels[name]["segments"]
        assert [t for part in segments for t in part["t_us"]] == times.tolist()
        assert [v for part in segments for v in part["values"]] == values.tolist()
        assert sum(part["after_hole"] for part in segments) == (1 if name == "light" else 0)
    assert done.counts["samples"] == sum(len(times) for times, _values in made.samples.values())


@pytest.mark.parametrize("suffix", [".csv", ".vcd", ".sr", ".json", ".junit.xml"])
def test_the_same_run_gives_the_same_bytes(opened: Store, made: Made, tmp_path: Path, suffix: str) -> None:
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    for file in (first, second):
        export_run(opened, made.run, file, Wishes(() if suffix == ".junit.xml" else ("light",)))
    assert first.read_bytes() == second.read_bytes()
