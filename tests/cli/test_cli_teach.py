"""The command line of teaching: where the profile goes, and that it is taken."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.cli.teach import write_new
from lidjig.errors import BadInput, FileNotWritten

from tests.cli.conftest import Ran

Run = Callable[..., Ran]


def test_a_taught_profile_is_taken_by_other_commands(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "taught.toml"
    ran = run("teach", "--link", "twin", "--vm", "cpython", "--out", str(out), "--seconds", "6", "--json")
    assert ran.status == 0, ran.err
    assert ran.json["outcome"] == "pass"
    assert out.read_text(encoding="utf-8").startswith("# Taught by lidjig")
    assert run("profiles", "--machine", str(out)).status == 0
    confirmed = run("confirm", "--link", "twin", "--vm", "cpython", "--machine", str(out), "--repeat", "2", "--json")
    assert confirmed.status == 0, confirmed.err
    again = run("teach", "--link", "twin", "--out", str(out))
    assert again.status == 2
    assert "does not exist yet" in again.err


def test_a_full_disk_leaves_no_part_of_a_profile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    out = tmp_path / "taught.toml"
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        with pytest.raises(FileNotWritten, match=os.strerror(errno.ENOSPC)):
            write_new(out, "# text\n")
    assert list(tmp_path.iterdir()) == []
    assert write_new(out, "# text\n") == str(out) and out.read_bytes() == b"# text\n"
    with pytest.raises(BadInput, match="does not exist yet"):
        write_new(out, "# another\n")
    assert out.read_bytes() == b"# text\n" and list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("name", ["profile.txt", "no/such/folder/a.toml"])
def test_a_place_that_cannot_be_is_refused_before_anybody_is_asked(run: Run, tmp_path: Path, name: str) -> None:
    ran = run("teach", "--link", "twin", "--out", str(tmp_path / name))
    assert ran.status == 2
    assert "--out" in ran.err


def test_the_word_for_s0ix_is_kept_with_the_run(run: Run, tmp_path: Path) -> None:
    words = ("teach", "--link", "twin:habit-background", "--vm", "cpython", "--seconds", "6", "--json")
    without = tmp_path / "without.toml"
    ran = run(*words, "--out", str(without))
    assert ran.status == 3 and ran.json["outcome"] == "incomplete" and not without.exists()
    assert "where the profile alder-14 has it low" in ran.json["findings"][0]["evidence"][0]
    assert "--s0ix" in ran.json["findings"][0]["next"]
    out = tmp_path / "with.toml"
    assert run(*words, "--s0ix", "--out", str(out)).status == 0
    assert "asleep means S0ix" in out.read_text(encoding="utf-8")


def test_the_word_for_s0ix_that_changes_nothing_is_told(run: Run, tmp_path: Path) -> None:
    words = ("teach", "--s0ix", "--link", "twin:healthy-dogwood-14", "--vm", "cpython", "--seconds", "5")
    ran = run(*words, "--out", str(tmp_path / "new.toml"), "--json")
    assert [note for note in ran.json["notes"] if note.startswith("--s0ix changed nothing")], ran.json


def test_a_missing_monitor_is_a_fault_of_the_bench(run: Run, tmp_path: Path) -> None:
    out = tmp_path / "new.toml"
    ran = run("teach", "--link", "twin:bus-meter-missing", "--machine", "dogwood-14", "--out", str(out), "--json")
    assert ran.status == 3 and ran.json["outcome"] == "error"
    assert not out.exists() and not ran.json["findings"]
