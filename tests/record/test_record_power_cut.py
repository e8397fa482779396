"""The plug is pulled: whatever part of the write-ahead log reached the disk, the record opens, and every event whose
commit lay before the cut is in it.

What a power cut leaves of a log is its beginning: SQLite only ever appends to it, and waits for the disk before a
commit returns (SQLite, "Write-Ahead Logging", and "Atomic Commit In SQLite").

What counts as acknowledged at a length: an event is acknowledged when `RunRecorder.events` has returned, and not
before. `write` and `write_little` note then how many bytes of the log count; what lies before that length had been
waited for. That it had is not seen here but follows from `synchronous = FULL`, with which SQLite syncs the log at every
commit (SQLite, "Pragma statements", synchronous); the record's own connection is asked for it. A disk that says it has
written and has not is beyond any test of this kind, and so are sectors that arrive out of order: SQLite's checksums are
for those.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from lidjig.record import open_store
from lidjig.record.write_ahead import FRAME_HEADER, LOG_HEADER, log_frames
from record_made import Event, feed

PAGE = 4096
FRAME = FRAME_HEADER + PAGE
LITTLE_PAGE = 512
LITTLE_FRAME = FRAME_HEADER + LITTLE_PAGE


def write(path: Path, kept: Path, *, begun_anew: bool) -> list[tuple[int, int]]:
    """A run of 24 acknowledged batches with samples between; its files are copied into `kept` before anybody tidies up.

    Returns (bytes of the log, acknowledged events) after each commit. begun_anew: the log was emptied into the file
    half way, so that what is left of before stands behind what counts.
    """
    log = Path(f"{path}-wal")
    acknowledged = []
    with open_store(path) as store:
        run = store.start_run("cycle", job="cut")
        for number in range(1, 25):
            if begun_anew and number == 12:
                with sqlite3.connect(path) as other:
                    other.execute("PRAGMA wal_checkpoint(RESTART)")
                other.close()
            feed(run, "light", 0.8, begin_us=800_000 * number, seed=number)
            with run.step("close", n=number):
                run.events([Event("edge", 2 * number - 1, number), Event("edge", 2 * number, number)])
            good = log_frames(log)[1]
            if not begun_anew or number >= 12:
                acknowledged.append((LOG_HEADER + good * FRAME, 2 * number))
        shutil.copyfile(path, kept / "runs.db")
        shutil.copyfile(log, kept / "runs.db-wal")
    return acknowledged


def cuts(length: int) -> list[int]:
    """Every frame's beginning and end, the parts of the header, and a sample of the bytes between."""
    choose = random.Random(4)
    ends = list(range(LOG_HEADER, length + 1, FRAME))
    between = [choose.randrange(length) for _ in range(30)]
    edges = [end + by for end in ends[::4] for by in (-1, 1, FRAME_HEADER) if 0 <= end + by <= length]
    return sorted({0, 1, 24, LOG_HEADER - 1, length, *ends, *between, *edges})


def quick_pragmas(connection: Any, _record: object) -> None:
    """For looking only: what the cut left is on the disk already."""
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = OFF")


@pytest.mark.parametrize("begun_anew", [False, True], ids=["one log", "a log begun anew"])
def test_a_long_log_with_samples_cut_anywhere_keeps_every_event_committed_before(
    begun_anew: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, cut_at = tmp_path / "kept", tmp_path / "cut"
    kept.mkdir()
    cut_at.mkdir()
    acknowledged = write(tmp_path / "runs.db", kept, begun_anew=begun_anew)
    log = (kept / "runs.db-wal").read_bytes()
    monkeypatch.setattr("lidjig.record.engine._pragmas", quick_pragmas)
    assert len(acknowledged) >= 12 and acknowledged[-1][0] <= len(log)
    for number, length in enumerate(cuts(len(log))):
        for old in cut_at.iterdir():
            old.unlink()
        shutil.copyfile(kept / "runs.db", cut_at / "runs.db")
        (cut_at / "runs.db-wal").write_bytes(log[:length])
        due = max((events for end, events in acknowledged if end <= length), default=22 if begun_anew else 0)
        if number % 6 == 0:
            opens(cut_at / "runs.db", due, length)
        is_whole(cut_at / "runs.db", due, length)


def is_whole(path: Path, due: int, length: int) -> None:
    """The file by SQLite alone: sound, and with every event that was acknowledged, in order."""
    with sqlite3.connect(path) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)], f"log cut at {length}"
        if plain.execute("SELECT 1 FROM sqlite_master WHERE name = 'events'").fetchone() is None:
            counters: list[int] = []  # cut before the tables were made
        else:
            counters = [n for (n,) in plain.execute("SELECT counter FROM events WHERE run = 1 ORDER BY place")]
    plain.close()
    assert counters == list(range(1, len(counters) + 1)), f"log cut at {length}"
    assert len(counters) >= due and len(counters) % 2 == 0, f"log cut at {length}: {len(counters)} events of {due}"


