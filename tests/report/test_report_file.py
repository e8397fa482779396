"""Where a page goes: whole or not at all, and over nothing but an earlier page of the same run."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import make_runs
import pytest
from lidjig.cli import main


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """run("report", ...): exit status, stdout, stderr."""

    def go(*words: str) -> tuple[int, str, str]:
        capfd.readouterr()
        status = main.run(list(words))
        return (status, *capfd.readouterr())

    return go


@pytest.fixture
def full_disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From the call on, no file takes a byte."""

    def fill() -> None:
        def refuse(_self: Path, _data: bytes) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(Path, "write_bytes", refuse)

    return fill


def test_a_full_disk_leaves_the_page_that_was_there(
    made: make_runs.Made, run: Callable[..., Any], tmp_path: Path, full_disk: Callable[[], None]
) -> None:
    out = tmp_path / "a.html"
    words = ("report", made.ids["healthy"], "--out", str(out), "--store", made.store)
    assert run(*words)[0] == 0
    before = out.read_bytes()
    full_disk()
    status, said, err = run(*words)
    assert (status, said) == (3, "")
    assert f"writing {out} failed: {os.strerror(errno.ENOSPC)}." in err and "Free space" in err
    assert "not usable" not in err
    assert out.read_bytes() == before and list(tmp_path.iterdir()) == [out]


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_disk_that_fills_up_in_the_middle(made: make_runs.Made, tmp_path: Path) -> None:
    """A real refusal of the system: files may have 4 KiB, which a page is longer than (EFBIG)."""
    import subprocess

    out = tmp_path / "a.html"
    script = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); from lidjig.cli import main;"
        "import lidjig.show.report.page as p; real = p.page\n"
        "def late(built):\n"
        "    text = real(built); resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); return text\n"
        "p.page = late; sys.exit(main.run(sys.argv[1:]))"
    )
    words = ["report", made.ids["healthy"], "--out", str(out), "--store", made.store]
    command = [sys.executable, "-c", script, *words]
    done = subprocess.run(
        command, env=make_runs.environment(), capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 3 and f"writing {out} failed" in done.stderr, done.stderr
    assert list(tmp_path.iterdir()) == []


def test_only_a_page_of_the_same_run_is_written_anew(
    made: make_runs.Made, run: Callable[..., Any], tmp_path: Path
) -> None:
    out = tmp_path / "a.html"
    healthy = ("report", made.ids["healthy"], "--out", str(out), "--store", made.store)
    after = ("report", made.ids["after"], "--out", str(out), "--store", made.store)
    assert run(*healthy)[0] == 0
    first = out.read_bytes()
    assert run(*healthy, "--lang", "de")[0] == 0 and out.read_bytes() != first
    assert run(*healthy)[0] == 0 and out.read_bytes() == first
    for other in (after, (*after, "--before", made.ids["cycles"])):
        status, _said, err = run(*other)
        assert status == 2 and "nothing is overwritten without --force" in err
        assert out.read_bytes() == first
    assert run(*after, "--force")[0] == 0
    assert run(*after, "--before", made.ids["cycles"])[0] == 2
    assert run(*after, "--before", made.ids["cycles"], "--force")[0] == 0
    assert run(*after, "--before", made.ids["cycles"])[0] == 0


@pytest.mark.parametrize("text", ["", "my page", '<meta name="generator" content="lidjig report">'])
def test_what_lidjig_did_not_make_stays(
    made: make_runs.Made, run: Callable[..., Any], tmp_path: Path, text: str
) -> None:
    out = tmp_path / "a.html"
    out.write_text(text, encoding="utf-8")
    status, _said, err = run("report", made.ids["healthy"], "--out", str(out), "--store", made.store)
    assert status == 2 and "--force" in err and out.read_text(encoding="utf-8") == text
