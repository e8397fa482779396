"""The page: what the customer reads first, that nothing on it is markup of others, and that it explains itself."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from html.parser import HTMLParser

import make_runs
import pytest
from lidjig.record.model import Finding, MeasuredValue
from lidjig.record.store import open_store
from lidjig.record.stored import StoredEvent, StoredGap, StoredRun
from lidjig.show.report.anchors import Ref
from lidjig.show.report.content import build
from lidjig.show.report.findings import Evidence, Part
from lidjig.show.report.json import report_object
from lidjig.show.report.page import make, page
from lidjig.show.report.words import LANGS, Said, Words
from lidjig.show.terminal import console_on, show_finding

VOID = {"meta", "br", "link", "img", "input", "hr"}


class Reader(HTMLParser):
    """Collects what the checks look at; complains where elements are not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headings: list[int] = []
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            self.attributes.append((tag, name, value))
            if name == "id" and value:
                self.ids.append(value)
            if name == "href" and value and tag == "a":
                self.links.append(value)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> inside {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


@pytest.fixture(scope="module")
def pages(runs: dict[str, StoredRun]) -> dict[tuple[str, str], str]:
    before = {"after": runs["cycles"]}
    return {(name, lang): page(make(run, lang, before.get(name))) for name, run in runs.items() for lang in LANGS}


def test_every_page_is_whole_and_needs_nothing_else(pages: dict[tuple[str, str], str]) -> None:
    for (name, lang), html in pages.items():
        reader = read(html)
        where = f"{name} {lang}"
        assert len(reader.ids) == len(set(reader.ids)), where
        dead = [link for link in reader.links if not link.startswith("#") or link[1:] not in reader.ids]
        assert dead == [], where
        assert "script" not in reader.tags and "img" not in reader.tags and "link" not in reader.tags, where
        assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//|url\(\s*["']?(?!#)|@import""", html), where
        assert ("html", "lang", lang) in reader.attributes, where
        steps = [after - before for before, after in zip(reader.headings[:-1], reader.headings[1:], strict=True)]
        assert reader.headings[0] == 1 and reader.headings.count(1) == 1 and max(steps) <= 1, where
        assert len(html.encode()) < 2_000_000, where


def test_a_report_of_the_same_run_is_the_same_to_the_byte(runs: dict[str, StoredRun]) -> None:
    first, second = (page(make(runs["after"], "de", runs["cycles"])) for _ in range(2))
    assert first == second
    assert report_object(make(runs["lost"], "en")) == report_object(make(runs["lost"], "en"))


def test_markup_of_a_customer_is_text(runs: dict[str, StoredRun], pages: dict[tuple[str, str], str]) -> None:
    for lang in LANGS:
        html = pages["markup", lang]
        assert "<b>Ru" not in html and "<script" not in html and "<i>more" not in html
        assert make_runs.MARKUP in "".join(read(html).text)
    hostile = "</pre><img src=x onerror=alert(1)>{{ 7*7 }}"
    run = replace(
        runs["sensor"],
        job=hostile,
        job_fields={"done": hostile, "serial": hostile},
        texts={**runs["sensor"].texts, hostile: hostile},
        notes=[hostile],
        frames=[hostile],
        board_id=hostile,
        argv=[hostile],
        gaps=[StoredGap(hostile, hostile, None, 0)],
        link_details={"operator": "simulated", "title": hostile},
        events=[*runs["sensor"].events, StoredEvent(9999, hostile, 10**9, {hostile: 1})],
        findings=[Finding("sensor", hostile, 0.9, [hostile], hostile, hostile)],
        measurements=[MeasuredValue(hostile, 1.0, hostile, 0.5, 1.5, 3)],
    )
    html = page(make(run, "de", replace(run, id="r-000099")))
    assert "<img" not in html and "49" not in re.findall(r"onerror=alert\(1\)&gt;(..)", html)
    assert "".join(read(html).text).count("onerror") >= 10


def test_the_verdict_comes_first_in_one_plain_sentence(pages: dict[tuple[str, str], str]) -> None:
    wanted = {
        "healthy": ("Passed", "The logic board responds correctly to its lid sensor line."),
        "sensor": ("Failed", "The lid sensor is dead: it tells the machine that the lid is always shut."),
        "wiring": ("Failed", "The wire between lid sensor and logic board is broken (line 2)."),
        "board": (
            "Failed",
            "The logic board does not react to its lid sensor line, although the signal arrives: "
            "in 8 of 8 attempts it did not go to sleep when shut.",
        ),
        "killed": ("Not complete", "The test broke off before its end, so there is no verdict."),
        "gone": ("No result", "The test could not be carried out, so it says nothing about the machine."),
    }
    for name, (word, sentence) in wanted.items():
        text = "".join(read(pages[name, "en"]).text)
        assert word in text and sentence in text, name
        assert text.index(sentence) < text.index("For the technician"), name


def test_a_run_that_did_not_end_well_says_so_at_the_top(pages: dict[tuple[str, str], str]) -> None:
    told = {"killed": "never closed", "lost": "test device broke once", "gone": "an error of the test equipment"}
    for name, words in told.items():
        text = "".join(read(pages[name, "en"]).text)
        assert words in text and text.index(words) < text.index("What was not tested"), name
    assert "broke off in cycle" in pages["killed", "en"]
    assert "Simulated bench" in pages["healthy", "en"] and "Simulierter Prüfplatz" in pages["healthy", "de"]


def test_job_fields_only_as_entered(runs: dict[str, StoredRun], pages: dict[tuple[str, str], str]) -> None:
    text = "".join(read(pages["healthy", "en"]).text)
    for entered in make_runs.FIELDS[make_runs.JOB_HEALTHY].values():
        assert entered in text
    bare = page(make(replace(runs["healthy"], job=None, job_fields={}), "en"))
    text = "".join(read(bare).text)
    assert "Customer" not in text and "Serial" not in text and "No work on the machine was entered" in text


def test_what_was_not_tested_is_said(pages: dict[tuple[str, str], str]) -> None:
    assert "The lid sensor itself: the jig stood in for it" in pages["healthy", "en"]
    killed = "".join(read(pages["killed", "en"]).text)
    begun = killed.index("What was measured before the test ended")
    assert "cycles" in killed[begun : killed.index("What was not tested")]


def test_outcomes_are_never_told_by_colour_alone(pages: dict[tuple[str, str], str]) -> None:
    html = pages["sensor", "en"]
    marks = re.findall(r'<span class="outcome (\w+)">(.*?)</span>', html, re.DOTALL)
    assert {key for key, _inner in marks} >= {"pass", "fail", "not_measured"}
    for key, inner in marks:
        assert "<svg" in inner and key.replace("_", " ") in inner, key


def test_recorded_english_is_marked_where_it_cannot_be_said(runs: dict[str, StoredRun]) -> None:
    odd = replace(runs["sensor"], notes=["written by hand"])
    assert '<span lang="en">written by hand</span>' in page(make(odd, "de"))
    assert '<span lang="en">' not in page(make(odd, "en"))


def test_steps_name_the_events_that_they_stand_on(runs: dict[str, StoredRun]) -> None:
    built = make(runs["cycles"], "en")
    rows = {row.raw["name"]: row for row in built.content.steps}
    slowest = rows["sleep latency, slowest"]
    assert len(slowest.events) == 2
    events = {row.anchor: row.t_us for row in built.content.events}
    begin, end = (events[ref.anchor] for ref in slowest.events)
    assert end - begin == round(slowest.raw["value"] * 1e6)
    misses = rows["sleep misses"]
    assert misses.raw["value"] == 0 or misses.events
    told = [item for block in make(runs["sensor"], "en").content.findings for item in block.evidence if item.events]
    assert any("board time" in item.said.text for item in told)


def test_anchors_stay_apart_where_the_board_restarted(runs: dict[str, StoredRun]) -> None:
    run = runs["lost"]
    counters = [event.counter for event in run.events]
    assert len(counters) > len(set(counters))  # it counted anew
    anchors = make(run, "en").index.anchors
    assert len(set(anchors)) == len(anchors)


def test_a_long_run_keeps_the_events_that_matter_and_says_what_is_left_out(runs: dict[str, StoredRun]) -> None:
    run = runs["cycles"]
    events = [
        replace(event, counter=event.counter + k * 10_000, t_us=event.t_us + k * 10**9)
        for k in range(8)
        for event in run.events
    ]
    content = make(replace(run, events=events), "en").content
    assert len(content.events) < len(events) and f"of {len(events)} events" in content.events_note
    assert content.events[0].counter == events[0].counter and content.events[-1].counter == events[-1].counter


def test_json_has_the_same_content(runs: dict[str, StoredRun]) -> None:
    built = make(runs["after"], "de", runs["cycles"])
    whole = json.loads(report_object(built), parse_constant=lambda name: pytest.fail(name))
    assert (whole["command"], whole["run"], whole["outcome"]) == ("report", runs["after"].id, "pass")
    report = whole["report"]
    assert report["verdict"]["sentence"] == built.content.verdict.sentence
    assert [row["raw"]["name"] for row in report["steps"]] == [m["name"] for m in whole["measurements"]]
    assert report["comparison"]["run_before"] == runs["cycles"].id
    assert all("svg" not in figure and figure["description"] for figure in report["figures"])
    text = "".join(read(page(built)).text)
    for row in report["steps"]:
        assert row["value"] in text and row["limits"] in text


def test_data_alone_draws_nothing(runs: dict[str, StoredRun]) -> None:
    """A figure is drawn once, when the page asks for it."""
    built = make(runs["after"], "en", runs["cycles"])
    drawn: list[str] = []
    built.drawings = {name: lambda name=name: drawn.append(name) or "<svg></svg>" for name in built.drawings}
    report_object(built)
    assert drawn == []
    page(built)
    named = [figure.name for figure in built.content.figures]
    assert sorted(drawn) == sorted(named) and {"timeline", "histogram", "connector", "compare"} <= set(named)


def test_a_board_time_in_evidence_is_told_once_and_leads_to_its_event(runs: dict[str, StoredRun]) -> None:
    for lang in LANGS:
        built = make(runs["cycles"], lang)
        html = page(built)
        items = [item for block in built.content.findings for item in (*block.evidence, *block.against) if item.events]
        assert items
        for item in items:
            assert "".join(part.text for part in item.parts) == item.said.text
            linked = [part.anchor for part in item.parts if part.anchor and part.anchor != item.rest]
            assert linked == [ref.anchor for ref in item.events]
            for ref in item.events:
                bare = ref.time.split("\u202f")[0]
                assert f'<a class="ref" href="#{ref.anchor}">{bare}</a>' in html


def test_a_time_that_does_not_stand_in_its_sentence_follows_it() -> None:
    seen = Ref("e-7", "11.042\u202fs")
    said = Said("slept after 11.0421 s; missed at board time 11.042, 4.5 s")
    told = Evidence(said, (seen, Ref("e-9", "4.501\u202fs")), True)
    assert told.parts == (
        Part("slept after 11.0421 s; missed at board time "), Part("11.042", "e-7"), Part(", 4.5 s"),
        Part(" "), Part("4.501\u202fs", "e-9"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("probability", "shown"), [(0.966, "97"), (0.034, "3.4"), (0.995, "99.5"), (0.5, "50"), (1.0, "100"), (0.0, "0")]
)
def test_a_probability_reads_the_same_everywhere(
    runs: dict[str, StoredRun], probability: float, shown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found = Finding("sensor", "dead", probability, ["seen"], "Do it.")
    built = make(replace(runs["sensor"], findings=[found]), "en")
    assert built.content.findings[0].percent == f"{shown}\u202f%" and f"{shown}\u202f%" in built.content.verdict.sure
    assert f">{shown} %<" in built.drawings["causes"]()
    show_finding(found, console_on(sys.stdout))
    assert f"Finding: sensor: dead ({shown}%)" in capsys.readouterr().out


def test_marginal_values_are_told_to_the_customer(runs: dict[str, StoredRun]) -> None:
    near = MeasuredValue("sensor supply", 3.58, "V", 3.52, 3.64, 64, 3.0, 3.6)
    run = replace(runs["healthy"], measurements=[near])
    content = build(run, Words("en")).content
    assert content.verdict.also.startswith("Sensor supply passes, and cannot be told from its limit: 3.580\u202fV")
    assert "(3.520 to 3.640\u202fV, n 64), limit 3 to 3.6\u202fV" in content.verdict.also
    assert content.steps[0].outcome == "marginal" and not content.steps[0].hint
    late = MeasuredValue("sleep latency, slowest", 2.9, "s", 2.7, 3.1, 20, None, 3.0)
    assert "might settle it" in build(replace(run, measurements=[late]), Words("en")).content.steps[0].hint
    close = MeasuredValue("sensor supply", 3.58, "V", 3.575, 3.585, 64, 3.0, 3.6, 0.05)
    assert "is near its limit" in build(replace(run, measurements=[close]), Words("en")).content.verdict.also
    # A failed page has its verdict: what passed is not weighed on it.
    assert build(replace(run, outcome="fail"), Words("en")).content.verdict.also == ""


def test_a_run_without_anything_still_makes_a_page(runs: dict[str, StoredRun]) -> None:
    empty = replace(
        runs["healthy"], events=[], measurements=[], findings=[], notes=[], texts={}, steps=[], gaps=[], job_fields={},
        outcome="error", command="newer", ended_utc=None, link_details={},
    )  # fmt: skip
    for lang in LANGS:
        text = "".join(read(page(make(empty, lang))).text)
        assert Words(lang)("page.begun_nothing") in text
