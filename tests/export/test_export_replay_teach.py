"""lidjig replay of runs of teach: learned anew from the record, and never the same where the record was changed."""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_runs import Run
from lidjig.cli import main
from lidjig.errors import BadInput
from replay_runs import Killed, break_into, change, change_samples, kill

from shared_proto import names

SLP = names.LINES.index("observer_1")
LEARNED = {"S0 and S3 confused", "blocks misclassified", "pairs of states that overlap"}


def teach(out: Path, scenario: str = "healthy-alder-14", *more: str) -> tuple[str, ...]:
    link = f"twin:{scenario}"
    return ("teach", "--link", link, "--vm", "cpython", "--seconds", "6", "--out", str(out), *more, "--json")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One run, in which a healthy machine was taught."""
    folder = tmp_path_factory.mktemp("taught")
    assert main.run([*teach(folder / "new.toml"), "--store", str(folder / "runs.db")]) == 0
    return folder / "runs.db"


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    path = tmp_path / "copy.db"
    shutil.copy(record, path)
    return path


def stretches(path: Path) -> list[dict[str, Any]]:
    """What the steps say that was recorded: place, state, begin_us, end_us."""
    connection = sqlite3.connect(path)
    query = "SELECT place, result FROM steps WHERE name = 'record' AND state = 'done' ORDER BY place"
    found = [{"place": place, **json.loads(result)} for place, result in connection.execute(query)]
    connection.close()
    return found


def asleep(path: Path) -> dict[str, Any]:
    (found,) = [one for one in stretches(path) if one["state"] == "S3"]
    return found


def kinds(told: dict[str, Any]) -> set[str]:
    return {one["kind"] for one in told["differences"]}


@pytest.mark.parametrize(
    ("scenario", "more"),
    [
        ("healthy-alder-14", ()),
        ("habit-blinking", ()),
        ("habit-background", ("--s0ix",)),
        ("healthy-cedar-15", ()),  # digital lines alone, and started by its charger
        ("healthy-dogwood-14", ()),  # power monitors and pulses
        ("link-stall", ()),
    ],
)
def test_what_was_taught_is_learned_again(run: Run, tmp_path: Path, scenario: str, more: Sequence[str]) -> None:
    made = run(*teach(tmp_path / "new.toml", scenario, *more))
    assert made.json["outcome"] == "pass", made.err
    again = run("replay", "last", "--json")
    assert again.json["differences"] == [] and again.json["notes"] == [] and again.json["holes"] == []
    assert again.status == 0 and again.json["same"] and again.json["concluded"]
    assert again.json["findings"] == made.json["findings"] and again.json["measurements"] == made.json["measurements"]
    assert again.json["agreeing"]["profile"] > 50 and again.json["agreeing"]["observations"] > 2


@pytest.mark.parametrize("scenario", ["machine-ignores-lid", "habit-external-display"])
def test_a_refusal_is_refused_again(run: Run, tmp_path: Path, scenario: str) -> None:
    """States that overlap, an answer that the machine speaks against: the same findings, and no profile either time."""
    made = run(*teach(tmp_path / "new.toml", scenario))
    assert made.json["outcome"] == "incomplete" and made.json["findings"][0]["where"] == "unknown"
    again = run("replay", "last", "--json")
    assert again.status == 0, again.json["differences"]
    assert again.json["findings"] == made.json["findings"] and again.json["outcome"] == "incomplete"
    assert again.json["measurements"] == made.json["measurements"]
    assert again.json["agreeing"]["profile"] == 0


def test_nothing_is_written(run: Run, copy: Path, record: Path, tmp_path: Path) -> None:
    before = sorted(record.parent.glob("*.toml"))
    ran = run("replay", "1", store=copy)
    assert ran.status == 0 and "gives its findings and figures again" in ran.out and "profile" in ran.out
    assert sorted(record.parent.glob("*.toml")) == before and not list(tmp_path.glob("*.toml"))


def test_samples_that_were_changed(copy: Path, run: Run) -> None:
    """A little more light asleep: what was learned of it differs, with both sides, and of other states nothing does."""
    where = asleep(copy)
    change_samples(copy, "light", (where["begin_us"] - 2_500_000, where["end_us"]), lambda raw: raw + 300)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and not ran.json["same"] and "profile" in kinds(ran.json)
    learned = [one for one in ran.json["differences"] if one["name"].startswith("learned.states.S3.light.levels.")]
    assert learned and all(one["recorded"] != one["replayed"] for one in learned)
    assert not [one for one in ran.json["differences"] if one["name"].startswith("learned.states.S5.")]


def test_one_reading_that_was_changed(copy: Path, run: Run) -> None:
    """Not even a single one goes unseen where it matters to what is learned."""
    where = asleep(copy)

    def one_bright(raw: Any) -> Any:
        raw = raw.copy()
        raw[len(raw) // 2] = np.uint16(60000)
        return raw

    change_samples(copy, "light", (where["begin_us"] + 1_000_000, where["begin_us"] + 3_500_000), one_bright)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and "profile" in kinds(ran.json)


def test_samples_that_make_two_states_alike(copy: Path, run: Run) -> None:
    """The light of a working machine while it was asleep, and its sleep signal high: the verdict is another one."""
    where = asleep(copy)
    bright = 40000
    for one in stretches(copy):
        if one["state"] in ("S0", "S3"):
            change_samples(
                copy, "light", (one["begin_us"] - 2_000_000, one["end_us"]), lambda raw: np.full_like(raw, bright)
            )
            change_samples(
                copy, "charger_i", (one["begin_us"] - 2_000_000, one["end_us"]), lambda raw: np.full_like(raw, 9000)
            )
    raise_sleep_signal(copy, where["begin_us"])
    told = run("replay", "1", "--json", store=copy).json
    assert told["outcome"] == "incomplete" and {"findings", "outcome", "measurements", "profile"} <= kinds(told)
    assert any("S0 and S3" in " ".join(one["evidence"]) for one in told["findings"])


def raise_sleep_signal(path: Path, t_us: int) -> None:
    connection = sqlite3.connect(path)
    query = "SELECT place, value FROM samples WHERE channel LIKE 'lines boot %' AND t_us = ?"
    ((place, value),) = connection.execute(query, (t_us,)).fetchall()
    connection.close()
    assert not int(value) >> SLP & 1, "asleep, the signal is low"
    change(path, "UPDATE samples SET value = ? WHERE run = 1 AND place = ?", value + (1 << SLP), place)


def test_a_line_that_was_changed(copy: Path, run: Run) -> None:
    """SLP_S3# high asleep: the operator's answer is doubted, as it would have been at the time."""
    raise_sleep_signal(copy, asleep(copy)["begin_us"])
    told = run("replay", "1", "--json", store=copy).json
    assert "does not look asleep" in told["findings"][0]["evidence"][0]
    assert {"findings", "outcome", "profile"} <= kinds(told)


