"""Every fault kind of the catalogue on the simulated bench: the right finding, the right exit status."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Parameters = dict[str, float]
Row = tuple[str, str, Parameters, str]

# (part of the catalogue, kind, parameters, where the finding must be). A fault in `machine` is one of the board.
WIRING: list[Row] = [
    ("wiring", "line-open", {}, "wiring"),
    ("wiring", "line-short-ground", {}, "wiring"),
    ("wiring", "line-short-supply", {}, "wiring"),
    ("wiring", "pull-missing", {}, "wiring"),
    ("wiring", "supply-missing", {}, "wiring"),
]
MACHINE: list[Row] = [
    ("machine", "ignores-lid", {}, "board"),
    ("machine", "no-start", {}, "board"),
    ("machine", "slow-sleep", {}, "board"),
    ("machine", "never-wakes", {}, "board"),
    ("machine", "random-miss", {"probability": 0.4}, "board"),
]
SENSOR: list[Row] = [
    ("sensor", "dead", {}, "sensor"),
    ("sensor", "stuck-shut", {}, "sensor"),
    ("sensor", "stuck-open", {}, "sensor"),
    ("sensor", "intermittent", {}, "sensor"),
]
CONFIRMED = WIRING + MACHINE
ISOLATED = SENSOR + WIRING + MACHINE
COLUMNS = ("part", "kind", "parameters", "where")
LINK = [("link", kind) for kind in ("drop", "corrupt", "repeat", "split", "stall", "reset")]
ISOLATE = ("isolate", "--json", "--repeat", "6", "--watch", "20")


def named(rows: list[Row]) -> list[str]:
    return [kind for _part, kind, _parameters, _where in rows]


@pytest.mark.parametrize(COLUMNS, CONFIRMED, ids=named(CONFIRMED))
def test_confirm_finds(
    part: str,
    kind: str,
    parameters: Parameters,
    where: str,
    run: Callable[..., Any],
    scenario: Callable[..., str],
) -> None:
    ran = run("confirm", "--json", "--repeat", "8", "--link", scenario(part, kind, **parameters))
    assert ran.status == 1, ran.err
    assert ran.first == (where, kind), ran.out
    assert ran.json["outcome"] == "fail"


@pytest.mark.parametrize(COLUMNS, ISOLATED, ids=named(ISOLATED))
def test_isolate_finds(
    part: str,
    kind: str,
    parameters: Parameters,
    where: str,
    run: Callable[..., Any],
    scenario: Callable[..., str],
) -> None:
    ran = run(*ISOLATE, "--link", scenario(part, kind, **parameters))
    assert ran.status == 1, ran.err
    assert ran.first == (where, kind), ran.out
    evidence = ran.json["findings"][0]["evidence"]
    assert len(evidence) >= 2 and any(any(c.isdigit() for c in line) for line in evidence), "evidence has numbers"


@pytest.mark.parametrize(("part", "kind"), LINK, ids=[kind for _part, kind in LINK])
def test_a_bad_link_is_no_fault_of_the_machine(
    part: str, kind: str, run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    """At the rates that the catalogue gives, the run comes through: repeated where it must be, and passed."""
    ran = run("confirm", "--json", "--repeat", "4", "--link", scenario(part, kind))
    assert (ran.status, ran.json["outcome"], ran.first) == (0, "pass", ("none", None)), ran.err


@pytest.mark.parametrize(
    ("kind", "parameters"),
    [("drop", {"rate": 0.97}), ("corrupt", {"rate": 1.0}), ("stall", {"at_s": 12.0, "duration_ms": 60000})],
    ids=["drop", "corrupt", "stall"],
)
def test_a_link_that_never_recovers_is_no_verdict(
    kind: str, parameters: Parameters, run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    ran = run("confirm", "--json", "--repeat", "4", "--link", scenario("link", kind, **parameters))
    assert (ran.status, ran.json["outcome"], ran.json["findings"]) == (3, "error", []), ran.err


@pytest.mark.parametrize("machine", ["birch-13", "cedar-15"])
@pytest.mark.parametrize("vm", ["cpython", "auto"])
def test_other_machines_pass_on_both_interpreters(
    machine: str, vm: str, run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    """No fault at all: a link fault whose rate is zero."""
    ran = run("confirm", "--json", "--repeat", "3", "--vm", vm, "--link", scenario("link", "drop", machine, rate=0.0))
    assert (ran.status, ran.first) == (0, ("none", None)), ran.err


def test_a_sensor_fault_is_not_seen_by_confirm_and_it_says_so(
    run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    ran = run("confirm", "--json", "--repeat", "3", "--link", scenario("sensor", "dead"))
    assert ran.status == 0
    assert any("sensor was not tested" in note for note in ran.json["notes"])


def test_the_second_of_two_lines(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    """With two lid lines that must both say shut, the machine works on although one of them has lost its pull."""
    ran = run("confirm", "--json", "--repeat", "3", "--link", scenario("wiring", "pull-missing", "birch-13", line=2))
    assert ran.first == ("wiring", "pull-missing"), ran.out
    ran = run("confirm", "--json", "--repeat", "3", "--link", scenario("wiring", "line-open", "birch-13", line=2))
    assert ran.first == ("wiring", "line-open"), ran.out


def test_a_setting_is_named_as_the_less_probable_cause(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    ran = run("confirm", "--json", "--repeat", "3", "--link", scenario("machine", "ignores-lid"))
    findings = {finding["where"]: finding["probability"] for finding in ran.json["findings"]}
    assert findings["setting"] < findings["board"]


def test_nothing_is_driven_onto_a_short(run: Callable[..., Any], scenario: Callable[..., str], store: str) -> None:
    from lidjig.record.store import open_store

    from shared_proto import names

    run("isolate", "--json", "--watch", "1", "--link", scenario("wiring", "line-short-supply"))
    with open_store(store) as record:
        routes = [e.data["route"] for e in record.run("last").events if e.name == "routed"]
    assert names.ROUTE_STANDIN not in routes


def test_the_rule_of_the_trade_on_the_bench(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    """Plugged it does not start; unplugged it starts and never sleeps; by the stand-in it starts, sleeps and wakes."""
    ran = run(*ISOLATE, "--link", scenario("sensor", "dead"))
    outcome = {m["name"]: m["outcome"] for m in ran.json["measurements"]}
    # common practice, no source
    assert outcome["start, real sensor"] == "fail"
    assert outcome["start, lines open"] == "pass"
    assert outcome["lines open, lid shut: stays awake"] == "pass"
    assert outcome["start, stand-in open"] == outcome["sleep misses"] == outcome["wake misses"] == "pass"
