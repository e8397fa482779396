"""What the tests of the analog output share: its benches, how it is read, what is stated beside its resolution.

The ripple is computed (lidjig.measure.rc_filter) and stands in the limits, a quarter of it from peak to peak: the
simulated bench gives the mean.
"""

from __future__ import annotations

import math

from family_bench import Standing
from lidjig.bench.families.base import Reading
from lidjig.measure.rc_filter import RcFilter, modes, ripple_part
from lidjig.twin.vm.rc_stages import FILTER_F, FILTER_OHM, SOURCE_OHM

PWM, DAC = "healthy-larch-14", "healthy-larch-14-dac"
CODES = 4096
SPAN_DEG = 180.0
RESOLUTION_DEG = SPAN_DEG / (CODES - 1)
PARTS = RcFilter((FILTER_OHM, FILTER_OHM), (FILTER_F, FILTER_F), source_ohm=SOURCE_OHM)
PWM_HZ = 24419
USED = 0.8  # of the supply, 10 to 90 %
SETTLE_S = 0.08
# Follower and switch; the pull-up of the machine; the divider of the jig, which works against it.
DRIVE_OHM, PULL_OHM, SENSE_OHM = 20.0, 220e3, 2e6


def lsb(share: float) -> float:
    """A share of the supply in steps of the format."""
    return share * (CODES - 1) / USED


def uncertainty_deg(scenario: str) -> float:
    """What a step of the format does not cover: load, and ripple, settling and whole clocks, or the DAC's own step."""
    load = DRIVE_OHM / PULL_OHM
    if scenario == DAC:
        # 4096 steps of the whole supply, right to half of one (Microchip DS22039, p.26: Vout = D/4096 * VDD)
        return RESOLUTION_DEG * lsb(load + 0.5 / 4096)
    slowest = min(modes(PARTS).rate)
    settling = 2.0 * math.exp(-slowest * SETTLE_S)
    clocks = 125e6 / PWM_HZ
    return RESOLUTION_DEG * lsb(load + ripple_part(PARTS, PWM_HZ) / 4.0 + settling + 0.25 / clocks)


def read(bench: Standing) -> list[Reading]:
    return bench.sensor.coded().decode(bench.volts("out"))


def share(bench: Standing) -> float:
    """The line at the machine's board, as a share of its supply."""
    found = bench.link.volts()
    return float(found["B1"] / found["VB"])
