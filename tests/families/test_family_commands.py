"""confirm and cycle as commands, on a bench of every family: the machine sleeps and wakes by the angle it is sent."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

BENCHES = {
    "switch": "healthy-alder-14", "analog": "healthy-larch-14", "analog by DAC": "healthy-larch-14-dac",
    "pwm": "healthy-elm-14", "sent": "healthy-fir-14", "i2c": "healthy-oak-14", "ssi": "healthy-hazel-14",
    "quadrature": "healthy-juniper-14", "sincos": "healthy-maple-14",
}  # fmt: skip


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
@pytest.mark.parametrize("bench", BENCHES.values(), ids=BENCHES)
def test_confirm_and_cycle(bench: str, run: Callable[..., Any], vm: str) -> None:
    words = ("--link", f"twin:{bench}", "--vm", vm, "--json")
    confirmed = run("confirm", "--repeat", "1", *words)
    assert (confirmed.status, confirmed.json["outcome"]) == (0, "pass"), confirmed.err
    cycled = run("cycle", "--count", "2", *words)
    assert (cycled.status, cycled.json["outcome"]) == (0, "pass"), cycled.err
    figures = {m["name"]: m for m in cycled.json["measurements"]}
    assert figures["sleep misses"]["value"] == figures["wake misses"]["value"] == 0
    assert figures["sleep misses"]["n"] == figures["wake misses"]["n"] == 2


@pytest.mark.parametrize("vm", ["cpython"], indirect=True)
@pytest.mark.parametrize("bench", BENCHES.values(), ids=BENCHES)
def test_confirm_on_the_other_interpreter(bench: str, run: Callable[..., Any], vm: str) -> None:
    confirmed = run("confirm", "--repeat", "1", "--link", f"twin:{bench}", "--vm", vm, "--json")
    assert (confirmed.status, confirmed.json["outcome"]) == (0, "pass"), confirmed.err
