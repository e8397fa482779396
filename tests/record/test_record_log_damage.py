"""A write-ahead log that is damaged in the middle is kept and told before SQLite forgets what lies behind the damage.

What counts of a log is what SQLite itself makes of it; its layout: "SQLite database file format, 4"
(https://www.sqlite.org/fileformat2.html).
"""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import pytest
from lidjig.cli.main import run as run_command
from lidjig.errors import StoreDamaged
from lidjig.record import open_store
from lidjig.record.rescue import rescue
from lidjig.record.write_ahead import FRAME_HEADER, LOG_HEADER, kept_logs, log_state
from record_made import Event

FRAME = FRAME_HEADER + 4096
EVENTS = 30


@pytest.fixture
def killed(tmp_path: Path) -> Path:
    """A record as kill -9 leaves it: one run that ended, one that had 30 events, all of it in the log."""
    path, kept = tmp_path / "live.db", tmp_path / "kept"
    kept.mkdir()
    with open_store(path) as store:
        store.start_run("confirm").finish("pass")
        run = store.start_run("cycle")
        for n in range(1, EVENTS + 1):
            run.events([Event("edge", n, n)])
        for suffix in ("", "-wal"):
            shutil.copyfile(f"{path}{suffix}", kept / f"runs.db{suffix}")
    return kept / "runs.db"


def log(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def flip(path: Path, at: int) -> bytes:
    data = bytearray(log(path).read_bytes())
    data[at] ^= 4
    log(path).write_bytes(data)
    return bytes(data)


@pytest.mark.parametrize("within", [2, 10, 18, FRAME_HEADER + 100], ids=["page number", "salt", "checksum", "page"])
def test_a_bit_in_the_middle_is_kept_and_said_once(
    within: int, killed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = (log(killed).stat().st_size - LOG_HEADER) // FRAME
    middle = frames * 2 // 3
    data = flip(killed, LOG_HEADER + middle * FRAME + within)
    assert log_state(log(killed)).good == middle and log_state(log(killed)).damaged
    for _ in range(2):
        assert run_command(["runs", "--store", str(killed)]) == 0
    out, err = capsys.readouterr()
    assert "2 runs in" in out and err.count("warning") == 1
    assert f"{middle} of its {frames} pages count" in err and f"lidjig rescue {killed}" in err
    assert [kept.read_bytes() for kept in kept_logs(killed)] == [data]
    with open_store(killed) as store:
        there = len(store.run("2").events)
    assert 0 < there < EVENTS, "SQLite goes on with what counts"
    saved = rescue(killed, tmp_path / "new.db")
    (events,) = [t for t in saved.tables if t.name == "events"]
    assert events.saved == there and not events.missing_is_all and not saved.whole
    assert list(saved.runs) == ["r-000002"] and f"after event {there}: unknown" in saved.runs["r-000002"][0]
    with open_store(tmp_path / "new.db") as store:
        assert [row.outcome for row in store.runs()] == ["incomplete", "pass"]


def test_rescue_says_unknown_where_the_log_is_still_there(killed: Path, tmp_path: Path) -> None:
    flip(killed, LOG_HEADER + 60 * FRAME + 500)
    assert run_command(["rescue", str(killed), str(tmp_path / "new.db")]) == 0
    assert not kept_logs(killed), "nothing is written beside it"


def test_rescue_in_words(killed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flip(killed, log(killed).stat().st_size - 3 * FRAME)
    assert run_command(["rescue", str(killed), str(tmp_path / "new.db")]) == 0
    (line,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("  events ")]
    assert "unknown" in line and "0 missing" not in line


@pytest.mark.parametrize("at", [1, 9, 17, 25], ids=["magic", "page size", "salt", "checksum"])
def test_a_flipped_header_loses_no_log(at: int, killed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = flip(killed, at)
    run_command(["runs", "--store", str(killed)])
    with open_store(killed) as store:  # as a command does that records
        store.start_run("confirm").finish("pass")
    assert capsys.readouterr().err.count("warning: the write-ahead log") == 1
    assert [kept.read_bytes() for kept in kept_logs(killed)] == [data]


def test_an_earlier_kept_log_is_not_overwritten(killed: Path) -> None:
    first = killed.with_name("runs.db-wal.damaged")
    first.write_bytes(b"of last month")
    data = flip(killed, LOG_HEADER + 60 * FRAME + 500)
    open_store(killed).close()
    assert first.read_bytes() == b"of last month" and kept_logs(killed)[1].read_bytes() == data


@pytest.mark.parametrize("cut", [0, 1, 20, LOG_HEADER, LOG_HEADER + 10, LOG_HEADER + 50 * FRAME + 700, -1, -FRAME])
def test_a_torn_end_is_normal(cut: int, killed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log(killed).write_bytes(log(killed).read_bytes()[: cut if cut >= 0 else cut or None])
    run_command(["runs", "--store", str(killed)])
    assert "warning" not in capsys.readouterr().err and not kept_logs(killed)


def test_a_damaged_last_frame_and_frames_of_an_older_log_are_normal(killed: Path) -> None:
    last = log(killed).stat().st_size - FRAME
    flip(killed, last + 700)
    state = log_state(log(killed))
    assert not state.damaged and state.good == state.frames - 1
    flip(killed, last + 700)
    data = bytearray(log(killed).read_bytes())
    for at in range(LOG_HEADER + 50 * FRAME, len(data), FRAME):
        (salt,) = struct.unpack_from(">I", data, at + 8)
        struct.pack_into(">I", data, at + 8, salt - 1)  # section 4.4: the first salt grows by one with each new log
    log(killed).write_bytes(data)
    assert log_state(log(killed)) == type(state)(50, 50, 0)


def test_a_record_with_a_damaged_log_is_not_merged(killed: Path, tmp_path: Path) -> None:
    data = flip(killed, LOG_HEADER + 60 * FRAME + 500)
    with open_store(tmp_path / "ours.db") as store, pytest.raises(StoreDamaged, match="60 of its") as caught:
        store.merge(killed)
    assert "lidjig rescue" in caught.value.next_step and log(killed).read_bytes() == data
