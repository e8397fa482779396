"""Heap of the real firmware under MicroPython: an ordinary bench over minutes of virtual time (LIDJIG_LONG:
an hour), and the whole set.
"""

from __future__ import annotations

from lidjig.jig import Jig
from lidjig.jig_types import Event, Lock, Route
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from twin_bench import WHOLE_SET, Memory, bench, edge, jig_on, wire_whole_set

from shared_proto import names
from tests.conftest import LONG

# On a 64-bit build, where objects are about twice the size that they have on the board.
LIMIT_BYTES = 160 * 1024
# 28 KiB of it are the table of names, which MicroPython doubles when it is full: the bench's own names are in it too,
# and fill it to where the firmware's last ones double it. Without the bench it is 194 KiB (tests/device,
# heap_whole.py).
WHOLE_LIMIT_BYTES = 216 * 1024
DRIFT_BYTES = 2 * 1024
WHILE_S = 3600.0 if LONG else 1080.0
ROUND_S = 360.0  # between two looks at the heap
CYCLE_S = 20.0


def firmware_bytes(link: TwinLink) -> int:
    heap = link.heap()
    return heap["now"] - heap["before"]


def stand_in(jig: Jig) -> None:
    """Armed and standing in on a running machine, comparators on three channels: the tick has all it ever does."""
    jig.watch("charger_v", [4500, 12600, 31500], 1000, 20)
    jig.watch("charger_i", [1390, 7950], 480, 100)
    jig.watch("light", [16000], 5200, 20)
    jig.arm()
    jig.set_route(Route.STANDIN)


def cycle(jig: Jig) -> None:
    """Shut, asleep, a load and a measurement, open, awake."""
    for angle_deg, level, what in ((0.0, 0, "sleep"), (100.0, 1, "wake")):
        jig.move(angle_deg, 0.3)
        jig.wait_event(edge(names.LINE_OBS1, level), Deadline(jig.clock, 8.0), what)
        jig.idle(0.5)
        if level == 0:
            jig.load("sensor_1", "low")
            jig.measure("sensor_1", 32)
            jig.load("sensor_1", "off")


def count(events: list[Event], name: str) -> int:
    return sum(event.name == name for event in events)


def test_heap_stays_under_its_limit_and_flat_while_standing_in(micropython: str) -> None:
    with bench('[machine]\nstart_state = "S0"\n', vm="micropython") as link, jig_on(link) as jig:
        stand_in(jig)
        for _ in range(5):
            cycle(jig)
        start_s, cycles = link.clock.now_s(), 0
        seen = [firmware_bytes(link)]
        sleeps_before = link.look()["sleeps"]
        while link.clock.now_s() - start_s < WHILE_S:
            round_end_s = start_s + len(seen) * ROUND_S
            while link.clock.now_s() < round_end_s:
                next_s = link.clock.now_s() + CYCLE_S
                cycle(jig)
                cycles += 1
                jig.status()
                jig.idle(next_s - link.clock.now_s())
            seen.append(firmware_bytes(link))
        status = jig.status()
        assert status.lock is Lock.ARMED and status.route is Route.STANDIN and status.profile_crc
        assert link.look()["sleeps"] - sleeps_before == cycles >= WHILE_S / CYCLE_S
        memory = jig.sink
        assert isinstance(memory, Memory)
        assert count(memory.batches, "arrived") >= 2 * cycles and not memory.gaps
        jig.disarm()
    assert max(seen) - min(seen) <= DRIFT_BYTES, seen
    print("firmware heap, ordinary bench:", min(seen), "to", max(seen), "bytes")
    assert max(seen) < LIMIT_BYTES, seen


SAMPLED = ("supply", "charger_i", "light", "meter_1_v", "meter_1_i", "meter_2_v", "meter_2_i", "pulses")


def test_heap_of_the_whole_set(micropython: str) -> None:
    """Monitors, tach line, three inputs and five slow channels sampled, while standing in."""
    with bench(f'[machine]\nstart_state = "S0"\n{WHOLE_SET}', vm="micropython") as link, jig_on(link) as jig:
        wire_whole_set(jig)
        stand_in(jig)
        seen = []
        for _ in range(4):
            for channel in SAMPLED:
                jig.sample(channel, 0.005)
            jig.idle(5.0)
            seen.append(firmware_bytes(link))
        meters = jig.meters()
        assert (meters.bus.text, meters.meter_1.text, meters.meter_2.text) == ("ok", "ok", "ok")
        memory = jig.sink
        assert isinstance(memory, Memory)
        assert len(memory.samples) > 8 * 10 and jig.status().lock is Lock.ARMED
        for channel in SAMPLED:
            jig.sample(channel, 0.0)
        jig.disarm()
    print("firmware heap, whole set:", min(seen), "to", max(seen), "bytes")
    # Batches on their way are in it, some more at one time than at another.
    assert max(seen) - min(seen) <= 3 * DRIFT_BYTES, seen
    assert max(seen) < WHOLE_LIMIT_BYTES, seen
