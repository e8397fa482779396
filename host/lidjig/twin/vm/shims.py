"""The modules that the firmware finds instead of the board's: machine, rp2, time and select, at the level of pins.

machine.Timer, WDT, time and select run on the kernel's virtual time. install() puts them, and the covers of covers.py,
where import finds them first.
"""

import sys

from covers import Module, cover_os, make_gc, make_micropython
from gpio import ADC_FIRST, ALT_I2C, CH_LIGHT, CH_MUX_FIRST, CH_SUPPLY, IN, OPEN_DRAIN, OUT, PINS, SCL, SDA
from i2c import make_i2c
from i2c_target import make_i2c_target
from port import POLLIN, POLLOUT, Poll
from pwm import make_pwm
from rp2_shim import make_rp2
from soft_i2c import make_soft_i2c

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from board import Board
    from bus import Bus
    from gpio import Gpio
    from i2c_target import Targets
    from kernel import Kernel
    from pio_unit import Pio
    from pwm import Pwm
    from soft_i2c import SensorBus

TICKS_PERIOD = 1 << 30
_TICKS_MASK = TICKS_PERIOD - 1
_TICKS_HALF = TICKS_PERIOD // 2

# What a call takes on the board, us (an RP2040 at 125 MHz, emulated: ticks_us 4.8).
_TICKS_COST_US = 5
_POLL_COST_US = 20

# Pin.ALT, and the function of a pin that gives it to an I2C peripheral (RP2040 datasheet, 2.19.2).
_ALT = 3
_ALT_I2C = 3

PWRON_RESET = 1
WDT_RESET = 3
WDT_MAX_MS = 8388


def _pin_number(pin: "Any") -> int:
    number: int
    if isinstance(pin, int):
        number = pin
    elif pin == "LED":
        number = 25
    elif isinstance(pin, str) and pin.startswith("GP"):
        number = int(pin[2:])
    else:
        number = pin.number
    if not 0 <= number < PINS:
        raise ValueError("invalid pin")
    return number


def _init_pin(bench: "Any", number: int, mode: int, value: int | None, alt: int) -> None:
    gpio, bus, board = bench
    given = 0
    if mode != -1 and mode != IN and mode != OUT:  # no tuple: this runs with the heap locked
        if mode == _ALT and alt == _ALT_I2C:
            mode, given = IN, ALT_I2C
        elif mode != OPEN_DRAIN or not bus.wired or (number != SDA and number != SCL):
            raise ValueError("only Pin.IN, Pin.OUT and Pin.ALT_I2C are wired on this board; Pin.OPEN_DRAIN on its bus")
        elif value is None:
            value = 1  # as on rp2: lets go at first
    if value is not None:
        value = 1 if value else 0
    gpio.set_mode(number, gpio.mode[number] if mode == -1 else mode, value)
    gpio.alt[number] = given
    if gpio.mode[number] == IN:
        board.refresh_input(number)


