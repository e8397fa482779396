"""What the tick costs on the board, added up from counted operations.

    python tests/device/tick_budget.py        # prints the table; needs the MicroPython unix build

The firmware's own tick runs on the fake board under CPython, line by line; for every line that was executed the
bytecodes that MicroPython's compiler makes of it are counted (whole lines: what `and` and `or` leave out counts too),
and so is every call. Counts are multiplied with costs measured in cycles on an emulated RP2040 at 125 MHz that runs
MicroPython 1.28, flash cache misses included: call of a Python function 15.7 us, Pin read 6.8, Pin write 5.4,
ADC read 8.3, ticks_us 4.8, empty loop turn 3.2, a CRC-16 table loop over 64 bytes 687. From these follow:
  light (loads, stores, jumps) 0.3 us, arithmetic and comparison 0.7 us: a turn of an empty `for` over a range is
  6 light and 2 arithmetic operations; 6 * 0.3 + 2 * 0.7 = 3.2;
  index 2.2 us: a turn of the CRC loop is 10 light and 6 arithmetic operations (its iterator counted as one) and an
  index; 687 / 64 = 10.7 = 10 * 0.3 + 6 * 0.7 + 3.5, of which the iterator takes the rest;
  attribute or global 1.4 us: Pin.value() less p(1), which has no lookup;
  128 bytes to the port are two writes of 64, 100 us each; a register of a power monitor is 5 bytes of 9 bits at
  400 kHz, 113 us, and the call of a function in C;
  ticks_diff and ticks_add as a Pin read; the way into the interrupt as the call of a Python function (14 us measured).
What the outputs of the sensor families are made with (family_budget.py): PWM.duty_u16 10.2 us, measured as above. Calls
of a state machine are estimates: a look at its queue as a Pin read, all others as PWM.duty_u16, which like them takes
an integer apart and writes two or three registers; Pin.init() as two of these: it sets direction, pulls and function.

Viper functions are counted by the bytecodes that the same lines make without the decorator:
  operation 0.05 us, an index of a pointer too: the CRC loop above takes 48 us in viper, call included, 0.75 us a turn
  or 0.044 us for each of its 17 operations. (The machine code of Motion.step and Curve.follow for an armv6-M, run in an
  emulator of the processor, takes 0.02 to 0.033 us for each, without what it calls.)
  division and modulo 2.2 us, an estimate: a call of some 80 cycles that may miss the flash cache three times, 64 each;
  int(x) 0.7 us, as an arithmetic operation, which also begins with a call that looks at the object's type; ptr32(x) and
  its kind 2.2 us, as an index, which also asks the object's type for what it does; so is a try, a call that keeps the
  registers;
  attribute, global, hardware and the call of a Python function as in bytecode: they are the same calls. To call viper
  is counted as to call Python, though it has no frame to make.
"""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
DEVICE = ROOT / "device"

FAMILY_BUDGET_US = 300.0  # while the lid moves and a sensor's angle is told every millisecond
BUDGET_US = 250.0  # a quarter of the millisecond: what a tick may take, tick after tick
TICK_US = 1000.0
SAMPLING_BUDGET_US = 500.0  # half of it: the same while three channels are sampled at 1 kS/s
ONCE_US = 900.0  # a single tick in which much begins or ends at once: it ends before the next is due

LIGHT, ARITHMETIC, INDEX, LOOKUP = "light operation", "arithmetic, comparison", "index", "attribute, global"
PORT = "128 bytes to the port"
REGISTER = "register of a power monitor"
VIPER, DIVISION, CAST, POINTER = "viper: operation", "viper: division", "viper: int()", "viper: pointer, try"
CALL = "call of a Python function"
COST_US = {
    LIGHT: 0.3,
    ARITHMETIC: 0.7,
    INDEX: 2.2,
    LOOKUP: 1.4,
    CALL: 15.7,
    "Pin read": 6.8,
    "Pin write": 5.4,
    VIPER: 0.05,
    DIVISION: 2.2,
    CAST: 0.7,
    POINTER: 2.2,
    "ADC read": 8.3,
    "ticks_us": 4.8,
    "ticks_diff, ticks_add": 6.8,
    "PWM.duty_u16": 10.2,
    "state machine: tx_fifo": 6.8,
    "state machine: put": 10.2,
    "state machine: active, exec, restart": 10.2,
    "Pin.init": 20.4,
    PORT: 200.0,
    REGISTER: 130.0,
}

