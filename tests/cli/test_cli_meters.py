"""A bench with nothing soldered, from the command line: verdicts through the power monitor, and none without it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.cli import main

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    def go(*words: str) -> tuple[int, str, str]:
        capfd.readouterr()
        status = main.run([*words, "--store", str(tmp_path / "runs.db")])
        out, err = capfd.readouterr()
        return status, out, err

    return go


@pytest.mark.parametrize(
    ("scenario", "outcome", "status"),
    [
        ("healthy-dogwood-14", "pass", 0),
        ("bus-hung", "pass", 0),  # clocked free
        ("bus-hung-for-good", "error", 3),
        ("bus-meter-missing", "error", 3),
    ],
)
def test_confirm_on_dogwood(scenario: str, outcome: str, status: int, run: Run) -> None:
    got, out, _ = run("confirm", "--link", f"twin:{scenario}", "--repeat", "2", "--json")
    told = json.loads(out)
    assert (got, told["outcome"]) == (status, outcome)
    outcomes = [measured["outcome"] for measured in told["measurements"]]
    assert "fail" not in outcomes
    if outcome == "pass":
        assert "not measured" not in outcomes and told["findings"][0]["where"] == "none" and told["error"] is None
    else:
        assert told["findings"] == [] and "power monitor 1 (charger supply)" in told["error"]["text"]
        assert "not measured" in outcomes and "machine profile" in told["error"]["next"]


@pytest.mark.parametrize(
    ("command", "wanted"),
    [
        (("isolate", "--repeat", "2", "--watch", "1"), "none"),
        (("cycle", "--count", "3"), "none"),
        (("sweep", "100", "0"), None),
    ],
    ids=["isolate", "cycle", "sweep"],
)
def test_other_procedures_on_dogwood(command: tuple[str, ...], wanted: str | None, run: Run) -> None:
    status, out, _ = run(*command, "--link", "twin:healthy-dogwood-14", "--json")
    told = json.loads(out)
    assert (status, told["outcome"]) == (0, "pass"), told
    assert [finding["where"] for finding in told["findings"]] == ([wanted] if wanted else [])


@pytest.mark.parametrize("scenario", ["healthy-dogwood-14", "bus-hung-for-good"])
def test_such_a_run_can_be_shown_and_reported(scenario: str, run: Run, tmp_path: Path) -> None:
    run("confirm", "--link", f"twin:{scenario}", "--repeat", "1")
    status, out, _ = run("show", "last")
    assert status == 0 and "meter 1, state ok" in out and "channel meter_1_i" in out
    if scenario == "bus-hung-for-good":
        assert "meter-lost: power monitor 1 (charger supply)" in out and "meter 1, state failed" in out
    for lang, monitor in (("en", "charger current (power monitor 1)"), ("de", "Leistungsmesser 1")):
        page = tmp_path / f"{lang}.html"
        assert run("report", "last", "--lang", lang, "--out", str(page))[0] == 0
        text = page.read_text(encoding="utf-8")
        assert monitor in text
        # Nothing is left in the record's language.
        assert re.findall(r'<span lang="en">[^<]*', text) == []