def make_machine(
    kernel: "Kernel",
    gpio: "Gpio",
    board: "Board",
    bus: "Bus",
    pwm: "Pwm",
    targets: "Targets",
    sensor_bus: "SensorBus",
) -> Module:
    """The machine module. board: reset_cause, unique_id (bytes), and reset(cause)."""

    # A method of a class made here may see few of these: with more than five, arguments counted in, MicroPython makes
    # room on the heap for the call, which is locked in an interrupt.
    out, read = gpio.out, gpio.read
    write, read_adc = gpio.write, gpio.read_adc
    bench = (gpio, bus, board)

    class Irq:
        def __init__(self, number: int) -> None:
            self._number = number

        def flags(self) -> int:
            return gpio.flags[self._number]

        def trigger(self) -> int:
            return gpio.trigger[self._number]

        def __call__(self) -> None:
            gpio.kernel.irqs |= 1 << self._number

    irqs = [Irq(n) for n in range(PINS)]  # made beforehand, for a handler that switches itself off

    class Pin:
        IN = IN
        OUT = OUT
        OPEN_DRAIN = OPEN_DRAIN
        ALT = _ALT
        ALT_I2C = _ALT_I2C
        PULL_UP = 1
        PULL_DOWN = 2
        IRQ_FALLING = 4
        IRQ_RISING = 8

        def __init__(
            self,
            id: "Any",
            mode: int = -1,
            pull: int = -1,
            *,
            value: int | None = None,
            drive: int = 0,
            alt: int = -1,
        ) -> None:
            self.number = _pin_number(id)
            if gpio.pin_object[self.number] is None:
                gpio.pin_object[self.number] = self
            if mode != -1:
                self.init(mode, pull, value=value)

        def init(
            self, mode: int = -1, pull: int = -1, *, value: int | None = None, drive: int = 0, alt: int = -1
        ) -> None:
            _init_pin(bench, self.number, mode, value, alt)

        def __call__(self, x: object = None) -> int | None:
            if x is None:
                return read(self.number)
            write(self.number, 1 if x else 0)
            return None

        def value(self, x: object = None) -> int | None:
            if x is None:
                return read(self.number)
            write(self.number, 1 if x else 0)
            return None

        def on(self) -> None:
            write(self.number, 1)

        def off(self) -> None:
            write(self.number, 0)

        high = on
        low = off

        def toggle(self) -> None:
            write(self.number, 1 - out[self.number])

        def irq(
            self,
            handler: "Callable[[Any], object] | None" = None,
            trigger: int = 12,
            *,
            priority: int = 1,
            wake: int | None = None,
            hard: bool = False,
        ) -> Irq:
            number = self.number
            gpio.handler[number] = handler
            gpio.trigger[number] = trigger if handler is not None else 0
            gpio.flags[number] = 0
            kernel.irqs &= ~(1 << number)
            gpio.pin_object[number] = self
            return irqs[number]

    class ADC:
        CORE_TEMP = 4

        def __init__(self, id: "Any") -> None:
            number: int = id if isinstance(id, int) and id < ADC_FIRST else _pin_number(id) - ADC_FIRST
            if not 0 <= number <= 2:
                raise ValueError("only ADC 0, 1 and 2 are wired on this board")
            self._number = number

        def read_u16(self) -> int:
            number = self._number
            if number == 1:
                return read_adc(CH_MUX_FIRST + gpio.mux)
            return read_adc(CH_LIGHT if number else CH_SUPPLY)

    class Timer:
        ONE_SHOT = 0
        PERIODIC = 1

        def __init__(self, id: int = -1, **options: "Any") -> None:
            if id != -1:
                raise ValueError("only virtual timers (-1) exist on rp2")
            self.callback: Callable[[Any], object] = bool
            self.period_us = 0
            self.due_us = 0
            if options:
                self.init(**options)

        def init(
            self,
            *,
            mode: int = 1,
            freq: int = -1,
            period: int = -1,
            callback: "Callable[[Any], object] | None" = None,
            tick_hz: int = 1000,
            hard: bool = False,
        ) -> None:
            span = 1000000 // freq if freq != -1 else period * 1000000 // tick_hz
            if span <= 0:
                raise ValueError("period must be positive")
            self.callback = callback if callback is not None else bool  # without one: a call that does nothing
            self.period_us = span if mode == 1 else 0
            self.due_us = kernel.now + span
            kernel.add_timer(self)

        def deinit(self) -> None:
            kernel.remove_timer(self)

    class WDT:
        def __init__(self, id: int = 0, timeout: int = 5000) -> None:
            if not 1 <= timeout <= WDT_MAX_MS:
                raise ValueError("timeout exceeds " + str(WDT_MAX_MS))
            self._timeout_us = timeout * 1000
            self.feed()

        def feed(self) -> None:
            board.feed_watchdog(self._timeout_us)

    def idle() -> None:
        kernel.spend(_POLL_COST_US)

    def disable_irq() -> int:
        return 0

    return Module(
        "machine",
        Pin=Pin,
        ADC=ADC,
        Timer=Timer,
        WDT=WDT,
        I2C=make_i2c(kernel, gpio, bus, _pin_number),
        SoftI2C=make_soft_i2c(sensor_bus, _pin_number),
        I2CTarget=make_i2c_target(targets, _pin_number),
        PWM=make_pwm(pwm, _pin_number),
        PWRON_RESET=PWRON_RESET,
        WDT_RESET=WDT_RESET,
        # On rp2 machine.reset() works through the watchdog, and reset_cause() afterwards says so.
        reset=lambda: board.reset(WDT_RESET),
        soft_reset=lambda: board.reset(board.reset_cause),
        reset_cause=lambda: board.reset_cause,
        unique_id=lambda: board.unique_id,
        freq=lambda: 125000000,
        idle=idle,
        disable_irq=disable_irq,
        enable_irq=lambda state: None,
    )


def make_time(kernel: "Kernel", board: "Board") -> Module:
    """The time module, on virtual time; ticks wrap as on rp2."""

    def ticks_us() -> int:
        kernel.spend(_TICKS_COST_US)
        return (kernel.now + board.ticks_offset_us) & _TICKS_MASK

    def ticks_ms() -> int:
        kernel.spend(_TICKS_COST_US)
        return (kernel.now + board.ticks_offset_us) // 1000 & _TICKS_MASK

    def ticks_diff(end: int, start: int) -> int:
        return ((end - start + _TICKS_HALF) & _TICKS_MASK) - _TICKS_HALF

    def ticks_add(ticks: int, delta: int) -> int:
        return (ticks + delta) & _TICKS_MASK

    def sleep_us(us: int) -> None:
        kernel.run_until(kernel.now + (us if us > 0 else 1), False)

    def sleep_ms(ms: int) -> None:
        kernel.run_until(kernel.now + (ms * 1000 if ms > 0 else 1), False)

    def sleep(seconds: float) -> None:
        sleep_us(int(seconds * 1000000))

    return Module(
        "time",
        ticks_us=ticks_us,
        ticks_ms=ticks_ms,
        ticks_cpu=ticks_us,
        ticks_diff=ticks_diff,
        ticks_add=ticks_add,
        sleep=sleep,
        sleep_ms=sleep_ms,
        sleep_us=sleep_us,
        # A board without a battery-backed clock starts at its epoch.
        time=lambda: (kernel.now + board.ticks_offset_us) // 1000000,
        time_ns=lambda: (kernel.now + board.ticks_offset_us) * 1000,
    )


def make_select(kernel: "Kernel") -> Module:
    """The select module, for the board's own streams."""
    return Module("select", poll=lambda: Poll(kernel), POLLIN=POLLIN, POLLOUT=POLLOUT)


def install(
    kernel: "Kernel",
    gpio: "Gpio",
    board: "Board",
    bus: "Bus",
    pio: "Pio",
    pwm: "Pwm",
    targets: "Targets",
    sensor_bus: "SensorBus",
) -> None:
    """Puts all of them where import finds them first. Replaced whole: machine, rp2, time, select."""
    entries: dict[str, Any] = {
        "machine": make_machine(kernel, gpio, board, bus, pwm, targets, sensor_bus),
        "rp2": make_rp2(kernel, pio, _pin_number),
        "time": make_time(kernel, board),
        "select": make_select(kernel),
        "gc": make_gc(board),
        "micropython": make_micropython(board),
    }
    for name in entries:
        sys.modules[name] = entries[name]
    cover_os(board)
