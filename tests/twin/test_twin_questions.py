"""What nobody can answer about the simulated bench: one error for whoever asks, and the bench goes on."""

from __future__ import annotations

import pytest
from lidjig.jig_types import Lock

from tests.families.family_bench import Standing, standing_in

VMS = ("cpython", "micropython")


def still_there(bench: Standing) -> None:
    """The board answers, stands in, and what was asked before can be asked again."""
    assert bench.jig.status().lock is Lock.ARMED
    assert len(bench.wave("1", 0.01).level) > 4
    bench.to(30.0)
    assert bench.jig.status().angle_deg == pytest.approx(30.0)


@pytest.mark.parametrize("vm", VMS)
def test_more_edges_than_are_kept(vm: str) -> None:
    """2048 edges of a pin are kept; a frame of pulse width has two, 920 of them a second."""
    with standing_in("healthy-elm-14", vm=vm) as bench:
        bench.jig.idle(2.0)
        for _again in range(2):
            with pytest.raises(ValueError, match=r"of .1., 2 s: edges before cycle .* no longer kept; ask for less"):
                bench.link.wave("1", 2.0)
            still_there(bench)


@pytest.mark.parametrize("vm", VMS)
def test_a_conductor_and_a_controller_that_are_not_there(vm: str) -> None:
    with standing_in("healthy-elm-14", vm=vm) as bench:
        for name in ("3", "index", "", "é"):
            with pytest.raises(ValueError, match="no conductor of that name carries edges; there are 1, 2"):
                bench.link.wave(name, 0.01)
        with pytest.raises(ValueError, match="no sensor on I2C"):
            bench.link.transfer(0x36, b"\x0c", 2)
        with pytest.raises(ValueError, match="0 s and above"):
            bench.link.wave("1", -1.0)
        still_there(bench)
