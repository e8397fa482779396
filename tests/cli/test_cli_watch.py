"""lidjig watch as a command: what it keeps with --record, how it ends, and the view on a real terminal."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.record.store import open_store

from tests.cli.conftest import ROOT

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and terminals of POSIX")
DOGWOOD = '[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n'


@pytest.fixture
def dogwood(tmp_path: Path) -> str:
    """Nothing soldered: a power monitor in the charger's lead and a light sensor."""
    path = tmp_path / "dogwood.toml"
    path.write_text(DOGWOOD, encoding="utf-8")
    return f"twin:{path}"


def test_record_is_there_to_be_shown(run: Callable[..., Any], store: str) -> None:
    """alder-14 has every observer wired by taps: nothing of it needs the wiring record."""
    ran = run("watch", "--seconds", "4", "--record", "--link", "twin")
    assert ran.status == 0 and re.search(r"Note: recorded: \d+ readings of 8 channels, none missing\.", ran.out)
    with open_store(store) as opened:
        rows = {row.channel: row for row in opened.channels("last")}
        supply = [float(value) for segment in opened.series("last", "supply") for value in segment.values]
    assert len(rows) == 8 and rows["charger_i"].unit == "mA"
    assert rows["supply"].rate_hz == pytest.approx(1000.0, rel=0.01)
    assert len(supply) == rows["supply"].n == pytest.approx(4000, rel=0.05)
    assert sum(supply) / len(supply) == pytest.approx(3300.0, abs=30.0)  # the model's rail: 3.3 V
    shown = run("show", "last", "--no-events").out
    assert "charger_i" in shown and "supply" in shown


def test_without_record_there_are_no_readings(run: Callable[..., Any], store: str) -> None:
    assert run("watch", "--seconds", "1", "--link", "twin").status == 0
    with open_store(store) as opened:
        assert opened.channels("last") == [] and opened.run("last").closed


def test_a_watch_that_loses_its_link_for_good(run: Callable[..., Any], tmp_path: Path) -> None:
    """It never armed the jig, so nothing is said of letting go; every export says what broke off."""
    path = tmp_path / "silent.toml"
    path.write_text('[[fault]]\nwhere = "link"\nkind = "stall"\nat_s = 3.0\nduration_ms = 60000\n', encoding="utf-8")
    ran = run("watch", "--seconds", "20", "--record", "--link", f"twin:{path}", "--json")
    assert ran.status == 3 and "after the last frame" in ran.err
    assert not [note for note in ran.json["notes"] if "let go" in note]
    assert run("export", "last", str(tmp_path / "run.vcd")).status == 0
    assert run("export", "last", str(tmp_path / "run.junit.xml")).status == 0
    dump = (tmp_path / "run.vcd").read_text(encoding="ascii")
    (gap,) = re.findall(r"^\$var wire 1 (\S+) gap", dump, re.MULTILINE)
    assert [line[0] for line in dump.splitlines() if line[1:] == gap and line[0] in "01"] == ["0", "1"]
    assert 'message="error: no findings; ' in (tmp_path / "run.junit.xml").read_text(encoding="utf-8")


def test_a_bench_with_nothing_soldered(run: Callable[..., Any], dogwood: str, store: str) -> None:
    fresh = run("watch", "--seconds", "2", "--record", "--link", dogwood)
    assert fresh.status == 0, fresh.err
    told = [line for line in fresh.err.splitlines() if "charger_v, charger_i" in line]
    assert len(told) == 1 and "the next command that drives loads it" in told[0]
    assert "no reading of charger_v, charger_i" in fresh.out
    with open_store(store) as opened:
        assert "meter_1_v" not in {row.channel for row in opened.channels("last")}


def interrupted(words: tuple[str, ...], program: Callable[..., subprocess.Popen[str]], store: str) -> tuple[int, str]:
    process = program("watch", *words, "--link", "twin")
    deadline = time.monotonic() + 60.0
    line = ""
    assert process.stdout is not None
    while "disarmed" not in line:
        assert process.poll() is None and time.monotonic() < deadline
        line = process.stdout.readline()
    process.send_signal(signal.SIGINT)
    out, _err = process.communicate(timeout=30)
    return process.returncode, out


@posix
@pytest.mark.parametrize(
    ("words", "status", "outcome"),
    [((), 0, "pass"), (("--seconds", "1000000"), 3, "incomplete")],
    ids=["open", "timed"],
)
def test_ctrl_c(
    words: tuple[str, ...], status: int, outcome: str, program: Callable[..., subprocess.Popen[str]], store: str
) -> None:
    """Without --seconds it is the ordinary end; with them the looks were cut short."""
    ended, out = interrupted(("--record", *words), program, store)
    assert ended == status, out
    assert "Traceback" not in out and "recorded: " in out
    with open_store(store) as opened:
        kept = opened.run("last")
        assert kept.outcome == outcome and kept.closed and opened.channels("last")


@posix
def test_on_a_terminal(store: str, tmp_path: Path) -> None:
    """The whole command on a terminal of its own, 80 by 24, ended by Ctrl-C."""
    import pty

    master, slave = pty.openpty()
    environment = dict(os.environ, TERM="xterm-256color", COLUMNS="80", LINES="24", PYTHONIOENCODING="utf-8")
    environment["PYTHONPATH"] = os.pathsep.join([str(ROOT / "host"), str(ROOT)])
    command = [sys.executable, "-m", "lidjig", "watch", "--link", "twin", "--store", store]
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    told = b""
    try:
        deadline = time.monotonic() + 60.0
        while told.count(b"board time") < 20 and time.monotonic() < deadline:
            told += os.read(master, 65536)
        process.send_signal(signal.SIGINT)
        told += rest(master)
        assert process.wait(timeout=30) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(timeout=10)
        os.close(master)
    text = told.decode("utf-8", "replace")
    assert "Traceback" not in text and "Outcome: ENDED" in re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
    assert max(len(line) for line in plain.replace("\r", "\n").split("\n")) <= 80
    for part in ("█ S0", "now (95 % interval, n)", "supply          33", "Ctrl-C ends", "gaps 0"):
        assert part in plain, part
    # What is told before the first look stands above the view, whole.
    first = plain.index("board time")
    assert "the jig has no sensor profile in force" in plain[:first]
    assert text.rstrip().rfind("\x1b[?25h") > text.rfind("\x1b[?25l"), "the cursor is back"


def rest(master: int) -> bytes:
    """What still comes until the other end is closed."""
    told = b""
    while True:
        try:
            part = os.read(master, 65536)
        except OSError:  # so the end of a terminal reads on Linux
            return told
        if not part:
            return told
        told += part
