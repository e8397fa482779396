"""The simulated chip alone, without bench and firmware, for scripts that run on CPython and MicroPython alike."""

import sys

from gpio import Gpio
from i2c_target import Targets, make_i2c_target
from kernel import FAR, Kernel
from pio_unit import Pio
from pwm import Pwm, make_pwm
from rng import Rng
from rp2_shim import make_rp2


def pin_number(pin):
    return pin


class Chip:
    """kernel, gpio, pio, pwm, targets, and what the firmware has: rp2, PWM, I2CTarget. Time moves by run_us()."""

    def __init__(self):
        self.kernel = Kernel()
        self.kernel.budget = FAR
        self.gpio = Gpio(self.kernel, Rng(1, "converter"), 0, 0, 0)
        self.failed = []
        self.gpio.handler_failed = self.kernel.callback_failed = self.failed.append
        self.pio = Pio(self.kernel, self.gpio)
        self.pwm = Pwm(self.kernel, self.gpio)
        self.targets = Targets(self.kernel, self.gpio)
        self.rp2 = make_rp2(self.kernel, self.pio, pin_number)
        self.PWM = make_pwm(self.pwm, pin_number)
        self.I2CTarget = make_i2c_target(self.targets, pin_number)

        self.known = []

    def machine(self, number, program, **options):
        """rp2.StateMachine; a program that another chip has loaded is new to this one."""
        if not any([program is one for one in self.known]):
            program[1] = program[2] = -1
            self.known.append(program)
        return self.rp2.StateMachine(number, program, **options)

    def run_us(self, us):
        self.kernel.run_until(self.kernel.now + us, False)


def started(chip, program, number=0, freq=1000000, words=(), **pins):
    """A state machine with its words, running."""
    machine = chip.machine(number, program, freq=freq, **pins)
    for word in words:
        machine.put(word)
    machine.active(1)
    return machine


def raises(kind, call, *words, **options):
    """Text of the error that the call must raise."""
    try:
        call(*words, **options)
    except kind as error:
        return str(error)
    raise AssertionError("no " + str(kind))


class LockedHeap:
    """Nothing inside may allocate, where the interpreter can tell: as in a hard interrupt."""

    def __init__(self, kernel):
        self.kernel = kernel

    def __enter__(self):
        self.kernel.enter_isr()

    def __exit__(self, _kind, _error, _trace):
        self.kernel.leave_isr()


def checks(names):
    """Runs every check_ function of a script; whatever one raises ends the script."""
    for name in sorted(names):
        if name.startswith("check_"):
            names[name]()
            print("ok " + name)
    sys.exit(0)
