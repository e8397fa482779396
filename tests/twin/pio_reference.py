"""Random PIO programs, and what an independent emulator says that they do (PyPI rp2040-pio-emulator).

It has no IRQ, EXEC, STATUS, reversed MOV, optional side-set or mapping of input pins, and refills the OSR only while an
OUT executes; programs here keep to what both have. A case: see on_both/vm_cases.py.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

OUTPUTS = 0xFF
Pick = Callable[[int], int]  # pick(n): any of 0..n - 1


def _jmp(pick: Pick, case: dict[str, Any]) -> int:
    condition = pick(8)
    if condition == 7 and case["pull_thresh"] != 32:
        condition = 0  # the emulator compares with 32, not with the threshold
    return condition << 5 | (pick(32) if pick(3) else case["at"])


def _count_down(pick: Pick, case: dict[str, Any]) -> int:
    return (2, 4)[pick(2)] << 5 | case["at"]


def _wait(pick: Pick, _case: dict[str, Any]) -> int:
    return 0x2000 | pick(2) << 7 | pick(2) << 5 | 16 + pick(8)


def _in(pick: Pick, _case: dict[str, Any]) -> int:
    return 0x4000 | (0, 1, 2, 3, 6, 7)[pick(6)] << 5 | pick(32)


def _out(pick: Pick, case: dict[str, Any]) -> int:
    return 0x6000 | (0, 0, 1, 2, 3, 6, 5)[pick(6 if case["quiet"] else 7)] << 5 | pick(32)


def _push(pick: Pick, case: dict[str, Any]) -> int:
    return 0x8000 | (pick(2) << 6 if case["push_thresh"] == 32 else 0) | pick(2) << 5


def _pull(pick: Pick, case: dict[str, Any]) -> int:
    if case["autopull"]:
        return _set(pick, case)
    return 0x8080 | (pick(2) << 6 if case["pull_thresh"] == 32 else 0) | (pick(4) == 0) << 5


def _mov(pick: Pick, case: dict[str, Any]) -> int:
    kinds = 5 if case["quiet"] else 6
    return 0xA000 | (0, 1, 2, 6, 7, 5)[pick(kinds)] << 5 | pick(2) << 3 | (1, 2, 3, 6, 7, 0)[pick(kinds)]


def _set(pick: Pick, _case: dict[str, Any]) -> int:
    return 0xE000 | pick(3) << 5 | pick(32)


# Without what depends on the outside: such programs come back to where they were.
_QUIET = (_set, _set, _count_down, _out, _mov)
_KINDS = (_jmp, _jmp, _in, _out, _out, _pull, _push, _mov, _mov, _set, _set, _set, _wait)


def _instruction(pick: Pick, case: dict[str, Any], kind: Callable[[Pick, dict[str, Any]], int]) -> int:
    code = kind(pick, case)
    side_count = case["side_count"]
    delay_bits = 5 - side_count
    # Where "only if" holds an instruction back, the emulator leaves its delay out.
    held_back = code >> 13 == 4 and code & 0x40
    delay = 0 if held_back or pick(2) else pick(1 << min(delay_bits, 3))
    return code | pick(1 << side_count) << (8 + delay_bits) | delay << 8


def random_case(pick: Pick, cycles: int = 250) -> dict[str, Any]:
    """A case without the answers."""
    quiet = pick(3) == 0
    wrap_bottom = pick(20)
    wrap_top = wrap_bottom + 1 + pick(min(8, 31 - wrap_bottom) if quiet else 31 - wrap_bottom)
    case: dict[str, Any] = {
        "side_count": pick(3), "wrap_bottom": wrap_bottom, "wrap_top": wrap_top,
        "quiet": quiet, "in_right": pick(2), "out_right": pick(2), "autopull": 0 if quiet else pick(2),
        "autopush": pick(2),
        "push_thresh": 32 if pick(2) else 1 + pick(32), "pull_thresh": 32 if pick(2) else 1 + pick(32),
        "jmp_pin": (1, 6, 17, 23)[pick(4)], "words": [pick(1 << 32) for _ in range(pick(5))], "cycles": cycles,
    }  # fmt: skip
    # The OSR is empty at first: with autopull an OUT must be what fills it.
    kinds = _QUIET if quiet else _KINDS
    case["code"] = []
    for at in range(32):
        case["at"] = at
        case["code"].append(_instruction(pick, case, _out if at == 0 else kinds[pick(len(kinds))]))
    case["code"][31] &= 0x1F1F  # jmp: the emulator knows no word 0 after word 31
    times = [] if quiet else sorted({1 + pick(cycles - 1) for _ in range(pick(40))})
    case["inputs"] = [(cycle, 16 + pick(8), pick(2)) for cycle in times]
    return case


def answer(case: dict[str, Any]) -> tuple[list[list[list[int]]], list[int], int]:
    """(changes of each output as [cycle, level], words received, cycles for which this holds)."""
    from pioemu import State, emulate

    levels = {cycle: (pin, level) for cycle, pin, level in case["inputs"]}
    history = [0] * (case["cycles"] + 64)
    value = 0
    for cycle in range(len(history)):
        if cycle in levels:
            pin, level = levels[cycle]
            value = value & ~(1 << pin) | level << pin
        history[cycle] = value

    def inputs(clock: int) -> int:
        return history[clock]

    inputs.__annotations__["clock"] = int  # the emulator reads it, and wants no string
    start = State(pin_directions=OUTPUTS, transmit_fifo=deque(case["words"]))
    edges: list[list[list[int]]] = [[] for _ in range(8)]
    received: list[int] = []
    end = case["cycles"]
    for before, after in emulate(
        case["code"], stop_when=lambda _code, state: state.clock >= case["cycles"], initial_state=start,
        input_source=inputs, auto_pull=bool(case["autopull"]), auto_push=bool(case["autopush"]),
        pull_threshold=case["pull_thresh"], push_threshold=case["push_thresh"],
        shift_isr_right=bool(case["in_right"]), shift_osr_right=bool(case["out_right"]), out_base=0, out_count=8,
        set_base=2, set_count=3, side_set_base=5, side_set_count=case["side_count"], jmp_pin=case["jmp_pin"],
        wrap_target=case["wrap_bottom"], wrap_top=case["wrap_top"],
    ):  # fmt: skip
        changed = (before.pin_values ^ after.pin_values) & OUTPUTS
        for pin in range(8):
            if changed >> pin & 1:
                edges[pin].append([before.clock, after.pin_values >> pin & 1])
        received = list(after.receive_fifo)
        if case["autopush"] and len(received) == 4:
            # An IN that would have to push now waits on the chip (RP2040 datasheet 3.5.4.1); here it does not.
            end = before.clock + 1
            break
    return edges, received, end


def with_answer(case: dict[str, Any]) -> dict[str, Any]:
    edges, received, end = answer(case)
    inputs = [row for row in case["inputs"] if row[0] < end]
    return dict(case, edges=edges, received=received, cycles=end, inputs=inputs)
