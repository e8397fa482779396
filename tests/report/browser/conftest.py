"""A browser and the reports to open in it, both made once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import chromium
import make_runs
import pytest
from lidjig.cli import main
from report_pages import REPORTS


@pytest.fixture(scope="session")
def page() -> Iterator[chromium.Page]:
    """The browser's one tab; skips, with the reason, where there is no browser to drive."""
    why = chromium.missing()
    if why:
        pytest.skip(why)
    yield from chromium.start()


@pytest.fixture(scope="session")
def axe() -> Path:
    """axe.min.js; skips where it is not installed."""
    found = chromium.find_axe()
    if found is None:
        pytest.skip("no axe-core (npm install --prefix .venv/axe axe-core, or LIDJIG_AXE=.../axe.min.js)")
    return found


@pytest.fixture(scope="session")
def reports(page: chromium.Page, made: make_runs.Made, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every report as a file. Asks for the browser first, so that nothing is made where nothing can be opened."""
    folder = tmp_path_factory.mktemp("pages")
    written = {}
    for name, words in REPORTS.items():
        out = folder / f"{name}.html"
        given = [word.format(**made.ids) for word in words]
        assert main.run(["report", *given, "--out", str(out), "--store", made.store]) == 0, name
        written[name] = out
    return written