def opens(path: Path, due: int, length: int) -> None:
    """The record reads whole and takes a new run."""
    with open_store(path) as store:
        if due:
            run = store.run("last")
            assert len(run.events) >= due and run.outcome == "incomplete" and run.job == "cut"
            for row in store.channels("last"):
                read = sum(len(s.raw) for s in store.series("last", row.channel))
                assert read == row.n, f"log cut at {length}"
        else:
            assert len(store.runs()) <= 1
        store.start_run("cycle").finish("pass")
        assert store.run("last").outcome == "pass"


def write_little(path: Path) -> list[tuple[int, int]]:
    """Six batches of events into a log that has nothing else in it: the run and its tables are in the file already.
    Pages of 512 bytes, the least that SQLite has, so that every byte can be tried; lidjig's own have 4096.

    Leaves path and its log as the power cut finds them. Returns (bytes of the log, acknowledged events) each time that
    `events` has returned, beginning with none.
    """
    log, kept = Path(f"{path}-wal"), path.with_name("kept")
    acknowledged = [(0, 0)]
    with sqlite3.connect(path) as empty:
        empty.execute(f"PRAGMA page_size = {LITTLE_PAGE}")
        empty.execute("VACUUM")
    empty.close()
    with open_store(path) as store:
        run = store.start_run("cycle", job="cut")
        with sqlite3.connect(path) as other:
            assert other.execute("PRAGMA page_size").fetchone() == (LITTLE_PAGE,)
            assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0 and log.stat().st_size == 0
        other.close()
        with store._engine.connect() as connection:
            assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
        for number in range(1, 7):
            run.events([Event("edge", 2 * number - 1, number), Event("edge", 2 * number, number)])
            acknowledged.append((log.stat().st_size, 2 * number))
            assert log_frames(log) == ((log.stat().st_size - LOG_HEADER) // LITTLE_FRAME,) * 2
        kept.mkdir()
        for file in (path, log):
            shutil.copyfile(file, kept / file.name)
    for file in (path, log):
        shutil.copyfile(kept / file.name, file)
    return acknowledged


def test_a_log_cut_at_every_byte_has_every_event_acknowledged_before_and_no_other(tmp_path: Path) -> None:
    """Every length from the whole log to none is opened by SQLite. Read-only, so that nobody tidies the log away, and
    without the index of the log, which does not outlive a power cut.
    """
    path = tmp_path / "runs.db"
    acknowledged = write_little(path)
    log, index = Path(f"{path}-wal"), Path(f"{path}-shm")
    whole = log.stat().st_size
    assert whole == acknowledged[-1][0] > 12 * LITTLE_FRAME
    due = dict(acknowledged)
    found: dict[int, int] = {}
    for length in range(whole, -1, -1):
        os.truncate(log, length)
        index.unlink(missing_ok=True)
        plain = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
        counters = [n for (n,) in plain.execute("SELECT counter FROM events WHERE run = 1 ORDER BY place")]
        if length % LITTLE_FRAME == LOG_HEADER:
            assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)], f"log cut at {length}"
        plain.close()
        assert counters == list(range(1, len(counters) + 1)), f"log cut at {length}"
        found[length] = len(counters)
    told = 0
    for length in range(whole + 1):
        told = due.get(length, told)
        assert found[length] == told, f"log cut at {length}: {found[length]} events of {told}"


def test_the_log_is_understood_as_sqlite_understands_it(tmp_path: Path) -> None:
    """SQLite says itself how many pages of its log count."""
    path = tmp_path / "runs.db"
    with open_store(path) as store:
        run = store.start_run("cycle")
        for number in range(1, 30):
            run.events([Event("edge", number, number)])
        with sqlite3.connect(path) as other:
            _, in_log, _ = other.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        other.close()
        assert log_frames(Path(f"{path}-wal")) == (in_log, in_log)
    assert log_frames(tmp_path / "none-wal") == (0, 0)
