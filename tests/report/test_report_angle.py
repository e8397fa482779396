"""The report on a machine whose sensor tells an angle: what was read of it, in both languages."""

from __future__ import annotations

import contextlib
import io

import pytest
from lidjig.cli import main
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.page import make, page
from lidjig.show.report.words import Words

from shared_proto import names

SCENARIOS = ("sensor-zero-off-larch-14", "sensor-dead-juniper-14", "sensor-magnet-missing-oak-14", "healthy-maple-14")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, StoredRun]:
    path = str(tmp_path_factory.mktemp("angle") / "runs.db")
    found = {}
    for name in SCENARIOS:
        words = ["isolate", "--repeat", "1", "--watch", "1", "--vm", "cpython", "--link", f"twin:{name}"]
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            main.run([*words, "--store", path])
        with open_store(path, create=False) as store:
            found[name] = store.run("last")
    return found


@pytest.mark.parametrize("name", SCENARIOS)
def test_every_sentence_can_be_said(name: str, runs: dict[str, StoredRun]) -> None:
    run, other = runs[name], Words("de")
    recorded = [m.name for m in run.measurements] + run.notes + [one.text for one in run.observations]
    recorded += [text for f in run.findings for text in (*f.evidence, f.next, f.caution) if text]
    assert [text for text in recorded if other.sentence(text).lang is not None] == []


@pytest.mark.parametrize(
    ("lang", "verdict", "step"),
    [
        ("en", "its zero is displaced", "What it now tells as 25.1° has to become 0°."),
        ("de", "sein Nullpunkt ist verschoben", "Was er jetzt als 25,1° meldet, muss 0° werden."),
    ],
)
def test_a_displaced_zero_is_told_to_customer_and_technician(
    lang: str, verdict: str, step: str, runs: dict[str, StoredRun]
) -> None:
    built = make(runs["sensor-zero-off-larch-14"], lang)
    assert verdict in built.content.verdict.sentence
    html = page(built)
    assert html.index(verdict) < html.index('id="technician"') < html.index(step)
    contact = built.content.connector
    assert contact is not None
    line = next(one for one in contact.contacts if one.kind == "line")
    assert [reading.outcome for reading in line.readings if reading.side == "sensor"] == ["pass", "fail"]


def test_figures_stand_on_what_they_were_taken_from(runs: dict[str, StoredRun]) -> None:
    """An angle on the interval in which the sensor was watched with the lid so; the current on its two readings."""
    run = runs["sensor-zero-off-larch-14"]
    built = make(run, "en")
    known = {event.anchor: event.t_us for event in built.content.events}
    rows = {row.raw["name"]: row for row in built.content.steps}
    for step in run.steps:
        if step.name == "sensor watched":
            times = [known[ref.anchor] for ref in rows[f"sensor angle, lid {step.arguments['lid']}"].events]
            assert step.begin_t_us is not None and step.end_t_us is not None
            assert min(times) <= step.begin_t_us < step.end_t_us <= max(times)
    readings = [s.channel for s in run.samples if None not in (s.t_us, s.value) and s.channel in names.CHANNELS]
    at = [int(ref.anchor.removeprefix("s-")) - 1 for ref in rows["sensor current"].events]
    assert [readings[place] for place in at] == ["jig_3v3", "sensor_supply"]


def test_what_a_silent_sensor_leaves_open_is_said(runs: dict[str, StoredRun]) -> None:
    built = make(runs["sensor-magnet-missing-oak-14"], "en")
    assert "does not find its magnet" in built.content.verdict.sentence
    assert "What the lid sensor says with the lid open and shut" in [said.text for said in built.content.untested]
    stage = next(row for row in built.content.stages if row.key == "watched_open")
    assert "no good reading of 16" in stage.reason.text


def test_each_stage_has_its_figures(runs: dict[str, StoredRun]) -> None:
    """Nothing of the sensor is left for the further figures, and the way that was counted stands with the lid shut."""
    for name, run in runs.items():
        built = make(run, "en")
        assert not [row for row in built.content.stages if row.key == "other"], name
    built = make(runs["sensor-dead-juniper-14"], "en")
    anchors = {row.raw["name"]: row.anchor for row in built.content.steps}
    stage = next(row for row in built.content.stages if row.key == "watched_shut")
    assert anchors["sensor travel"] in stage.rows
