"""Virtual lid cycles per second of the simulated bench, on both interpreters, in one run.

    python tests/bench/bench_twin.py [--cycles N] [--vm micropython|cpython|both]

One cycle: close in 0.4 s, wait for sleep, 0.5 s, open in 0.4 s, wait for wake, 0.5 s; about 3 s of virtual time. The
tick runs at 1 kHz all the while and scans charger voltage, charger current and light with their comparators.
"""

from __future__ import annotations

import argparse
import time

from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.jig import Jig
from lidjig.jig_types import Event, Route
from lidjig.link.base import Deadline
from lidjig.link.twin import open_twin

from shared_proto import names


class Memory:
    """A record that only counts."""

    def __init__(self) -> None:
        self.count = 0

    def events(self, batch: list[Event]) -> None:
        self.count += len(batch)

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        print("gap", kind, text, t_us)

    def frames(self, lines: list[str]) -> None:
        print("\n".join(lines))


def edge(level: int):  # type: ignore[no-untyped-def]
    """Matches SLP_S3# at that level."""
    return lambda e: e.name == "edge" and e.data["line"] == names.LINE_OBS1 and e.data["level"] == level


def start(jig: Jig, vm: str) -> None:
    """Profile and wiring on the board, observers watched, machine running, jig standing in at 100 deg."""
    sensor, _ = load_sensor("hinge-a1")
    machine, _ = load_machine("alder-14")
    jig.connect(Deadline(jig.clock, 5.0))
    jig.load_blob(names.BLOB_PROFILE, sensor.to_blob())
    jig.load_blob(names.BLOB_WIRING, machine.wiring_blob())
    jig.watch_lines(["observer_1", "observer_2", "machine_1"])
    jig.watch("charger_v", [4500, 12600, 31500], 1000, 20)
    jig.watch("charger_i", [1390, 7950], 480, 100)
    jig.watch("light", [16000], 5200, 20)
    jig.arm()
    jig.set_route(Route.STANDIN)
    jig.link.tell_operator("press-power")
    jig.wait_event(edge(1), Deadline(jig.clock, 10.0), "start")
    jig.idle(4.0)


def cycle(jig: Jig) -> None:
    """One close and open."""
    for angle_deg, level, what in ((0.0, 0, "sleep"), (100.0, 1, "wake")):
        jig.move(angle_deg, 0.4)
        jig.wait_event(edge(level), Deadline(jig.clock, 8.0), what)
        jig.idle(0.5)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=200)
    parser.add_argument("--vm", choices=("micropython", "cpython", "both"), default="both")
    arguments = parser.parse_args()
    for vm in ("micropython", "cpython") if arguments.vm == "both" else (arguments.vm,):
        link = open_twin(vm=vm)
        memory = Memory()
        with Jig(link, sink=memory) as jig:
            start(jig, vm)
            before, began_s, virtual_s = link.heap()["now"], time.perf_counter(), link.clock.now_s()
            for _ in range(arguments.cycles):
                cycle(jig)
            spent_s, passed_s = time.perf_counter() - began_s, link.clock.now_s() - virtual_s
            heap = link.heap()
            jig.disarm()
        grown = f"{(before - heap['before']) / 1024:.0f} -> {(heap['now'] - heap['before']) / 1024:.0f} KiB"
        print(
            f"{vm:12s} {arguments.cycles} cycles, {passed_s:.0f} s virtual, {memory.count} events, "
            f"{spent_s:.2f} s wall: {arguments.cycles / spent_s:.1f} cycles/s, "
            f"{passed_s / spent_s:.0f} times real time" + (f", firmware heap {grown}" if heap["now"] else "")
        )


if __name__ == "__main__":
    main()
