"""Saving what can be read of a damaged record: bad pages, a cut file, lost indexes, a damaged log."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import record_made
import record_old
from lidjig.errors import BadInput, LidjigError, StoreDamaged
from lidjig.record import open_store
from lidjig.record.rescue import Rescued, rescue
from record_made import Event

PAGE = 4096  # SQLite's default; what the records here are made of


def page_of(path: Path, name: str) -> int:
    """Number of the first page of a table or index."""
    with sqlite3.connect(path) as plain:
        row = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    plain.close()
    return int(row[0])


def children_of(path: Path, name: str) -> list[int]:
    """Pages right below the first page of a table, in order: its leaves, where it is two pages deep.

    SQLite, "Database File Format", section 1.6: an interior page of a table has type 5, its number of cells at 3,
    the rightmost child at 8, and from 12 on the places of its cells, each of which begins with a child's number.
    """
    data = path.read_bytes()
    root = page_of(path, name)
    page = data[(root - 1) * PAGE : root * PAGE]
    assert page[0] == 5, f"{name} has one page only"
    cells = [int.from_bytes(page[12 + 2 * k : 14 + 2 * k]) for k in range(int.from_bytes(page[3:5]))]
    return [*(int.from_bytes(page[at : at + 4]) for at in cells), int.from_bytes(page[8:12])]


def spoil(path: Path, *pages: int, with_: bytes = b"\xa5") -> None:
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            file.write(with_ * PAGE)


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """Three runs; the second has 2000 events over many pages and 30 s of samples."""
    path = tmp_path / "runs.db"
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(bytes(range(256)) * 40)
    with open_store(path) as store:
        record_made.write_all(store.start_run("confirm", job="ticket 17", texts={"machine": 'name = "alder-14"'}))
        run = store.start_run("cycle", resumes="last", job="ticket 17")
        run.events([Event("edge", n, 1000 * n, {"line": 1, "level": n % 2}) for n in range(1, 2001)])
        record_made.feed(run, "light", 30.0)
        run.finish("pass")
        record_made.write_all(store.start_run("hold"), seed=3)
        store.attach([photo], run="1")
        store.enter_job("ticket 17", {"complaint": "never starts"})
    with sqlite3.connect(path) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()
    return path


@pytest.fixture
def save(made: Path, tmp_path: Path) -> Callable[[], Rescued]:
    """save(): rescue the record into new.db; the damaged files stay as they are, and nothing else is left behind."""

    def go() -> Rescued:
        damaged = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
        saved = rescue(made, tmp_path / "new.db")
        now = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file() and not p.name.startswith("new.db")}
        assert now == damaged and not list(tmp_path.glob("lidjig-copy-*"))
        return saved

    return go


def count(saved: Rescued, table: str) -> tuple[int, int]:
    """(saved, missing) of a table."""
    (found,) = [t for t in saved.tables if t.name == table]
    return found.saved, found.missing


def read_all(path: Path) -> dict[str, Any]:
    """Every run with all its samples, as the new record opens."""
    with open_store(path, create=False) as store:
        runs = {row.id: store.run(row.id) for row in store.runs()}
        for run in runs.values():
            for channel in store.channels(run.id):
                assert sum(len(s.raw) for s in store.series(run.id, channel.channel)) == channel.n
        return runs


def test_a_whole_record_is_saved_whole(save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    saved = save()
    assert saved.whole and saved.runs == {} and count(saved, "events") == (2006, 0)
    with open_store(made) as old, open_store(tmp_path / "new.db") as new:
        for run in ("1", "2", "3"):
            assert new.run(run) == old.run(run)
            assert new.channels(run) == old.channels(run)
        assert new.attachment("photo.jpg", run="1") == old.attachment("photo.jpg", run="1")
        assert new.job_fields("ticket 17") == {"complaint": "never starts"}
        assert new.start_run("hold").id == "r-000004"


def test_a_damaged_record_names_rescue(made: Path) -> None:
    spoil(made, page_of(made, "events"))
    with open_store(made) as store, pytest.raises(StoreDamaged) as caught:
        store.run("2")
    assert f"lidjig rescue {made} NEW.db" in caught.value.next_step


@pytest.mark.parametrize("junk", [b"\xa5", b"\x00", b"\x0d"], ids=["noise", "zeros", "type of a leaf"])
def test_bad_pages_are_gone_round(junk: bytes, save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    leaves = children_of(made, "events")
    spoil(made, leaves[3], leaves[4], leaves[9], with_=junk)
    saved = save()
    kept, missing = count(saved, "events")
    assert kept + missing == 2006 and 0 < missing < 3 * 200
    (text,) = saved.runs["r-000002"]
    assert text.startswith("events ") and f"({missing} rows)" in text and set(saved.runs) == {"r-000002"}
    run = read_all(tmp_path / "new.db")["r-000002"]
    counters = [event.counter for event in run.events]
    assert counters == sorted(set(counters)) and len(counters) == 2000 - missing
    (gap,) = run.gaps
    assert gap.kind == "rescued" and gap.text == text
    assert all(event.data == {"line": 1, "level": event.counter % 2} for event in run.events)


def test_a_table_whose_first_page_is_gone_is_found_by_its_leaves(
    save: Callable[[], Rescued], tmp_path: Path, made: Path
) -> None:
    """Rows with a checksum say themselves to which table they belong."""
    with open_store(made) as store:
        true = store.run("2").events
    spoil(made, page_of(made, "events"))
    saved = save()
    assert count(saved, "events") == (2006, 0) and count(saved, "blocks")[1] == 0
    assert read_all(tmp_path / "new.db")["r-000002"].events == true


def test_a_table_whose_first_page_is_gone_is_missing_without_checksums(
    save: Callable[[], Rescued], tmp_path: Path, made: Path
) -> None:
    with sqlite3.connect(made) as plain:
        plain.execute("UPDATE events SET checksum = NULL")
    plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()
    spoil(made, page_of(made, "events"))
    saved = save()
    assert count(saved, "events") == (0, 2006) and count(saved, "blocks")[1] == 0
    assert set(saved.runs) == {"r-000001", "r-000002", "r-000003"}
    runs = read_all(tmp_path / "new.db")
    assert runs["r-000001"].events == [] and runs["r-000001"].findings[0].what == "dead"


def test_every_row_on_a_leaf_before_the_cut_is_saved(save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    """The page above the leaves is lost too. How many rows a leaf has stands in its bytes 3 and 4 ("SQLite
    database file format, 1.6").
    """
    data = made.read_bytes()
    leaves = children_of(made, "events")
    spoil(made, page_of(made, "events"))
    cut = len(data) * 6 // 10 // 4096
    due = sum(int.from_bytes(data[(n - 1) * 4096 + 3 : (n - 1) * 4096 + 5]) for n in leaves if n <= cut)
    made.write_bytes(made.read_bytes()[: cut * 4096])
    saved = save()
    assert 0 < due < 2006 and count(saved, "events")[0] == due
    assert not saved.whole and "r-000002" in saved.runs


def test_a_lost_index_costs_nothing(save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    spoil(made, page_of(made, "sqlite_autoindex_events_1"), page_of(made, "sqlite_autoindex_blocks_1"))
    saved = save()
    assert count(saved, "events") == (2006, 0) and count(saved, "blocks")[1] == 0 and saved.runs == {}
    assert len(read_all(tmp_path / "new.db")["r-000002"].events) == 2000


def test_lost_rows_are_known_by_their_places_without_the_index(save: Callable[[], Rescued], made: Path) -> None:
    leaves = children_of(made, "events")
    spoil(made, page_of(made, "sqlite_autoindex_events_1"), leaves[5])
    saved = save()
    (table,) = [t for t in saved.tables if t.name == "events"]
    assert table.missing > 0 and table.saved + table.missing == 2006
    assert not table.missing_is_all, "after the last row saved there may have been more"


def test_a_run_whose_own_row_is_lost_keeps_the_rest(save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    spoil(made, page_of(made, "runs"))
    saved = save()
    runs = read_all(tmp_path / "new.db")
    assert {run.command for run in runs.values()} == {"unknown"} and len(runs["r-000002"].events) == 2000
    assert {run.outcome for run in runs.values()} == {"incomplete"}
    assert all("versions, times and outcome" in texts[0] for texts in saved.runs.values()) and len(saved.runs) == 3


@pytest.mark.parametrize("part", [0.3, 0.6, 0.9, 0.97])
def test_a_cut_file(part: float, save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    whole = made.read_bytes()
    made.write_bytes(whole[: int(len(whole) * part)])
    with pytest.raises(StoreDamaged, match="malformed|the file is cut"), open_store(made) as store:
        for row in store.runs():
            store.run(row.id)
            store.channels(row.id)
            store.attachment("photo.jpg", run="1")
    saved = save()
    assert not saved.whole and "the file is cut" in saved.remarks[0]
    read_all(tmp_path / "new.db")
    (events,) = [t for t in saved.tables if t.name == "events"]
    assert events.saved + events.missing == 2006 or not events.missing_is_all
    assert events.saved > 0 or part < 0.5


def test_a_destroyed_first_page(save: Callable[[], Rescued], tmp_path: Path, made: Path) -> None:
    spoil(made, 1)
    with pytest.raises(BadInput, match="no database .*lidjig rescue"):
        open_store(made)
    saved = save()
    assert "table of contents" in saved.remarks[0]
    assert count(saved, "events") == (2006, 0)
    assert len(read_all(tmp_path / "new.db")["r-000002"].events) == 2000


def test_a_destroyed_first_page_of_a_record_that_began_as_an_older_one(tmp_path: Path) -> None:
    """Its tables lie elsewhere: better nothing than rows of one table taken for those of another."""
    path = record_old.make(tmp_path / "old.db", 2)
    with open_store(path) as store:
        record_made.write_all(store.start_run("cycle"))
    spoil(path, 1)
    with pytest.raises(BadInput, match="nothing in this file"):
        rescue(path, tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()


def test_content_that_does_not_prove_itself_is_left_out(
    save: Callable[[], Rescued], tmp_path: Path, made: Path
) -> None:
    """Damage inside a row, which SQLite itself does not see."""
    with sqlite3.connect(made) as plain:
        plain.execute("UPDATE attachments SET data = zeroblob(length(data))")
        plain.execute("UPDATE blocks SET data = zeroblob(length(data)) WHERE run = 2 AND place = 2")
        plain.execute("UPDATE events SET data = X'FF00FF' WHERE run = 2 AND place = 7")
        plain.execute("UPDATE events SET t_us = 'soon' WHERE run = 2 AND place = 8")
        plain.execute("UPDATE steps SET arguments = '{' WHERE run = 1")
    plain.close()
    saved = save()
    assert count(saved, "attachments") == (0, 1) and count(saved, "run_attachments") == (0, 1)
    assert count(saved, "events") == (2004, 2) and count(saved, "steps") == (1, 1)
    assert saved.runs["r-000002"] == [
        "events 7 to 8 (2 rows) could not be read", "blocks of light 2 (1 row) could not be read",
    ]  # fmt: skip
    runs = read_all(tmp_path / "new.db")
    assert runs["r-000002"].gaps[0].after_event == 6 and runs["r-000001"].steps == []


def test_a_damaged_log_gives_what_was_written_before_the_damage(tmp_path: Path, made: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir()
    with open_store(made) as store:
        run = store.start_run("cycle")
        for n in range(1, 31):
            run.events([Event("edge", n, n)])
        for suffix in ("", "-wal"):
            shutil.copyfile(f"{made}{suffix}", kept / f"runs.db{suffix}")
    log = kept / "runs.db-wal"
    data = bytearray(log.read_bytes())
    data[len(data) // 2] ^= 1
    log.write_bytes(data)
    saved = rescue(kept / "runs.db", tmp_path / "new.db")
    assert "the write-ahead log is damaged" in saved.remarks[0]
    counters = [e.counter for e in read_all(tmp_path / "new.db")["r-000004"].events]
    assert 0 < len(counters) < 30 and counters == list(range(1, len(counters) + 1))
    assert log.read_bytes() == data


@pytest.mark.parametrize("version", [1, 2])
def test_an_older_record_is_saved_as_it_would_be_updated(version: int, tmp_path: Path) -> None:
    old, new = record_old.make(tmp_path / "old.db", version), tmp_path / "new.db"
    before = old.read_bytes()
    assert rescue(old, new).whole
    assert old.read_bytes() == before
    with open_store(old) as updated, open_store(new) as saved:
        for run in ("1", "2"):
            assert saved.run(run) == updated.run(run)


def test_rescued_twice_and_merged_gives_each_run_once(made: Path, tmp_path: Path) -> None:
    leaves = children_of(made, "events")
    whole = tmp_path / "backup.db"
    shutil.copyfile(made, whole)
    spoil(made, leaves[3])
    for name in ("one.db", "two.db"):
        rescue(made, tmp_path / name)
    with open_store(tmp_path / "one.db") as store:
        assert store.merge(tmp_path / "two.db").nothing_new
        assert store.merge(whole).completed == ["r-000002"]  # the backup has what was lost
        assert [e.counter for e in store.run("2").events] == list(range(1, 2001))


def test_what_is_no_record_is_refused(tmp_path: Path, made: Path) -> None:
    new, foreign, text = tmp_path / "new.db", tmp_path / "foreign.db", tmp_path / "notes.txt"
    with sqlite3.connect(foreign) as other:
        other.execute("CREATE TABLE bookmarks (url TEXT)")
    other.close()
    text.write_text("twelve screws\n" * 1000)
    for path, words in (
        (foreign, "another program"),
        (text, "nothing in this file"),
        (tmp_path / "none.db", "none of that name"),
        (tmp_path, "a folder"),
    ):
        with pytest.raises(BadInput, match=words):
            rescue(path, new)
        assert not new.exists()
    with pytest.raises(BadInput, match="nothing is overwritten"):
        rescue(made, text)
    with sqlite3.connect(made) as other:
        other.execute("UPDATE lidjig_schema SET version = 99, written_by = '7.1.0'")
    other.close()
    with pytest.raises(BadInput, match=r"7\.1\.0"):
        rescue(made, new)
    assert not new.exists()


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_damaged_what_is_saved_opens_and_is_true(seed: int, made: Path, tmp_path: Path) -> None:
    choose = random.Random(seed)
    with open_store(made) as store:
        true = {row.id: store.run(row.id) for row in store.runs()}
        light = np.concatenate([s.raw for s in store.series("2", "light")])
    data = bytearray(made.read_bytes())
    for _ in range(choose.randint(1, 6)):
        size = choose.choice((1, 16, 600, PAGE))
        at = choose.randrange(len(data) - size)
        at -= at % size if size == PAGE else 0
        data[at : at + size] = choose.randbytes(size)
    made.write_bytes(data)
    try:
        saved = rescue(made, tmp_path / "new.db")
    except BadInput as error:
        assert isinstance(error, LidjigError) and "nothing in this file" in str(error), f"seed {seed}"
        return
    for run_id, run in read_all(tmp_path / "new.db").items():
        if run.command == "unknown":
            assert run_id in saved.runs
        whole = {event.counter: event for event in true[run_id].events}
        assert all(event.counter in whole for event in run.events) or saved.runs, f"seed {seed}"
    with open_store(tmp_path / "new.db") as store:
        kept = {int(t): int(r) for s in store.series("2", "light") for t, r in zip(s.t_us, s.raw, strict=True)}
    assert all(light[t // 1000] == raw for t, raw in kept.items()), f"seed {seed}"
