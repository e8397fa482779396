"""The reports as a browser shows and prints them: whole, quiet, in themselves, and readable for everyone."""

from __future__ import annotations

from pathlib import Path

import chromium
import make_runs
import papers
import pytest
from report_pages import REPORTS

EVERY = sorted(REPORTS)
PAGES_MAX = 16  # the fixture runs take 7 to 11, a pair with the record of both 14; more would be a table gone wild
MARGIN_MM = 8.0  # the style sheet asks for more; ink nearer to the side than this was pushed out of its column
TEXT_PX_MIN = 8.9  # smallest text of a figure on a phone, where the reader can enlarge it


@pytest.mark.parametrize("name", EVERY)
def test_stands_in_its_window(name: str, page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports[name])
    for view in chromium.VIEWS:
        page.resize(view)
        assert page.measure("overflow") == {"page": 0, "wide": []}, view.name
        assert page.measure("cut") == [], view.name
        assert page.measure("figureContrast") == [], view.name
    assert page.logged() == []
    assert page.requested() == [reports[name].as_uri()], "the page asked for something beside itself"


@pytest.mark.parametrize("view", [chromium.PHONE, chromium.VIEWS[3]], ids=["phone", "laptop-dark"])
@pytest.mark.parametrize("name", EVERY)
def test_has_nothing_against_wcag(
    name: str, view: chromium.View, page: chromium.Page, axe: Path, reports: dict[str, Path]
) -> None:
    page.open(reports[name], view)
    assert page.violations(axe) == []


@pytest.mark.parametrize("name", EVERY)
def test_can_be_found_ones_way_in(name: str, page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports[name])
    levels = [level for level, text in page.measure("headings") if text]
    assert levels[:1] == [1] and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False)), "a level is left out"
    anchors = page.measure("anchors")
    assert anchors["broken"] == [] and anchors["twice"] == []
    assert anchors["links"] > 0, "nothing leads to the events"


@pytest.mark.parametrize("name", EVERY)
def test_figures_have_names_and_keep_their_texts_apart(
    name: str, page: chromium.Page, reports: dict[str, Path]
) -> None:
    page.open(reports[name])
    for figure in page.measure("figures"):
        assert len(figure["name"]) > 10, figure
        assert figure["outside"] == [] and figure["overlapping"] == [], figure
    page.resize(chromium.PHONE)
    for figure in page.measure("figures"):
        assert figure["smallest"] is None or figure["smallest"] >= TEXT_PX_MIN, figure


@pytest.mark.parametrize("paper", sorted(chromium.PAPERS))
@pytest.mark.parametrize("name", EVERY)
def test_prints(name: str, paper: str, page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports[name])
    sheets = papers.sheets(page.printed(paper))
    assert 2 <= len(sheets) <= PAGES_MAX
    for number, sheet in enumerate(sheets, 1):
        assert sheet.text.strip(), f"sheet {number} is empty"
        assert sheet.left_mm is not None and sheet.right_mm is not None
        assert min(sheet.left_mm, sheet.right_mm) >= MARGIN_MM, f"sheet {number} reaches the edge of the paper"


@pytest.mark.parametrize("name", ["healthy", "pair"])
def test_prints_dark_on_white_for_a_reader_of_dark_pages(
    name: str, page: chromium.Page, reports: dict[str, Path]
) -> None:
    page.open(reports[name])
    light = papers.sheets(page.printed("A4"))
    page.open(reports[name], chromium.VIEWS[3])
    assert papers.sheets(page.printed("A4")) == light


def test_markup_in_a_name_is_shown_and_not_obeyed(page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports["markup"])
    assert "taken" not in page.title or make_runs.MARKUP in page.title
    assert page.measure("scripts") == 0
    assert make_runs.MARKUP in page.measure("words")
