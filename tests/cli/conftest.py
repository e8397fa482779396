"""Running a command in the tests: in this process, or as a program of its own where a signal is part of the test."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from lidjig.cli import main

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Ran:
    """What a command came to."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """stdout as the one JSON object it must be."""
        return json.loads(self.out, parse_constant=_no_constant)  # type: ignore[no-any-return]

    @property
    def first(self) -> tuple[str, str | None]:
        """(where, what) of the first finding."""
        finding = self.json["findings"][0]
        return finding["where"], finding["what"]


def _no_constant(name: str) -> float:
    raise AssertionError(f"{name} in the JSON object")


@pytest.fixture
def store(tmp_path: Path) -> str:
    return str(tmp_path / "runs.db")


@pytest.fixture
def run(store: str, capfd: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """run("confirm", "--link", "twin"): in this process, with a record of its own."""

    def go(*words: str) -> Ran:
        capfd.readouterr()
        status = main.run([*words, "--store", store])
        out, err = capfd.readouterr()
        return Ran(status, out, err)

    return go


@pytest.fixture
def scenario(tmp_path: Path) -> Callable[..., str]:
    """A scenario file with one fault; returns what --link takes."""

    def make(where: str, kind: str, machine: str = "alder-14", seed: int = 5, **parameters: float) -> str:
        rows = "".join(f"{name} = {value}\n" for name, value in parameters.items())
        text = f'seed = {seed}\n[machine]\nmodel = "{machine}"\n'
        text += f'[[fault]]\nwhere = "{where}"\nkind = "{kind}"\n{rows}'
        path = tmp_path / f"{machine}-{kind}.toml"
        path.write_text(text, encoding="utf-8")
        return f"twin:{path}"

    return make


@pytest.fixture
def program(store: str) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """The command as a program of its own."""
    started: list[subprocess.Popen[str]] = []

    def go(*words: str) -> subprocess.Popen[str]:
        environment = dict(os.environ)
        environment["PYTHONPATH"] = os.pathsep.join([str(ROOT / "host"), str(ROOT)])
        process = subprocess.Popen(
            [sys.executable, "-m", "lidjig", *words, "--store", store],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        started.append(process)
        return process

    yield go
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=20)
