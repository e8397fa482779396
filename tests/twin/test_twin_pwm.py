"""machine.PWM of the simulated board."""

from __future__ import annotations

from pathlib import Path

import pytest
from twin_firmware import printed, program
from vm_scripts import run_script

FIRMWARE = """
from machine import PWM
pwm = PWM(Pin(24), freq=1000, duty_u16=32768)
pin = Pin(24)
levels = []
for _ in range(4):
    time.sleep_us(250)
    levels.append(pin())
say(levels, pwm.freq(), pwm.duty_u16())
def tick(t):
    pwm.duty_u16(pwm.duty_u16() + 1)
timer = Timer(period=1, callback=tick, hard=True)
time.sleep_ms(10)
timer.deinit()
say(pwm.duty_u16(), PWM(25, duty_u16=0).freq())
pin.init(Pin.IN)
say(pin())
console.wait(-1)
"""


def test_script(vm: str) -> None:
    run_script(vm, "vm_pwm")


def test_from_the_firmware(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with program(FIRMWARE, tmp_path, monkeypatch, vm=vm) as link:
        lines = printed(link)
    assert lines == ["[1, 0, 0, 1] 1000 32768", "32778 1000", "0"]
