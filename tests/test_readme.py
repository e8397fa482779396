"""The README says what is true: its two commands are the ones that are used, its transcripts are what lidjig prints."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```console\n\$ lidjig (.*?)\n(.*?)```", README, re.DOTALL)
RUN_ID = re.compile(r"r-\d{6}")


def same(text: str) -> str:
    """Without what differs from store to store: the number of the run."""
    return RUN_ID.sub("r-000000", text).rstrip()


def test_opens_with_the_job_in_one_paragraph() -> None:
    first = README.split("\n\n", 1)[0]
    assert not first.startswith("#") and "\n" not in first and len(first) > 200


def test_commands_of_the_readme_are_those_of_ci() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for part in ("python3 -m venv .venv", ".venv/bin/pip install", ".venv/bin/python -m pytest"):
        assert part in README and part in ci
    assert "python3 -m venv .venv && .venv/bin/pip install -e . && .venv/bin/lidjig demo" in README
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[dev]' && .venv/bin/python -m pytest" in README


def test_each_of_the_three_uses_has_a_transcript() -> None:
    assert [command.split()[0] for command, _shown in BLOCKS] == ["confirm", "isolate", "cycle"]


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command.split()[0] for command, _shown in BLOCKS])
def test_transcript_is_what_is_printed(command: str, shown: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "lidjig", *command.split(), "--store", str(tmp_path / "runs.db")],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    printed = iter(same(done.stdout + done.stderr).splitlines())
    for line in same(shown).splitlines():
        if line.strip() == "...":
            continue
        # Every line that the README shows is printed, in its order.
        assert any(line.rstrip() == other.rstrip() for other in printed), f"not printed, or not in this order: {line!r}"
