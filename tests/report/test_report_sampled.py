"""Sampled channels and power states on the page: all that the record holds, in both languages, the same as 'show'."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest
from lidjig.record.power_spans import LEARNED, power_spans
from lidjig.record.store import Store, open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.content import Built
from lidjig.show.report.json import report_object
from lidjig.show.report.page import make, page
from lidjig.show.report.sampled import LISTED_MAX
from lidjig.show.report.words import LANGS, Words
from lidjig.show.states import states_object
from make_runs import Made

SIZE_MAX = 2_000_000  # bytes of a page


@pytest.fixture(scope="module")
def store(made: Made) -> Iterator[Store]:
    with open_store(made.store, create=False) as opened:
        yield opened


def built(store: Store, made: Made, name: str, lang: str = "en") -> Built:
    return make(store.run(made.ids[name]), lang, store=store)


@pytest.mark.parametrize("lang", LANGS)
def test_every_sampled_channel_is_drawn_listed_and_in_the_data(store: Store, made: Made, lang: str) -> None:
    rows = store.channels(made.ids["watched"])
    assert len(rows) > 6, "the run does not show what is tested"
    one = built(store, made, "watched", lang)
    html, data = page(one), json.loads(report_object(one))["report"]
    names = {row.channel: Words(lang)(f"channel.{row.channel}") for row in rows}
    figures = [figure for figure in data["figures"] if figure["name"].startswith("timeline")]
    for row in rows:
        told = next(part for part in data["channels"] if part["channel"] == row.channel)
        assert (told["raw"]["n"], told["raw"]["gaps"], told["raw"]["unit"]) == (row.n, row.gaps, row.unit)
        values = [value for part in store.series(made.ids["watched"], row.channel) for value in part.values.tolist()]
        assert (told["raw"]["low"], told["raw"]["high"]) == (min(values), max(values))
        assert sum(f"{names[row.channel]}: " in figure["description"] for figure in figures) == 1
        assert len(re.findall(f"font-weight: 700[^>]*>{re.escape(names[row.channel])}</text>", html)) == 1
    assert len(html.encode()) < SIZE_MAX
    for figure in figures:
        assert figure["events"], "each figure leads to events"


@pytest.mark.parametrize("name", ["taught", "watched", "healthy", "lost"])
def test_the_power_states_are_those_of_show(store: Store, made: Made, name: str) -> None:
    run = store.run(made.ids[name])
    found = power_spans(store, run, store.channels(run.id))
    told = json.loads(report_object(built(store, made, name)))["report"]["states"]
    assert told["raw"] == json.loads(json.dumps(states_object(found)))
    assert [row["state"] for row in told["rows"]] == [span.state for span in found.spans][:LISTED_MAX]


@pytest.mark.parametrize("lang", LANGS)
def test_smoothed_spans_have_their_confidence_and_why_they_are_unknown(store: Store, made: Made, lang: str) -> None:
    one, words = built(store, made, "taught", lang), Words(lang)
    states = one.content.states
    assert states is not None and states.method != words(f"power.method_{LEARNED}")  # the base was not taught
    known = [row for row in states.rows if row.state != "unknown"]
    assert {row.state for row in known} == {"S0", "S3", "S5", "G3"}
    assert all(row.sure and not row.why for row in known)
    assert all(row.interval for row in known[1:]) and not states.rows[0].interval
    unknown = [row for row in states.rows if row.state == "unknown"]
    assert unknown and all(row.why and not row.sure for row in unknown)
    html = page(one)
    heading = f'<th scope="col">{words("page.confidence")}</th>'
    assert heading in html and unknown[0].why in html
    by_events = built(store, made, "healthy", lang)
    assert heading not in page(by_events)  # no column of blanks
    assert any(row.event for row in by_events.content.states.rows)  # type: ignore[union-attr]


@pytest.mark.parametrize("lang", LANGS)
@pytest.mark.parametrize("name", ["taught", "watched"])
def test_a_run_that_tests_nothing_speaks_of_no_test(store: Store, made: Made, name: str, lang: str) -> None:
    one, words = built(store, made, name, lang), Words(lang)
    html = page(one)
    assert one.content.title == words(f"title_{one.run.command}") != words("title")
    for claim in (words("title"), words("where.none"), words("page.causes_note"), words("verdict.pass")):
        assert claim not in re.sub(r"<pre.*?</pre>", "", html, flags=re.DOTALL), claim
    assert one.content.tested == () and words("page.tested_nothing") in html


def test_without_samples_there_is_no_table_of_channels(store: Store, made: Made) -> None:
    one = built(store, made, "healthy")
    assert one.content.channels == ()
    assert Words("en")("page.channels") not in page(one)
    assert [f.name for f in one.content.figures if f.name.startswith("timeline")] == ["timeline"]


def test_a_run_without_a_profile_has_channels_and_no_states(store: Store, made: Made) -> None:
    from dataclasses import replace

    run: StoredRun = store.run(made.ids["watched"])
    one = make(replace(run, texts={}), "en", store=store)
    assert one.content.states is None and len(one.content.channels) > 6
