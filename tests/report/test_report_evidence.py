"""Evidence of a finding: what decided it, what it stands on, nothing said twice; how sure a pass is; wires by name."""

from __future__ import annotations

from dataclasses import replace

import make_runs
import pytest
from lidjig.measure import proportion
from lidjig.procedures.isolate_table import CAUSES
from lidjig.procedures.reasoning import WEIGHS_MIN, Seen, conclude, likelihood, weighing
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.figures.canvas import number
from lidjig.show.report.page import make, page
from lidjig.show.report.words import Words


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


def test_what_decides_is_what_the_next_cause_explains_worse() -> None:
    seen = [
        Seen("supply", "right", "sensor supply 3.3 V"),
        Seen("sleep_standin", "never", "stand-in: slept 0 of 20 times"),
        Seen("sleep_driven", "no", "lines driven hard: the machine did not sleep"),
        Seen("pull", "none", "line 2 shows no pull"),
    ]
    found = conclude(seen)
    told = weighing(found, seen)
    main = told["findings"][0]
    assert (main["where"], main["what"]) == ("wiring", "line-open")
    rival = main["rival"]
    assert isinstance(rival, dict) and (rival["where"], rival["what"]) != ("wiring", "line-open")
    decided = main["decided"]
    assert isinstance(decided, list) and "line 2 shows no pull" in decided and "sensor supply 3.3 V" not in decided
    mine = next(cause for cause in CAUSES if (cause.where, cause.what) == ("wiring", "line-open"))
    others = [cause for cause in CAUSES if (cause.where, cause.what) == (rival["where"], rival["what"])]
    assert any(likelihood(mine, "pull", "none") >= WEIGHS_MIN * likelihood(other, "pull", "none") for other in others)
    assert all(isinstance(cause["probability"], float) for cause in told["causes"])


@pytest.mark.parametrize("lang", ["en", "de"])
def test_what_decided_stands_first_and_the_rest_is_folded(runs: dict[str, StoredRun], lang: str) -> None:
    for name in ("sensor", "wiring", "board", "healthy"):
        built = make(runs[name], lang)
        block = built.content.findings[0]
        assert block.decided and 0 < block.decided < len(block.evidence) and block.rival, name
        html = page(built)
        part = html[html.index('class="finding main"') :]
        part = part[: part.index("</article>")]
        folded = part[part.index('<details class="fits">') : part.index("</details>")]
        assert folded.count("<li>") == len(block.evidence) - block.decided, name


def test_a_run_without_weights_shows_all_its_evidence(runs: dict[str, StoredRun]) -> None:
    old = replace(runs["sensor"], steps=[step for step in runs["sensor"].steps if step.name != "weighed"])
    built = make(old, "en")
    assert built.content.findings[0].decided is None and built.content.other_causes == ()
    assert "<h4>Evidence</h4>" in page(built)


@pytest.mark.parametrize("lang", ["en", "de"])
def test_every_number_of_the_evidence_leads_somewhere(runs: dict[str, StoredRun], lang: str) -> None:
    for name in ("healthy", "sensor", "wiring", "board"):
        for block in make(runs[name], lang).content.findings:
            for item in (*block.evidence, *block.against):
                if any(char.isdigit() for char in item.said.text):
                    assert any(part.anchor for part in item.parts), item.said.text


def test_a_fact_is_told_once_and_in_a_sentence(runs: dict[str, StoredRun]) -> None:
    texts = [item.said.text for item in make(runs["sensor"], "en").content.findings[0].evidence]
    assert not any("outside its limits" in text for text in texts)
    assert sum("mA from the jig" in text for text in texts) == 1
    alone = replace(runs["board"].findings[0], evidence=["sleep misses is outside its limits"])
    (item,) = make(replace(runs["board"], findings=[alone]), "en").content.findings[0].evidence
    assert item.said.text == "outside its limits: sleep misses, 8 (limit at most 0)"
    (item,) = make(replace(runs["board"], findings=[alone]), "de").content.findings[0].evidence
    assert item.said.text.startswith("außerhalb der Grenzen: Einschlafen")


def test_the_causes_of_a_pass_stand_on_its_measurements_and_are_all_named(runs: dict[str, StoredRun]) -> None:
    built = make(runs["healthy"], "en")
    figure = next(figure for figure in built.content.figures if figure.name == "causes")
    assert {"sensor supply", "sleep misses"} <= {ref.time for ref in figure.rows}
    assert any("misses some movements" in cause for cause in built.content.other_causes)
    assert "All other causes, by name" in page(built)


def test_the_watched_interval_is_what_no_change_stands_on(runs: dict[str, StoredRun]) -> None:
    built = make(runs["sensor"], "en")
    row = next(row for row in built.content.steps if row.raw["name"] == "sensor changes, lid at rest")
    known = {event.anchor: event.t_us for event in built.content.events}
    times = [known[ref.anchor] for ref in row.events]
    for step in runs["sensor"].steps:
        if step.name == "sensor watched":
            assert step.begin_t_us is not None and step.end_t_us is not None
            assert any(t <= step.begin_t_us for t in times) and any(t >= step.end_t_us for t in times)


@pytest.mark.parametrize("lang", ["en", "de"])
def test_a_pass_says_what_it_does_not_exclude(runs: dict[str, StoredRun], lang: str) -> None:
    words = Words(lang)
    sure = make(runs["healthy"], lang).content.verdict.sure
    assert words.percent(proportion.upper_bound(0, 8), 2) in sure and sure.startswith("8 ") and "95" in sure
    html = page(make(runs["healthy"], lang))
    assert html.index(sure) < html.index('id="technician"')
    bare = replace(runs["healthy"], measurements=[])
    assert make(bare, lang).content.verdict.sure == ""


@pytest.mark.parametrize(("lang", "line"), [("en", "line 2"), ("de", "Leitung 2")])
def test_the_wire_is_named(runs: dict[str, StoredRun], lang: str, line: str) -> None:
    content = make(runs["wiring"], lang).content
    assert f"({line})" in content.verdict.sentence and f"({line})" in content.findings[0].label
    assert line not in make(runs["board"], lang).content.verdict.sentence


def test_all_missed_is_told_with_its_lower_bound_and_no_histogram(runs: dict[str, StoredRun]) -> None:
    built = make(runs["board"], "en")
    (series,) = built.content.latencies
    assert series.misses == len(series.cycle) == 8
    # Exact one-sided bound of 8 of 8: 0.05 ** (1 / 8).
    assert any(f"at least {100 * 0.05 ** (1 / 8):.1f}" in line for line in series.lines)
    assert not any("at most 100" in line for line in series.lines)
    names = [figure.name for figure in built.content.figures]
    assert "histogram" not in names and "run-chart" in names and 'id="fig-histogram"' not in page(built)
    assert "histogram" in [figure.name for figure in make(runs["healthy"], "en").content.figures]


def test_plots_and_tables_round_alike() -> None:
    words = Words("en")
    halves = [round(0.0125 + 0.0005 * step, 4) for step in range(4000)] + [2.5, 3.285, 1.0265, 46.65, 777.5, 20.125]
    for value in halves:
        for digits in (3, 4):
            assert number(value, {"decimal": "."}, digits) == words.figure(value, digits)
