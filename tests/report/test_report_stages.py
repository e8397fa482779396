"""Every step of a run has its row: what it came to, when, and why something of it was not measured."""

from __future__ import annotations

from dataclasses import replace

import make_runs
import pytest
from lidjig.record.model import TRIAL_STEPS
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.content import ReportContent
from lidjig.show.report.page import make, page
from lidjig.show.report.stages import LISTED_MAX, StageRow
from lidjig.show.report.words import LANGS, Words


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


def stage(content: ReportContent, key: str) -> StageRow:
    return next(row for row in content.stages if row.key == key)


def test_each_measurement_and_each_step_stands_in_one_stage(runs: dict[str, StoredRun]) -> None:
    for name, run in runs.items():
        content = make(run, "en").content
        anchors = [anchor for row in content.stages for anchor in row.rows]
        assert sorted(anchors) == sorted(row.anchor for row in content.steps), name
        alone = [step for step in run.steps if step.name not in TRIAL_STEPS]
        told = [line.begin for row in content.stages for line in row.lines if line.begin]
        for step in alone:
            if step.begin_t_us is not None and step.end_t_us is not None:
                assert Words("en").seconds(step.begin_t_us) in told, (name, step.name)


@pytest.mark.parametrize("lang", LANGS)
def test_steps_without_a_measurement_have_a_row(runs: dict[str, StoredRun], lang: str) -> None:
    words = Words(lang)
    built = make(runs["sensor"], lang)
    shut, unfed = stage(built.content, "start_shut"), stage(built.content, "unfed")
    assert shut.rows == () and shut.lines[0].outcome == "done" and shut.lines[0].begin and shut.seen
    assert unfed.rows == () and unfed.lines[0].events and unfed.seen
    html = page(built)
    for key in ("start_shut", "unfed", "weighed"):
        assert words(f"stage.{key}") in html
    board = make(runs["board"], lang)
    driven = stage(board.content, "driven")
    assert driven.lines[0].word == words("stage.done") and driven.seen and words("stage.driven") in page(board)


@pytest.mark.parametrize("lang", LANGS)
def test_what_was_not_measured_says_why(runs: dict[str, StoredRun], lang: str) -> None:
    content, words = make(runs["sensor"], lang).content, Words(lang)
    start = next(seen for seen in runs["sensor"].observations if seen.name == "start_through")
    for key in ("real_shut", "real_opened"):
        row = stage(content, key)
        assert [line.outcome for line in row.lines] == ["not_done"] and len(row.rows) == 2
        assert row.reason.text == words.sentence(start.text).text and row.reason.lang is None
    untold = make(replace(runs["sensor"], observations=[]), lang).content
    assert stage(untold, "real_shut").reason.text == words("stage.why_untold")
    error = make(replace(runs["sensor"], observations=[], outcome="error"), lang).content
    assert stage(error, "real_shut").reason.text == words("stage.why_error")


def test_what_a_note_skipped_is_told_by_that_note(runs: dict[str, StoredRun]) -> None:
    note = "not tested: machine with the real sensor (a line is held hard)"
    content = make(replace(runs["sensor"], notes=[note]), "en").content
    assert stage(content, "real_opened").reason.text == note


def test_a_step_that_broke_off_says_so_with_its_sign(runs: dict[str, StoredRun]) -> None:
    content = make(runs["gone"], "en").content
    *_, last = stage(content, "trials").lines
    assert last.outcome == "broken_off" and "no frame came" in last.why.text
    killed = make(runs["killed"], "en")
    *_, open_line = stage(killed.content, "trials").lines
    assert open_line.outcome == "not_finished"
    assert stage(killed.content, "trials").reason.text == Words("en")("stage.why_open")
    html = page(killed)
    at = html.index('class="outcome not_finished"')
    assert "<svg" in html[at : at + 80]


def test_cycles_with_one_outcome_stand_together(runs: dict[str, StoredRun]) -> None:
    lines = stage(make(runs["cycles"], "en").content, "trials").lines
    assert 2 < len(lines) <= LISTED_MAX + 1
    missed = [line for line in lines if line.outcome == "missed_or_late"]
    assert missed and all(line.events for line in missed)
    after = stage(make(runs["after"], "en").content, "trials").lines
    assert [line.name for line in after] == ["Cycles 1 to 40"]


def test_evidence_of_isolate_is_visible_in_the_steps(runs: dict[str, StoredRun]) -> None:
    """Each observation that a finding stands on stands in a stage as its sentence, or as figures with a row."""
    for name in ("sensor", "wiring", "board"):
        content = make(runs[name], "en").content
        stages = {seen for row in content.stages for seen in (item.said.text for item in row.seen)}
        for item in content.findings[0].evidence:
            known = item.said.text in stages or item.rows
            concluded = item is content.findings[0].evidence[0]  # what the cause says, and no observation
            assert known or concluded, (name, item.said.text)
