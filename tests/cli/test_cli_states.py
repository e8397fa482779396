"""lidjig show --states: the power states of a run, smoothed where there are samples, and what it says without them.

The simulated lid is moved at times that the scenario names. The machine model sleeps after 0.5 to 1.8 s and wakes after
0.4 to 1.5 s (latency.sleep and latency.wake in twin/machines/alder-14.toml): the changes have to lie there.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.bench import load_machine
from lidjig.jig_types import Event
from lidjig.record import power_spans
from lidjig.record.store import open_store

from shared_proto import names
from tests.cli.conftest import Ran

Run = Callable[..., Ran]
SHUT_S, OPEN_S, SECONDS = 2.0, 6.0, 10.0
TWIN = ("--vm", "cpython")


@pytest.fixture
def moved(tmp_path: Path) -> str:
    """The lid is shut and opened again while the bench looks on."""
    path = tmp_path / "moved.toml"
    path.write_text(
        'seed = 3\n[machine]\nmodel = "alder-14"\nstart_state = "S0"\n'
        f'[[event]]\nat_s = {SHUT_S}\ndo = "shut-lid"\n[[event]]\nat_s = {OPEN_S}\ndo = "open-lid"\n',
        encoding="utf-8",
    )
    return f"twin:{path}"


@pytest.fixture
def taught(run: Run, tmp_path: Path) -> str:
    out = tmp_path / "taught.toml"
    ran = run("teach", "--link", "twin", *TWIN, "--out", str(out), "--seconds", "6", "--json")
    assert ran.status == 0, ran.err
    return str(out)


def states_of(run: Run, which: str = "last") -> dict[str, Any]:
    ran = run("show", which, "--states", "--no-events", "--json")
    assert ran.status == 0, ran.err
    found: dict[str, Any] = ran.json["states"]
    return found


def test_a_taught_profile_gives_smoothed_spans_with_intervals(run: Run, moved: str, taught: str) -> None:
    watched = run("watch", "--link", moved, *TWIN, "--machine", taught, "--seconds", str(SECONDS), "--record")
    assert watched.status == 0, watched.err
    found = states_of(run)
    spans = found["spans"]
    assert found["method"] == "learned" and found["changes"] == 2
    assert [s["state"] for s in spans if s["state"] != "unknown"] == ["S0", "S3", "S0"]
    asleep = next(s for s in spans if s["state"] == "S3")
    assert SHUT_S * 1e6 + 500_000 < asleep["begin_us"] < SHUT_S * 1e6 + 1_800_000
    assert asleep["begin_low_us"] < asleep["begin_us"] <= asleep["begin_high_us"]
    assert OPEN_S * 1e6 < asleep["end_us"] < OPEN_S * 1e6 + 1_000_000
    assert 0.8 <= asleep["confidence"] <= 1.0 and asleep["why"] is None
    assert spans[0]["begin_low_us"] is None  # where the record begins no state does
    lost = [s for s in spans if s["state"] == "unknown"]
    assert lost and all(s["confidence"] is None and s["why"] == "contradiction" for s in lost)
    assert all(a["end_us"] == b["begin_us"] for a, b in zip(spans, spans[1:], strict=False))
    assert sum(found["shares"].values()) == pytest.approx(1.0)
    whole_us = spans[-1]["end_us"] - spans[0]["begin_us"]
    assert found["shares"]["S3"] == pytest.approx(asleep["duration_us"] / whole_us)
    shown = run("show", "last", "--states", "--no-events").out
    assert "by what the machine profile was taught" in shown and "share of the time: S0" in shown
    assert "the observers agree on no state" in shown and "confidence" in shown
    plain = run("show", "last", "--no-events").out
    assert "2 changes (S0 unknown S3 unknown S0), smoothed, taught; see --states" in plain
    assert "confidence" not in plain and "states" not in run("show", "last", "--json").json


def test_samples_without_learning_go_by_bands_and_say_so(run: Run, moved: str, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("watch", "--link", moved, *TWIN, "--seconds", str(SECONDS), "--record").status == 0
    found = states_of(run)
    assert found["method"] == "bands" and found["changes"] == 2
    assert "not taught" in run("show", "--states", "--no-events").out
    monkeypatch.setattr(power_spans, "QUICK_MAX", 100)
    assert "by events, " in (plain := run("show", "--no-events").out) and "samples not looked at; see --states" in plain
    assert states_of(run)["method"] == "bands"


def test_without_samples_events_alone_tell(run: Run, taught: str) -> None:
    assert run("cycle", "--link", "twin", *TWIN, "--machine", taught, "--count", "3").status == 0
    found = states_of(run)
    assert found["method"] == "events"
    known = [s for s in found["spans"] if s["state"] != "unknown"]
    assert [s["state"] for s in known].count("S3") == 3
    assert all(s["confidence"] is None and s["begin_low_us"] is None for s in found["spans"])
    assert found["spans"][0]["why"] == "not heard" and "light" in found["spans"][0]["without"]
    assert "not smoothed: no interval, no confidence" in run("show", "--states", "--no-events").out
    left_out = len(found["spans"]) - 8
    assert left_out > 0 and f"..., {left_out} left out), by events" in run("show", "--no-events").out


def test_lost_events_and_a_restart_say_why_nothing_is_known(run: Run, store: str) -> None:
    """cedar-15 has its sleep signals only."""
    s3, s4 = names.LINES.index("observer_1"), names.LINES.index("observer_2")
    level = 1 << s3 | 1 << s4 | 1 << names.LINES.index("supply_ok")
    with open_store(store) as opened:
        kept = opened.start_run("watch", texts={"machine": load_machine("cedar-15")[1]})
        kept.sample("lines boot 00000001", "mask", float(level), t_us=0)
        kept.events([Event("mark", 1, 0, {"pressed": 1}), Event("lost", 2, 2_000_000, {"count": 3})])
        kept.events([Event("edge", 3, 3_000_000, {"line": s4, "level": 1})])
        kept.events([Event("mark", 4, 5_000_000, {"pressed": 1})])
        kept.flush()
        kept.gap("restart", "boot 00000001 -> 00000002", None)
        kept.sample("lines boot 00000002", "mask", float(level), t_us=100)
        kept.events([Event("boot", 1, 100, {"cause": 0}), Event("mark", 2, 4_000_000, {"pressed": 1})])
        kept.finish("pass")
    found = states_of(run)
    told = [(s["state"], s["why"]) for s in found["spans"]]
    assert told == [("S0", None), ("unknown", "not told apart"), ("unknown", "restarted"), ("S0", None)]
    assert found["spans"][1]["without"] == ["observer_1", "supply_ok"]
    assert found["boots"] == 2 and found["changes"] == 0
    assert "time between them is a guess" in run("show", "--states").out


def test_a_run_that_is_not_there_or_kept_no_profile(run: Run, store: str) -> None:
    with open_store(store) as opened:
        opened.start_run("selftest").finish("pass")
    none = run("show", "1", "--states")
    assert none.status == 2 and "machine profile" in none.err and "Traceback" not in none.err
    plain = run("show", "1")
    assert plain.status == 0 and "Power states" not in plain.out
    absent = run("show", "77", "--states", "--json")
    assert absent.status == 2 and "77" in absent.err + absent.out
