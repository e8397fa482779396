"""A record that was changed after the fact: the replay sees it, whatever was changed."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from export_runs import Run
from lidjig.cli import main
from replay_runs import change

from shared_proto import names

SLP = names.LINES.index("observer_1")
SUPPLY = "sensor supply"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs: a healthy machine confirmed, and one sensor looked at."""
    path = tmp_path_factory.mktemp("changed") / "runs.db"
    main.run(["confirm", "--repeat", "3", "--link", "twin", "--store", str(path)])
    main.run(["isolate", "--repeat", "2", "--watch", "3", "--link", "twin:sensor-intermittent", "--store", str(path)])
    return path


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    path = tmp_path / "copy.db"
    shutil.copy(record, path)
    return path


def events(path: Path, run: int, name: str, **data: int) -> list[tuple[int, int]]:
    """(place, t_us) of the events of that name whose fields are so."""
    connection = sqlite3.connect(path)
    query = "SELECT place, t_us, data FROM events WHERE run = ? AND name = ? ORDER BY place"
    rows = connection.execute(query, (run, name))
    found = [(place, t_us) for place, t_us, text in rows if data.items() <= json.loads(text).items()]
    connection.close()
    return found


def kinds(told: dict[str, Any]) -> set[str]:
    return {one["kind"] for one in told["differences"]}


def test_untouched_they_are_the_same(copy: Path, run: Run) -> None:
    assert run("replay", "1", store=copy).status == 0 and run("replay", "2", store=copy).status == 0


def test_a_reaction_that_came_later(copy: Path, run: Run) -> None:
    """The last time the machine went to sleep, 0.4 s later: the trial, the slowest latency, the sentence of it."""
    place, t_us = events(copy, 1, "edge", line=SLP, level=0)[-1]
    change(copy, "UPDATE events SET t_us = ? WHERE run = 1 AND place = ?", t_us + 400_000, place)
    ran = run("replay", "1", "--json", store=copy)
    told = ran.json
    assert ran.status == 1 and not told["same"] and {"trials", "measurements", "observations"} <= kinds(told)
    (trial,) = [one for one in told["differences"] if one["kind"] == "trials"]
    assert trial["name"] == "round 3" and str(t_us + 400_000) not in trial["recorded"]
    assert f"reaction {t_us + 400_000} us" in trial["replayed"]
    names_of = {one["name"] for one in told["differences"]}
    assert "sleep latency, slowest" in names_of and "sleep_standin" in names_of
    slowest = next(m for m in told["measurements"] if m["name"] == "sleep latency, slowest")
    assert slowest["value"] > 1.2


def test_a_reaction_that_became_another_event(copy: Path, run: Run) -> None:
    """Then it was a miss, and the board is blamed: nothing is missing from the record."""
    place, _t_us = events(copy, 1, "edge", line=SLP, level=0)[-1]
    change(copy, "UPDATE events SET name = 'mark', data = '{\"pressed\":0}' WHERE run = 1 AND place = ?", place)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and {"findings", "outcome", "trials"} <= kinds(ran.json)
    assert ran.json["findings"][0]["where"] == "board" and ran.json["outcome"] == "fail"


def test_a_hole_in_the_record_is_named_and_blames_nobody(copy: Path, run: Run) -> None:
    place, _t_us = events(copy, 1, "edge", line=SLP, level=0)[-1]
    change(copy, "DELETE FROM events WHERE run = 1 AND place = ?", place)
    ran = run("replay", "1", "--json", store=copy)
    told = ran.json
    assert ran.status == 1 and not told["same"] and told["outcome"] == "incomplete"
    assert [one["where"] for one in told["findings"]] == ["unknown"]
    (hole,) = told["holes"]
    assert hole.startswith(f"events {place} (1 row) missing, from board time ")
    assert any("nothing is concluded from what lies in it" in (one["replayed"] or "") for one in told["differences"])
    hidden = [one for one in told["differences"] if one["kind"] == "trials"]
    assert hidden and all(one["replayed"].startswith("not measured") for one in hidden)
    assert {one["name"] for one in hidden} == {"round 3"}
    slowest = next(m for m in told["measurements"] if m["name"] == "sleep latency, slowest")
    assert slowest["outcome"] == "not measured"
    shown = run("show", "1", "--no-events", store=copy)
    assert "confirm, incomplete" in shown.out and "PART OF THIS RUN'S RECORD IS MISSING: events" in shown.out
    listed = run("runs", "--json", store=copy).json["runs"]
    assert {row["run"]: row["outcome"] for row in listed}["r-000001"] == "incomplete"


@pytest.mark.parametrize("first", range(3, 60, 8))
def test_wherever_events_are_missing_nobody_is_blamed(copy: Path, run: Run, first: int) -> None:
    connection = sqlite3.connect(copy)
    with connection:
        connection.execute("DELETE FROM events WHERE run = 1 AND place BETWEEN ? AND ?", (first, first + 4))
    connection.close()
    told = run("replay", "1", "--json", store=copy).json
    assert not told["same"] and told["outcome"] == "incomplete"
    assert not [one for one in told["findings"] if one["where"] not in ("unknown", "none")]
    assert not [m["name"] for m in told["measurements"] if m["outcome"] == "fail"]


def test_a_stimulus_that_moved(copy: Path, run: Run) -> None:
    place, t_us = events(copy, 1, "output", operated=0)[-1]
    change(copy, "UPDATE events SET t_us = ? WHERE run = 1 AND place = ?", t_us + 5000, place)
    told = run("replay", "1", "--json", store=copy).json
    (trial,) = [one for one in told["differences"] if one["kind"] == "trials"]
    assert str(t_us) in trial["recorded"] and str(t_us + 5000) in trial["replayed"]


