"""Reflow at 320 px in both languages, the phone's hint clear of the drawing, and what stands open and fits on paper."""

from __future__ import annotations

from pathlib import Path

import chromium
import make_runs
import papers
import pytest
from lidjig.record.store import open_store
from lidjig.show.report.page import make
from lidjig.show.report.page import page as html_of
from lidjig.show.report.words import LANGS

TEXT_PT_MIN = 8.0  # of the time axis on paper; common practice for print, no source
CONFIRM_SHEETS_MAX = 9  # a confirm of 20 rounds


@pytest.mark.parametrize("lang", LANGS)
@pytest.mark.parametrize("name", ["sensor", "lost", "killed", "cycles"])
def test_nothing_stands_beside_a_window_of_320_px(
    name: str, lang: str, page: chromium.Page, made: make_runs.Made, tmp_path: Path
) -> None:
    """WCAG 2.2, success criterion 1.4.10: at 320 CSS px nothing scrolls in two dimensions but what needs them."""
    with open_store(made.store, create=False) as store:
        run = store.run(made.ids[name])
    out = tmp_path / "report.html"
    out.write_text(html_of(make(run, lang)), encoding="utf-8")
    page.open(out, chromium.NARROWEST)
    assert page.measure("overflow") == {"page": 0, "wide": []}
    assert page.measure("cut") == []


def test_the_hint_to_move_sideways_stands_clear_of_the_drawing(page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports["cycles"], chromium.PHONE)
    gaps = page.measure("hintGaps")
    assert gaps and min(gaps) >= 4.0, gaps  # px


@pytest.mark.parametrize("name", ["lost", "cycles", "healthy"])
def test_the_time_axis_is_printed_over_the_full_width_in_letters_of_8_pt(
    name: str, page: chromium.Page, reports: dict[str, Path]
) -> None:
    page.open(reports[name])
    for paper in chromium.PAPERS:
        page.printed_as(paper)
        try:
            sizes = page.measure("figureTexts")
        finally:
            page.resize(chromium.LAPTOP)
        assert sizes["timeline"]["right"] > 0.97, paper  # of the column
        assert sizes["timeline"]["smallest"] * 72 / 96 >= TEXT_PT_MIN, paper


def test_what_is_folded_on_a_screen_is_printed(page: chromium.Page, reports: dict[str, Path]) -> None:
    page.open(reports["sensor"])
    folded = page.measure("folded")
    assert folded, "nothing is folded in this report"
    printed = " ".join(sheet.text for sheet in papers.sheets(page.printed("A4")))
    printed = "".join(printed.split())
    assert [text for text in folded if "".join(text.split()) not in printed] == []


def test_a_whole_confirm_is_not_a_book(page: chromium.Page, tmp_path: Path) -> None:
    made = make_runs.make(tmp_path / "whole.db", full=True, only=("healthy",))
    with open_store(made.store, create=False) as store:
        run = store.run(made.ids["healthy"])
    out = tmp_path / "report.html"
    out.write_text(html_of(make(run, "en")), encoding="utf-8")
    page.open(out)
    assert len(papers.sheets(page.printed("A4"))) <= CONFIRM_SHEETS_MAX
