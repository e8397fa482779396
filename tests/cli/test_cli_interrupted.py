"""What came in between is said: restarts and repeated steps in a result, and how a stopped run is taken up."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.bench import load_machine, load_sensor
from lidjig.jig import Jig
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle
from lidjig.procedures.progress import Quiet
from lidjig.record.store import open_store
from lidjig.twin.scenario import parse_scenario

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def test_a_restart_in_mid_run_stands_in_the_result(run: Callable[..., Any], tmp_path: Path) -> None:
    path = tmp_path / "reset.toml"
    path.write_text('[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 15.0\n', encoding="utf-8")
    ran = run("confirm", "--repeat", "2", "--link", f"twin:{path}", "--json")
    assert (ran.status, ran.json["outcome"]) == (0, "pass"), ran.err
    told = " / ".join(ran.json["notes"])
    assert "restarted 1 time during" in told and "a step was repeated 1 time" in told
    (row,) = run("runs", "--json").json["runs"]
    assert row["gaps"] >= 1
    listed = run("runs").out.splitlines()
    assert listed[0].split()[6] == "gaps" and listed[1].split()[5] == str(row["gaps"])
    clean = run("confirm", "--repeat", "2", "--link", "twin", "--json")
    assert not any("during this run" in note or "repeated" in note for note in clean.json["notes"])
    assert run("runs", "--json").json["runs"][0]["gaps"] == 0


class StopsAt(Quiet):
    """Wishes to stop as soon as the lid is shut and opened for the second time."""

    bench: Bench

    def bar(self, done: int, total: int) -> None:
        if done == 1:
            self.bench.stop.wanted = True


@pytest.mark.parametrize("kind", ["confirm", "cycle"])
def test_a_stopped_run_says_what_was_done_and_no_more(kind: str, tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        link = TwinLink(parse_scenario("", "test.toml"))
        try:
            jig = Jig(link, nonce_seed=1)
            jig.connect(Deadline(link.clock, 5.0))
            recorder = store.start_run(kind)
            jig.sink = recorder
            progress = StopsAt()
            machine, sensor = load_machine("alder-14")[0], load_sensor("hinge-a1")[0]
            bench = progress.bench = Bench(jig, recorder, machine, sensor, Operator(), progress)
            report = (Confirm(bench, repeat=5) if kind == "confirm" else Cycle(bench, 5)).run()
        finally:
            link.close()
    assert report.outcome == "incomplete"
    (finding,) = report.findings
    assert finding.where == "unknown" and "stopped before the end" in finding.evidence[0]
    assert not any("%" in line for line in finding.evidence)
    told = " / ".join(report.notes)
    assert (f"lidjig cycle --resume {recorder.id}" in told) == (kind == "cycle")


@posix
def test_a_killed_cycle_shows_how_to_go_on(
    program: Callable[..., subprocess.Popen[str]], store: str, run: Callable[..., Any]
) -> None:
    process = program("cycle", "--count", "5000", "--link", "twin")
    deadline = time.monotonic() + 60.0
    while not Path(store).exists() or not run("runs", "--json").json.get("runs"):
        assert process.poll() is None and time.monotonic() < deadline
        time.sleep(0.2)
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=30)
    shown = run("show", "last", "--no-events").out
    assert "Go on with: lidjig cycle --resume r-000001" in shown


def test_the_miss_finding_of_cycle_does_not_ask_for_what_was_just_done(
    run: Callable[..., Any], scenario: Callable[..., str]
) -> None:
    link = scenario("machine", "random-miss", probability=0.4)
    ran = run("cycle", "--count", "20", "--link", link, "--json")
    assert ran.first == ("board", "random-miss")
    assert not ran.json["findings"][0]["next"].startswith("Run 'lidjig cycle'")
