"""A record of an older version opens and reads; an update that is broken off leaves it as it was."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import record_made
import record_old
import sqlalchemy as sa
from lidjig.record import migrate, open_store, schema


def version_of(path: Path) -> int:
    with sqlite3.connect(path) as plain:
        (version,) = plain.execute("SELECT version FROM lidjig_schema").fetchone()
    plain.close()
    return int(version)


def tables_of(path: Path) -> dict[str, list[str]]:
    """Columns by table."""
    with sqlite3.connect(path) as plain:
        names = [n for (n,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {n: [row[1] for row in plain.execute(f"PRAGMA table_info({n})")] for n in names}
    plain.close()
    return found


@pytest.mark.parametrize("version", [1, 2])
def test_an_old_record_opens_and_reads(version: int, tmp_path: Path) -> None:
    path = record_old.make(tmp_path / "old.db", version)
    with open_store(path, create=False) as store:
        run, killed = store.run("1"), store.run("2")
        assert [row.machine for row in store.runs()] == [None, "alder-14"]
        assert store.channels("1") == [] and list(store.series("1", "light")) == []
    assert (run.job, run.command, run.seed, run.outcome, run.closed) == ("ticket 17", "confirm", "42", "fail", True)
    assert run.texts["sensor"] == 'name = "hinge-a1"\n' and run.arguments == {"rounds": 3}
    assert [(e.counter, e.t_us) for e in run.events] == [(1, 0), (2, 2**50)]
    assert run.notes == ["first", "operator: corrosion"] and run.frames == ["> hello seq=1"]
    assert [g.after_event for g in run.gaps] == [2] and run.findings[0].what == "dead"
    assert run.measurements[0].value == 3.3 and run.samples[0].value == 3300.5 and run.steps[0].state == "done"
    assert run.job_fields == ({} if version == 1 else {"complaint": "never starts"})
    assert (run.observations, run.attachments, run.machine, run.origin) == ([], [], "alder-14", None)
    assert (killed.outcome, killed.closed, killed.resumes) == ("incomplete", False, "r-000001")
    assert version_of(path) == schema.SCHEMA_VERSION


@pytest.mark.parametrize("version", [1, 2])
def test_an_updated_record_has_the_tables_of_a_new_one_and_takes_everything(version: int, tmp_path: Path) -> None:
    old, new = record_old.make(tmp_path / "old.db", version), tmp_path / "new.db"
    open_store(new).close()
    with open_store(old) as store:
        record_made.write_all(store.start_run("cycle", job="ticket 17", texts={"machine": 'name = "birch-13"'}))
        run = store.run("last")
    assert run.id == "r-000003" and run.machine == "birch-13" and run.observations[0].name == "supply"
    assert tables_of(old) == tables_of(new)


def test_every_copy_of_an_old_run_gets_the_same_uid(tmp_path: Path) -> None:
    uids = []
    for version, name in ((1, "a.db"), (2, "b.db")):
        with open_store(record_old.make(tmp_path / name, version)) as store:
            uids.append((store.run("1").uid, store.run("2").uid))
    assert uids[0] == uids[1] and uids[0][0] != uids[0][1]
    assert all(len(uid) == 32 and int(uid, 16) >= 0 for uid in uids[0])


def test_a_run_that_an_older_program_adds_later_has_a_uid(tmp_path: Path) -> None:
    """The older program had the record open while it was brought up to date; it knows nothing of uids."""
    path = record_old.make(tmp_path / "old.db", 2)
    open_store(path).close()
    with sqlite3.connect(path) as older:
        for _ in range(2):
            older.execute(
                "INSERT INTO runs (command, arguments, command_line, host_version, firmware_version, board_id,"
                " link_details, started_utc) VALUES ('hold', '{}', '[]', '0.1.0', '', '', '{}', '2026-01-06')"
            )
    older.close()
    with open_store(path) as store:
        assert len({store.run(str(n)).uid for n in (1, 2, 3, 4)}) == 4 and len(store.run("4").uid) == 32


def test_new_runs_have_different_uids(tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        uids = {store.run(store.start_run("cycle").id).uid for _ in range(20)}
    assert len(uids) == 20 and {len(uid) for uid in uids} == {32}


def test_an_update_that_fails_leaves_the_old_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = record_old.make(tmp_path / "old.db", 1)
    before = tables_of(path)
    whole = migrate.STEPS[2]

    def broken(connection: sa.Connection) -> None:
        whole(connection)
        raise KeyboardInterrupt

    monkeypatch.setitem(migrate.STEPS, 2, broken)
    with pytest.raises(KeyboardInterrupt):
        open_store(path)
    assert version_of(path) == 1 and tables_of(path) == before
    monkeypatch.setitem(migrate.STEPS, 2, whole)
    with open_store(path) as store:
        assert store.run("1").outcome == "fail"
    assert version_of(path) == schema.SCHEMA_VERSION


KILLED = """
import sys, time
from lidjig.record import migrate, open_store
whole = migrate.STEPS[2]
def slow(connection):
    whole(connection)
    print("in the middle", flush=True)
    time.sleep(60)
migrate.STEPS[2] = slow
open_store(sys.argv[1])
"""


def test_an_update_that_is_killed_leaves_the_old_version(tmp_path: Path) -> None:
    path = record_old.make(tmp_path / "old.db", 2)
    before = tables_of(path)
    process = subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stdout.readline() == "in the middle\n"
    process.kill()
    process.communicate(timeout=20)
    assert version_of(path) == 2 and tables_of(path) == before
    with open_store(path) as store:
        assert len(store.runs()) == 2
    assert version_of(path) == schema.SCHEMA_VERSION


OPENS = """
import sys
from lidjig.record import open_store
with open_store(sys.argv[1]) as store:
    store.start_run("cycle", job="ticket 17").finish("pass")
    print(*sorted(store.run(row.id).uid for row in store.runs()))
"""


def test_several_processes_update_it_at_once(tmp_path: Path) -> None:
    path = record_old.make(tmp_path / "old.db", 1)
    command = [sys.executable, "-c", OPENS, str(path)]
    openers = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    for opener in openers:
        _, err = opener.communicate(timeout=60)
        assert opener.returncode == 0, err
    with open_store(path) as store:
        assert len(store.runs()) == 6 and store.jobs() == ["ticket 17"]
    assert version_of(path) == schema.SCHEMA_VERSION
