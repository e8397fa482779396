"""lidjig export as a command: what it takes, what it refuses, and that a file is there whole or not at all."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import export_runs
import pytest
from export_runs import Made, Run
from lidjig.record.export import FORMATS, csv_file, export_run
from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.table import Table
from lidjig.record.source import Source
from lidjig.record.store import open_store
from pytest import MonkeyPatch


def left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize("suffix", FORMATS)
def test_every_format_and_what_it_says(made: Made, run: Run, tmp_path: Path, suffix: str) -> None:
    file = tmp_path / f"out{suffix}"
    ran = run("export", "last", str(file), "--json", store=made.store)
    assert ran.status == 0, ran.err
    assert ran.json["format"] == suffix and ran.json["run"] == made.run and ran.json["bytes"] == file.stat().st_size
    assert ran.json["counts"] and left(tmp_path) == [file.name]
    assert file.stat().st_mode & 0o044 == 0o044  # others may read it, as any file


@pytest.mark.parametrize("name", ["run.xlsx", "run", ".csv", "run.xml"])
def test_another_suffix_names_those_it_takes(made: Made, run: Run, tmp_path: Path, name: str) -> None:
    ran = run("export", "last", str(tmp_path / name), store=made.store)
    assert ran.status == 2 and all(suffix in ran.err for suffix in FORMATS) and left(tmp_path) == []


def test_a_file_that_is_there_stays(made: Made, run: Run, tmp_path: Path) -> None:
    file = tmp_path / "run.csv"
    file.write_text("mine", encoding="utf-8")
    ran = run("export", "last", str(file), store=made.store)
    assert ran.status == 2 and "--force" in ran.err and file.read_text(encoding="utf-8") == "mine"
    assert run("export", "last", str(file), "--force", store=made.store).status == 0
    assert file.read_text(encoding="utf-8").startswith("boot,t_us,kind")


def test_a_file_that_comes_while_it_is_written_stays(made: Made, tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    file, write = tmp_path / "run.csv", csv_file.write

    def late(source: Source, path: Path, wishes: Wishes, exported: Exported) -> None:
        write(source, path, wishes, exported)
        file.write_text("another program's", encoding="utf-8")

    monkeypatch.setattr(csv_file, "write", late)
    with open_store(made.store, create=False) as store, pytest.raises(Exception, match="--force"):
        export_run(store, "last", file, Wishes())
    assert file.read_text(encoding="utf-8") == "another program's" and left(tmp_path) == ["run.csv"]


def test_broken_off_it_leaves_nothing_and_the_old_file(made: Made, tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    file = tmp_path / "run.csv"
    file.write_text("before", encoding="utf-8")

    def broken(_source: Source, path: Path, _wishes: Wishes, _exported: Exported) -> None:
        path.write_text("half a file", encoding="utf-8")
        raise KeyboardInterrupt

    monkeypatch.setattr(csv_file, "write", broken)
    with open_store(made.store, create=False) as store, pytest.raises(KeyboardInterrupt):
        export_run(store, "last", file, Wishes(), force=True)
    assert file.read_text(encoding="utf-8") == "before" and left(tmp_path) == ["run.csv"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["run.csv", "--channel", "lihgt"], "charger_i, charger_v, light"),
        (["run.csv", "--samplerate", "1000"], "only with .sr"),
        (["run.junit.xml", "--channel", "light"], "holds no samples"),
        (["no/such/folder/run.csv"], "can be written"),
        (["."], "a name that ends in"),
    ],
)
def test_what_it_does_not_take(made: Made, run: Run, tmp_path: Path, words: list[str], told: str) -> None:
    ran = run("export", "last", str(tmp_path / words[0]), *words[1:], store=made.store)
    assert ran.status == 2 and told in ran.err and "Traceback" not in ran.err and left(tmp_path) == []


def test_a_run_without_samples(run: Run, path: Path, tmp_path: Path) -> None:
    with open_store(path) as store:
        store.start_run("watch").finish("pass")
    for suffix in FORMATS:
        assert run("export", "last", str(tmp_path / f"out{suffix}")).status == 0
    ran = run("export", "last", str(tmp_path / "more.csv"), "--channel", "light")
    assert ran.status == 2 and "holds no samples" in ran.err


def test_memory_does_not_grow_with_the_run(tmp_path: Path) -> None:
    """The table of a run four times as long takes no more memory: a few seconds of samples are in it at a time."""

    def peak(seconds: int) -> int:
        made = export_runs.make(tmp_path / f"{seconds}.db", seconds)
        with open_store(made.store) as store:
            source = Source.of(store, "last", ())
            tracemalloc.start()
            try:
                rows = sum(chunk.n for chunk in Table(source).chunks())
                return tracemalloc.get_traced_memory()[1] if rows > 8000 * (seconds - 3) else 0
            finally:
                tracemalloc.stop()

    short, long = peak(20), peak(80)
    assert 0 < long < 1.3 * short
