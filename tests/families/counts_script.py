"""Counts of the analog outputs for every code, on either interpreter: prints one JSON object. Arguments: device/, and
the folder of shared_proto.

machine.PWM stands for the port's arithmetic (MicroPython, ports/rp2/machine_pwm.c): TOP = round(clk / freq) - 1 without
a divider, CC = round(duty_u16 * (TOP + 1) / 65535).
"""

import builtins
import json
import sys

sys.path[:0] = sys.argv[1:]


class Module:
    pass


class PWM:
    made = []

    def __init__(self, pin, freq, duty_u16):
        self.steps = (machine.clock + freq // 2) // freq
        self.cc = []
        PWM.made.append(self)

    def duty_u16(self, value):
        assert 0 <= value <= 65535
        self.cc.append((value * self.steps + 65535 // 2) // 65535)


class Board:
    drive_data = (2, 4)
    drive_enable = (3, 5)


machine = Module()
machine.clock = 125000000
machine.freq = lambda: machine.clock
machine.Pin = object
machine.PWM = PWM
sys.modules["machine"] = machine
if sys.implementation.name != "micropython":
    micropython = Module()
    micropython.const = lambda value: value
    micropython.viper = lambda function: function
    builtins.ptr32 = lambda data: data  # viper's own name
    sys.modules["micropython"] = micropython

# The package itself wants a whole board: only the one file of it is taken.
boards = sys.modules["boards"] = Module()
boards.Board = Board
pwm_out = sys.modules["boards.pwm_out"] = Module()
found = {"__name__": "boards.pwm_out"}
with open(sys.argv[1] + "/boards/pwm_out.py") as file:
    exec(file.read(), found)
Duty = pwm_out.Duty = found["Duty"]

from firmware.curve_words import ERROR, HIGH, LOW  # noqa: E402
from firmware.families import analog, sincos  # noqa: E402

ANALOG = {"codes": 4096, "via": 0, "fault_low_permyriad": 500, "fault_high_permyriad": 9500}
SINCOS = {
    "codes": 4096, "amplitude_permyriad": 4000, "offset_sin_permyriad": 5000, "offset_cos_permyriad": 5000,
    "cos_gain_permyriad": 10000, "phase_mdeg": 0,
}  # fmt: skip
LARGEST = 1 << 30
told = []


def run(module, values, clock):
    machine.clock = clock
    PWM.made = []
    output = module.Output(Board(), values)
    output.ready()
    for code in range(values["codes"]):
        assert output.put(code)
    words = []
    for word in (LOW, HIGH, ERROR):
        assert output.put(word)
        words.append([one.cc.pop() for one in PWM.made])
    row = {"values": values, "clock": clock, "steps": PWM.made[0].steps, "words": words}
    row["cc"] = [one.cc for one in PWM.made]
    told.append(row)
    return output


for low, high, hz, clock in (
    (1000, 9000, 24419, 125000000),
    (0, 10000, 30525, 125000000),
    (1000, 9000, 24419, 150000000),
    (500, 9500, 2000, 125000000),
    (1000, 9000, 20000, 125000000),
):
    values = dict(ANALOG, low_permyriad=low, high_permyriad=high, pwm_hz=hz)
    output = run(analog, values, clock)
    assert output._base + 4095 * output._step < LARGEST
for phase, gain, offset in ((0, 10000, 5000), (-5000, 9000, 5200)):
    values = dict(SINCOS, phase_mdeg=phase, cos_gain_permyriad=gain, offset_sin_permyriad=offset, pwm_hz=24419)
    run(sincos, values, 125000000)

# No product of a duty leaves the small integers, whatever the frequency.
machine.clock = 125000000
for hz in list(range(8, 70000, 7)) + [100000, 500000, 1000000]:
    duty = Duty(2, hz)
    full = duty.counts
    assert full * duty._whole < LARGEST and full * duty._rest + duty._half < LARGEST, hz
print(json.dumps(told))
