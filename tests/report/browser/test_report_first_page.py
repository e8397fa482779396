"""The customer's page on one sheet with every field of the job entered; what phone and printer make of the rest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import chromium
import make_runs
import papers
import pytest
from lidjig.record.store import open_store
from lidjig.record.stored import StoredGap, StoredRun
from lidjig.show.report.page import make
from lidjig.show.report.page import page as html_of
from lidjig.show.report.words import LANGS, Words

FIELDS = {
    "customer": "Mara Ölwein-Castellane, Lantern Street Workshop, Unit 4",
    "machine": "Alder 14, silver, 2023, 16 GB",
    "serial": "AL14-0073-2291-EU",
    "complaint": "Tea over the keyboard in March. Takes charge, the light at the hinge blinks twice, and it never "
    "starts; in April it still woke now and then.",
    "done": "Board washed and dried, hinge connector and sensor replaced, lid line's input resistor resoldered, zero "
    "set, cover closed with new gaskets.",
    "bench": "Bench 2, by the north window",
    "technician": "Jonathan Fenn",
}


def filled(made: make_runs.Made) -> dict[str, tuple[StoredRun, StoredRun | None]]:
    """Runs that fill the first page most: isolating tests most, and what went wrong is told above it."""
    with open_store(made.store, create=False) as store:
        sensor, board, killed = (store.run(made.ids[name]) for name in ("sensor", "board", "killed"))
    full = replace(sensor, job="bench-2041, second visit", job_fields=FIELDS)
    board = replace(board, started_utc="2026-01-02T08:30:00+00:00")  # before the other one
    lost = replace(full, gaps=[StoredGap("link-lost", "the port closed", None, 20)])
    return {
        "alone": (lost, None),
        "pair": (full, replace(board, job=full.job, job_fields=FIELDS)),
        "other-job": (full, replace(board, job="bench-2040")),
        "killed": (replace(killed, job=full.job, job_fields=FIELDS), None),
    }


@pytest.mark.parametrize("lang", LANGS)
@pytest.mark.parametrize("name", ["alone", "pair", "other-job", "killed"])
def test_first_page_is_one_sheet_and_the_second_is_the_technicians(
    name: str, lang: str, page: chromium.Page, made: make_runs.Made, tmp_path: Path
) -> None:
    run, before = filled(made)[name]
    out = tmp_path / "report.html"
    out.write_text(html_of(make(run, lang, before)), encoding="utf-8")
    page.open(out)
    words = Words(lang)
    for paper in chromium.PAPERS:
        first, second, *rest = papers.sheets(page.printed(paper))
        assert words("page.done_note")[:20] in first.text and FIELDS["technician"] in first.text, paper
        assert words("page.technician") not in first.text, paper
        assert words("page.technician") in second.text, f"{paper}: the first page runs on"
        assert words("page.findings") in second.text and words("page.untested") not in second.text, paper
        assert all(words("page.technician") not in sheet.text for sheet in rest)


def test_names_in_the_comparison_have_the_width_of_a_phone(page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports["pair"], chromium.PHONE)
    widths = page.measure("rowNames")
    assert widths and min(widths) > 0.9  # of the row's width
    page.resize(chromium.LAPTOP)
    assert max(page.measure("rowNames")) < 0.3


@pytest.mark.parametrize("name", ["pair", "cycles", "german"])
def test_a_figure_that_goes_on_sideways_says_so(name: str, page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports[name], chromium.PHONE)
    found = page.measure("sideways")
    assert found and any(figure["scrolls"] for figure in found)
    for figure in found:
        assert figure["told"] == figure["scrolls"], figure
    page.resize(chromium.LAPTOP)
    assert not any(figure["told"] or figure["scrolls"] for figure in page.measure("sideways"))


def test_before_and_after_is_printed_over_the_full_width(page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports["pair"])
    for paper in chromium.PAPERS:
        page.printed_as(paper)
        try:
            sizes = page.measure("figureTexts")
        finally:
            page.resize(chromium.LAPTOP)
        assert sizes["compare"]["right"] > 0.97, paper  # of the column
        assert sizes["compare"]["smallest"] >= 0.95 * sizes["timeline"]["smallest"], paper
    for sheet in papers.sheets(page.printed("A4")):
        legend = Words("en")("figure.compare.limit") in sheet.text.splitlines()
        assert not legend or "figure by figure" in sheet.text, "the legend stands on a sheet of its own"
