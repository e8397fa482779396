"""A PIO program of the board's in an independent emulator: machine code in, edges of its pins out.

The emulator is rp2040-pio-emulator (PyPI), which knows nothing of lidjig; the machine code comes from the simulated
board's assembler, which tests/twin holds against that emulator instruction by instruction.
"""

from __future__ import annotations

import builtins
import importlib.util
import sys
import types
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lidjig.bench.families.base import Wave

ROOT = Path(__file__).resolve().parents[2]
VM = ROOT / "host" / "lidjig" / "twin" / "vm"


def board_micropython(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """The module micropython as far as files of device/ use it when they are loaded, and the names of viper's types."""
    module = types.ModuleType("micropython")
    module.__dict__.update(const=lambda value: value, viper=lambda function: function)
    for name in ("ptr8", "ptr16", "ptr32"):
        monkeypatch.setattr(builtins, name, lambda data: data, raising=False)
    return module


def board_file(name: str, monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """A file of device/boards, imported with the board's modules standing for names only."""
    monkeypatch.syspath_prepend(str(VM))
    import pio_asm

    rp2 = types.ModuleType("rp2")
    rp2.__dict__.update(asm_pio=pio_asm.asm_pio, StateMachine=object, DMA=object)
    rp2.__dict__["PIO"] = types.SimpleNamespace(
        IN_LOW=0, IN_HIGH=1, OUT_LOW=2, OUT_HIGH=3, SHIFT_LEFT=0, SHIFT_RIGHT=1, JOIN_NONE=0, JOIN_TX=1, JOIN_RX=2
    )
    machine = types.ModuleType("machine")
    machine.__dict__["Pin"] = object
    micropython = board_micropython(monkeypatch)
    for module in (rp2, machine, micropython):
        monkeypatch.setitem(sys.modules, module.__name__, module)
    spec = importlib.util.spec_from_file_location(f"board_{name}", ROOT / "device" / "boards" / f"{name}.py")
    assert spec is not None and spec.loader is not None
    memory = types.ModuleType("boards.pio_memory")
    memory.__dict__["make_room"] = lambda _program: None
    monkeypatch.setitem(sys.modules, "boards", types.ModuleType("boards"))
    monkeypatch.setitem(sys.modules, memory.__name__, memory)
    loaded = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(loaded)
    return loaded


def emulated(
    program: list[Any], words: Mapping[int, int], cycles: int, pin: int, outputs: int = 0xFFFFFFFF, **settings: Any
) -> Wave:
    """Levels of a pin over so many cycles of the state machine; words: cycle -> word put into its FIFO then. Times in
    cycles. outputs: mask of the pins that it drives. settings: of pioemu.emulate (set_base, set_count, side_set_base,
    out_base, input_source, ...).
    """
    pioemu = pytest.importorskip("pioemu", reason="no emulator (pip install rp2040-pio-emulator)")
    code, execute, shift = list(program[0]), program[3], program[4]
    # Fields of EXECCTRL and SHIFTCTRL: RP2040 datasheet, 3.7.
    given = {
        "wrap_target": execute >> 7 & 31, "wrap_top": execute >> 12 & 31, "auto_pull": bool(shift >> 17 & 1),
        "shift_isr_right": bool(shift >> 18 & 1), "shift_osr_right": bool(shift >> 19 & 1),
    } | settings  # fmt: skip
    waiting = dict(words)
    first = pioemu.State(transmit_fifo=deque(), pin_directions=outputs)
    if 0 in waiting:
        first.transmit_fifo.append(waiting.pop(0))
    times, levels = [0.0], [0]
    for before, after in pioemu.emulate(
        code, initial_state=first, stop_when=lambda _code, state: state.clock >= cycles, **given
    ):
        level = after.pin_values >> pin & 1
        if level != levels[-1]:
            times.append(float(before.clock))
            levels.append(level)
        for cycle in sorted(cycle for cycle in waiting if cycle <= after.clock):
            after.transmit_fifo.append(waiting.pop(cycle))
    return Wave(np.array(times), np.array(levels, dtype=np.int8), float(cycles))