def test_a_stimulus_that_is_gone(copy: Path, run: Run) -> None:
    place, _t_us = events(copy, 1, "output", operated=0)[-1]
    change(copy, "DELETE FROM events WHERE run = 1 AND place = ?", place)
    ran = run("replay", "1", store=copy)
    assert ran.status == 1 and "replayed: not measured" in ran.out and "part of which is missing" in ran.out


def test_an_answer_of_the_operator_that_moved(copy: Path, run: Run) -> None:
    place, t_us = events(copy, 1, "mark", pressed=1)[0]
    change(copy, "UPDATE events SET t_us = ? WHERE run = 1 AND place = ?", t_us - 100_000, place)
    told = run("replay", "1", "--json", store=copy).json
    assert {one["name"] for one in told["differences"]} >= {"start, lines open", "start_open"}


def test_an_edge_of_the_sensor_that_is_gone(copy: Path, run: Run) -> None:
    found = events(copy, 2, "edge", line=names.LINES.index("sensor_1"))
    assert found, "the sensor's contact never failed in this run: it shows nothing"
    for place, _t_us in found:
        change(copy, "DELETE FROM events WHERE run = 2 AND place = ?", place)
    told = run("replay", "2", "--json", store=copy).json
    assert {"sensor changes, lid at rest", "sensor_steady"} <= {one["name"] for one in told["differences"]}


@pytest.mark.parametrize(
    ("sql", "kind", "name"),
    [
        ("UPDATE measurements SET value = 3.75, high = 3.8 WHERE name = 'sensor supply' AND run = 1", "", ""),
        ("UPDATE measurements SET limit_high = 9.0 WHERE name = 'sensor supply' AND run = 1", "measurements", SUPPLY),
        ("UPDATE observations SET value = 'wrong' WHERE name = 'pull' AND run = 1", "findings", "finding 1"),
        ("UPDATE observations SET text = 'well' WHERE name = 'supply' AND run = 1", "findings", "finding 1, evidence"),
        ("UPDATE findings SET probability = 0.95 WHERE run = 1", "findings", "finding 1"),
        ("UPDATE findings SET where_at = 'sensor' WHERE run = 1", "findings", "finding 1"),
        ("DELETE FROM findings WHERE run = 1", "findings", "finding 1"),
        ("UPDATE runs SET outcome = 'fail' WHERE number = 1", "outcome", "outcome"),
    ],
)
def test_a_conclusion_that_was_changed(copy: Path, run: Run, sql: str, kind: str, name: str) -> None:
    """A figure outside its limits makes the run fail; all else differs under its own name."""
    change(copy, sql)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1
    found = {(one["kind"], one["name"]) for one in ran.json["differences"]}
    assert (kind, name) in found if kind else ("outcome", "outcome") in found and ran.json["outcome"] == "fail"


def test_a_record_of_a_lidjig_that_kept_no_observations(copy: Path, run: Run) -> None:
    connection = sqlite3.connect(copy)
    with connection:
        connection.execute("DELETE FROM observations")
    connection.close()
    ran = run("replay", "1", store=copy)
    assert ran.status == 2 and "schema 3" in ran.err and "lidjig show r-000001" in ran.err
    assert "Traceback" not in ran.err


def test_a_profile_that_is_damaged(copy: Path, run: Run) -> None:
    change(copy, "UPDATE texts SET text = 'name = [' WHERE run = 1 AND kind = 'machine'")
    ran = run("replay", "1", store=copy)
    assert ran.status == 2 and "machine profile of run r-000001" in ran.err


def test_a_run_without_findings_is_not_said_to_give_them_again(copy: Path, run: Run) -> None:
    change(copy, "DELETE FROM findings WHERE run = 1")
    change(copy, "UPDATE runs SET outcome = 'error' WHERE number = 1")
    ran = run("replay", "1", store=copy)
    assert ran.status == 0 and "drew no conclusion" in ran.out.split("Replay: SAME")[-1]
    assert "gives its findings" not in ran.out


def test_a_profile_that_is_missing(copy: Path, run: Run) -> None:
    change(copy, "DELETE FROM texts WHERE run = 1 AND kind = 'sensor'")
    ran = run("replay", "1", store=copy)
    assert ran.status == 2 and "sensor profile" in ran.err and "is missing" in ran.err and "None" not in ran.err


@pytest.mark.parametrize(
    ("sql", "row"),
    [
        ("UPDATE events SET data = '{' WHERE run = 1 AND place = 7", "table events, row 7"),
        ("UPDATE events SET data = '[1]' WHERE run = 1 AND place = 7", "table events, row 7"),
        ("UPDATE measurements SET value = high + 1 WHERE run = 1 AND place = 1", "table measurements, row 1"),
        ("UPDATE findings SET evidence = '' WHERE run = 1 AND place = 1", "table findings, row 1"),
    ],
)
@pytest.mark.parametrize("words", [("replay", "1"), ("show", "1"), ("export", "1", "out.json")])
def test_a_row_that_says_nothing_is_one_error(copy: Path, run: Run, sql: str, row: str, words: tuple[str, ...]) -> None:
    change(copy, sql)
    ran = run(*words, store=copy)
    assert ran.status == 3 and f"run r-000001, {row}" in ran.err and "lidjig rescue" in ran.err
    assert "Traceback" not in ran.err


def test_arguments_that_are_missing(copy: Path, run: Run) -> None:
    change(copy, "UPDATE runs SET arguments = '{}' WHERE number = 1")
    ran = run("replay", "1", store=copy)
    assert ran.status == 2 and "repeat is not in the record" in ran.err
