"""A run without a verdict: it looks like no failure, and says what was begun without a claim; gaps in plain words."""

from __future__ import annotations

import re
from dataclasses import replace

import make_runs
import pytest
from lidjig.record.store import open_store
from lidjig.record.stored import StoredGap, StoredRun
from lidjig.show.report.page import make, page
from lidjig.show.report.words import LANGS, Words

JARGON = ("lidjig", "entries", "Einträge", "record", "Aufzeichnung", "places", "Stellen")


@pytest.fixture(scope="module")
def runs(made: make_runs.Made) -> dict[str, StoredRun]:
    with open_store(made.store, create=False) as store:
        return {name: store.run(run_id) for name, run_id in made.ids.items()}


def sign(html: str) -> str:
    """The shape beside the verdict's word."""
    at = html.index('<h2 id="verdict">')
    return html[html.index("<svg", at) : html.index("</svg>", at)]


def test_no_result_has_a_sign_and_a_colour_of_its_own(runs: dict[str, StoredRun]) -> None:
    pages = {name: page(make(runs[name], "en")) for name in ("gone", "failed", "killed", "healthy")}
    signs = {name: sign(html) for name, html in pages.items()}
    assert len(set(signs.values())) == 4
    assert 'fill="currentColor"' not in signs["gone"] and 'fill="currentColor"' in signs["failed"]  # open, not filled
    style = pages["gone"][: pages["gone"].index("</style>")]
    rules = re.findall(r"([^{}]*)\{([^{}]*)\}", style)
    assert not [names for names, rule in rules if ".error" in names and "--fail" in rule]


@pytest.mark.parametrize("lang", LANGS)
def test_what_was_begun_is_no_claim(runs: dict[str, StoredRun], lang: str) -> None:
    words = Words(lang)
    for name in ("gone", "killed"):
        html = page(make(runs[name], lang))
        first = html[: html.index('id="technician"')]
        assert words("page.begun") in first and words("page.begun_note") in first, name
        assert f">{words('page.tested')}<" not in first, name
    html = page(make(runs["healthy"], lang))
    assert f">{words('page.tested')}<" in html and words("page.begun") not in html


@pytest.mark.parametrize("lang", LANGS)
def test_the_customer_reads_what_broke_and_was_done_again(runs: dict[str, StoredRun], lang: str) -> None:
    words = Words(lang)
    (banner,) = [one.text for one in make(runs["lost"], lang).content.banners if one.kind == "gaps"]
    assert words("banner.broke", times=words.times(1)) in banner and words("banner.again_one") in banner
    (gone,) = [one.text for one in make(runs["gone"], lang).content.banners if one.kind == "gaps"]
    assert words("banner.not_again") in gone
    for text in (banner, gone):
        assert not [word for word in JARGON if word in text]
    missing = replace(runs["healthy"], gaps=[StoredGap("lost-events", "3 events are missing", None, 5)])
    (told,) = [one.text for one in make(missing, lang).content.banners if one.kind == "gaps"]
    assert told == f"{words('banner.missing')} {words('banner.gaps_more')}"


@pytest.mark.parametrize("lang", LANGS)
def test_a_watch_tested_nothing(runs: dict[str, StoredRun], lang: str) -> None:
    """ "All else" and "above" need something that is named."""
    words = Words(lang)
    assert [said.text for said in make(runs["watched"], lang).content.untested] == [words("untested.all")]
    broken = make(replace(runs["watched"], outcome="error"), lang).content
    assert broken.verdict.sentence == words("says.error_watch")


@pytest.mark.parametrize("lang", LANGS)
def test_a_shipped_title_stays_off_the_customers_sheet(runs: dict[str, StoredRun], lang: str) -> None:
    run = runs["healthy"]
    title = run.link_details["title"]
    html = page(make(run, lang))
    assert title not in html[: html.index('id="technician"')] and title in html
