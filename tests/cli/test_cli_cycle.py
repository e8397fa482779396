"""cycle: how many, proof, interruption by Ctrl-C and by kill -9, going on afterwards."""

from __future__ import annotations

import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.record.store import open_store

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def steps_done(store: str) -> int:
    """Cycles that are on disk; 0 while there is no record yet."""
    if not Path(store).exists():
        return 0
    try:
        with sqlite3.connect(f"file:{store}?mode=ro", uri=True) as db:
            return int(db.execute("select count(*) from steps where name = 'cycle' and state = 'done'").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


def wait_for_cycles(process: subprocess.Popen[str], store: str, count: int) -> None:
    deadline = time.monotonic() + 60.0
    while steps_done(store) < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline, "no cycles in 60 s"
        time.sleep(0.05)


# Success run: n = ceil(ln(1-C)/ln R), tutorial "Success-run theorem"; its pairs R 0.80, C 0.95 -> 14 as published.
@pytest.mark.parametrize(("reliability", "confidence", "count"), [("0.8", "0.95", 14), ("0.9", "0.9", 22)])
def test_prove_chooses_the_count(reliability: str, confidence: str, count: int, run: Callable[..., Any]) -> None:
    ran = run("cycle", "--prove", reliability, "--confidence", confidence, "--link", "twin", "--json")
    assert ran.status == 0, ran.err
    values = {m["name"]: m for m in ran.json["measurements"]}
    assert values["cycles"]["value"] == count
    assert values["reliability shown"]["value"] >= float(reliability)
    assert values["reliability shown"]["limit_low"] == float(reliability)


def test_a_miss_spoils_the_proof(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    link = scenario("machine", "random-miss", probability=0.3)
    ran = run("cycle", "--prove", "0.8", "--confidence", "0.9", "--link", link, "--json")
    assert ran.status == 1
    values = {m["name"]: m for m in ran.json["measurements"]}
    assert values["reliability shown"]["outcome"] == "fail"
    assert values["sleep misses"]["value"] >= 1
    assert ran.first == ("board", "random-miss")
    rate = values["sleep miss rate"]
    assert rate["low"] < rate["value"] < rate["high"]
    assert not any("clean cycles" in note for note in ran.json["notes"])


def test_what_clean_cycles_leave_open_is_said(run: Callable[..., Any]) -> None:
    """No miss in n trials leaves 1 - 0.05^(1/n) at 95 % (the exact bound of Clopper and Pearson at none; value from
    memory): of 10, 25.9 %.
    """
    ran = run("cycle", "--count", "10", "--link", "twin", "--json")
    assert ran.first[0] == "none"
    notes = " / ".join(ran.json["notes"])
    assert f"clean cycles: 10; a machine that misses up to {100.0 * (1.0 - 0.05 ** 0.1):.2g}% of its movements" in notes
    assert "the sensor was not tested: the jig stood in for it" in notes


def test_latency_statistics(run: Callable[..., Any]) -> None:
    ran = run("cycle", "--count", "12", "--link", "twin", "--json")
    values = {m["name"]: m for m in ran.json["measurements"]}
    for verb in ("sleep", "wake"):
        median, fastest, slowest = (values[f"{verb} latency, {w}"] for w in ("median", "fastest", "slowest"))
        assert fastest["value"] <= median["low"] <= median["value"] <= median["high"] <= slowest["value"]
        assert median["n"] == 12
        # The model's own figures: median 0.9 s to sleep, 0.7 s to wake, within 1.8 s and 1.5 s at most.
        assert 0.4 < fastest["value"] and slowest["value"] < 1.9


def test_a_machine_that_never_reacts_ends_the_cycling_early(
    run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    ran = run("cycle", "--count", "500", "--link", scenario("machine", "ignores-lid"), "--json")
    assert ran.status == 1
    values = {m["name"]: m["value"] for m in ran.json["measurements"]}
    assert values["cycles"] < 20
    assert any("ended after" in note for note in ran.json["notes"])


@posix
def test_ctrl_c_ends_safely_and_resume_goes_on(
    program: Callable[..., subprocess.Popen[str]], store: str, run: Callable[..., Any]
) -> None:
    process = program("cycle", "--count", "60", "--link", "twin", "--json", "--job", "bench 4")
    wait_for_cycles(process, store, 4)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 3, err
    assert "stopping safely" in err and "Traceback" not in err
    with open_store(store) as record:
        stopped = record.run("last")
    assert stopped.closed and stopped.outcome == "incomplete"
    assert any("stopped by the operator" in note for note in stopped.notes)
    locks = [event.data["state"] for event in stopped.events if event.name == "lock"]
    assert locks[-1] == 0, "the last word on the interlock is: disarmed"
    done = sum(step.name == "cycle" and step.state == "done" for step in stopped.steps)
    assert 4 <= done < 60

    ran = run("cycle", "--resume", stopped.id, "--link", "twin", "--json")
    assert ran.status == 0, ran.err
    values = {m["name"]: m for m in ran.json["measurements"]}
    assert values["cycles"]["value"] == 60
    assert values["sleep misses"]["n"] == 60
    with open_store(store) as record:
        second = record.run("last")
    assert second.resumes == stopped.id
    assert stopped.job == second.job == "bench 4", "the work stays with its job"
    assert sum(step.name == "cycle" for step in second.steps) == 60 - done
    again = run("cycle", "--resume", second.id, "--link", "twin", "--json")
    assert again.status == 2 and "cycles left" in again.json["error"]["text"]


@posix
def test_killed_in_mid_cycle_shows_every_event_the_board_was_told_of(
    program: Callable[..., subprocess.Popen[str]], store: str, run: Callable[..., Any], tmp_path: Path
) -> None:
    recording = tmp_path / "killed.rec"
    process = program("cycle", "--count", "2000", "--link", "twin", "--recording", str(recording))
    wait_for_cycles(process, store, 6)
    process.kill()
    process.communicate(timeout=30)
    # What the host wrote to the board: its acknowledgements say up to which event it has everything.
    told = [int(n) for n in re.findall(r"> ack counter=(\d+)", recording.read_text(encoding="utf-8"))]
    assert told and max(told) > 20
    shown = run("show", "last")
    assert shown.status == 0
    assert "incomplete" in shown.out.splitlines()[0]
    assert "INCOMPLETE: this run was never closed" in shown.out
    listed = run("show", "last", "--json").json
    counters = [event["counter"] for event in listed["events"]]
    assert counters == list(range(counters[0], counters[0] + len(counters)))
    assert counters[0] == 1
    assert max(told) <= counters[-1]
    for counter in counters:
        assert re.search(rf"^ +{counter}  ", shown.out, re.MULTILINE)
    assert not listed["closed"] and listed["outcome"] == "incomplete"


def test_long_cycling_with_rare_misses_comes_to_its_end(run: Callable[..., Any]) -> None:
    ran = run("cycle", "--count", "300", "--link", "twin:machine-rare-miss", "--json")
    assert ran.status == 1 and ran.first == ("board", "random-miss")
    values = {m["name"]: m for m in ran.json["measurements"]}
    assert values["cycles"]["value"] == 300 and not any("ended after" in note for note in ran.json["notes"])
    rate = values["sleep miss rate"]
    assert (
        values["sleep misses"]["value"] >= 1 and rate["low"] <= 0.01 <= rate["high"]
    )  # the scenario's own probability


def test_five_misses_in_a_row_are_not_told_as_a_death(run: Callable[..., Any], scenario: Callable[..., str]) -> None:
    link = scenario("machine", "random-miss", seed=3, probability=0.7)
    ran = run("cycle", "--count", "200", "--link", link, "--json")
    told = " / ".join(ran.json["notes"])
    assert "the last 5 saw no reaction at all" in told
    counted = re.search(r"(\d+) of (\d+) cycles had a reaction: .* by chance too; 'lidjig confirm' shows", told)
    assert counted and 0 < int(counted[1]) <= int(counted[2]) - 5
