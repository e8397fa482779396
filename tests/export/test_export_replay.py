"""lidjig replay: the same findings and figures again from the events of a stored run, over every place of a fault."""

from __future__ import annotations

import signal
from collections.abc import Sequence
from pathlib import Path

import pytest
from export_runs import Run
from lidjig.record.store import open_store
from replay_runs import Killed, break_into, kill

CONFIRM = ("confirm", "--repeat", "3")
ISOLATE = ("isolate", "--repeat", "3", "--watch", "3")
CYCLE = ("cycle", "--count", "8")


@pytest.mark.parametrize(
    ("words", "scenario"),
    [
        (CONFIRM, "healthy-alder-14"),
        (CONFIRM, "healthy-birch-13"),
        (ISOLATE, "healthy-cedar-15"),
        (ISOLATE, "sensor-dead"),
        (ISOLATE, "sensor-stuck-open"),
        (ISOLATE, "sensor-intermittent"),
        (ISOLATE, "wiring-line-open-line-2"),
        (ISOLATE, "wiring-pull-missing"),
        (CONFIRM, "wiring-line-short-ground"),
        (CONFIRM, "wiring-supply-missing"),
        (ISOLATE, "wiring-supply-missing-birch-13"),
        (CONFIRM, "machine-ignores-lid"),
        (CONFIRM, "machine-slow-sleep"),
        (ISOLATE, "machine-no-start"),
        (ISOLATE, "machine-never-wakes"),
        (CYCLE, "machine-random-miss"),
        (CYCLE, "wiring-line-short-supply"),
        ((*CYCLE[:1], "--prove", "0.7", "--confidence", "0.9"), "healthy-alder-14"),
        (("sweep", "60", "3"), "healthy-alder-14"),
        (("sweep", "3", "60"), "machine-never-wakes"),
        (("sweep", "60", "50"), "healthy-alder-14"),
        (("hold", "60", "--seconds", "2"), "wiring-pull-missing"),
        (CYCLE, "link-reset"),
        (CONFIRM, "link-stall"),
        (ISOLATE, "bus-hung-for-good"),
        (CYCLE, "bus-meter-drops"),
        (CONFIRM, "habit-charging-alder-14"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value),
)
def test_it_gives_the_same(run: Run, words: Sequence[str], scenario: str) -> None:
    made = run(*words, "--link", f"twin:{scenario}", "--json")
    assert made.status in (0, 1, 3), made.err
    again = run("replay", "last", "--json")
    assert again.json["differences"] == []
    assert again.status == 0
    assert again.json["same"] and again.json["findings"] == made.json["findings"]
    assert again.json["outcome"] == made.json["outcome"]
    figures = {m["name"]: m for m in made.json["measurements"]}
    assert {m["name"]: m for m in again.json["measurements"]} == figures


def test_trials_are_derived_and_not_echoed(run: Run, path: Path) -> None:
    """As many as the cycles have, and the states that the events tell are those of a machine that sleeps and wakes."""
    run(*CYCLE, "--link", "twin")
    again = run("replay", "last", "--json").json
    assert again["agreeing"]["trials"] == 16 and again["agreeing"]["observations"] == 7
    states = [span["state"] for span in again["states"] if span["state"] in ("S0", "S3")]
    assert states.count("S3") == 8
    with open_store(path, create=False) as store:
        assert len(store.run("last").observations) == 7


@pytest.mark.parametrize("after", [20, 60, 100])
def test_a_killed_run(run: Run, path: Path, monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    """It drew no conclusion: what it recorded is compared, and that is said."""
    with monkeypatch.context() as patched:
        break_into(patched, after, kill)
        with pytest.raises(Killed):
            run(*CYCLE, "--link", "twin")
    again = run("replay", "last", "--json")
    assert again.status == 0 and not again.json["concluded"] and again.json["findings"] == []
    assert "drew no conclusion" in again.json["notes"][0]
    assert again.json["outcome"] == "incomplete"
    with open_store(path, create=False) as store:
        cycles = [step for step in store.run("last").steps if step.name == "cycle" and step.state == "done"]
    assert again.json["agreeing"]["trials"] == 2 * len(cycles) and (len(cycles) > 3 or after < 100)


@pytest.mark.parametrize("words", [CONFIRM, CYCLE, ISOLATE])
def test_a_run_stopped_by_the_operator(run: Run, monkeypatch: pytest.MonkeyPatch, words: Sequence[str]) -> None:
    with monkeypatch.context() as patched:
        break_into(patched, 45, lambda: signal.raise_signal(signal.SIGINT))
        made = run(*words, "--link", "twin", "--json")
    assert made.json["outcome"] == "incomplete" and "stopped by the operator" in " ".join(made.json["notes"])
    again = run("replay", "last", "--json")
    assert again.status == 0, again.json["differences"]
    assert again.json["concluded"] and again.json["findings"] == made.json["findings"] != []


def test_a_run_that_goes_on_with_another(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The figures are of all cycles; those of the run before count as it recorded them."""
    with monkeypatch.context() as patched:
        break_into(patched, 60, lambda: signal.raise_signal(signal.SIGINT))
        run(*CYCLE, "--link", "twin:machine-random-miss")
    made = run("cycle", "--resume", "last", "--link", "twin:machine-random-miss", "--json")
    cycles = next(m["value"] for m in made.json["measurements"] if m["name"] == "cycles")
    again = run("replay", "last", "--json")
    assert again.status == 0 and cycles == 8
    assert next(m["value"] for m in again.json["measurements"] if m["name"] == "cycles") == 8


@pytest.mark.parametrize("words", [("watch", "--seconds", "1"), ("watch", "--seconds", "1", "--record")])
def test_a_command_without_findings(run: Run, words: Sequence[str]) -> None:
    run(*words, "--link", "twin")
    again = run("replay", "last")
    assert again.status == 2 and "draws no conclusion" in again.err and "confirm, isolate" in again.err
