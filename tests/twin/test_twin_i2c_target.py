"""machine.I2CTarget of the simulated board."""

from __future__ import annotations

from pathlib import Path

import pytest
from twin_firmware import printed, program
from vm_scripts import run_script

FIRMWARE = """
from machine import I2CTarget
mem = bytearray(4)
target = I2CTarget(0, 0x36, mem=mem, sda=Pin(20), scl=Pin(21))
target.irq(lambda t: None)
say(target.memaddr, I2CTarget.IRQ_END_READ, I2CTarget.IRQ_END_WRITE)
target.deinit()
try:
    I2CTarget(0, 0x36, mem=mem, sda=Pin(22), scl=Pin(21))
except ValueError as error:
    say(error)
console.wait(-1)
"""


def test_script(vm: str) -> None:
    run_script(vm, "vm_i2c_target")


def test_from_the_firmware(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with program(FIRMWARE, tmp_path, monkeypatch, vm=vm) as link:
        assert printed(link) == ["0 16 32", "bad SDA pin"]
