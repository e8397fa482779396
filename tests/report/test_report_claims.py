"""Nothing on the page says more than was measured: outcomes, what was tested, how far a run came."""

from __future__ import annotations

import json
from dataclasses import replace

import make_runs
import pytest
from lidjig.record.model import DECLARED_STEP, Finding, MeasuredValue
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun, StoredStep
from lidjig.show.report.content import ReportContent
from lidjig.show.report.json import report_object
from lidjig.show.report.page import make, page
from lidjig.show.report.words import LANGS, Words


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


def content_of(run: StoredRun, lang: str = "en") -> ReportContent:
    return make(run, lang).content


def row_of(content: ReportContent, name: str) -> object:
    return next(row for row in content.steps if row.raw["name"] == name)


def unset(run: StoredRun, *names: str) -> StoredRun:
    """The run as it would be had these not been measured."""
    left = [
        MeasuredValue(m.name, None, m.unit, limit_low=m.limit_low, limit_high=m.limit_high) if m.name in names else m
        for m in run.measurements
    ]
    return replace(run, measurements=left)


# -- outcomes


def test_a_figure_without_a_limit_passes_nothing(runs: dict[str, StoredRun]) -> None:
    built = make(runs["cycles"], "en")
    row = row_of(built.content, "sleep miss rate")
    assert (row.outcome, row.outcome_word, row.key) == ("no limit", "no limit", "no_limit")
    assert row_of(built.content, "sleep latency, slowest").outcome == "pass"  # it has one
    html = page(built)
    at = html.index('class="outcome no_limit"')
    shape = html[at : html.index("</svg>", at)]
    assert "<circle" not in shape  # neither the tick's disc nor the ring of what was not measured
    told = json.loads(report_object(built))["report"]["steps"]
    assert next(row for row in told if row["raw"]["name"] == "sleep miss rate")["outcome_word"] == "no limit"


def test_before_and_after_tells_a_figure_without_a_limit_so(runs: dict[str, StoredRun]) -> None:
    comparison = make(runs["after"], "en", runs["cycles"]).content.comparison
    rate = next(row for row in comparison.rows if row.recorded_name == "sleep miss rate")
    assert {rate.before.outcome_word, rate.after.outcome_word} == {"no limit"}


def test_a_run_that_only_looked_has_not_passed(runs: dict[str, StoredRun]) -> None:
    content = content_of(replace(runs["healthy"], command="hold", findings=[]))
    assert (content.verdict.outcome, content.verdict.word) == ("ended", "Ended")
    assert content_of(runs["healthy"]).verdict.outcome == "pass"


def test_a_level_is_a_part_of_its_supply(runs: dict[str, StoredRun]) -> None:
    row = row_of(content_of(runs["wiring"]), "sensor line 1, lid open")
    assert row.value.endswith(" of its supply") and row.limits.endswith(" of its supply")


# -- what was tested


def test_what_was_not_measured_is_not_among_what_was_tested(runs: dict[str, StoredRun]) -> None:
    """A machine that was never woken, by the jig or by its own sensor."""
    run = replace(unset(runs["healthy"], "wake misses", "wake latency, slowest", "line 1 pull"), steps=[])
    content = content_of(run)
    untested = [said.text for said in content.untested]
    assert "Sleeping with the jig in the sensor's place: shut 8 times" in content.tested
    assert "Waking with the jig in the sensor's place" in untested
    assert "The level of the connector's lid lines" in content.tested
    assert "The resistance of the connector's lid lines" in untested
    assert not any("waking" in line or "0 times" in line for line in content.tested)


def test_the_real_sensor_is_told_by_what_was_tried(runs: dict[str, StoredRun]) -> None:
    asleep = MeasuredValue.exact("real sensor, lid shut: sleeps", 1, "1", limit_low=1, limit_high=1)
    never = MeasuredValue("real sensor, lid opened: wakes", None, "1", limit_low=1, limit_high=1)
    kept = [m for m in runs["sensor"].measurements if not m.name.startswith("real sensor, lid")]
    content = content_of(replace(runs["sensor"], measurements=[*kept, asleep, never]))
    assert "Sleeping with the machine's own sensor" in content.tested
    assert "Waking with the machine's own sensor" in [said.text for said in content.untested]
    assert "Sleeping and waking with the machine's own sensor" not in content.tested


@pytest.mark.parametrize("lang", LANGS)
def test_once_is_said_as_once(runs: dict[str, StoredRun], lang: str) -> None:
    counted = [
        replace(m, n=1) if m.name in ("sleep misses", "wake misses") else m for m in runs["healthy"].measurements
    ]
    told = " ".join(content_of(replace(runs["healthy"], measurements=counted), lang).tested)
    assert Words(lang)("form.once") in told and "1 time" not in told and "1 Mal" not in told


# -- how far it came


