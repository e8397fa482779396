"""A second run beside the first: what was not tested again is said, and every figure of both leads to its events."""

from __future__ import annotations

import re
from dataclasses import replace

import make_runs
import pytest
from lidjig.errors import BadInput
from lidjig.measure import proportion
from lidjig.record.jobs import NAMED_MAX, known
from lidjig.record.model import MeasuredValue
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.compare import compare
from lidjig.show.report.drawing import _scaled
from lidjig.show.report.page import make, page
from lidjig.show.report.words import Words


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


@pytest.mark.parametrize(
    ("lang", "told", "other", "turned"),
    [
        ("en", "was not tested again", "the two runs are different tests", "Verdict before: Failed / after: Passed"),
        (
            "de",
            "nicht noch einmal geprüft",
            "die beiden Läufe sind verschiedene Prüfungen",
            "Urteil vorher: Nicht bestanden / nachher: Bestanden",
        ),
    ],
)
def test_another_test_is_no_proof_of_a_repair(
    runs: dict[str, StoredRun], lang: str, told: str, other: str, turned: str
) -> None:
    html = page(make(runs["healthy"], lang, runs["sensor"]))  # the sensor was dead; the confirm has no part of it
    first = html[: html.index('id="technician"')]
    place = Words(lang)("where.sensor")
    assert told in first and other in first and f"({place}: " in first
    changed = html.index(Words(lang)("compare.what_changed"))
    assert changed < html.index(turned) < html.index(Words(lang)("compare.what_same"))


def test_what_has_no_value_after_was_not_tested_again(runs: dict[str, StoredRun]) -> None:
    before, after = runs["cycles"], runs["after"]
    assert compare(before, after, Words("en")).warnings == ()
    unset = [
        replace(m, value=None, low=None, high=None) if m.name.startswith("sleep") else m for m in after.measurements
    ]
    (said,) = compare(before, replace(after, measurements=unset), Words("en")).warnings
    assert "sleep misses" in said and "was not tested again" in said and "different tests" not in said


def test_the_place_at_fault_must_be_measured_again(runs: dict[str, StoredRun]) -> None:
    before = replace(runs["sensor"], measurements=[m for m in runs["sensor"].measurements if m.outcome != "fail"])
    assert any("sensor: dead" in said for said in compare(before, runs["healthy"], Words("en")).warnings)
    assert not any("again" in said for said in compare(before, runs["wiring"], Words("en")).warnings)


def test_every_figure_of_both_runs_can_be_followed(runs: dict[str, StoredRun]) -> None:
    built = make(runs["after"], "en", runs["cycles"])
    html = page(built)
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= set(ids)
    comparison, before = built.content.comparison, built.content.before
    assert comparison is not None and before is not None
    row = next(row for row in comparison.rows if row.recorded_name == "sleep misses")
    assert row.before.anchor.startswith("b-m-") and row.after.anchor.startswith("m-")
    known_events = {event.anchor: event.t_us for event in before.events}
    missed = [t.stimulus_us for t in make(runs["cycles"], "en").trials if t.verb == "sleep" and t.result == "miss"]
    assert [known_events[ref.anchor] for ref in row.before.events] == missed != []
    assert len(before.versions) > 5 and before.findings and before.readings
    table = html[html.index('<table class="compare') :]
    assert f'href="#{row.before.anchor}"' in table and f'href="#{row.before.events[0].anchor}"' in table
    figure = html[html.index('id="fig-compare"') :]
    assert 'href="#b-m-' in figure[: figure.index("</figure>")]


def test_what_was_not_measured_is_the_same_word_on_both_sides(runs: dict[str, StoredRun]) -> None:
    unset = MeasuredValue("sensor current", None, "mA")
    for lang, word in (("en", "not measured"), ("de", "nicht gemessen")):
        before, after = replace(runs["sensor"], measurements=[unset]), replace(runs["healthy"], measurements=[])
        (row,) = compare(before, after, Words(lang)).rows
        assert row.before.value == row.after.value == word


def test_the_axis_has_the_unit_of_the_difference(runs: dict[str, StoredRun]) -> None:
    rows = {row.recorded_name: row for row in compare(runs["cycles"], runs["after"], Words("en")).rows}
    for name in ("sleep misses", "sleep miss rate"):
        row = rows[name]
        before, after = _scaled(row)
        assert before is not None and after is not None and before.unit == after.unit == "%"
        assert row.delta is not None and (after.value or 0.0) - (before.value or 0.0) == pytest.approx(100 * row.delta)
    counted = _scaled(rows["sleep misses"])[0]
    raw = rows["sleep misses"].before.raw
    assert counted is not None and raw is not None and raw.value is not None
    assert counted.low == pytest.approx(100 * proportion.clopper_pearson(round(raw.value), raw.n)[0])
    volts = rows["sensor supply"]
    assert _scaled(volts) == (volts.before.raw, volts.after.raw)


def test_an_empty_run_is_no_run(made: make_runs.Made) -> None:
    from lidjig.cli.report import _choose

    with open_store(made.store, create=False) as store, pytest.raises(BadInput, match="last"):
        _choose(store, None, "", None)


def test_one_older_job_is_one() -> None:
    names = [f"j{number}" for number in range(NAMED_MAX + 2)]
    assert "1 older one (" in known(names[:-1]) and "2 older ones (" in known(names)
