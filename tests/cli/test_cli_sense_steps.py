"""sense of a quadrature sensor over many movements, on the board's own interpreter."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.twin.conftest import vm

__all__ = ["vm"]


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_memory_lasts_for_many_movements(run: Callable[..., Any], vm: str) -> None:
    # 1700 steps up and as many down: what the simulated sensor keeps of them must not grow in the board's memory.
    ran = run("sense", "--json", "--at", "0,30,60,90,120,150", "--link", "twin:healthy-juniper-14", "--vm", vm)
    assert ran.json["error"] is None, ran.json["error"]
