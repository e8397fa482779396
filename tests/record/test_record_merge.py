"""Merging records: nothing twice, nothing lost, whatever the order; the other record is never written to."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import record_made
import record_old
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lidjig.errors import BadInput, StoreDamaged
from lidjig.record import merge_rows, open_store, schema
from lidjig.record.checksum import COLUMN, agrees
from lidjig.record.identity import run_id
from lidjig.record.store import Store
from record_made import Event


def content(path: Path) -> dict[str, Any]:
    """Everything in a record by what it is, without the numbers that differ from record to record."""
    with open_store(path, create=False) as store, store._engine.connect() as connection:
        jobs = {j.number: j for j in connection.execute(sa.select(schema.jobs))}
        runs = {r.number: r for r in connection.execute(sa.select(schema.runs))}
        told: dict[str, Any] = {
            "files": sorted((r.sha256, r.data) for r in connection.execute(sa.select(schema.attachments)))
        }
        for number, job in jobs.items():
            texts = set()
            for table in (schema.job_fields, schema.job_fields_elsewhere):
                rows = connection.execute(sa.select(table.c.name, table.c.text).where(table.c.job == number))
                texts |= {tuple(row) for row in rows}
            files = connection.execute(sa.select(schema.job_attachments).where(schema.job_attachments.c.job == number))
            told[f"job {job.name}"] = (job.created_utc, texts, {tuple(row)[1:] for row in files})
        for number, run in runs.items():
            rows = set()
            for table in (*schema.RUN_TABLES, schema.blocks):
                for row in connection.execute(sa.select(table).where(table.c.run == number)).mappings():
                    assert agrees(table, row), "numbers of runs and places are in the sum, and were given anew"
                    plain = {key: value for key, value in row.items() if key not in ("run", COLUMN)}
                    plain["summed"] = row[COLUMN] is not None
                    if table in (schema.notes, schema.gaps) and row["place"] > schema.OPERATOR_PLACE:
                        plain.pop("place")
                    rows.add((table.name, *plain.items()))
            files = connection.execute(sa.select(schema.run_attachments).where(schema.run_attachments.c.run == number))
            columns = dict(run._mapping)
            assert agrees(schema.runs, columns)
            columns[COLUMN] = columns[COLUMN] is not None
            columns["origin"] = columns["origin"] or run_id(columns.pop("number"))
            columns.pop("number", None)
            columns["job"] = jobs[run.job].name if run.job else None
            columns["resumes"] = runs[run.resumes].uid if run.resumes else None
            told[f"run {run.uid}"] = (columns, rows, {tuple(row)[1:] for row in files})
        return told


@pytest.fixture
def made(tmp_path: Path) -> Callable[[str], Path]:
    """made("a"): a record with a closed run of job "ticket 17" and one that was killed."""

    def make(name: str) -> Path:
        path = tmp_path / f"{name}.db"
        photo = tmp_path / f"{name}.jpg"
        photo.write_bytes(f"picture of {name}".encode())
        with open_store(path) as store:
            record_made.write_all(store.start_run("confirm", job="ticket 17"), seed=len(name))
            resumed = store.start_run("cycle", job=f"job of {name}", resumes="last")
            record_made.write_all(resumed, seed=7, finish=False)
            store.add_note("1", f"seen by {name}")
            store.attach([photo], run="1")
            store.attach([photo], job="ticket 17")
            store.enter_job("ticket 17", {"complaint": f"complaint at {name}"})
        return path

    return make


def bring(into: Path, *others: Path) -> Any:
    with open_store(into) as store:
        return [store.merge(other) for other in others][-1]


def test_a_merge_brings_everything_and_says_so(made: Callable[[str], Path], tmp_path: Path) -> None:
    other, ours = made("bench"), tmp_path / "ours.db"
    told = bring(ours, other)
    assert told.jobs == ["ticket 17", "job of bench"]
    assert told.runs == [("r-000001", "r-000001"), ("r-000002", "r-000002")]
    assert (told.attachments, told.job_fields, told.conflicts) == (2, 1, [])
    assert content(ours) == content(other)
    with open_store(ours) as store:
        whole = store.run("2")
        assert (whole.resumes, whole.origin, whole.job) == ("r-000001", "r-000002", "job of bench")
        assert (whole.outcome, whole.closed) == ("incomplete", False)
        assert [row.n for row in store.channels("2")] == [500, 2500]
        assert store.attachment("bench.jpg", run="1")[1] == b"picture of bench"


def test_a_repeated_merge_brings_nothing(made: Callable[[str], Path], tmp_path: Path) -> None:
    other, ours = made("bench"), tmp_path / "ours.db"
    bring(ours, other)
    before = content(ours)
    told = bring(ours, other)
    assert told.nothing_new and told.known_runs == 2
    assert content(ours) == before


def test_runs_of_ours_keep_their_ids_and_stay_the_last(made: Callable[[str], Path]) -> None:
    ours, other = made("ours"), made("the other")
    with open_store(ours) as store:
        before = [store.run(str(n)).uid for n in (1, 2)]
    bring(ours, other)
    with open_store(ours) as store:
        assert [store.run(str(n)).uid for n in (1, 2)] == before
        assert store.run("last").id == "r-000002" and len(store.runs()) == 4
        assert store.run("3").origin == "r-000001" and store.run("1").origin is None
        assert [row.started_utc for row in store.runs()] == sorted((r.started_utc for r in store.runs()), reverse=True)


def test_a_record_of_merged_runs_only_has_the_one_begun_last_as_last(tmp_path: Path) -> None:
    for name, stamp in (("old", "2026-01-01"), ("new", "2026-02-01"), ("older", "2025-12-01")):
        with open_store(tmp_path / f"{name}.db") as store:
            store.start_run(name).finish("pass")
        with sqlite3.connect(tmp_path / f"{name}.db") as plain:
            plain.execute("UPDATE runs SET started_utc = ?, checksum = NULL", (f"{stamp}T00:00:00.000+00:00",))
        plain.close()
    bring(tmp_path / "shop.db", *(tmp_path / f"{name}.db" for name in ("old", "new", "older")))
    with open_store(tmp_path / "shop.db") as store:
        assert store.run("last").command == "new"
        assert [row.command for row in store.runs()] == ["new", "old", "older"]


def test_a_field_that_differs_stays_ours_and_theirs_is_kept(made: Callable[[str], Path]) -> None:
    ours, other = made("ours"), made("the other")
    (conflict,) = bring(ours, other).conflicts
    assert (conflict.job, conflict.name) == ("ticket 17", "complaint")
    assert (conflict.ours, conflict.theirs) == ("complaint at ours", "complaint at the other")
    assert bring(ours, other).conflicts == []  # told once
    with open_store(ours) as store:
        assert store.job_fields("ticket 17") == {"complaint": "complaint at ours"}
        assert store.job_fields_elsewhere("ticket 17") == [("complaint", "complaint at the other")]


def test_a_run_that_was_still_open_is_completed(tmp_path: Path) -> None:
    ours, other, early = tmp_path / "ours.db", tmp_path / "other.db", tmp_path / "early.db"
    with open_store(other) as store:
        run = store.start_run("cycle")
        record_made.write_all(run, finish=False)
        with run.step("wait"):
            run.note("waiting")
            shutil.copyfile(other, early)
            shutil.copyfile(f"{other}-wal", f"{early}-wal")
            assert bring(ours, other).runs == [("r-000001", "r-000001")]  # while it is being written
            with open_store(ours) as here:
                half = here.run("last")
                assert not half.closed and half.steps[-1].state == "open"
                here.add_note("last", "ours")
            run.events([Event("mark", 9, 99)])
            record_made.feed(run, "light", 3.0, begin_us=10_000_000)
        run.finish("pass")
        store.add_note("last", "theirs")
    told = bring(ours, other)
    assert told.completed == ["r-000001"] and told.runs == [] and told.notes == 1
    with open_store(ours) as here:
        whole = here.run("last")
        assert whole.outcome == "pass" and whole.steps[-1].state == "done" and whole.events[-1].counter == 9
        assert whole.notes[-2:] == ["operator: ours", "operator: theirs"]
    before = content(ours)
    assert bring(ours, early).nothing_new  # an older copy takes nothing back
    assert content(ours) == before


def test_a_merge_that_is_broken_off_is_made_whole_by_the_next(
    made: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other, ours = made("bench"), tmp_path / "ours.db"
    insert = merge_rows._insert

    def broken(engine: sa.Engine, table: sa.Table, rows: Any, run: int) -> int:
        if table is schema.blocks:
            raise KeyboardInterrupt
        return insert(engine, table, rows, run)

    monkeypatch.setattr(merge_rows, "_insert", broken)
    with pytest.raises(KeyboardInterrupt):
        bring(ours, other)
    with open_store(ours) as store:
        assert [row.outcome for row in store.runs()] == ["incomplete"]  # it ended "fail": half of it passes for nothing
    monkeypatch.setattr(merge_rows, "_insert", insert)
    bring(ours, other)
    assert content(ours) == content(other)
    assert not list(tmp_path.glob("lidjig-copy-*"))


@pytest.mark.parametrize("version", [1, 2])
def test_an_older_record_is_brought_and_not_written_to(version: int, tmp_path: Path) -> None:
    other, ours = record_old.make(tmp_path / "old.db", version), tmp_path / "ours.db"
    before = hashlib.sha256(other.read_bytes()).hexdigest()
    told = bring(ours, other)
    assert len(told.runs) == 2 and told.jobs == ["ticket 17"]
    assert hashlib.sha256(other.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["old.db", "ours.db"]
    # The same record, brought up to date by its owner meanwhile, has the same runs.
    open_store(other).close()
    assert bring(ours, other).known_runs == 2


def test_a_record_that_is_being_written_is_read_with_its_log_and_left_alone(tmp_path: Path) -> None:
    other, ours = tmp_path / "other.db", tmp_path / "ours.db"
    with open_store(other) as store:
        run = store.start_run("cycle")
        run.events([Event("mark", 1, 1)])
        log = Path(f"{other}-wal")
        assert log.stat().st_size > 0
        before = other.read_bytes(), log.read_bytes()
        bring(ours, other)
        assert (other.read_bytes(), log.read_bytes()) == before
        run.events([Event("mark", 2, 2)])
    with open_store(ours) as here:
        assert [e.counter for e in here.run("last").events] == [1]


def test_a_log_without_its_owner_is_read_and_left_alone(tmp_path: Path) -> None:
    other, ours, kept = tmp_path / "other.db", tmp_path / "ours.db", tmp_path / "kept"
    kept.mkdir()
    with open_store(other) as store:
        store.start_run("cycle").events([Event("mark", 1, 1)])
        for suffix in ("", "-wal"):
            shutil.copyfile(f"{other}{suffix}", kept / f"other.db{suffix}")
    before = {p.name: p.read_bytes() for p in kept.iterdir()}
    assert len(bring(ours, kept / "other.db").runs) == 1
    after = {p.name: p.read_bytes() for p in kept.iterdir() if not p.name.endswith("-shm")}
    assert after == before


def test_what_cannot_be_merged_is_refused_by_name(tmp_path: Path, made: Callable[[str], Path]) -> None:
    ours = made("ours")
    newer, plain, foreign = made("newer"), tmp_path / "notes.txt", tmp_path / "foreign.db"
    with sqlite3.connect(newer) as other:
        other.execute("UPDATE lidjig_schema SET version = 99, written_by = '7.1.0'")
    other.close()
    plain.write_text("twelve screws\n" * 100)
    with sqlite3.connect(foreign) as other:
        other.execute("CREATE TABLE bookmarks (url TEXT)")
    other.close()
    before = content(ours)
    with open_store(ours) as store:
        for path, words in (
            (newer, "7.1.0"),
            (plain, "no database"),
            (foreign, "another program"),
            (tmp_path / "none.db", "none of that name"),
            (tmp_path, "folder"),
            (ours, "another record"),
        ):
            with pytest.raises(BadInput, match=words) as caught:
                store.merge(path)
            assert path.name in str(caught.value), "names the file that the user gave"
    assert content(ours) == before


def test_a_damaged_record_brings_nothing(tmp_path: Path, made: Callable[[str], Path]) -> None:
    ours, other = tmp_path / "ours.db", made("bench")
    whole = bytearray(other.read_bytes())
    with sqlite3.connect(other) as plain:
        (page,) = plain.execute("SELECT rootpage FROM sqlite_master WHERE name = 'steps'").fetchone()
    plain.close()
    whole[(page - 1) * 4096 : page * 4096] = b"\xa5" * 4096
    other.write_bytes(whole)
    with open_store(ours) as store:
        with pytest.raises(StoreDamaged) as caught:
            store.merge(other)
        assert str(other) in caught.value.next_step and "lidjig rescue" in caught.value.next_step
        assert store.runs() == []


# -- any order, any repetition

FIELDS = st.sampled_from(["complaint", "done"])
DEED = st.one_of(
    st.tuples(st.just("run"), st.sampled_from([None, "job a", "job b"]), st.booleans()),
    st.tuples(st.just("note"), st.sampled_from(["x", "y"])),
    st.tuples(st.just("file"), st.sampled_from(["one", "two"])),
    st.tuples(st.just("field"), FIELDS, st.sampled_from(["p", "q", "r"])),
    st.tuples(st.just("merge"), st.integers(0, 2)),
)


def act(stores: list[Store], paths: list[Path], at: int, deed: tuple[Any, ...], open_runs: dict[int, Any]) -> None:
    """Something that happens at one of the benches."""
    store = stores[at]
    if deed[0] == "run":
        if at in open_runs:
            open_runs.pop(at).finish("pass")
        run = store.start_run("cycle", job=deed[1], resumes="last" if store.runs() and deed[2] else None)
        run.events([Event("boot", 1, 0)])
        if deed[2]:
            record_made.write_all(run, finish=False)
            run.finish("fail")
        else:
            open_runs[at] = run
    elif deed[0] == "note" and store.runs():
        store.add_note("last", deed[1])
        if at in open_runs:
            open_runs[at].events([Event("mark", 2, 2)])
    elif deed[0] == "file" and store.runs():
        file = paths[at].with_name(f"{deed[1]}.txt")
        file.write_text(deed[1])
        store.attach([file], run="last")
    elif deed[0] == "field":
        store.enter_job("job a", {deed[1]: deed[2]})
    elif deed[0] == "merge" and deed[1] != at:
        store.merge(paths[deed[1]])


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    deeds=st.lists(st.tuples(st.integers(0, 2), DEED), min_size=3, max_size=12),
    orders=st.lists(st.lists(st.integers(0, 2), max_size=3), min_size=2, max_size=2),
    last=st.permutations([0, 1, 2]),
)
def test_any_order_and_any_repetition_gives_the_same_record(
    deeds: list[tuple[int, tuple[Any, ...]]],
    orders: list[list[int]],
    last: list[int],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    # Nobody pulls the plug here: without waiting for the disk there is time for more examples.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lidjig.record.engine._pragmas", quick_pragmas)
        live_and_merge(tmp_path_factory.mktemp("benches"), deeds, orders, last)


def quick_pragmas(connection: Any, _record: object) -> None:
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = OFF")


def live_and_merge(
    folder: Path, deeds: list[tuple[int, tuple[Any, ...]]], orders: list[list[int]], last: list[int]
) -> None:
    paths = [folder / f"bench {n}.db" for n in range(3)]
    stores = [open_store(path) for path in paths]
    open_runs: dict[int, Any] = {}
    for at, deed in deeds:
        act(stores, paths, at, deed, open_runs)
    for store in stores:
        store.close()
    results = []
    for number, order in enumerate([[*orders[0], 0, 1, 2], [*orders[1], *last], [*last, *orders[0], *reversed(last)]]):
        target = folder / f"target {number}.db"
        bring(target, *(paths[n] for n in order))
        results.append(content(target))
    assert results[0] == results[1] == results[2]
    # One of the benches that takes in the others knows the same in the end.
    bring(paths[last[0]], *(paths[n] for n in last[1:]))
    assert content(paths[last[0]]) == results[0]