_HARDWARE = {
    "read_u16": "ADC read",
    "ticks_us": "ticks_us",
    "write": PORT,
    "readfrom_mem_into": REGISTER,
    "duty_u16": "PWM.duty_u16",
    "tx_fifo": "state machine: tx_fifo",
    "put": "state machine: put",
    "active": "state machine: active, exec, restart",
    "exec": "state machine: active, exec, restart",
    "restart": "state machine: active, exec, restart",
    "init": "Pin.init",
}
_KINDS = (
    (("BINARY_OP", "UNARY_OP"), ARITHMETIC),
    (("LOAD_SUBSCR", "STORE_SUBSCR", "FOR_ITER"), INDEX),
    (("LOAD_ATTR", "STORE_ATTR", "LOAD_METHOD", "LOAD_GLOBAL", "LOAD_NAME"), LOOKUP),
)
_VIPER = "micropython.viper"
_DIVISIONS = ("__floordiv__", "__ifloordiv__", "__mod__", "__imod__", "18", "20")  # of MicroPython's listing
_CASTS = {"int": CAST, "uint": CAST, "bool": CAST, "ptr": POINTER, "ptr8": POINTER, "ptr16": POINTER, "ptr32": POINTER}


def _kind(operation: str) -> str:
    for names, kind in _KINDS:
        if operation in names:
            return kind
    return LIGHT


def _viper_kind(operation: str, argument: str) -> str:
    if operation == "BINARY_OP" and argument.split()[-1] in _DIVISIONS:
        return DIVISION
    if operation in ("LOAD_GLOBAL", "LOAD_NAME") and argument in _CASTS:
        return _CASTS[argument]
    if operation.startswith("SETUP"):
        return POINTER
    kind = _kind(operation)
    return kind if kind == LOOKUP else VIPER


