"""Heap in use by the firmware on MicroPython, and whether it stays flat over an hour of cycling."""

import gc
import sys

import fake_board
from fake_board import bench

FLAT_BYTES = 1024
HOURS_CYCLES = 360  # of 10 s
OPTIONAL = ("recording", "sampler", "slow", "meters", "bus", "pulses")


def in_use():
    gc.collect()
    return gc.mem_alloc()


def loaded():
    return [name for name in OPTIONAL if "firmware." + name in sys.modules]


# Before anything of the firmware; CPython does not tell.
BEFORE = in_use() if sys.implementation.name == "micropython" else 0


def cycle_for_an_hour(jig, service, sampled):
    """Shut, open, a measurement, and samples of the channels given."""
    host = fake_board.Host(service)
    host.hello()
    host.load(1, fake_board.profile(outputs=2))
    figures = []
    for n in range(HOURS_CYCLES):
        host.ok("arm")
        host.ok("set_route", route=2)
        host.ok("watch", channel=7, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=10)
        host.ok("move", angle_mdeg=0, duration_ms=200, shape=1)
        bench.raw[7] = 10000
        host.run(300)
        host.ok("move", angle_mdeg=110000, duration_ms=200, shape=1)
        bench.raw[7] = 30000
        host.run(300)
        for channel in sampled:
            host.ok("sample", channel=channel, period_ms=1)
        host.ok("measure", channel=1, n=20)
        host.run(150)
        for channel in sampled:
            host.ok("sample", channel=channel, period_ms=0)
            assert host.readings(channel)
        host.ok("watch", channel=7, count=0, t1=0, t2=0, t3=0, hysteresis=0, dwell_ms=0)
        host.ok("disarm")
        host.run(50)
        assert len(host.named("output")) == 4 and len(host.named("band")) == 2
        host.events = []
        host.pulses = []
        host.batches = []
        bench.now_us = (bench.now_us // 10000000 + 1) * 10000000
        if n % 36 == 35:
            figures.append(in_use())
    assert host.gaps == 0 and jig.tick.error is None
    assert bench.now_us >= 3600 * 1000000
    spread = max(figures) - min(figures)
    print("spread over an hour:", spread, "bytes;", "with the test's own bench in use:", figures[-1] - BEFORE, "bytes")
    assert spread <= FLAT_BYTES, figures
