"""sweep and hold on the simulated bench: what was not seen is not judged, what is out of order is named."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest


def values(ran: Any) -> dict[str, Any]:
    return {m["name"]: m for m in ran.json["measurements"]}


def notes(ran: Any) -> str:
    return " / ".join(ran.json["notes"])


@pytest.fixture
def sweep(run: Callable[..., Any]) -> Callable[..., Any]:
    """sweep("twin", "0", "110"): the sweep with its JSON object."""
    return lambda link, low, high, *more: run("sweep", low, high, "--link", link, "--json", *more)


def test_a_machine_that_never_slept_has_no_wake_latency(sweep: Callable[..., Any]) -> None:
    ran = sweep("twin:machine-ignores-lid", "0", "110")
    assert (ran.status, ran.json["outcome"]) == (3, "incomplete")
    assert values(ran)["wake latency"]["outcome"] == "not measured"
    assert values(ran)["machine is told open"]["outcome"] == "pass"
    assert "was in S0 and not in S3" in notes(ran)


@pytest.mark.parametrize(("low", "high"), [("0", "5"), ("60", "100"), ("100", "60")])
def test_a_range_without_a_switching_angle_measures_nothing(low: str, high: str, sweep: Callable[..., Any]) -> None:
    ran = sweep("twin", low, high)
    assert (ran.status, ran.json["outcome"]) == (3, "incomplete")
    assert "nothing is judged" in notes(ran)


@pytest.mark.parametrize(("low", "high"), [("20", "100"), ("110", "0")])
def test_a_machine_that_is_off_is_not_blamed_for_its_sleep(low: str, high: str, sweep: Callable[..., Any]) -> None:
    ran = sweep("twin:machine-no-start", low, high)
    assert (ran.status, ran.json["outcome"]) == (3, "incomplete")
    assert "the machine does not run" in notes(ran)
    assert ran.json["findings"] == []


def test_an_opening_sweep_comes_from_shut(sweep: Callable[..., Any]) -> None:
    """From 12 deg, between operating (8) and release (14): coming from open the output would be released already."""
    ran = sweep("twin", "12", "100")
    assert (ran.status, ran.json["outcome"]) == (0, "pass")
    wake = values(ran)["wake latency"]
    # The model's own figures: within 0.4 and 1.5 s.
    assert 0.4 < wake["low"] < wake["value"] < wake["high"] < 1.6
    assert ran.json["findings"] == []


def test_closing_sweep_of_a_two_line_machine(sweep: Callable[..., Any]) -> None:
    ran = sweep("twin:healthy-birch-13", "110", "0")
    assert ran.status == 0
    told, first, second = (
        values(ran)[name]["value"] for name in ("machine is told shut", "output 1 changes", "output 2 changes")
    )
    assert told == min(first, second)  # both have to say shut


def test_a_late_sleep_is_late_and_not_never(sweep: Callable[..., Any]) -> None:
    ran = sweep("twin:machine-slow-sleep", "110", "0")
    assert ran.status == 1
    assert ran.first == ("board", "slow-sleep")
    assert values(ran)["sleep latency"]["value"] > 3.0


@pytest.mark.parametrize("words", [("sweep", "110", "0"), ("hold", "100", "--seconds", "2")], ids=["sweep", "hold"])
def test_a_short_is_named_with_what_to_do(words: tuple[str, ...], run: Callable[..., Any]) -> None:
    ran = run(*words, "--link", "twin:wiring-line-short-ground", "--json")
    assert ran.status == 1
    assert ran.first == ("wiring", "line-short-ground")
    finding = ran.json["findings"][0]
    assert finding["next"] and ("20 V" in finding["caution"] or "charger" in finding["caution"])


@pytest.mark.parametrize("words", [("watch", "--seconds", "1"), ("hold", "100", "--seconds", "1")], ids=lambda w: w[0])
def test_looking_does_not_read_as_a_verdict(words: tuple[str, ...], run: Callable[..., Any]) -> None:
    ran = run(*words, "--link", "twin")
    assert ran.status == 0
    assert "Outcome: ENDED: nothing was judged of the machine" in ran.out and "PASS" not in ran.out
    assert "judged: this only" in ran.out
    assert f"{words[0]}, ended" in run("show", "--no-events").out.splitlines()[0]
    assert " ended " in run("runs").out
    assert run(*words, "--link", "twin", "--json").json["outcome"] == "pass"


def test_hold_says_that_the_machine_was_off(run: Callable[..., Any]) -> None:
    for angle in ("100", "10", "0"):  # open, between the switching angles, shut
        off = run("hold", angle, "--seconds", "1", "--link", "twin", "--json")
        assert "the machine is in S5" in notes(off)


def test_hold_on_a_running_machine_that_ignores_its_lid(run: Callable[..., Any], tmp_path: Any) -> None:
    path = tmp_path / "running.toml"
    text = '[machine]\nmodel = "alder-14"\nstart_state = "S0"\n'
    path.write_text(text + '[[fault]]\nwhere = "machine"\nkind = "ignores-lid"\n', encoding="utf-8")
    ran = run("hold", "0", "--seconds", "8", "--link", f"twin:{path}", "--json")
    assert "the machine is in S0" in notes(ran) and "where S3 belongs" in notes(ran)
    early = run("hold", "0", "--seconds", "1", "--link", f"twin:{path}", "--json")
    assert "belongs" not in notes(early), "it still has time"
    path.write_text(text, encoding="utf-8")
    fits = run("hold", "0", "--seconds", "8", "--link", f"twin:{path}", "--json")
    assert "belongs" not in notes(fits) and "is in" not in notes(fits)