def viper_lines(source: str) -> set[int]:
    """Lines of viper functions."""
    found: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and any(_VIPER in ast.unparse(one) for one in node.decorator_list):
            found.update(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return found


def bytecodes(micropython: str, file: Path) -> dict[int, Counter[str]]:
    """Operations by line of a source file, as MicroPython compiles it, viper as if it were bytecode."""
    source = file.read_text(encoding="utf-8")
    viper = viper_lines(source)
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "plain.py"
        plain.write_text(source.replace(f"@{_VIPER}", "#"), encoding="utf-8")
        command = [micropython, "-X", "compile-only", "-v", "-v", str(plain)]
        listing = subprocess.run(command, capture_output=True, text=True, check=True, timeout=30).stdout
    lines: dict[int, Counter[str]] = {}
    starts: list[tuple[int, int]] = []
    for row in listing.splitlines():
        if row.startswith("File "):
            starts = []
        elif found := re.match(r"  bc=(\d+) line=(\d+)", row):
            starts.append((int(found[1]), int(found[2])))
        elif found := re.match(r"(\d+) ([A-Z_]+)\b(.*)", row):
            at = int(found[1])
            line = [number for start, number in starts if start <= at][-1]
            kind = _viper_kind(found[2], found[3].strip()) if line in viper else _kind(found[2])
            lines.setdefault(line, Counter())[kind] += 1
    return lines


class Counting:
    """Counts what runs between start() and stop() in files of the folders given; what they call is hardware."""

    def __init__(
        self, operations: Callable[[str], dict[int, Counter[str]]], folders: tuple[Path, ...] = (DEVICE,)
    ) -> None:
        self.counts: Counter[str] = Counter()
        self._operations = operations
        self._folders = tuple(str(folder) for folder in folders)

    def start(self) -> None:
        sys.settrace(self._called)

    def stop(self) -> None:
        sys.settrace(None)

    def _called(self, frame: FrameType, event: str, argument: Any) -> Any:
        code = frame.f_code
        if code.co_filename.startswith(self._folders):
            self.counts[CALL] += 1
            return self._line
        # Entered from the firmware, this is hardware; what the fake does inside is not the board's work.
        caller = frame.f_back
        if caller is not None and caller.f_code.co_filename.startswith(self._folders) and code.co_name != "<lambda>":
            self.counts[self._hardware(code.co_name, frame)] += 1
        return None

    @staticmethod
    def _hardware(name: str, frame: FrameType) -> str:
        if name == "__call__":
            return "Pin read" if frame.f_locals.get("x") is None else "Pin write"
        return _HARDWARE.get(name, "ticks_diff, ticks_add")

    def _line(self, frame: FrameType, event: str, argument: Any) -> Any:
        if event == "line":
            self.counts.update(self._operations(frame.f_code.co_filename).get(frame.f_lineno, Counter()))
        return self._line


def cost_us(counts: Counter[str]) -> float:
    return sum(COST_US[kind] * count for kind, count in counts.items())


def standing(fake: Any, folder: str) -> Any:
    """Armed in route standin with both outputs driven and three channels watched."""
    jig, _service, host = fake.standin(folder, outputs=2, drive_1=1, drive_2=1)
    for channel in (6, 7, 9):
        host.ok("watch", channel=channel, count=3, t1=10000, t2=20000, t3=40000, hysteresis=100, dwell_ms=0)
    host.run(50)
    return jig


STANDING = "armed, both outputs driven and read back, charger voltage, current and light watched"
MOVING = "the same while moving smoothly, the emulated sensor looking every millisecond"
ONCE = "both outputs change while moving"
BOUNDARY = "a segment ends and the next begins, while a band changes"
SAMPLING = "standing as above, and supply, light and charger current sampled at 1 kS/s each"
MOVING_SAMPLED = "the same while moving smoothly"
BOUNDARY_SAMPLED = "a segment ends and the next begins, while two bands change, sampling"


def drain(jig: Any) -> None:
    """What the service loop does with the records of the tick, so that there is room."""
    jig.scan.collect(True)


def measure(micropython: str) -> dict[str, list[Counter[str]]]:
    """Counts of single ticks, by what goes on in them."""
    sys.path[:0] = [str(ROOT / "tests" / "device" / "on_both"), str(DEVICE), str(ROOT)]
    import fake_board as fake
    from firmware import parts

    bench = fake.bench
    cases: dict[str, list[Counter[str]]] = {}
    listings: dict[str, dict[int, Counter[str]]] = {}

    def operations(file: str) -> dict[int, Counter[str]]:
        if file not in listings:
            listings[file] = bytecodes(micropython, Path(file))
        return listings[file]

    def tick(case: str) -> None:
        counting = Counting(operations)
        bench.now_us += 1000
        counting.start()
        bench.timer.callback(bench.timer)
        counting.stop()
        cases.setdefault(case, []).append(counting.counts)

    with tempfile.TemporaryDirectory() as folder:
        jig = standing(fake, folder)
        for _ in range(48):
            tick(STANDING)
        jig.motion.add(60000, 400, 1)
        jig.tick.busy = 1
        tick("")
        for _ in range(48):
            tick(MOVING)
        jig.motion.reset(17999)
        jig.motion.add(18500, 1, 1)  # both thresholds lie in one step here: set back by hand
        jig.tick.state = 3
        jig.motion.add(90000, 3, 1)
        for _ in range(12):
            tick(ONCE)
        for n in range(12):
            jig.motion.add(n % 2 * 1000, 2, 1)
            jig.tick.busy = 1
            for channel in (6, 7, 9):
                bench.raw[channel] = n % 2 * 50000
            tick(BOUNDARY)
        assert parts.for_samples(jig)
        for channel in (0, 7, 9):
            jig.scan.sample(channel, 1)
        tick("")
        for _ in range(128):
            tick(SAMPLING)
            drain(jig)
        jig.motion.add(60000, 400, 1)
        jig.tick.busy = 1
        tick("")
        for _ in range(128):
            tick(MOVING_SAMPLED)
            drain(jig)
        for n in range(12):
            jig.motion.add(n % 2 * 1000, 2, 1)
            jig.tick.busy = 1
            for channel in (6, 7, 9):
                bench.raw[channel] = n % 2 * 50000
            tick(BOUNDARY_SAMPLED)
            drain(jig)
        assert jig.tick.reason == 0 and jig.lock.state == 1 and jig.scan.recording.ring.dropped() == 0
    del cases[""]
    return cases


def figures(cases: dict[str, list[Counter[str]]]) -> dict[str, tuple[float, float]]:
    """(mean, dearest) in us by case."""
    return {
        case: (sum(cost_us(tick) for tick in ticks) / len(ticks), max(cost_us(tick) for tick in ticks))
        for case, ticks in cases.items()
    }


def table(cases: dict[str, list[Counter[str]]]) -> str:
    """The sum, for people."""
    dearest = [max(ticks, key=cost_us) for ticks in cases.values()]
    sums = figures(cases).values()
    rows = ["dearest tick of each case: count and us", " " * 36 + "".join(f"{n + 1:>16}" for n in range(len(cases)))]
    for kind, cost in COST_US.items():
        if not any(counts[kind] for counts in dearest):
            continue
        cells = "".join(f"{counts[kind]:>7} {counts[kind] * cost:8.1f}" for counts in dearest)
        rows.append(f"{kind:<28}{cost:>8.2f}{cells}")
    rows.append(f"{'sum of the dearest tick, us':<36}" + "".join(f"{worst:16.1f}" for _mean, worst in sums))
    rows.append(f"{'mean over the ticks counted, us':<36}" + "".join(f"{mean:16.1f}" for mean, _worst in sums))
    rows += [f"{n + 1}: {case}" for n, case in enumerate(cases)]
    rows.append(f"allowed: {BUDGET_US:.0f} us in the mean of 1 and 2, {ONCE_US:.0f} us for any single tick of 1 to 4")
    rows.append(f"while sampling: {SAMPLING_BUDGET_US:.0f} us in the mean of 5 and 6, {TICK_US:.0f} us for any tick")
    return "\n".join(rows)


def count_apart(micropython: str) -> dict[str, list[Counter[str]]]:
    """measure() in a process of its own: the fake board takes the place of modules that others need."""
    command = [sys.executable, __file__, "--json", micropython]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60)
    return {case: [Counter(tick) for tick in ticks] for case, ticks in json.loads(done.stdout).items()}


if __name__ == "__main__":
    if sys.argv[1:2] == ["--json"]:
        print(json.dumps(measure(sys.argv[2])))
    else:
        beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
        print(table(measure(beside or "micropython")))
