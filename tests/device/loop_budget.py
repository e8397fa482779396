"""What samples cost the service loop on the board, and a step that is counted, added up from counted operations as in
tick_budget.py.

    python tests/device/loop_budget.py        # prints the figures; needs the MicroPython unix build

Counted: the firmware's and the protocol's own lines, the register transfers, the port. Functions in C are not counted
one by one: for each batch their time is added from the same measurements (struct.pack_into 26 us, crc32 over 150 bytes
77 us, and 100 us for copying, splitting and joining: ten operations on some 150 bytes, 10 us each, a guess).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import tick_budget

C_US = 26.0 + 77.0 + 100.0  # for each batch

DIRECT = "one batch of 64 from an input of its own at 1 kS/s (supply, light)"
SWITCHED = "one batch of 64 from the analog switch at 1 kS/s"
BEAT = "one beat of 5 ms: both monitors, voltage and current"
SLOW = "one batch of 50 from a monitor, without the beats"
STEP = "one step of a real quadrature sensor, in its interrupt"
BATCHES = (DIRECT, SWITCHED, SLOW)
SHARES = (  # (what is sampled, (case, times a second) ...)
    ("supply, light and one switched channel at 1 kS/s each", ((DIRECT, 2000 / 64), (SWITCHED, 1000 / 64))),
    ("both monitors, voltage and current, at 200 S/s each", ((BEAT, 200.0), (SLOW, 800 / 50))),
)


def measure(micropython: str) -> dict[str, list[Counter[str]]]:
    """Counts by case."""
    paths = [tick_budget.ROOT / "tests" / "device" / "on_both", tick_budget.DEVICE, tick_budget.ROOT]
    sys.path[:0] = [str(path) for path in paths]
    import fake_board as fake

    listings: dict[str, dict[int, Counter[str]]] = {}

    def operations(file: str) -> dict[int, Counter[str]]:
        if file not in listings:
            listings[file] = tick_budget.bytecodes(micropython, Path(file))
        return listings[file]

    def count(cases: dict[str, list[Counter[str]]], case: str, call: Any, *arguments: Any) -> None:
        counting = tick_budget.Counting(operations, (tick_budget.DEVICE, tick_budget.ROOT / "shared_proto"))
        counting.start()
        call(*arguments)
        counting.stop()
        cases.setdefault(case, []).append(counting.counts)

    cases: dict[str, list[Counter[str]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        bench = fake.bench
        for address in (0x40, 0x41):
            bench.bus.parts[address] = fake.Meter()
            # As on a machine that runs: each reading of 0 takes one register more.
            bench.bus.parts[address].registers[0x02], bench.bus.parts[address].shunt = 9584, 400
        jig, service, host = fake.start(folder)
        host.hello()
        wiring = fake.wiring(bus=1, meter_1=0x40, cal_1=2560, meter_2=0x41, cal_2=2560)
        assert host.load(2, wiring).name == "blob_commit_result"
        host.run(200)
        for channel, case in ((9, DIRECT), (7, SWITCHED)):
            host.ok("sample", channel=channel, period_ms=1)
            for _ in range(20):
                settle(jig, service, host)
                bench.advance(64000)
                jig.ticks = bench.now_us
                count(cases, case, service.send_samples)
                assert len(bench.tx) > 140  # one batch is with the port
            host.ok("sample", channel=channel, period_ms=0)
        for channel in range(10, 14):
            host.ok("sample", channel=channel, period_ms=5)
        for _ in range(20):
            host.turn()
            jig.slow._due = bench.now_us
            transfers = bench.bus.transfers
            count(cases, BEAT, jig.slow._take_beat, bench.now_us)
            assert bench.bus.transfers == transfers + 4
        for channel in range(10, 14):
            host.ok("sample", channel=channel, period_ms=0)
        for n in range(20):
            host.turn()
            series = jig.sampler.start(10, 5000)
            for k in range(50):
                series.put(9584 + n + k, bench.now_us - 250000 + 5000 * k)
            jig.ticks = bench.now_us
            count(cases, SLOW, service.send_samples)
            host.turn()
        host.ok("count", run=1)
        for _ in range(20):
            # (the way into the interrupt is a call of a Python function, as in tick_budget.py)
            count(cases, STEP, jig.counting.edge, None)
    return cases


def settle(jig: Any, service: Any, host: Any) -> None:
    """All samples so far are with the host, and the ring begins a block."""
    host.turn()
    while jig.scan.recording.ring.tail % 64 or jig.scan.recording.ring.block(True):
        jig.scan.collect(jig.scan.recording.ring.tail % 64 == 0)
        if jig.scan.recording.ring.tail % 64:
            host.turn()
    service.send_samples()
    host.turn()


def figures(cases: dict[str, list[Counter[str]]]) -> dict[str, float]:
    """Mean in us by case, what runs in C added for batches."""
    out = {}
    for case, counts in cases.items():
        mean = sum(tick_budget.cost_us(one) for one in counts) / len(counts)
        out[case] = mean + (C_US if case in BATCHES else 0.0)
    return out


def shares(by_case: dict[str, float]) -> dict[str, float]:
    """Part of the board's time by what is sampled."""
    return {what: sum(by_case[case] * times / 1e6 for case, times in parts) for what, parts in SHARES}


def count_apart(micropython: str) -> dict[str, list[Counter[str]]]:
    """measure() in a process of its own: the fake board takes the place of modules that others need."""
    command = [sys.executable, __file__, "--json", micropython]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    return {case: [Counter(one) for one in counts] for case, counts in json.loads(done.stdout).items()}


if __name__ == "__main__":
    if sys.argv[1:2] == ["--json"]:
        print(json.dumps(measure(sys.argv[2])))
    else:
        beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
        found = figures(measure(beside or "micropython"))
        for name, cost_us in found.items():
            print(f"{cost_us:8.0f} us  {name}")
        for name, share in shares(found).items():
            print(f"{share:8.1%}     {name}")
