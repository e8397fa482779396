"""The JSON object and the exit statuses: the same for every procedure, for bad input and for a jig that is gone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

KEYS = ["command", "run", "outcome", "findings", "measurements", "notes", "error"]
FINDING = ["where", "what", "probability", "evidence", "next", "caution"]
MEASUREMENT = ["name", "value", "unit", "low", "high", "n", "limit_low", "limit_high", "outcome"]
WHERE = {"sensor", "wiring", "board", "setting", "elsewhere", "none", "unknown"}
OUTCOMES = {"pass", "marginal", "fail", "not measured"}

PROCEDURES = [
    ("confirm", "--repeat", "2"),
    ("isolate", "--repeat", "2", "--watch", "1"),
    ("cycle", "--count", "2"),
    ("hold", "30", "--seconds", "1"),
    ("sweep", "40", "2", "--rate", "20"),
    ("watch", "--seconds", "0.5"),
]


def check_object(whole: dict[str, Any]) -> None:
    assert list(whole) == KEYS
    assert whole["outcome"] in {"pass", "fail", "error", "incomplete"}
    for finding in whole["findings"]:
        assert list(finding) == FINDING
        assert finding["where"] in WHERE
        assert finding["probability"] is None or 0.0 <= finding["probability"] <= 1.0
        assert finding["next"]
    for measurement in whole["measurements"]:
        assert list(measurement) == MEASUREMENT
        assert measurement["outcome"] in OUTCOMES
        if measurement["value"] is None:
            assert measurement["outcome"] == "not measured"
        else:
            # No number without its footing.
            assert measurement["n"] >= 1 and measurement["unit"]


@pytest.mark.parametrize("words", PROCEDURES, ids=[words[0] for words in PROCEDURES])
def test_every_procedure_gives_the_same_object(words: tuple[str, ...], run: Callable[..., Any]) -> None:
    ran = run(*words, "--link", "twin", "--json")
    assert ran.status == 0, ran.err
    check_object(ran.json)
    assert ran.json["command"] == words[0]
    assert ran.json["outcome"] == "pass"
    assert ran.json["error"] is None


def test_options_may_stand_before_the_command(run: Callable[..., Any]) -> None:
    ran = run("--link", "twin", "--json", "hold", "30", "--seconds", "0.5")
    assert (ran.status, ran.json["command"]) == (0, "hold")


def test_same_seed_same_object(run: Callable[..., Any]) -> None:
    one = run("cycle", "--count", "3", "--link", "twin", "--seed", "9", "--json").json
    two = run("cycle", "--count", "3", "--link", "twin", "--seed", "9", "--json").json
    other = run("cycle", "--count", "3", "--link", "twin", "--seed", "10", "--json").json
    del one["run"], two["run"], other["run"]
    assert one == two
    assert one != other


def test_a_recording_replays_to_the_same_object(run: Callable[..., Any], tmp_path: Path) -> None:
    file = tmp_path / "bench.rec"
    live = run("confirm", "--repeat", "1", "--link", "twin", "--json", "--recording", str(file)).json
    again = run("confirm", "--repeat", "1", "--link", f"replay:{file}", "--json").json
    assert again.pop("run") != live.pop("run")
    assert again == live


BAD = [
    ("confirm", "--sensor", "no-such-sensor", "--link", "twin"),
    ("confirm", "--machine", "no-such-machine", "--link", "twin"),
    ("confirm", "--sensor", "hinge-b2", "--link", "twin"),  # two outputs for one line
    ("confirm", "--link", "twin:/no/such/scenario.toml"),
    ("confirm", "--vm", "pypy", "--link", "twin"),
    ("confirm", "--repeat", "0", "--link", "twin"),
    ("confirm", "--no-such-option",),
    ("no-such-command",),
    ("cycle", "--prove", "1.2", "--link", "twin"),
    ("cycle", "--confidence", "0.9", "--link", "twin"),
    ("cycle", "--prove", "0.99", "--count", "10", "--link", "twin"),
    ("cycle", "--resume", "last", "--link", "twin"),
    ("hold", "500", "--seconds", "1", "--link", "twin"),
    ("sweep", "10", "10", "--link", "twin"),
    ("sweep", "10", "20", "--rate", "0", "--link", "twin"),
    ("show", "r-999"),
    ("confirm", "--seed", "many", "--link", "twin"),
    ("confirm", "--link", "replay:/no/such/file"),
]  # fmt: skip


@pytest.mark.parametrize("words", BAD, ids=[" ".join(words[:3]) for words in BAD])
def test_bad_input_is_2_with_one_clear_error(words: tuple[str, ...], run: Callable[..., Any]) -> None:
    ran = run(*words, "--json")
    assert ran.status == 2, ran.err
    assert ran.err.splitlines()[-1].startswith(("lidjig: ", "        "))
    assert "Traceback" not in ran.err
    whole = ran.json
    check_object(whole)
    assert whole["outcome"] == "error"
    assert whole["error"]["text"]


def test_a_broken_profile_names_file_key_value_and_what_is_accepted(run: Callable[..., Any], tmp_path: Path) -> None:
    from lidjig.bench import load_sensor

    text = load_sensor("hinge-a1")[1].replace("operate_deg = 8.0", "operate_deg = 800.0")
    assert "800.0" in text
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    ran = run("confirm", "--sensor", str(file), "--link", "twin", "--json")
    assert ran.status == 2
    for part in ("mine.toml", "operate_deg", "800", "360"):
        assert part in ran.json["error"]["text"]


def test_no_jig_is_3(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    ran = run("confirm", "--json", "--link", scenario("link", "drop", rate=1.0))
    assert (ran.status, ran.json["outcome"], ran.json["run"]) == (3, "error", None)


def test_a_link_lost_for_good_is_3_and_the_run_is_closed(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    ran = run("confirm", "--json", "--link", scenario("link", "stall", at_s=8.0, duration_ms=60000))
    assert (ran.status, ran.json["outcome"]) == (3, "error")
    check_object(ran.json)
    shown = run("show", ran.json["run"], "--json").json
    assert shown["closed"] and shown["outcome"] == "error"
    assert any(gap["kind"] == "link-lost" for gap in shown["gaps"])


def test_stdout_has_nothing_beside_the_object(run: Callable[..., Any]) -> None:
    ran = run("confirm", "--repeat", "1", "--link", "twin", "--json")
    json.loads(ran.out)
    assert "Press the machine's power button" in ran.err


def test_cautions_stand_where_the_danger_is_met(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    ran = run("isolate", "--repeat", "1", "--watch", "1", "--link", scenario("machine", "no-start"))
    assert "CAUTION: The backlight rail carries up to 50 V" in ran.err
    assert "CAUTION: Up to 20 V on the board" in ran.out
