"""A late reading, a missing one and a pause between two series: every format says the same of them."""

from __future__ import annotations

import csv
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from export_runs import Batch, Event
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store, open_store

SPACING_US = 5_000
LATE_US = 3_000
CHANNEL = "meter_1_v"
# First reading of each batch and how many: the second batch is a single one that came late, before the fourth one
# reading is missing, and before the last sampling was set anew.
SENT = ((1, 0, 50), (2, 250_000 + LATE_US, 1), (3, 255_000, 50), (4, 510_000, 50), (1, 2_000_000, 50))
LATE_AT_US, HOLE_AT_US, ANEW_AT_US = SENT[1][1], SENT[3][1], SENT[4][1]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "gaps.db") as opened:
        run = opened.start_run("watch")
        run.events([Event("boot", 1, 0, {"cause": 0})])
        run.channel(CHANNEL, "V", 1.0)
        for number, t_us, n in SENT:
            run.batch(Batch(CHANNEL, number, t_us, SPACING_US * (n - 1), np.full(n, 7, dtype="<u2").tobytes()))
        run.finish("pass")
        yield opened


def test_the_table(store: Store, tmp_path: Path) -> None:
    export_run(store, "last", tmp_path / "run.csv", Wishes())
    with (tmp_path / "run.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["t_us"]) for row in rows if row["kind"] == "hole"] == [HOLE_AT_US]
    pytest.importorskip("pyarrow")
    from pyarrow import parquet

    export_run(store, "last", tmp_path / "run.parquet", Wishes())
    found = parquet.read_table(tmp_path / "run.parquet").to_pylist()
    assert [row["t_us"] for row in found if row["kind"] == "hole"] == [HOLE_AT_US]


def test_the_data(store: Store, tmp_path: Path) -> None:
    export_run(store, "last", tmp_path / "run.json", Wishes())
    (channel,) = json.loads((tmp_path / "run.json").read_text())["channels"]
    segments = channel["segments"]
    assert channel["gaps"] == 1
    assert [s["t_us"][0] for s in segments if s["after_hole"]] == [HOLE_AT_US]
    assert [s["t_us"][0] for s in segments if s["set_anew"]] == [ANEW_AT_US]


def test_the_wave_form(store: Store, tmp_path: Path) -> None:
    from vcd_reader import vcdvcd

    export_run(store, "last", tmp_path / "run.vcd", Wishes())
    sampled = vcdvcd.VCDVCD(str(tmp_path / "run.vcd"))[f"analog.{CHANNEL}_sampled"].tv
    assert [t for t, level in sampled if level == "x"] == [HOLE_AT_US - SPACING_US]
    assert (HOLE_AT_US + 50 * SPACING_US, "0") in sampled and (ANEW_AT_US, "1") in sampled


def test_the_session(store: Store, tmp_path: Path) -> None:
    """1000 samples a second: a reading holds until the next one, however late; not over a hole or a pause."""
    export_run(store, "last", tmp_path / "run.sr", Wishes())
    with zipfile.ZipFile(tmp_path / "run.sr") as archive:
        named = sorted((n for n in archive.namelist() if n.startswith("analog-")), key=lambda n: int(n.split("-")[-1]))
        values = np.frombuffer(b"".join(archive.read(name) for name in named), dtype="<f4")
    unknown = set(np.flatnonzero(np.isnan(values)).tolist())
    hole = range((HOLE_AT_US - SPACING_US) // 1000, HOLE_AT_US // 1000)
    pause = range((HOLE_AT_US + 50 * SPACING_US) // 1000, ANEW_AT_US // 1000)
    assert {at for at in unknown if at < ANEW_AT_US // 1000} == {*hole, *pause}


LOST_AT_US = 900_000  # of the last frame; the last event was at 0


def lost_for_good(path: Path, *, back: bool = False) -> Store:
    store = open_store(path)
    run = store.start_run("watch")
    run.events([Event("boot", 1, 0, {"cause": 0})])
    run.gap("link-lost", "the port closed", LOST_AT_US)
    if back:
        run.gap("link-back", "answers again", None)
        run.events([Event("mark", 2, 2_000_000, {"pressed": 1})])
    run.finish("error")
    return store


def gap_of(path: Path) -> list[tuple[int, str]]:
    from vcd_reader import vcdvcd

    return list(vcdvcd.VCDVCD(str(path))["jig.gap"].tv)


def test_a_link_lost_for_good_is_a_gap_to_the_end_and_one_that_came_back_is_none(tmp_path: Path) -> None:
    """Events stay on the board while the link is down: only where it does not come back is anything missing."""
    with lost_for_good(tmp_path / "lost.db") as store:
        export_run(store, "last", tmp_path / "run.vcd", Wishes())
        export_run(store, "last", tmp_path / "run.sr", Wishes())
    assert gap_of(tmp_path / "run.vcd") == [(0, "0"), (LOST_AT_US, "1")]
    with zipfile.ZipFile(tmp_path / "run.sr") as archive:
        probes = archive.read("metadata").decode().splitlines()
        levels = np.frombuffer(archive.read("logic-1-1"), dtype="u1").reshape(LOST_AT_US // 1000 + 1, -1)
    assert "probe1=gap" in probes
    assert np.flatnonzero(levels[:, 0] & 1).tolist() == [LOST_AT_US // 1000]
    with lost_for_good(tmp_path / "back.db", back=True) as store:
        export_run(store, "last", tmp_path / "back.vcd", Wishes())
    assert gap_of(tmp_path / "back.vcd") == [(0, "0")]


@pytest.mark.parametrize("heard", [True, False], ids=["events follow", "no event of the new boot"])
def test_marks_of_a_restart_stand_behind_their_cause_and_in_their_boot(tmp_path: Path, heard: bool) -> None:
    """Most of them have no board time; what has one has it of the boot that follows."""
    with open_store(tmp_path / "restart.db") as opened:
        run = opened.start_run("watch")
        run.events([Event("boot", 1, 0, {"cause": 0}), Event("mark", 2, 9_090, {"pressed": 1})])
        run.gap("link-lost", "the port closed", 48_000_000)
        run.gap("link-back", "a frame came", None)
        run.gap("restart", "boot 0000000a -> 0000000b", None)
        run.gap("link-state", "disarmed", 52_270)
        if heard:
            run.events([Event("boot", 1, 0, {"cause": 0}), Event("mark", 2, 60_000, {"pressed": 1})])
            run.gap("recovered", "the step begins again from here", 188_045)
        run.finish("pass")
        export_run(opened, "last", tmp_path / "run.csv", Wishes())
    with (tmp_path / "run.csv").open(newline="", encoding="utf-8") as stream:
        rows = [(int(row["boot"]), int(row["t_us"]), row["name"]) for row in csv.DictReader(stream)]
    before = [(1, 0, "boot"), (1, 9_090, "mark"), (1, 48_000_000, "link-lost"), (1, 48_000_000, "link-back")]
    if heard:
        assert rows == [
            *before, (2, 0, "boot"), (2, 0, "restart"), (2, 52_270, "link-state"), (2, 60_000, "mark"),
            (2, 188_045, "recovered"),
        ]  # fmt: skip
    else:
        assert rows == [*before, (1, 48_000_000, "restart"), (1, 48_000_000, "link-state")]
