"""What the tick costs on the board with each of the shipped sensor profiles in force, counted as in tick_budget.py.

    python tests/device/family_budget.py        # prints the table; needs the MicroPython unix build

Cases by profile, three channels watched as in tick_budget.py:
  standing   armed in route standin, still
  moving     smoothly
  passing    the angle at which the lid counts as shut, while moving
  boundary   a segment ends and the next begins, while bands change
  override   a level or nothing instead of codes, and codes again, while still
  sampled    moving, while three channels are sampled at 1 kS/s each
  interrupt  what the family has beside the tick: one call
  loading    the profile, without reading and compiling the modules that it is the first to need
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tick_budget

STANDING, MOVING, PASSING, BOUNDARY, OVERRIDE, SAMPLED = (
    "standing", "moving", "passing", "boundary", "override", "sampled",
)  # fmt: skip
INTERRUPT, LOADING = "interrupt", "loading"
TICKS = (STANDING, MOVING, PASSING, BOUNDARY, OVERRIDE, SAMPLED)
CASES = (*TICKS, INTERRUPT, LOADING)
FOLDERS = (tick_budget.DEVICE, tick_budget.ROOT / "shared_proto")

Counts = dict[str, dict[str, list[Counter[str]]]]
Operations = Callable[[str], dict[int, "Counter[str]"]]


class Bench:
    """The fake board with one profile after another in force."""

    def __init__(self, fake: Any, operations: Operations) -> None:
        self.fake = fake
        self.cases: dict[str, list[Counter[str]]] = {}
        self._operations = operations

    def count(self, case: str, call: Callable[..., Any], *arguments: Any) -> Any:
        """Calls it, and counts what it takes."""
        counting = tick_budget.Counting(self._operations, FOLDERS)
        counting.start()
        given = call(*arguments)
        counting.stop()
        self.cases.setdefault(case, []).append(counting.counts)
        return given

    def tick(self, case: str) -> None:
        bench = self.fake.bench
        bench.now_us += 1000
        self.count(case, bench.timer.callback, bench.timer)

    def profile(self, data: bytes, folder: str) -> dict[str, list[Counter[str]]]:
        """Counts by case of one record."""
        fake = self.fake
        self.cases = {}
        fake.bench.reset()
        fake.fake_rp2.HANDLERS.clear()
        fake.bench.raw[0] = 33000  # 3.3 V of 6.6 V, in ADC counts of 65535
        fake.bench.bus.parts[0x60] = fake.fake_rp2.Dac()
        jig, _service, host = fake.start(folder)
        host.hello()
        assert host.load(1, data).name == "blob_commit_result"
        self.load(jig, data)
        host.ok("arm")
        host.ok("set_route", route=2)
        for channel in (6, 7, 9):
            host.ok("watch", channel=channel, count=3, t1=10000, t2=20000, t3=40000, hysteresis=100, dwell_ms=0)
        host.run(50)
        self.drive(jig)
        assert jig.tick.reason == 0 and jig.lock.state == 1, (jig.tick.reason, jig.tick.error)
        host.run(20)
        host.ok("disarm")
        return self.cases

    def load(self, jig: Any, data: bytes) -> None:
        """Once more, since the modules are there now."""
        from firmware import profile

        def load() -> None:
            values, _bad = profile.parse(jig.profile.kind, data)
            assert jig.has_parts(jig.profile, values, data)
            jig.apply(jig.profile, data, values)

        self.count(LOADING, load)

    def drive(self, jig: Any) -> None:
        for _ in range(48):
            self.tick(STANDING)
        jig.motion.add(60000, 400, 1)
        jig.tick.busy = 1
        self.tick("")
        for _ in range(384):
            self.tick(MOVING)
        for _ in range(24):
            jig.motion.reset(jig.profile.values["operate_mdeg_1"] - 1)
            jig.motion.add(180000, 400, 1)
            jig.tick.state = 0  # set back by hand: it counts as shut at the first look
            jig.tick.busy = 1
            self.tick(PASSING)
        for n in range(24):
            jig.motion.add(n % 2 * 2000, 2, 1)
            jig.tick.busy = 1
            for channel in (6, 7, 9):
                self.fake.bench.raw[channel] = n % 2 * 50000
            self.tick(BOUNDARY)
        for _ in range(8):
            self.tick("")  # all is at rest again
        for override in (1, 0, 2, 0, 3, 0, *((4, 0) if jig.tick.following() is not None else ())):
            jig.tick.override[0] = override
            jig.tick.apply()
            for case in (OVERRIDE, OVERRIDE, "", ""):
                self.tick(case)
        self.interrupts()
        self.sampled(jig)

    def sampled(self, jig: Any) -> None:
        """Moving once more, while supply, light and charger current are sampled at 1 kS/s each."""
        from firmware import parts

        assert parts.for_samples(jig)
        for channel in (0, 7, 9):
            jig.scan.sample(channel, 1)
        jig.motion.reset(60000)
        jig.motion.add(0, 400, 1)
        jig.tick.busy = 1
        for _ in range(384):
            self.tick(SAMPLED)
            jig.scan.collect(True)  # as the service loop does, so that there is room

    def interrupts(self) -> None:
        """What comes by itself: a frame that wants the next word, a byte that a controller asks for."""
        handlers = self.fake.fake_rp2.HANDLERS
        rp2 = self.fake.fake_rp2
        of = {"pio": rp2.StateMachine(0), "target": rp2.I2CTarget(0, 0x36, scl=None, sda=None)}
        for kind in handlers:
            for _ in range(24 if handlers[kind] is not None else 0):
                self.fake.bench.now_us += 1
                self.count(INTERRUPT, handlers[kind], of[kind])


def measure(micropython: str, records: dict[str, tuple[str, bytes]]) -> Counts:
    """Counts by profile and case. records: family_records.measured()."""
    sys.path[:0] = [str(tick_budget.ROOT / "tests" / "device" / "on_both"), str(tick_budget.DEVICE)]
    sys.path.insert(2, str(tick_budget.ROOT))
    import fake_board as fake

    listings: dict[str, dict[int, Counter[str]]] = {}

    def operations(file: str) -> dict[int, Counter[str]]:
        if file not in listings:
            listings[file] = tick_budget.bytecodes(micropython, Path(file))
        return listings[file]

    bench, counts = Bench(fake, operations), {}
    for name, (_family, data) in records.items():
        with tempfile.TemporaryDirectory() as folder:
            counts[name] = bench.profile(data, folder)
            counts[name].pop("", None)
    return counts


def figures(counts: Counts) -> dict[str, dict[str, tuple[float, float]]]:
    """(mean, dearest) in us by profile and case."""
    return {name: tick_budget.figures(cases) for name, cases in counts.items()}


def table(counts: Counts, families: dict[str, str]) -> str:
    """The sum, for people. families: by profile."""
    heads = "".join(f"{case:>18}" for case in CASES)
    rows = ["mean and dearest, us; counted, not measured", f"{'family':<12}{'profile':<12}{heads}"]
    for name, cases in figures(counts).items():
        cells = ""
        for case in CASES:
            mean, worst = cases.get(case, (0.0, 0.0))
            cells += f"{mean:>10.0f}{worst:>8.0f}" if case in cases else f"{'none':>18}"
        rows.append(f"{families[name]:<12}{name:<12}{cells}")
    means = f"in the mean {tick_budget.BUDGET_US:.0f} us standing, {tick_budget.FAMILY_BUDGET_US:.0f} us moving"
    rows.append(f"allowed: {means}; {tick_budget.TICK_US:.0f} us for any tick")
    return "\n".join(rows)


def count_apart(micropython: str) -> Counts:
    """measure() in a process of its own: the fake board takes the place of modules that others need."""
    command = [sys.executable, __file__, "--json", micropython]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    found: Counts = {}
    for name, cases in json.loads(done.stdout).items():
        found[name] = {case: [Counter(one) for one in counts] for case, counts in cases.items()}
    return found


if __name__ == "__main__":
    from family_records import measured  # before the fake board takes the place of modules that it needs

    shipped = measured()
    if sys.argv[1:2] == ["--json"]:
        print(json.dumps(measure(sys.argv[2], shipped)))
    else:
        beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
        print(table(measure(beside or "micropython", shipped), {name: row[0] for name, row in shipped.items()}))
