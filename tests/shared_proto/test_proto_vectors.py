"""One file of vectors on two interpreters, refusals included."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import make_vectors

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
COMMAND = [str(HERE / "replay_vectors.py"), str(ROOT), str(make_vectors.VECTORS)]


def recorded() -> list[str]:
    lines = make_vectors.VECTORS.read_text(encoding="ascii").splitlines()
    return [line for line in lines if not line.startswith("#")]


def replayed(interpreter: list[str]) -> list[str]:
    done = subprocess.run([*interpreter, *COMMAND], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout[-500:] + done.stderr[-2000:]
    return done.stdout.splitlines()


def test_the_file_covers_the_tables_as_they_are() -> None:
    given = [line.split(" => ")[0] for line in recorded()]
    assert given == make_vectors.inputs(), "run python tests/shared_proto/make_vectors.py and look at what changed"


def test_vectors_have_both_acceptance_and_refusal() -> None:
    lines = recorded()
    assert sum(" => refused: " in line for line in lines) > 500
    assert sum(line.startswith("encode ") and " => refused" not in line for line in lines) > 150
    assert all("RESTARTED=" in line or "REJOINED=" in line for line in lines if line.startswith("session "))


def test_cpython() -> None:
    assert replayed([sys.executable]) == recorded()


def test_micropython(micropython: str) -> None:
    assert replayed([micropython]) == recorded()
