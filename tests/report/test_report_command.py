"""`lidjig report` and `lidjig job`: what they write, what they refuse; and that older records keep opening."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import make_runs
import pytest
from lidjig.cli import main
from lidjig.errors import BadInput
from lidjig.record import schema
from lidjig.record.store import open_store

Ran = tuple[int, str, str]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    def go(*words: str) -> Ran:
        capfd.readouterr()
        status = main.run(list(words))
        out, err = capfd.readouterr()
        return status, out, err

    return go


def test_writes_a_page_and_names_it(
    made: make_runs.Made, run: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    healthy = made.ids["healthy"]
    assert run("report", healthy, "--store", made.store) == (0, f"Report of run {healthy}: lidjig-{healthy}.html\n", "")
    assert '<html lang="en">' in (tmp_path / f"lidjig-{healthy}.html").read_text(encoding="utf-8")
    out = tmp_path / "ihre Prüfung.html"
    assert run("report", healthy, "--lang", "de", "--out", str(out), "--store", made.store)[0] == 0
    assert '<html lang="de">' in out.read_text(encoding="utf-8")


def test_a_job_gives_its_last_run_beside_the_first(
    made: make_runs.Made, run: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before, after = made.ids["cycles"], made.ids["after"]
    status, out, _err = run("report", "--job", make_runs.JOB_PAIR, "--store", made.store)
    assert (status, out) == (0, f"Report of run {after} after {before}: lidjig-{before}-{after}.html\n")
    status, out, err = run("report", after, "--before", before, "--json", "--store", made.store)
    assert status == 0 and json.loads(out)["report"]["comparison"]["run_before"] == before and err == ""
    assert len(list(tmp_path.iterdir())) == 1  # --json alone writes no page
    status, out, err = run("report", after, "--json", "--out", "x.html", "--store", made.store)
    assert status == 0 and json.loads(out)["command"] == "report" and "x.html" in err and Path("x.html").exists()


def test_data_alone_does_not_load_what_draws(made: make_runs.Made) -> None:
    script = "import sys; from lidjig.cli import main; main.run(sys.argv[1:]); sys.exit('matplotlib' in sys.modules)"
    command = [sys.executable, "-c", script, "report", made.ids["cycles"], "--json", "--store", made.store]
    done = subprocess.run(command, env=make_runs.environment(), capture_output=True, timeout=60, check=False)
    assert done.returncode == 0, "matplotlib was imported"
    assert json.loads(done.stdout)["report"]["figures"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("report", "r-999"), "run = 'r-999'"),
        (("report", "--job", "nobody"), "--job = 'nobody'"),
        (("report", "{healthy}", "--lang", "fr"), "--lang = 'fr'"),
        (("report", "{healthy}", "--before", "{healthy}"), "another run"),
        (("report", "{healthy}", "--before", "nonsense"), "run = 'nonsense'"),
        (("report", "{healthy}", "--job", "nobody"), "a run of job 'nobody'"),
        (("report", "{healthy}", "--out", "{folder}/folder.html"), "a file that can be written"),
        (("report", "{healthy}", "--out", "x.pdf"), "a name that ends in .html or .htm"),
        (("report", "{healthy}", "--out", "x"), "a name that ends in .html or .htm"),
        (("report", "{cycles}", "--before", "{after}"), "a run begun before {cycles}"),
        (("report", "{healthy}", "--out", "{folder}/no/such/x.html"), "a file that can be written"),
        (("job", "nobody"), "job = 'nobody'"),
        (("job", ""), "a name of 1..120"),
    ],
)
def test_what_cannot_be_is_refused_by_name(
    made: make_runs.Made, run: Callable[..., Ran], tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    (tmp_path / "folder.html").mkdir()
    filled = [word.format(**made.ids, folder=tmp_path) for word in words]
    if filled[0] == "job" and not filled[1]:
        filled += ["--customer", "x"]
    status, out, err = run(*filled, "--store", made.store)
    assert (status, out) == (2, "") and told.format(**made.ids) in err and "Traceback" not in err
    assert not Path("x.pdf").exists() and not Path("x").exists()


def test_jobs_left_out_of_a_message_are_told(run: Callable[..., Ran], tmp_path: Path) -> None:
    path = tmp_path / "runs.db"
    with open_store(path) as store:
        for number in range(13):
            store.start_run("confirm", job=f"job {number}").finish("pass")
    for words in (("report", "--job", "nosuch"), ("job", "nosuch")):
        status, _out, err = run(*words, "--store", str(path))
        assert status == 2 and "job 12 … and 3 older ones" in err and "job 2," not in err
        assert "job 3, job 4" in err


def test_an_empty_file_is_no_record_and_stays_none(run: Callable[..., Ran], tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    empty.touch()
    status, _out, err = run("report", "last", "--store", str(empty))
    assert status == 2 and "an existing record" in err
    with sqlite3.connect(empty) as connection:
        assert connection.execute("select count(*) from sqlite_master").fetchone() == (0,)
    connection.close()


def test_a_record_that_is_not_there_is_not_made(run: Callable[..., Ran], tmp_path: Path) -> None:
    missing = tmp_path / "none.db"
    for words in (("report", "last"), ("job", "x")):
        assert run(*words, "--store", str(missing))[0] == 2
    assert not missing.exists()


# -- what is known about a job


def test_fields_are_entered_shown_and_taken_away(run: Callable[..., Ran], tmp_path: Path) -> None:
    store = str(tmp_path / "runs.db")
    entered = ("--customer", " Änne <b>Bö</b> ", "--done", "one\ntwo")
    status, out, _err = run("job", "ticket 17", *entered, "--store", store)
    assert status == 0 and "Änne <b>Bö</b>" in out and "two" in out
    run("job", "ticket 17", "--label", "Alder 14", "--serial", "7", "--customer", "", "--store", store)
    status, out, _err = run("job", "ticket 17", "--json", "--store", store)
    assert json.loads(out) == {
        "command": "job",
        "job": "ticket 17",
        "fields": {"machine": "Alder 14", "serial": "7", "done": "one\ntwo"},
        "elsewhere": [],
        "attachments": [],
        "runs": [],
    }


@pytest.mark.parametrize("text", ["a\x00b", "bell\x07", "x" * 4001, "\udcff"])
def test_text_that_no_page_can_show_is_refused(tmp_path: Path, text: str) -> None:
    with open_store(tmp_path / "runs.db") as store, pytest.raises(BadInput):
        store.enter_job("j", {"customer": text})
    with open_store(tmp_path / "runs.db") as store, pytest.raises(BadInput, match="customer, machine"):
        store.enter_job("j", {"colour": "red"})


def test_an_older_record_opens_and_takes_fields(tmp_path: Path) -> None:
    path = tmp_path / "runs.db"
    with open_store(path) as store:
        store.start_run("confirm", job="old").finish("pass")
    # As schema 1 was: without the table of job fields.
    with sqlite3.connect(path) as older:
        older.execute("drop table job_fields")
        older.execute("update lidjig_schema set version = 1, written_by = '0.1.0'")
    older.close()
    with open_store(path, create=False) as store:
        assert store.run("last").job_fields == {}
        store.enter_job("old", {"complaint": "never starts"})
        assert store.run("last").job_fields == {"complaint": "never starts"}
    with sqlite3.connect(path) as now:
        assert now.execute("select version from lidjig_schema").fetchone() == (schema.SCHEMA_VERSION,)
    now.close()


def test_a_run_without_a_job_has_no_fields(tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        store.start_run("confirm").finish("pass")
        store.enter_job("other", {"customer": "x"})
        assert store.run("last").job_fields == {}