def test_an_answer_that_was_changed(copy: Path, run: Run) -> None:
    """Another second and a half of the record for the same answer; then another answer."""
    where = asleep(copy)
    result = {"state": "S3", "begin_us": where["begin_us"], "end_us": where["end_us"] - 1_500_000}
    change(copy, "UPDATE steps SET result = ? WHERE run = 1 AND place = ?", json.dumps(result), where["place"])
    told = run("replay", "1", "--json", store=copy).json
    assert {"S3 recorded", "learned.recorded_s.S3"} <= {one["name"] for one in told["differences"]}
    result = {**result, "state": "S5", "end_us": where["end_us"]}
    change(copy, "UPDATE steps SET result = ? WHERE run = 1 AND place = ?", json.dumps(result), where["place"])
    told = run("replay", "1", "--json", store=copy).json
    assert told["outcome"] == "incomplete" and {"findings", "outcome", "measurements"} <= kinds(told)


@pytest.mark.parametrize(
    ("sql", "kind", "name"),
    [
        (
            "UPDATE measurements SET value = 0.01 WHERE name = 'blocks misclassified'",
            "measurements",
            "blocks misclassified",
        ),
        ("DELETE FROM measurements WHERE name = 'S0 and S3 confused'", "measurements", "S0 and S3 confused"),
        ("UPDATE observations SET value = '1' WHERE name = 'blocks S0 as S0'", "observations", "blocks S0 as S0"),
        (
            "UPDATE texts SET text = replace(text, 'surprise = ', 'surprise = 1') WHERE kind = 'taught'",
            "profile",
            "learned.surprise",
        ),
        ("UPDATE texts SET text = 'name = [' WHERE kind = 'taught'", "profile", "learned.surprise"),
        ("UPDATE findings SET evidence = '[\"well\"]' WHERE run = 1", "findings", "finding 1, evidence"),
        ("UPDATE findings SET next_step = 'Rest.' WHERE run = 1", "findings", "finding 1, next step"),
        ("UPDATE runs SET host_version = '0.0.9' WHERE number = 1", "profile", "learned.host_version"),
        ("UPDATE runs SET outcome = 'fail' WHERE number = 1", "outcome", "outcome"),
    ],
)
def test_a_conclusion_that_was_changed(copy: Path, run: Run, sql: str, kind: str, name: str) -> None:
    change(copy, sql)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and (kind, name) in {(one["kind"], one["name"]) for one in ran.json["differences"]}


@pytest.mark.parametrize("after", [8, 14, 20])
def test_a_run_stopped_by_the_operator(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int) -> None:
    with monkeypatch.context() as patched:
        break_into(patched, after, lambda: signal.raise_signal(signal.SIGINT))
        made = run(*teach(tmp_path / "new.toml"))
    assert made.json["outcome"] == "incomplete" and "stopped by the operator" in " ".join(made.json["notes"])
    again = run("replay", "last", "--json")
    assert again.status == 0, again.json["differences"]
    assert again.json["concluded"] and again.json["findings"] == made.json["findings"]
    assert again.json["measurements"] == made.json["measurements"]


