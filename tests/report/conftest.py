"""Runs for the report's tests, made once for all of them."""

from __future__ import annotations

import make_runs
import pytest


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> make_runs.Made:
    """A record with every run of make_runs.RECIPES, short ones."""
    return make_runs.make(tmp_path_factory.mktemp("report") / "runs.db")
