"""The command line itself: options anywhere, help, lists, the tour."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.cli.options import hoist


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (["confirm", "--json", "--repeat", "3"], ["--json", "confirm", "--repeat", "3"]),
        (["confirm", "--link", "twin", "--seed=4"], ["--link", "twin", "--seed=4", "confirm"]),
        (["--job", "j", "runs"], ["--job", "j", "runs"]),
        (["show", "--", "--json"], ["show", "--", "--json"]),
        (["runs", "--store"], ["--store", "runs"]),
        ([], []),
    ],
)
def test_options_of_every_command_move_to_the_front(given: list[str], wanted: list[str]) -> None:
    assert hoist(given) == wanted


def test_help_lists_every_command(run: Callable[..., Any]) -> None:
    ran = run("--help")
    assert ran.status == 0
    for name in ("confirm", "isolate", "cycle", "hold", "sweep", "watch", "runs", "show", "profiles", "ports", "flash",
                 "selftest", "demo"):  # fmt: skip
        assert f"  {name} " in ran.out


def test_version(run: Callable[..., Any]) -> None:
    from lidjig import __version__

    ran = run("--version")
    assert (ran.status, ran.out.strip()) == (0, f"lidjig {__version__}")


def test_runs_and_show(run: Callable[..., Any]) -> None:
    run("hold", "20", "--seconds", "0.5", "--link", "twin", "--job", "bench 4")
    run("sweep", "30", "20", "--link", "twin")
    listed = run("runs", "--json").json
    assert [row["command"] for row in listed["runs"]] == ["sweep", "hold"]
    mine = run("runs", "--job", "bench 4", "--json").json
    assert [row["command"] for row in mine["runs"]] == ["hold"]
    text = run("runs").out
    # A hold judges nothing of the machine; a sweep that crosses no switching angle has nothing to judge.
    assert "r-000001" in text and "bench 4" in text and "ended" in text and "incomplete" in text
    shown = run("show", "r-1").out
    assert "Run r-000001: hold, ended" in shown
    assert "profiles kept   machine, scenario, sensor" in shown
    assert "routed" in shown and "route standin" in shown
    assert "Events" not in run("show", "1", "--no-events").out


def test_no_events_to_show_without_a_record(run: Callable[..., Any]) -> None:
    ran = run("show")
    assert ran.status in (2, 3) and "Traceback" not in ran.err


def test_watch_in_plain_lines(run: Callable[..., Any]) -> None:
    ran = run("watch", "--seconds", "1", "--link", "twin")
    assert ran.status == 0
    line = ran.out.splitlines()[0]
    # A jig fresh from the box has no profile in force, and watching loads none: told when it begins, and not once more.
    told_of = "the jig has no sensor profile in force"
    assert ran.err.count(told_of) == 1 and told_of not in ran.out and "Note: nothing was judged" in ran.out
    assert told_of in run("show", "last").out
    again = run("watch", "--seconds", "1", "--link", "twin", "--json")
    assert sum(told_of in note for note in again.json["notes"]) == 1
    told = ("S5", "no angle", "route through", "disarmed", "supply 3.3 V", "machine_1=1", "SLP_S3# (observer_1) low")
    for part in told:
        assert part in line


def test_hold_says_what_the_machine_does(run: Callable[..., Any], tmp_path: Any) -> None:
    scenario = tmp_path / "running.toml"
    scenario.write_text('[machine]\nmodel = "alder-14"\nstart_state = "S0"\n', encoding="utf-8")
    shut = run("hold", "2", "--seconds", "6", "--link", f"twin:{scenario}")
    assert shut.status == 0
    assert [line.split()[1] for line in shut.err.splitlines() if "    machine: " in line][-1] == "S3"
    opened = run("hold", "90", "--seconds", "6", "--link", f"twin:{scenario}")
    assert [line.split()[1] for line in opened.err.splitlines() if "    machine: " in line][-1] == "S0"


def test_sweep_finds_the_angles_of_the_profile(run: Callable[..., Any]) -> None:
    """Operate 8 deg and release 14 deg stand in the demo sensor's profile; limits are the machine's windows."""
    down = {
        m["name"]: m for m in run("sweep", "30", "0", "--rate", "5", "--link", "twin", "--json").json["measurements"]
    }
    up = {m["name"]: m for m in run("sweep", "0", "30", "--rate", "5", "--link", "twin", "--json").json["measurements"]}
    assert down["machine is told shut"]["low"] <= 8.0 <= down["machine is told shut"]["high"]
    assert up["machine is told open"]["low"] <= 14.0 <= up["machine is told open"]["high"]
    assert (down["machine is told shut"]["limit_low"], down["machine is told shut"]["limit_high"]) == (4.0, 11.0)


def test_the_tour(run: Callable[..., Any], store: str) -> None:
    began = time.monotonic()
    ran = run("demo", "--json")
    assert ran.status == 0, ran.err
    assert time.monotonic() - began < 60.0
    found = [(finding["where"], finding["what"]) for finding in ran.json["findings"]]
    assert found == [
        ("none", None), ("board", "ignores-lid"), ("sensor", "dead"), ("board", "no-start"), ("none", None),
    ]  # fmt: skip
    assert f"recorded in {store}" in ran.err
    written = ran.err.rstrip().rsplit(": ", 1)[1]
    assert written.startswith(str(Path(store).parent)) and "The lid sensor is dead" in Path(written).read_text("utf-8")
    assert len(run("runs", "--job", "demo", "--json").json["runs"]) == 5


def test_the_tour_is_for_the_simulated_bench(run: Callable[..., Any]) -> None:
    assert run("demo", "--link", "COM7").status == 2


def test_profiles_are_listed_and_checked(run: Callable[..., Any]) -> None:
    text = run("profiles").out
    for name in ("alder-14", "birch-13", "cedar-15", "hinge-a1", "hinge-b2", "hinge-c1", "slow-20"):
        assert name in text
    assert run("profiles", "--sensor", "hinge-a1", "--machine", "alder-14").out.endswith("they fit each other\n")
    assert run("profiles", "--sensor", "hinge-a1", "--machine", "birch-13").status == 2
