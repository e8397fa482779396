"""One board, one process; a killed process leaves no lock behind."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from lidjig.errors import NoJig
from lidjig.link.lock import BoardLock

HOLDER = """
import sys, time
from pathlib import Path
from lidjig.link.lock import BoardLock
lock = BoardLock("board one", Path(sys.argv[1]))
lock.take()
print("held", flush=True)
time.sleep(60)
"""


def test_it_is_exclusive_and_names_its_holder(tmp_path: Path) -> None:
    first, second = BoardLock("E661/ACM0", tmp_path), BoardLock("e661-acm0", tmp_path)
    assert first.holder() is None
    with first:
        assert first.held and first.holder() == f"process {os.getpid()}"
        assert str(os.getpid()) in str(second.holder())
        with pytest.raises(NoJig) as taken:
            second.take()
        assert f"in use by process {os.getpid()}" in str(taken.value)
        first.take()  # again: harmless
    assert not first.held and second.holder() is None
    with second:
        pass
    second.release()


def test_other_boards_are_free(tmp_path: Path) -> None:
    with BoardLock("a", tmp_path), BoardLock("b", tmp_path):
        assert len(list(tmp_path.iterdir())) == 2


def test_a_killed_holder_leaves_a_stale_file_that_locks_nothing(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)], stdout=subprocess.PIPE, text=True, env=environment
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline().strip() == "held"
        lock = BoardLock("board one", tmp_path)
        with pytest.raises(NoJig) as taken:
            lock.take()
        assert str(holder.pid) in str(taken.value)
    finally:
        holder.kill()
        holder.wait(10)
        assert holder.stdout is not None
        holder.stdout.close()
    assert lock.path.read_text(encoding="utf-8").startswith(f"process {holder.pid}")
    assert lock.holder() is None
    lock.take()
    lock.release()


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(NoJig) as none:
        BoardLock("x", tmp_path / "file" / "locks").take()
    assert "lock file" in str(none.value)
