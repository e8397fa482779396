"""Commands in this process with a record of their own, and the run that the exporters are tried on."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import export_runs
import pytest
from export_runs import Ran, Run
from lidjig.cli import main
from lidjig.record.store import Store, open_store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the record of this test is."""
    return tmp_path / "runs.db"


@pytest.fixture
def run(path: Path, capfd: pytest.CaptureFixture[str]) -> Run:
    """run("replay", "last"): with the record of this test; store=another one."""

    def go(*words: str, store: Path | None = None) -> Ran:
        capfd.readouterr()
        status = main.run([*words, "--store", str(store or path)])
        out, err = capfd.readouterr()
        return Ran(status, out, err)

    return go


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> export_runs.Made:
    """A record with one run that has something of everything, and what is in it."""
    return export_runs.make(tmp_path_factory.mktemp("export") / "runs.db")


@pytest.fixture
def opened(made: export_runs.Made) -> Iterator[Store]:
    with open_store(made.store, create=False) as store:
        yield store


@pytest.fixture
def sigrok(tmp_path: Path) -> Callable[..., str]:
    """sigrok("-i", file, ...): what sigrok-cli says on stdout. Skips where it is not installed."""
    program = shutil.which("sigrok-cli")
    if program is None:
        pytest.skip("no sigrok-cli on PATH (apt-get install sigrok-cli): .sr and .vcd are not read back with it")

    def go(*words: str) -> str:
        # In a process of its own with a time limit: a file that it does not understand must not hang the tests.
        done = subprocess.run([program, *words], capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return go
