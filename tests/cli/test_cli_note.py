"""Notes by hand, and what a run keeps beside its figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


def test_a_note_is_shown_with_its_run(run: Callable[..., Any]) -> None:
    run("hold", "20", "--seconds", "0.5", "--link", "twin")
    before = run("show", "last", "--json").json
    added = run("note", "last", "green corrosion at pin 3; cleaned")
    assert (added.status, added.out) == (0, "Added to r-000001; see it with: lidjig show r-000001\n")
    assert run("note", "1", "replaced", "--json").json == {"command": "note", "run": "r-000001"}
    assert "  operator: green corrosion at pin 3; cleaned\n" in run("show", "last").out
    after = run("show", "last", "--json").json
    own = len(before["notes"])
    assert after["notes"][own:] == ["operator: green corrosion at pin 3; cleaned", "operator: replaced"]
    assert {**after, "notes": []} == {**before, "notes": []}


def test_a_note_needs_a_run_and_words(run: Callable[..., Any]) -> None:
    assert run("note", "last", "lost").status == 2
    run("hold", "20", "--seconds", "0.5", "--link", "twin")
    for words in (("note", "r-9", "lost"), ("note", "last", "  "), ("note", "last")):
        ran = run(*words)
        assert ran.status == 2 and "Traceback" not in ran.err


def test_samples_are_shown_as_data(run: Callable[..., Any]) -> None:
    run("hold", "20", "--seconds", "0.5", "--link", "twin")
    samples = run("show", "last", "--json").json["samples"]
    assert {"supply", "charger_v", "machine_1"} <= {sample["channel"] for sample in samples}
    assert list(samples[0]) == ["channel", "unit", "value", "u", "n", "t_us"]
    assert "samples" not in run("show", "last", "--json", "--no-events").json
