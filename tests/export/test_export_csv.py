"""A .csv read back with the csv module."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from export_runs import BEGIN_US, CHANNELS, HOLE, LOST_US, Made
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store

from shared_proto import names

Rows = list[dict[str, str]]


@pytest.fixture(scope="module")
def rows(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Rows:
    from lidjig.record.store import open_store

    file = tmp_path_factory.mktemp("csv") / "run.csv"
    with open_store(made.store, create=False) as store:
        export_run(store, made.run, file, Wishes())
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, strict=True))


def title(channel: str) -> str:
    return f"{channel} [{CHANNELS[channel][0] or 'raw'}]"


def test_header_has_the_units(rows: Rows) -> None:
    assert {title(channel) for channel in CHANNELS} <= rows[0].keys()
    assert list(rows[0])[:5] == ["boot", "t_us", "kind", "name", "counter"]


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_sample_is_there_to_the_last_digit(rows: Rows, made: Made, channel: str) -> None:
    mine = [row for row in rows if row["kind"] == "sample" and row["name"] == channel]
    times, values = made.samples[channel]
    assert [int(row["t_us"]) for row in mine] == times.tolist()
    assert [float(row[title(channel)]) for row in mine] == values.tolist()
    assert all(row[title(other)] == "" for row in mine[:50] for other in CHANNELS if other != channel)


# By the protocol's own tables (PROTOCOL.md).
TABLES = {
    "line": names.LINES,
    "channel": names.CHANNELS,
    "route": names.ROUTES,
    "reason": names.REASONS,
    "cause": names.RESETS,
}


def number(event: str, key: str, row: dict[str, str]) -> int:
    """A field of an event, back from its name where the protocol has one for it."""
    unit = {"raw": "count", "angle_mdeg": "mdeg", "supply_mv": "mV"}.get(key)
    cell = row[f"{key} [{unit}]" if unit else key]
    table = names.LOCK_STATES if (event, key) == ("lock", "state") else TABLES.get(key, ())
    return table.index(cell) if cell in table else int(cell)


def test_numbers_with_a_name_are_told_by_it(rows: Rows, made: Made) -> None:
    """A channel is called as its samples are, and levels of lines are a whole number."""
    assert made.events
    told = {row["line"] for row in rows if row["kind"] == "event" and row["name"] == "edge"}
    assert told and told <= set(names.LINES)
    columns = rows[0].keys()
    assert not {"raw", "u"} & columns and "u [unit of the value]" in columns
    masks = [row["lines [mask]"] for row in rows if row.get("lines [mask]")]
    assert all(cell.isdigit() for cell in masks)


def test_every_event_with_its_fields(rows: Rows, made: Made) -> None:
    mine = [row for row in rows if row["kind"] == "event"]
    assert [(row["name"], int(row["counter"]), int(row["t_us"])) for row in mine] == [
        (event.name, event.counter, event.t_us) for event in made.events
    ]
    for row, event in zip(mine, made.events, strict=True):
        assert {key: number(event.name, key, row) for key in event.data} == event.data


def test_readings_with_their_uncertainty(rows: Rows) -> None:
    (reading,) = [row for row in rows if row["kind"] == "reading" and row["name"] == "supply"]
    assert (float(reading["supply [mV]"]), float(reading["u [unit of the value]"]), int(reading["n"])) == (
        3301.25,
        26.0,
        64,
    )
    series = [row["curve [deg]"] for row in rows if row["kind"] == "series"]
    assert [float(cell) for cell in series[:3]] == [1.5, 2.5, 3.5] and series[3] == "nan"


def test_rows_are_in_order_of_time(rows: Rows) -> None:
    times = np.array([int(row["t_us"]) for row in rows])
    assert (np.diff(times) >= 0).all()


def test_what_is_missing_is_seen(rows: Rows) -> None:
    """A gap of the record is a row of its own; the hole in a channel has no samples and a row behind it."""
    (hole,) = [row for row in rows if row["kind"] == "hole"]
    assert hole["name"] == HOLE[0] and int(hole["t_us"]) == BEGIN_US + 1000 * HOLE[2] and "missing" in hole["text"]
    begin, end = BEGIN_US + 1000 * HOLE[1], BEGIN_US + 1000 * HOLE[2]
    assert not [r for r in rows if r["kind"] == "sample" and r["name"] == HOLE[0] and begin <= int(r["t_us"]) < end]
    gaps = [(row["name"], row["text"]) for row in rows if row["kind"] == "gap"]
    assert gaps == [("lost-samples", "2 batches of light are missing"), ("lost-events", "3 events were lost")]
    assert [int(row["t_us"]) for row in rows if row["name"] == "lost"] == [LOST_US]


def test_only_the_channels_asked_for(opened: Store, made: Made, tmp_path: Path) -> None:
    export_run(opened, made.run, tmp_path / "run.csv", Wishes(("light",)))
    with (tmp_path / "run.csv").open(encoding="utf-8", newline="") as stream:
        found = list(csv.DictReader(stream))
    assert {row["name"] for row in found if row["kind"] == "sample"} == {"light"}
    assert sum(row["kind"] == "event" for row in found) == len(made.events)
