"""PIO of the simulated board: beside an independent emulator, by the datasheet, and from the firmware's side."""

from __future__ import annotations

import json
import random
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lidjig.errors import LinkLost
from lidjig.link.base import Deadline
from pio_reference import random_case, with_answer
from twin_firmware import printed, program
from vm_scripts import HERE, VM, run_script

# Programs of 32 words with the other emulator's answers, for both interpreters.
CASES = 30


@pytest.mark.parametrize("script", ["vm_asm", "vm_pio", "vm_rp2", "vm_capture"])
def test_script(script: str, vm: str) -> None:
    run_script(vm, script)


@pytest.fixture(scope="module")
def cases() -> list[dict[str, Any]]:
    """Random programs and what the other emulator says that they do."""
    pytest.importorskip("pioemu", reason="no rp2040-pio-emulator here (pip install rp2040-pio-emulator)")
    return [with_answer(random_case(random.Random(seed).randrange)) for seed in range(CASES)]


def test_as_an_independent_emulator_says(cases: list[dict[str, Any]], vm: str, tmp_path: Path) -> None:
    (tmp_path / "cases.json").write_text(json.dumps(cases), encoding="ascii")
    assert run_script(vm, "vm_cases", str(tmp_path / "cases.json")).split()[-1] == str(CASES)


def test_cases_say_something(cases: list[dict[str, Any]]) -> None:
    kinds = {code >> 13 for case in cases for code in case["code"]}
    assert kinds == {0, 1, 2, 3, 4, 5, 7}  # all but IRQ, which the other emulator has not
    edges = [sum(len(rows) for rows in case["edges"]) for case in cases]
    assert sum(count > 10 for count in edges) > CASES // 3
    assert sum(len(case["received"]) > 0 for case in cases) > CASES // 10


@pytest.fixture(scope="module")
def run_case() -> Any:
    """run() of on_both/vm_cases.py in this process."""
    sys.path[:0] = [str(HERE), str(VM)]
    try:
        import vm_cases
    finally:
        del sys.path[:2]
    return vm_cases.run


@given(data=st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_any_program_as_an_independent_emulator_says(data: st.DataObject, run_case: Any) -> None:
    pytest.importorskip("pioemu", reason="no rp2040-pio-emulator here (pip install rp2040-pio-emulator)")
    case = with_answer(random_case(lambda n: data.draw(st.integers(0, n - 1)), cycles=150))
    edges, received = run_case(case)
    assert edges == case["edges"] and received == case["received"]


FIRMWARE = """
import rp2
@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def count():
    pull(block)
    set(pins, 1)
    out(x, 32)
    label("loop")
    jmp(x_dec, "loop")
    set(pins, 0)
    mov(isr, x)
    push(noblock)
machine = rp2.StateMachine(0, count, freq=1000000, set_base=Pin(24))
machine.active(1)
pin = Pin(24)
say(pin(), machine.tx_fifo(), machine.rx_fifo())
machine.put(996)
time.sleep_us(500)
say(pin())
time.sleep_us(600)
say(pin(), machine.rx_fifo(), machine.get())
def tick(t):
    if not machine.tx_fifo():
        machine.put(100)
timer = Timer(period=1, callback=tick, hard=True)
time.sleep_ms(10)
timer.deinit()
say(machine.rx_fifo(), machine.tx_fifo())
for _ in range(5):
    machine.put(2000)
say(time.ticks_diff(time.ticks_us(), time.ticks_us()) < 0)
pin.init(Pin.OUT, value=1)
time.sleep_ms(20)
say(pin(), machine.tx_fifo())
try:
    rp2.StateMachine(0, count, freq=1)
except ValueError as error:
    say(error)
console.wait(-1)
"""


def test_from_the_firmware(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with program(FIRMWARE, tmp_path, monkeypatch, vm=vm) as link:
        lines = printed(link)
    assert lines == ["0 0 0", "1", "0 1 4294967295", "4 1", "True", "1 0", "freq out of range"]


RESTART = """
import rp2
@rp2.asm_pio(set_init=rp2.PIO.OUT_HIGH)
def high():
    nop()
machine = rp2.StateMachine(4, high, set_base=3)
say(Pin(3)(), machine.active())
machine.active(1)
console.wait(50)
__import__("machine").reset()
"""


def test_a_reset_ends_it(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with program(RESTART, tmp_path, monkeypatch, vm=vm) as link:
        with pytest.raises(LinkLost):
            printed(link, 5.0)
        assert link.look()["pins"][3] == 0
        link.reopen(Deadline(link.clock, 5.0))
        assert printed(link, 0.02) == ["1 False"]
