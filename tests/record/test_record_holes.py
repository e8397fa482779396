"""What is missing of a run is told: by jumps of places and counters, by a rescue's marks; it never reads as passed."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
import record_made
from lidjig.errors import BadInput, StoreDamaged
from lidjig.record import open_store
from lidjig.record.listing import Filter, check_outcome
from lidjig.record.model import MeasuredValue
from lidjig.record.rescue import rescue
from record_made import Event
from test_record_rescue import PAGE, children_of, page_of, spoil


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """Two runs that passed: cycle with 2000 events, watch with samples and a note on how many."""
    path = tmp_path / "runs.db"
    with open_store(path) as store:
        run = store.start_run("cycle")
        run.events([Event("edge", n, 1000 * n, {"line": 1, "level": n % 2}) for n in range(1, 2001)])
        run.finish("pass")
        run = store.start_run("watch")
        run.events([Event("edge", 1, 1000)])
        n = record_made.feed(run, "light", 30.0)
        run.flush()
        run.note(f"recorded: {n} readings of 1 channels, none missing")
        run.finish("pass")
    change(path, "PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def change(path: Path, sql: str) -> None:
    plain = sqlite3.connect(path)
    with plain:
        plain.execute(sql)
    plain.close()


def test_a_whole_run_has_no_holes(made: Path) -> None:
    with open_store(made) as store:
        assert store.run("1").holes == [] and store.run("1").outcome == "pass"
        assert [row.outcome for row in store.runs()] == ["pass", "pass"]


def test_a_jump_of_places_is_a_hole(made: Path) -> None:
    change(made, "DELETE FROM events WHERE run = 1 AND place BETWEEN 60 AND 70")
    with open_store(made) as store:
        run = store.run("1")
        (hole,) = run.holes
        assert (hole.table, hole.first, hole.last, hole.index) == ("events", 60, 70, 59)
        assert (hole.begin_us, hole.end_us) == (59_000, 71_000) and "events 60 to 70 (11 rows)" in hole.text
        assert (run.outcome, run.recorded_outcome) == ("incomplete", "pass")
        assert {row.id: row.outcome for row in store.runs()} == {"r-000001": "incomplete", "r-000002": "pass"}
        assert [row.id for row in store.runs(wanted=Filter(outcome="incomplete"))] == ["r-000001"]
        assert [row.id for row in store.runs(wanted=Filter(outcome="ended"))] == ["r-000002"]


def test_a_jump_of_the_counter_is_a_hole_where_nothing_tells_of_it(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.db") as store:
        run = store.start_run("cycle")
        run.events([Event("edge", 1, 10), Event("edge", 5, 20), Event("lost", 9, 30), Event("edge", 10, 40)])
        run.gap("lost-events", "3 events", 40)
        run.events([Event("edge", 14, 50), Event("boot", 1, 0), Event("edge", 2, 10)])
        run.finish("pass")
        (hole,) = store.run("1").holes
        assert hole.by_counter and (hole.begin_us, hole.end_us) == (10, 20) and hole.text.startswith("3 events")


def test_events_behind_a_break_that_no_index_lists_are_told_as_unknown(made: Path, tmp_path: Path) -> None:
    spoil(made, page_of(made, "sqlite_autoindex_events_1"), *children_of(made, "events")[5:])
    saved = rescue(made, tmp_path / "new.db")
    (table,) = [t for t in saved.tables if t.name == "events"]
    assert not table.missing_is_all
    assert any("unknown how many could not be read" in text for text in saved.runs["r-000001"])
    assert any("unknown how many" in text for text in saved.runs["r-000002"])
    with open_store(tmp_path / "new.db") as store:
        run = store.run("1")
        assert run.outcome == "incomplete" and run.recorded_outcome == "pass" and 0 < len(run.events) < 2000
        assert run.gaps[-1].after_event == len(run.events) and run.holes[-1].end_us is None
        assert {row.outcome for row in store.runs()} == {"incomplete"}


def test_readings_that_the_run_says_it_has_and_the_record_has_not(made: Path, tmp_path: Path) -> None:
    size = made.stat().st_size // PAGE
    change(made, "DELETE FROM blocks WHERE run = 2 AND place > 3")
    saved = rescue(made, tmp_path / "new.db")
    assert size > 0 and any("of the 30000 readings that the run recorded" in t for t in saved.runs["r-000002"])
    with open_store(tmp_path / "new.db") as store:
        assert store.run("2").outcome == "incomplete" and store.run("1").outcome == "pass"


def test_a_table_of_samples_that_is_gone_marks_the_runs_that_sampled(made: Path, tmp_path: Path) -> None:
    change(made, "UPDATE blocks SET checksum = NULL")  # with checksums they are found without their table
    change(made, "PRAGMA wal_checkpoint(TRUNCATE)")
    spoil(made, page_of(made, "blocks"), page_of(made, "sqlite_autoindex_blocks_1"))
    saved = rescue(made, tmp_path / "new.db")
    assert set(saved.runs) == {"r-000002"} and "30000 of the 30000" in saved.runs["r-000002"][0]


@pytest.mark.parametrize("rescued_first", [True, False])
def test_a_whole_backup_makes_a_rescued_run_whole_whichever_comes_first(
    rescued_first: bool, made: Path, tmp_path: Path
) -> None:
    whole, new, ours = tmp_path / "backup.db", tmp_path / "new.db", tmp_path / "ours.db"
    whole.write_bytes(made.read_bytes())
    spoil(made, children_of(made, "events")[3])
    rescue(made, new)
    with open_store(ours) as store:
        for other in (new, whole) if rescued_first else (whole, new):
            store.merge(other)
        assert store.run("1").outcome == "pass" and store.run("1").holes == [] and store.run("1").gaps == []


@pytest.mark.parametrize(
    ("sql", "table"),
    [
        (
            "INSERT INTO measurements VALUES (1, 1, 'x', 9.0, 'V', 1.0, 2.0, 3, NULL, NULL, 0.0, 'pass', NULL)",
            "measurements",
        ),
        ('UPDATE events SET data = \'{"line": "one"}\', checksum = NULL WHERE run = 1 AND place = 1', "events"),
    ],
)
def test_a_row_that_cannot_be_is_one_error_and_rescue_drops_it(
    sql: str, table: str, made: Path, tmp_path: Path
) -> None:
    change(made, sql)
    with open_store(made) as store, pytest.raises(StoreDamaged, match=f"run r-000001, table {table}, row 1") as caught:
        store.run("1")
    assert "lidjig rescue" in caught.value.next_step
    saved = rescue(made, tmp_path / "new.db")
    assert next(t.missing for t in saved.tables if t.name == table) == 1
    with open_store(tmp_path / "new.db") as store:
        assert store.run("1").outcome == "incomplete"


def test_runs_that_only_looked_are_found_as_the_list_calls_them(made: Path) -> None:
    with open_store(made) as store:
        assert [row.command for row in store.runs(wanted=Filter(outcome=check_outcome("ended")))] == ["watch"]


def test_what_is_no_record_is_blamed_on_the_argument_that_named_it(tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(bytes(range(256)) * 40)
    with open_store(tmp_path / "a.db") as store, pytest.raises(BadInput) as caught:
        store.merge(photo)
    assert caught.value.key == "OTHER.db" and caught.value.value == str(photo)


def test_a_value_that_rounding_put_outside_its_interval_does_not_pass_outside_a_limit() -> None:
    found = MeasuredValue("x", -1e-220, "V", 0.0, None, 3, limit_low=0.0)
    assert found.value == 0.0 and found.outcome == "pass"