def test_a_killed_run(run: Run, tmp_path: Path, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        break_into(patched, 14, kill)
        with pytest.raises(Killed):
            run(*teach(tmp_path / "new.toml"))
    recorded = {one["state"] for one in stretches(path)}
    assert recorded and "G3" not in recorded
    again = run("replay", "last", "--json")
    assert again.status == 0 and not again.json["concluded"] and again.json["outcome"] == "incomplete"
    assert again.json["agreeing"]["measurements"] == len(recorded) and "drew no conclusion" in again.json["notes"][0]


def test_a_profile_that_could_not_be_written(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run ended as an error after it had learned: that is compared, and no conclusion is made of it."""

    def full(path: Path, _text: str) -> str:
        raise BadInput("", "--out", str(path), "a file that can be written (the disk is full)")

    with monkeypatch.context() as patched:
        patched.setattr("lidjig.cli.teach.write_new", full)
        made = run(*teach(tmp_path / "new.toml"))
    assert made.json["outcome"] == "error" and made.json["findings"] == []
    again = run("replay", "last", "--json")
    assert again.status == 0, again.json["differences"]
    assert not again.json["concluded"] and again.json["findings"] == []
    assert again.json["agreeing"]["measurements"] >= len(LEARNED) and again.json["agreeing"]["profile"] > 50


def older(path: Path) -> None:
    """As it was kept before runs of teach were replayed: no profile, and no lines when recording began."""
    change(path, "DELETE FROM texts WHERE kind = 'taught'")
    begins = [one["begin_us"] for one in stretches(path)]
    marks = ", ".join("?" * len(begins))
    query = f"DELETE FROM samples WHERE channel LIKE 'lines boot %' AND t_us IN ({marks})"
    change(path, query, *begins, rows=len(begins))
    renumbered = "UPDATE samples SET place = (SELECT COUNT(*) FROM samples s WHERE s.place <= samples.place)"
    change(path, renumbered, rows=None)


def test_an_older_run_says_what_is_not_compared(copy: Path, run: Run) -> None:
    """Its lines are told by the events, and what was not kept is named."""
    older(copy)
    ran = run("replay", "1", store=copy)
    assert ran.status == 0, ran.out
    assert "Not compared: the profile that was learned is not in the record (an older lidjig" in ran.out
    told = run("replay", "1", "--json", store=copy).json
    assert told["agreeing"]["profile"] == 0 and told["agreeing"]["measurements"] == 30
    assert "is not compared" in told["notes"][0]


def test_a_board_that_restarted_while_a_state_was_recorded(run: Run, tmp_path: Path, path: Path) -> None:
    """Board time began anew and the stretch was taken again. An older run does not say in which boot it was."""
    scenario = tmp_path / "restart.toml"
    text = '[machine]\nmodel = "alder-14"\n[sensor]\nprofile = "hinge-a1"\n[[fault]]\nwhere = "link"\nkind = "reset"\n'
    scenario.write_text(f"seed = 1\n{text}rate = 0.7\n", encoding="utf-8")
    made = run(*teach(tmp_path / "new.toml", str(scenario)))
    notes = " ".join(made.json["notes"])
    assert made.json["outcome"] == "pass" and "board restarted 1 time" in notes and "step was repeated" in notes
    again = run("replay", "last", "--json")
    assert again.status == 0 and again.json["findings"] == made.json["findings"]
    assert {span["boot"] for span in again.json["states"]} == {1, 2}
    older(path)
    ran = run("replay", "last")
    assert ran.status == 2 and "this one lacks in which of 2 boots" in ran.err and "an older lidjig made it" in ran.err


def test_samples_that_are_missing_are_named_and_nothing_is_learned(copy: Path, run: Run) -> None:
    where = asleep(copy)
    sql = "DELETE FROM blocks WHERE run = 1 AND channel = 'light' AND t_us BETWEEN ? AND ?"
    change(copy, sql, where["begin_us"], where["begin_us"] + 2_500_000, rows=None)
    ran = run("replay", "1", "--json", store=copy)
    told = ran.json
    assert ran.status == 1 and told["outcome"] == "incomplete" and [f["where"] for f in told["findings"]] == ["unknown"]
    assert len(told["holes"]) == 1 and told["holes"][0].startswith("readings of light in S3: ")
    figures = {m["name"]: m for m in told["measurements"]}
    assert all(figures[name]["outcome"] == "not measured" for name in LEARNED)


@pytest.mark.parametrize("table", ["events", "steps"])
def test_rows_that_are_missing_are_named_and_nothing_is_learned(copy: Path, run: Run, table: str) -> None:
    change(copy, f"DELETE FROM {table} WHERE run = 1 AND place = 5")
    told = run("replay", "1", "--json", store=copy).json
    assert not told["same"] and told["outcome"] == "incomplete" and told["holes"][0].startswith(f"{table} 5 (1 row)")
    assert [f["where"] for f in told["findings"]] == ["unknown"]


def test_arguments_that_are_missing(copy: Path, run: Run) -> None:
    change(copy, "UPDATE runs SET arguments = '{}' WHERE number = 1")
    ran = run("replay", "1", store=copy)
    assert ran.status == 2 and "seconds is not in the record" in ran.err
