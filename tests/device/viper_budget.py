"""What viper saves: the tick's parts as they are, and the same in plain Python (on_both/fake_plain.py), counted alike.

    python tests/device/viper_budget.py        # prints the table; needs the MicroPython unix build

Costs as in tick_budget.py. Each part goes through the same numbers in both forms, which on_both/streams.py compares;
what it calls of the hardware is counted with it. Mean of a call, in us.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import tick_budget

HERE = Path(__file__).resolve().parent / "on_both"
FOLDERS = (tick_budget.DEVICE, HERE / "fake_plain.py")

Row = tuple[str, float, float]  # part, us in plain Python, us in viper


class Table:
    def __init__(self, micropython: str) -> None:
        self.rows: list[Row] = []
        self._micropython = micropython
        self._listings: dict[str, dict[int, Counter[str]]] = {}

    def _operations(self, file: str) -> dict[int, Counter[str]]:
        if file not in self._listings:
            self._listings[file] = tick_budget.bytecodes(self._micropython, Path(file))
        return self._listings[file]

    def mean_us(self, call: Callable[..., Any], given: Iterable[tuple[int, ...]]) -> float:
        spent = []
        for arguments in given:
            counting = tick_budget.Counting(self._operations, FOLDERS)
            counting.start()
            call(*arguments)
            counting.stop()
            spent.append(tick_budget.cost_us(counting.counts))
        return sum(spent) / len(spent)

    def add(
        self, part: str, plain: Callable[..., Any], viper: Callable[..., Any], given: list[tuple[int, ...]]
    ) -> None:
        self.rows.append((part, self.mean_us(plain, given), self.mean_us(viper, given)))


def measure(micropython: str) -> list[Row]:
    sys.path[:0] = [str(HERE), str(tick_budget.DEVICE), str(tick_budget.ROOT)]
    import fake_board
    import fake_plain

    # What the script checks is not asked here: only what it builds.
    fake_board.checks = lambda _namespace: None
    import streams

    table = Table(micropython)
    _motion(table, fake_plain)
    _looks(table, fake_plain, streams)
    _families(table, fake_plain, streams)
    return table.rows


def _motion(table: Table, fake_plain: Any) -> None:
    from boards import Board
    from firmware.motion import Motion
    from firmware.ring import Ring

    board = Board()
    motion = Motion(board, Ring(64))
    motion.add(60000, 400, 1)
    motion.step(0)
    plain = fake_plain.Step(0, 60000, 400000, 1, board.ticks_diff)
    table.add("motion: a step", plain.step, motion.step, [(now,) for now in range(1000, 400000, 1000)])


def _looks(table: Table, fake_plain: Any, streams: Any) -> None:
    from firmware.curve import Curve

    from shared_proto import family_blobs

    every = {"wrap": 1, "hysteresis_mdeg": 200, "lag_us": 5000, "noise_mdeg": 40}
    for what, changes in (("", {}), (", all that a profile has", every)):
        values = streams.lowest(family_blobs.ANALOG, codes=4096, update_us=1000, **changes)
        curve = Curve(values)
        curve.put = lambda _code: 1
        entries = [entry - streams.OFFSET for entry in curve._state[streams.TABLE :]]
        lag, shift = curve._state[streams.LAG], curve._state[streams.LAG_SHIFT]
        plain = fake_plain.Look(values, entries, lag, shift, lambda _code: 1)
        given = [(angle, 1) for angle in range(0, 360000, 731)]
        table.add(f"curve: a look{what}", plain.follow, curve.follow, given)


def _families(table: Table, fake_plain: Any, streams: Any) -> None:
    from boards import Board
    from firmware.families import i2c, pwm, quadrature, sent, sincos, ssi

    from shared_proto import family_blobs

    def add(part: str, output: Any, plain: Any, codes: int) -> None:
        step = max(1, codes // 300)
        table.add(f"{part}: a code", plain.put, output.put, [(code,) for code in range(step, codes, step)])

    def begun(module: Any, family: int, **changes: int) -> tuple[Any, dict[str, Any], Any]:
        values, machine = streams.lowest(family, **changes), streams.Machine()
        return streams.begun(module.Output(Board(), values), machine), values, streams.Machine()

    output, values, machine = begun(sent, family_blobs.SENT, frame_format=1, codes=4088, low_ticks=5)
    add("sent", output, fake_plain.Sent(values, machine), 4088)
    output, values, machine = begun(ssi, family_blobs.SSI, codes=16384)
    add("ssi", output, fake_plain.Ssi(values, machine), 16384)
    output, values, machine = begun(
        pwm, family_blobs.PWM, codes=4096, head_clocks=128, tail_clocks=128, period_ns=1000000, push_pull=1
    )
    add("pwm", output, fake_plain.Pwm(values, machine), 4096)
    output, values, machine = begun(
        quadrature, family_blobs.QUADRATURE, codes=4096, steps_per_turn=4096, rate_max_hz=100000
    )
    add("quadrature", output, fake_plain.Quadrature(values, machine, 0), 4096)
    for layout, codes in ((0, 4096), (1, 16384)):
        values = streams.lowest(family_blobs.I2C, layout=layout, codes=codes, wrap=1, raw_angle=1)
        output = i2c.Output(Board(), values)
        output.ready()
        output.put(0)
        add(f"i2c, {14 if layout else 12} bit", output, fake_plain.Registers(values), codes)
    values = streams.lowest(
        family_blobs.SINCOS, codes=4096, amplitude_permyriad=3300, offset_sin_permyriad=5000,
        offset_cos_permyriad=5000, cos_gain_permyriad=10000, pwm_hz=50000,
    )  # fmt: skip
    output = sincos.Output(Board(), values)
    output.ready()
    sin, cos = output._state[1:514], output._state[514:1027]
    add("sincos", output, fake_plain.Sincos(values, sin, cos, output._give_sin, output._give_cos), 4096)


def text(rows: list[Row]) -> str:
    lines = ["mean of a call, us; counted, not measured", f"{'part':<40}{'plain':>10}{'viper':>10}"]
    lines += [f"{part:<40}{plain:>10.1f}{viper:>10.1f}" for part, plain, viper in rows]
    return "\n".join(lines)


def count_apart(micropython: str) -> list[Row]:
    """measure() in a process of its own: the fake board takes the place of modules that others need."""
    command = [sys.executable, __file__, "--json", micropython]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    return [(part, plain, viper) for part, plain, viper in json.loads(done.stdout)]


if __name__ == "__main__":
    if sys.argv[1:2] == ["--json"]:
        print(json.dumps(measure(sys.argv[2])))
    else:
        beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
        print(text(measure(beside or "micropython")))