def test_a_killed_run_says_how_far_it_came_and_what_it_did_not_measure(runs: dict[str, StoredRun]) -> None:
    run = runs["killed"]
    content = content_of(run)
    (banner,) = [banner.text for banner in content.banners if banner.kind == "open"]
    done = sum(step.name == "cycle" and step.state == "done" for step in run.steps)
    assert f"in cycle {done + 1} of 40" in banner
    row = row_of(content, "wake latency, slowest")
    assert (row.value, row.outcome, row.limits) == ("not measured", "not measured", "at most 3\u202fs")
    assert content.steps_left.startswith(f"{done} of 40 cycles were done. The run broke off: what is marked ")
    assert "under 'Latency and misses'" in content.steps_left and Words("en")("page.latency") == "Latency and misses"
    older = content_of(replace(run, steps=[step for step in run.steps if step.name != DECLARED_STEP]))
    assert [row.raw["name"] for row in older.steps] == [m.name for m in run.measurements]
    assert f"{done} of 40 cycles were done. The run broke off: only what" in older.steps_left
    assert content_of(runs["healthy"]).steps_left == ""


def test_every_run_begins_with_what_it_is_to_measure(runs: dict[str, StoredRun]) -> None:
    for name, run in runs.items():
        declared = [step for step in run.steps if step.name == DECLARED_STEP]
        assert len(declared) == 1, name
        assert {d["name"] for d in declared[0].result} >= {m.name for m in run.measurements}, name


def test_a_run_that_ended_early_says_so_and_why(runs: dict[str, StoredRun]) -> None:
    run = runs["cycles"]
    counted = MeasuredValue("cycles", 22.0, "1", 22.0, None, 22, 1000.0, None)
    left = [counted if m.name == "cycles" else m for m in run.measurements]
    note = "ended after 22 cycles: the last 5 saw no reaction at all"
    content = content_of(replace(run, measurements=left, notes=[*run.notes, note]))
    (banner,) = [banner.text for banner in content.banners if banner.kind == "short"]
    assert banner == f"1000 cycles were ordered; {note}."
    row = row_of(content, "cycles")
    assert (row.value, row.interval, row.outcome_word) == ("22", "exact", "not reached")
    assert not any(banner.kind == "short" for banner in content_of(run).banners)


def test_the_customers_sentence_counts_the_misses(runs: dict[str, StoredRun]) -> None:
    found = [Finding("board", "random-miss", 0.9, ["seen"], "Do it.")]
    missed = MeasuredValue("sleep misses", 140.0, "1", 140.0, 140.0, 522, None, 0.0)
    sentence = content_of(replace(runs["cycles"], findings=found, measurements=[missed])).verdict.sentence
    assert sentence == (
        "The machine does not react to every movement of the lid: "
        "in 140 of 522 attempts it did not go to sleep when shut."
    )


# -- said once


def test_a_sentence_stands_only_where_it_weighs(runs: dict[str, StoredRun]) -> None:
    slept = "slept 3 of 9 times (limit 3 s)"
    both = Finding("setting", None, 0.1, ["seen", slept, f"does not fit: {slept}"], "")
    (block,) = content_of(replace(runs["cycles"], findings=[both])).findings
    assert [item.said.text for item in block.evidence] == ["seen"]
    assert [item.said.text for item in block.against] == ["slept 3 of 9 times (limit 3\u202fs)"]


def test_notes_of_a_person_stand_apart_and_as_they_were_entered(runs: dict[str, StoredRun]) -> None:
    own = "Flux <b>residue</b>, 3 kohm to ground"
    built = make(replace(runs["sensor"], notes=[*runs["sensor"].notes, f"operator: {own}"]), "de")
    content = built.content
    assert content.own_notes == (own,)
    assert not any("operator" in said.text or "gebeten" in said.text for said in content.notes)
    assert len(content.asked) == sum(note.startswith("asked the operator: ") for note in runs["sensor"].notes) > 5
    html = page(built)
    assert "3 kohm to ground" in html and f"insgesamt {len(content.asked)}" in html


def test_link_and_duration_are_told_in_words(runs: dict[str, StoredRun]) -> None:
    facts = {fact.key: fact.text for fact in content_of(runs["healthy"]).versions}
    assert facts["link"].startswith("simulated bench, scenario healthy-alder-14")
    assert "by the computer's clock" in facts["duration"] and "by the board's clock" in facts["duration"]
    stamped = replace(runs["healthy"], started_utc="2026-03-09T07:05:12+00:00", ended_utc="2026-03-09T07:08:32+00:00")
    facts = {fact.key: fact.text for fact in content_of(stamped).versions}
    assert facts["duration"].startswith("3\u202fmin 20\u202fs by the computer's clock")
    gone = content_of(replace(runs["healthy"], ended_utc=None, events=[]))
    assert "duration" not in {fact.key for fact in gone.versions}


def test_a_killed_round_without_a_known_total_is_told_by_its_number(runs: dict[str, StoredRun]) -> None:
    step = StoredStep(1, None, 0, "round", {"number": 5}, None, None, None, None, "open", None, None)
    run = replace(runs["healthy"], ended_utc=None, outcome="incomplete", steps=[step], measurements=[])
    (banner,) = [banner.text for banner in content_of(run).banners if banner.kind == "open"]
    assert "It broke off in round 5." in banner
