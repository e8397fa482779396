"""Heap of the real firmware under MicroPython, over an hour of virtual time."""

from __future__ import annotations

from lidjig.jig import Jig
from lidjig.jig_types import Route
from lidjig.link.twin import TwinLink
from twin_bench import bench, jig_on

LIMIT_BYTES = 160 * 1024  # on a 64-bit build, where objects are about twice the size that they have on the board
DRIFT_BYTES = 2 * 1024
HOUR_S = 3600.0


def firmware_bytes(link: TwinLink) -> int:
    heap = link.heap()
    return heap["now"] - heap["before"]


def armed_cycles(jig: Jig, count: int) -> None:
    """Every part of the firmware at work: comparators, loads, outputs, edges, measurements."""
    jig.watch("charger_i", [1390, 7950], 480, 100)
    jig.watch("light", [16000], 5200, 20)
    jig.arm()
    jig.set_route(Route.STANDIN)
    for _ in range(count):
        jig.move(0.0, 0.3)
        jig.idle(1.6)
        jig.load("machine_1", "low")
        jig.measure("machine_1", 32)
        jig.load("machine_1", "off")
        jig.move(100.0, 0.3)
        jig.idle(1.6)
    jig.set_route(Route.OPEN)
    jig.disarm()
    jig.watch("charger_i", [])
    jig.watch("light", [])


def test_heap_stays_under_its_limit_and_flat_over_an_hour(micropython: str) -> None:
    with bench('[machine]\nstart_state = "S0"\n', vm="micropython") as link, jig_on(link) as jig:
        armed_cycles(jig, 5)
        start_s, start = link.clock.now_s(), firmware_bytes(link)
        seen = [start]
        while link.clock.now_s() - start_s < HOUR_S:
            # Not armed, the tick runs only while the angle moves: an hour passes quickly, and the service loop with
            # its session, log and collections works all the while.
            for _ in range(6):
                jig.move(0.0, 0.1)
                jig.idle(50.0)
                jig.move(100.0, 0.1)
                jig.status()
                jig.idle(50.0)
            seen.append(firmware_bytes(link))
        armed_cycles(jig, 5)
        seen.append(firmware_bytes(link))
    assert max(seen) - start <= DRIFT_BYTES, seen
    assert max(seen) < LIMIT_BYTES, seen
