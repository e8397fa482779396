"""Output that cannot be written (a full disk behind `> FILE`, a closed stream): one line, exit 3, no traceback, and the
run is closed. /dev/full answers every write with ENOSPC: man 4 full.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from lidjig.record import open_store
from lidjig.show.reader import Stream, telling

from tests.cli.conftest import ROOT
from tests.cli.test_cli_record import make

FULL = Path("/dev/full")
pytestmark = pytest.mark.skipif(not FULL.exists(), reason="no /dev/full on this system")


def ran(store: str, words: str, redirection: str) -> subprocess.CompletedProcess[str]:
    """The command as a program, its streams as a shell redirects them."""
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(ROOT / "host"), str(ROOT)]))
    where = "" if words.startswith("--") else f"--store '{store}'"
    line = f"'{sys.executable}' -m lidjig {words} {where} {redirection}"
    return subprocess.run(["sh", "-c", line], capture_output=True, text=True, env=environment, timeout=120)


@pytest.mark.parametrize("words", ["show 1", "runs", "runs --json", "profiles", "--version", "--help"])
def test_a_command_that_only_reads(words: str, store: str) -> None:
    make(store, "isolate")
    done = ran(store, words, ">/dev/full")
    assert done.returncode == 3 and done.stderr.count("\n") == 1
    assert done.stderr.startswith("lidjig: stdout cannot be written: No space left on device")
    assert "Nothing was recorded or written." in done.stderr


def test_a_replay(store: str) -> None:
    assert ran(store, "confirm --repeat 1 --link twin", "").returncode == 0
    done = ran(store, "replay last", ">/dev/full")
    assert done.returncode == 3 and done.stderr.startswith("lidjig: stdout cannot be written")


def test_a_closed_stdout_is_no_other_matter(store: str) -> None:
    make(store, "isolate")
    done = ran(store, "runs", ">&-")
    assert done.returncode == 3 and done.stderr.startswith("lidjig: stdout cannot be written: Bad file descriptor")


@pytest.mark.parametrize(
    ("words", "outcome"),
    [
        ("confirm --repeat 1 --link twin", "pass"),
        ("confirm --repeat 1 --link twin --json", "pass"),
        ("watch --record --link twin", "pass"),
        ("watch --seconds 5 --link twin", "incomplete"),
    ],
)
def test_a_run_is_closed_and_named(words: str, outcome: str, store: str) -> None:
    done = ran(store, words, ">/dev/full")
    assert done.returncode == 3 and "Traceback" not in done.stderr
    assert done.stderr.count("stdout cannot be written") == 1
    with open_store(store) as opened:
        run = opened.run("last")
    assert run.closed and run.outcome == outcome
    assert f"see 'lidjig show {run.id}'" in done.stderr


@pytest.mark.parametrize("words", ["watch --link twin", "cycle --count 5000 --link twin"])
def test_prompts_that_nobody_sees_stop_a_run(words: str, store: str) -> None:
    done = ran(store, words, "2>/dev/full")
    assert done.returncode == 3 and "Traceback" not in done.stdout
    with open_store(store) as opened:
        assert opened.run("last").closed


def test_both_streams_full(store: str) -> None:
    assert ran(store, "confirm --repeat 1 --link twin", ">/dev/full 2>&1").returncode == 3


def test_a_stream_that_is_full_is_told_once_while_a_run_is_under_way() -> None:
    told: list[OSError | None] = []
    with FULL.open("w", encoding="utf-8") as full:
        shown = Stream(full)
        with telling(told.append):
            shown.write("x")
            shown.flush()
            shown.flush()
        assert len(told) == 1 and isinstance(told[0], OSError)
        with pytest.raises(OSError, match="No space left"):
            shown.flush()
        with pytest.raises(OSError, match="No space left"):
            full.flush()
        os.dup2(os.open(os.devnull, os.O_WRONLY), full.fileno())
