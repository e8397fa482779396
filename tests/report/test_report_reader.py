"""What a reader without eyes, bench or our computer gets: the whole connector, each danger once, no folders."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from figure_runs import alder, cycles, labels, survey
from lidjig.record.model import Finding
from lidjig.record.stored import StoredRun
from lidjig.show.report.cautions import ASKED
from lidjig.show.report.connector import connector_of
from lidjig.show.report.figures.connector import connector_from, connector_svg
from lidjig.show.report.page import make, page
from lidjig.show.report.versions import versions_of
from lidjig.show.report.words import LANGS, Words

WARNED = "Up to 20 V on the board while the charger is connected: no rings, no loose probes."


def surveyed(count: int = 6) -> StoredRun:
    """A run with the first so many measurements of a survey."""
    return replace(cycles(2).run(), measurements=survey()[:count], board_id="00c0ffee")


def test_the_table_has_each_reading_that_the_drawing_has() -> None:
    run, machine, words = surveyed(), alder(), Words("en")
    connector = connector_of(run, machine, words)
    assert connector is not None
    rows = [reading for contact in connector.contacts for reading in contact.readings]
    drawn = [
        (side, key) for pin in connector_from(run, machine).pins if pin.fitted
             for side, of in (("machine", pin.machine), ("sensor", pin.sensor)) for key, _m in of.readings]  # fmt: skip
    told = [(row.side, row.quantity) for row in rows if row.quantity]
    assert sorted(told) == sorted((side, words(f"figure.connector.{key}")) for side, key in drawn)
    assert {row.side for row in rows if row.quantity} == {"machine", "sensor"}
    outcomes = {(row.quantity, row.outcome) for row in rows}
    assert ("pull", "fail") in outcomes and ("current", "not measured") in outcomes and ("lid open", "pass") in outcomes


@pytest.mark.parametrize("lang", LANGS)
def test_words_and_table_of_the_connector_name_both_sides(lang: str) -> None:
    built = make(replace(surveyed(), texts={}), lang)
    whole, words = html.unescape(page(built)), built.words
    table = whole[whole.index('id="h-connector"') : whole.index('id="h-trim"')]
    table = table[table.index("<table") :]
    part = next(part for part in built.content.figures if part.name == "connector")
    for key in ("sensor-side", "machine-side", "current", "lid-open", "lid-shut", "pull"):
        assert words(f"figure.connector.{key}") in table, key
        assert words(f"figure.connector.{key}") in part.description, key


def test_a_side_without_readings_says_why() -> None:
    connector = connector_of(surveyed(3), alder(), Words("en"))
    assert connector is not None
    drawn = connector_svg(connector_from(surveyed(3), alder()), labels(), "x")
    told = {reading.value for contact in connector.contacts for reading in contact.readings if not reading.quantity}
    assert told == {"not surveyed", "not used", "reference"}
    assert all(text in drawn for text in told)


@pytest.mark.parametrize("lang", LANGS)
def test_each_danger_stands_in_one_box_before_all_that_leads_to_it(lang: str) -> None:
    findings = [
        Finding("board", "ignores-lid", 0.6, [], "", WARNED),
        Finding("wiring", "line-open", 0.3, [], "", WARNED),
    ]
    notes = [f"{ASKED}Connect the machine's charger.", f"{ASKED}Shut the lid and leave it shut."]
    built = make(replace(surveyed(), findings=findings, notes=notes, outcome="fail"), lang)
    assert 5 <= len(built.content.cautions) <= 6
    boxes = [caution.text for caution in built.content.cautions]
    for danger in ("20", "50", "Lithium", "ESD"):
        assert sum(re.search(rf"\b{danger}\b", box) is not None for box in boxes) == 1, danger
    whole = html.unescape(page(built))
    assert whole.index('id="h-cautions"') < whole.index('id="h-findings"')
    warned = built.content.findings[0].caution.text
    assert warned and whole.count(warned) == 1


@pytest.mark.parametrize("lang", LANGS)
def test_the_jig_stands_for_a_bench_that_nobody_entered(lang: str) -> None:
    words = Words(lang)
    facts = {fact.key: fact.text for fact in make(surveyed(), lang).content.facts}
    assert facts["bench_jig"] == "00c0ffee"
    entered = make(replace(surveyed(), job="j", job_fields={"bench": "bench 3"}), lang).content
    assert "bench_jig" not in {fact.key for fact in entered.facts}
    assert (words("job.bench"), "bench 3") in {(fact.label, fact.text) for fact in entered.job}


@pytest.mark.parametrize(
    ("argv", "told"),
    [
        (["--store", "/home/kim/Jobs 3/record.db", "confirm"], "lidjig --store record.db confirm"),
        (["--store=/home/kim/record.db", "cycle"], "lidjig --store=record.db cycle"),
        (["cycle", "--link", "twin:/home/kim/rare.toml"], "lidjig cycle --link twin:rare.toml"),
        (["cycle", "--link", "replay:C:\\Users\\kim\\a.rec"], "lidjig cycle --link replay:a.rec"),
        (["--store", "C:\\Users\\kim\\record.db"], "lidjig --store record.db"),
        (["--store", "record.db", "cycle", "--link", "twin:rare"], "lidjig --store record.db cycle --link twin:rare"),
    ],
)
def test_the_command_line_shows_no_folders(argv: list[str], told: str) -> None:
    facts = {fact.key: fact.text for fact in versions_of(replace(surveyed(), argv=argv), None, Words("en"))}
    assert facts["command"] == told
