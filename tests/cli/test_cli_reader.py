"""Whoever reads the output goes away (head, a pager that is quit): never the status of a failed machine, and a run that
was under way is closed.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest
from lidjig.record import open_store

from tests.cli.test_cli_record import make

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX")
Program = Callable[..., subprocess.Popen[str]]


def left(process: subprocess.Popen[str], lines: int) -> tuple[int, str]:
    """(exit status, what stood on stderr) where the reader goes after so many lines."""
    assert process.stdout is not None and process.stderr is not None
    for _ in range(lines):
        assert process.stdout.readline()
    process.stdout.close()
    told = process.stderr.read()
    return process.wait(timeout=60), told


@pytest.mark.parametrize("words", [("runs",), ("runs", "--json"), ("show", "1"), ("profiles",), ("--help",)])
def test_a_reader_that_is_gone_before_anything_is_written(words: tuple[str, ...], program: Program, store: str) -> None:
    make(store, "isolate")
    process = program(*words) if words != ("--help",) else program("runs", "--help")
    assert left(process, 0) == (3, "")


def test_a_report_whose_reader_leaves_says_nothing_of_the_machine(program: Program, store: str) -> None:
    status, told = left(program("confirm", "--repeat", "2", "--link", "twin"), 1)
    assert status == 3 and "Traceback" not in told and "ignored" not in told
    with open_store(store) as opened:
        assert opened.run("last").outcome == "pass", "the run itself had ended before"


@pytest.mark.parametrize("more", [(), ("--seconds", "100000")], ids=["until stopped", "for a time"])
def test_a_watch_whose_reader_leaves_stops_and_is_closed(more: tuple[str, ...], program: Program, store: str) -> None:
    status, told = left(program("watch", "--link", "twin", *more), 1)
    assert status == 3 and "whoever read the output has gone; stopping safely" in told
    with open_store(store) as opened:
        run = opened.run("last")
    assert run.closed and run.outcome == ("incomplete" if more else "pass")
    assert "nothing was judged: this only shows the bench" in run.notes


def test_a_run_whose_prompts_nobody_sees_any_more_is_stopped(program: Program, store: str) -> None:
    process = program("cycle", "--count", "5000", "--link", "twin")
    assert process.stdout is not None and process.stderr is not None
    process.stderr.readline()
    process.stderr.close()
    process.stdout.read()
    assert process.wait(timeout=60) == 3
    with open_store(store) as opened:
        run = opened.run("last")
    assert run.closed and run.outcome == "incomplete"
