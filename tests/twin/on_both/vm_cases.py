"""Runs a PIO program given as numbers on the simulated chip, and says what it gave.

A case: code (32 words), side_count, wrap_bottom, wrap_top, in_right, out_right, autopull, autopush, push_thresh,
pull_thresh, jmp_pin, words (for the FIFO, before the start), inputs [(cycle, pin, level)], cycles. Outputs are pins 0
to 7: all for OUT and MOV, 2 to 4 for SET, side-set from 5 on; inputs are 16 to 23.

As a script: cases with what they must give, in a JSON file.
"""

import json
import sys
from array import array

from pio_unit import SYNC_CLK
from vm_rig import Chip

OUTPUTS = 8
SET_BASE, SET_COUNT, SIDE_BASE = 2, 3, 5
CLK = 4  # clk_sys cycles a cycle of the machine: an output is read back in the next one
_OUT_LOW = 2


def build(chip, case, number=0):
    """The state machine, filled and set up, not started."""
    execute = case["wrap_bottom"] << 7 | case["wrap_top"] << 12
    shift = (
        (case["pull_thresh"] & 31) << 25 | (case["push_thresh"] & 31) << 20 | case["out_right"] << 19
        | case["in_right"] << 18 | case["autopull"] << 17 | case["autopush"] << 16
    )  # fmt: skip
    low = (_OUT_LOW,)
    side = low * case["side_count"] if case["side_count"] else None
    program = [array("H", case["code"]), -1, -1, execute, shift, low * OUTPUTS, low * SET_COUNT, side]
    machine = chip.rp2.StateMachine(
        number, program, freq=125000000 // CLK, in_base=0, out_base=0, set_base=SET_BASE,
        sideset_base=SIDE_BASE, jmp_pin=case["jmp_pin"],
    )  # fmt: skip
    for word in case["words"]:
        machine.put(word)
    return machine


def collect(chip, cycles):
    """Changes of each output: lists of [cycle, level]."""
    found = []
    for pin in range(OUTPUTS):
        rows = chip.pio.track_of(pin).between(0, cycles * CLK)
        found.append([[t // CLK, level] for t, level in rows])
    return found


def run(case):
    """(changes of each output, words in the RX FIFO)."""
    chip = Chip()
    machine = build(chip, case)
    machine.active(1)
    for cycle, pin, level in case["inputs"]:
        chip.pio.feed(pin, [(cycle * CLK - SYNC_CLK, level)])
    chip.pio.run(case["cycles"] * CLK)
    state = chip.pio.machine(0)
    return collect(chip, case["cycles"]), [state.rx[(state.rx_at + k) & 7] for k in range(state.rx_n)]


def main(path):
    with open(path) as file:
        cases = json.load(file)
    for k in range(len(cases)):
        edges, words = run(cases[k])
        assert edges == cases[k]["edges"], (k, edges, cases[k])
        assert words == cases[k]["received"], (k, words, cases[k])
    print("ok check_cases", len(cases))


if __name__ == "__main__":
    main(sys.argv[1])
