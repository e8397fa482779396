"""Ctrl-C at any moment: one line that says what was recorded or written, status 3, no traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.cli import interrupted, main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")

Program = Callable[..., "subprocess.Popen[str]"]


def stopped_after(process: subprocess.Popen[str], delay_s: float) -> tuple[int, str]:
    """Send SIGINT after delay_s; exit status and stderr."""
    time.sleep(delay_s)
    process.send_signal(signal.SIGINT)
    _out, err = process.communicate(timeout=60)
    return process.returncode, err


@pytest.mark.parametrize("delay_s", [0.05, 0.15, 0.3, 0.5, 0.8, 1.2, 1.5])
@pytest.mark.parametrize(
    "words", [("show",), ("report", "--out", "{folder}/page.html"), ("demo",), ("confirm", "--link", "twin")]
)
def test_no_moment_gives_a_traceback(
    words: tuple[str, ...], delay_s: float, program: Program, run: Callable[..., Any], tmp_path: Path
) -> None:
    if words[0] in ("show", "report"):
        assert run("confirm", "--repeat", "1", "--link", "twin").status == 0
    status, err = stopped_after(program(*[word.format(folder=tmp_path) for word in words]), delay_s)
    if "lidjig: stop" not in err:
        # Python's own start, in which no program can act yet; or the command had come to its end.
        assert f"{os.sep}lidjig{os.sep}" not in err and (status != 3), err
        return
    assert status == 3, err
    assert "Traceback" not in err and "Exception ignored" not in err
    assert not list(tmp_path.glob(".*.part"))


def test_the_start_is_quiet(tmp_path: Path) -> None:
    """The signal comes while the first module of lidjig's own imports is loaded."""
    code = (
        "import os, signal, sys, importlib.abc\n"
        "class Strike(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path, target=None):\n"
        "        if name == 'typer': os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Strike())\n"
        "from lidjig.__main__ import main\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == "lidjig: stopped by Ctrl-C before anything began. Nothing was recorded or written.\n"


def test_a_run_that_stands_in_the_record_is_named(
    run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from lidjig.procedures.confirm import Confirm

    def strike(*_args: object, **_named: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Confirm, "run", strike)
    ran = run("confirm", "--link", "twin", "--json")
    assert ran.status == 3
    assert "stopped by Ctrl-C. Recorded as far as it came: r-000001; see 'lidjig show r-000001'." in ran.err
    assert ran.json["outcome"] == "error" and "r-000001" in str(ran.json["error"])
    assert "INCOMPLETE" in run("show", "r-000001").out.upper()


def test_a_page_is_whole_or_as_it_was(run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import lidjig.show.report.page as page

    out = tmp_path / "page.html"
    assert run("confirm", "--repeat", "1", "--link", "twin").status == 0
    assert run("report", "--out", str(out)).status == 0
    before = out.read_bytes()

    def strike(_built: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr(page, "page", strike)
    ran = run("report", "--out", str(out))
    assert ran.status == 3 and "Nothing was recorded or written." in ran.err
    assert out.read_bytes() == before and not list(tmp_path.glob(".*.part"))


def test_another_error_made_of_it_is_still_ctrl_c(monkeypatch: pytest.MonkeyPatch, capfd: Any) -> None:
    def swallowing(**_named: object) -> int:
        with pytest.raises(KeyboardInterrupt):
            interrupted._interrupt(2, None)
        raise ImportError("a library's words for it")

    monkeypatch.setattr(main, "app", swallowing)
    before = signal.getsignal(signal.SIGINT)
    try:
        monkeypatch.setattr(main, "_command_names", set)
        assert main.run(["show"]) == 3
    finally:
        signal.signal(signal.SIGINT, before)
    assert "stopped by Ctrl-C" in capfd.readouterr().err
