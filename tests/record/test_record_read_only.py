"""A record in a folder that nobody may write to: what only reads, reads it; what writes says so and what to do."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import record_made
import record_old
from lidjig.cli.main import run as run_command
from lidjig.record import open_store
from lidjig.record.read_only import StoreReadOnly

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="rights of a folder as POSIX has them")
NOBODY = 65534


@pytest.fixture
def outside() -> Iterator[Path]:
    """A folder for what is exported."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        yield Path(name)


READING = ["runs", "show", "show --states", "report", "export last out.json", "export last out.csv", "job NAME"]
WRITING = ["note last TEXT", "job NAME --complaint none"]


def words(command: str, path: Path) -> list[str]:
    return [*("ticket 17" if word == "NAME" else word for word in command.split()), "--store", str(path)]


@pytest.fixture(scope="module", autouse=True)
def loaded(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Every module that the commands need: whom root becomes may not be allowed to read those of Python."""
    path = tmp_path_factory.mktemp("loaded") / "a.db"
    make(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(path.parent)
        for command in (*READING, *WRITING):
            run_command(words(command, path))


def make(path: Path) -> None:
    with open_store(path) as store:
        record_made.write_all(store.start_run("confirm", job="ticket 17"))


@pytest.fixture
def locked() -> Iterator[Path]:
    """A record in a locked folder; root may write anywhere, and is somebody else meanwhile."""
    path = Path(tempfile.mkdtemp()) / "a #1 100%.db"
    make(path)
    yield from lock(path)


def lock(path: Path) -> Iterator[Path]:
    for file in path.parent.iterdir():
        file.chmod(0o444)
    path.parent.chmod(0o555)
    is_root = os.geteuid() == 0
    try:
        if is_root:
            os.seteuid(NOBODY)
        yield path
    finally:
        if is_root:
            os.seteuid(0)
        path.parent.chmod(0o755)
        shutil.rmtree(path.parent)


@pytest.mark.parametrize("command", READING)
def test_what_reads_reads_it(
    command: str, locked: Path, outside: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(outside)
    status = run_command(words(command, locked))
    err = capsys.readouterr().err
    assert "read-only" not in err and "unable to open" not in err
    assert status == (2 if command == "show --states" else 0), err  # its run has no machine profile
    assert [file.name for file in locked.parent.iterdir()] == [locked.name]


@pytest.mark.parametrize("command", WRITING)
def test_what_writes_says_what_to_do(command: str, locked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = run_command(words(command, locked))
    err = capsys.readouterr().err
    assert (status, "read-only" in err, "Copy the file" in err) == (3, True, True), err


def test_a_record_that_is_to_be_written_is_refused_at_once(locked: Path) -> None:
    with pytest.raises(StoreReadOnly, match="read-only"):
        open_store(locked)


def test_with_a_log_beside_it_the_error_says_to_copy_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = Path(tempfile.mkdtemp())
    with open_store(tmp_path / "live.db") as store:
        store.start_run("cycle")
        for suffix in ("", "-wal"):
            shutil.copyfile(tmp_path / f"live.db{suffix}", folder / f"b.db{suffix}")
    for path in lock(folder / "b.db"):
        status = run_command(["runs", "--store", str(path)])
        err = capsys.readouterr().err
        assert (status, "read-only" in err, "-wal file" in err) == (3, True, True), err


def test_a_record_of_an_older_lidjig_cannot_be_updated_there(capsys: pytest.CaptureFixture[str]) -> None:
    path = record_old.make(Path(tempfile.mkdtemp()) / "old.db", 2)
    plain = sqlite3.connect(path)
    plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    plain.close()
    for locked in lock(path):
        assert run_command(["runs", "--store", str(locked)]) == 3
        assert "read-only" in (err := capsys.readouterr().err) and "Copy the file" in err
