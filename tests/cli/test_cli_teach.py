"""The command line of teaching: where the profile goes, and that it is taken."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.cli.teach import ProfileKept, write_new
from lidjig.errors import FileNotWritten

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
    with pytest.raises(ProfileKept, match="does not exist yet"):
        write_new(out, "# another\n")
    assert out.read_bytes() == b"# text\n" and list(tmp_path.iterdir()) == [out]


def test_a_folder_that_takes_no_file_is_refused_before_anything_is_opened(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, store: str
) -> None:
    """By trying, since rights say little: root may write nearly everywhere, and a mount may be read-only."""

    def read_only(*_args: object, **_named: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patched:
        patched.setattr("lidjig.record.whole_file.tempfile.NamedTemporaryFile", read_only)
        ran = run("teach", "--link", "twin", "--out", str(tmp_path / "new.toml"))
    assert ran.status == 2 and "--out" in ran.err and os.strerror(errno.EROFS) in ran.err
    assert not Path(store).exists() and list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no file system here that takes no files")
def test_a_file_system_that_takes_no_files(run: Run, store: str) -> None:
    ran = run("teach", "--link", "twin", "--out", "/proc/new.toml")
    assert ran.status == 2 and "a file that can be written" in ran.err
    assert not Path(store).exists()


@pytest.mark.parametrize("as_json", [False, True], ids=["text", "json"])
def test_a_profile_that_cannot_be_written_at_the_end_is_not_lost(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, store: str, as_json: bool
) -> None:
    def read_only(*_args: object, **_named: object) -> None:
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    out = tmp_path / "new.toml"
    with monkeypatch.context() as patched:
        patched.setattr("lidjig.record.whole_file.tempfile.mkstemp", read_only)
        patched.setattr("lidjig.record.whole_file.try_folder", lambda _path, _key: None)
        words = ("teach", "--link", "twin", "--vm", "cpython", "--out", str(out), "--seconds", "6")
        ran = run(*words, *(["--json"] if as_json else []))
    assert ran.status == 3 and not out.exists()
    text = ran.err if as_json else ran.out
    assert os.strerror(errno.EACCES) in (ran.json["error"]["text"] if as_json else text)
    kept = tmp_path / "copied.toml"
    kept.write_text(text[text.index("# Taught by lidjig") :], encoding="utf-8")
    assert run("profiles", "--machine", str(kept)).status == 0
    exported = tmp_path / "run.json"
    assert run("export", "last", str(exported)).status == 0
    texts = json.loads(exported.read_text(encoding="utf-8"))["run"]["texts"]
    assert texts["taught"] == kept.read_text(encoding="utf-8")


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
