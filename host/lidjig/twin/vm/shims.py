"""The modules that the firmware finds instead of the board's: machine, rp2 and time, at the level of pins.

machine.Timer, WDT and time run on the kernel's virtual time. Around them stand thin covers over os, gc and micropython
that make what would differ from run to run, or is missing on this interpreter, come out the same everywhere.
"""

import sys

from gpio import ADC_FIRST, CH_LIGHT, CH_MUX_FIRST, CH_SUPPLY, IN, OUT, PINS

TICKS_PERIOD = 1 << 30
_TICKS_MASK = TICKS_PERIOD - 1
_TICKS_HALF = TICKS_PERIOD // 2

# What a call takes on the board, us (an RP2040 at 125 MHz, emulated: ticks_us 4.8).
_TICKS_COST_US = 5
_POLL_COST_US = 20

PWRON_RESET = 1
WDT_RESET = 3
WDT_MAX_MS = 8388


class Module:
    """A module made of attributes."""

    def __init__(self, name):
        self.__name__ = name


def cover(module, name):
    """A module with everything of the one given, to be changed at will (built-in modules cannot be)."""
    covered = Module(name)
    for key in dir(module):
        if not key.startswith("__"):
            setattr(covered, key, getattr(module, key))
    return covered


def _pin_number(pin):
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


def make_machine(kernel, gpio, board):
    """The machine module. board: reset_cause, unique_id (bytes), and reset(cause)."""

    out, level = gpio.out, gpio.level
    write, read_adc = gpio.write, gpio.read_adc

    class Irq:
        def __init__(self, number):
            self._number = number

        def flags(self):
            return gpio.flags[self._number]

        def trigger(self):
            return gpio.trigger[self._number]

        def __call__(self):
            gpio.kernel.irqs |= 1 << self._number

    class Pin:
        IN = IN
        OUT = OUT
        OPEN_DRAIN = 2
        PULL_UP = 1
        PULL_DOWN = 2
        IRQ_FALLING = 4
        IRQ_RISING = 8

        def __init__(self, id, mode=-1, pull=-1, *, value=None, drive=0, alt=-1):
            self.number = _pin_number(id)
            if gpio.pin_object[self.number] is None:
                gpio.pin_object[self.number] = self
            if mode != -1:
                self.init(mode, pull, value=value)

        def init(self, mode=-1, pull=-1, *, value=None, drive=0, alt=-1):
            number = self.number
            if mode != -1 and mode != IN and mode != OUT:  # no tuple: this runs with the heap locked
                raise ValueError("only Pin.IN and Pin.OUT are wired on this board")
            if value is not None:
                value = 1 if value else 0
            gpio.set_mode(number, gpio.mode[number] if mode == -1 else mode, value)
            if gpio.mode[number] == IN:
                board.refresh_input(number)

        def __call__(self, x=None):
            if x is None:
                return level[self.number]
            write(self.number, 1 if x else 0)

        def value(self, x=None):
            if x is None:
                return level[self.number]
            write(self.number, 1 if x else 0)

        def on(self):
            write(self.number, 1)

        def off(self):
            write(self.number, 0)

        high = on
        low = off

        def toggle(self):
            write(self.number, 1 - out[self.number])

        def irq(self, handler=None, trigger=12, *, priority=1, wake=None, hard=False):
            number = self.number
            gpio.handler[number] = handler
            gpio.trigger[number] = trigger if handler is not None else 0
            gpio.flags[number] = 0
            kernel.irqs &= ~(1 << number)
            gpio.pin_object[number] = self
            return Irq(number)

    class ADC:
        CORE_TEMP = 4

        def __init__(self, id):
            number = id if isinstance(id, int) and id < ADC_FIRST else _pin_number(id) - ADC_FIRST
            if not 0 <= number <= 2:
                raise ValueError("only ADC 0, 1 and 2 are wired on this board")
            self._number = number

        def read_u16(self):
            number = self._number
            if number == 1:
                return read_adc(CH_MUX_FIRST + gpio.mux)
            return read_adc(CH_LIGHT if number else CH_SUPPLY)

    class Timer:
        ONE_SHOT = 0
        PERIODIC = 1

        def __init__(self, id=-1, **options):
            if id != -1:
                raise ValueError("only virtual timers (-1) exist on rp2")
            self.callback = None
            self.period_us = 0
            self.due_us = 0
            if options:
                self.init(**options)

        def init(self, *, mode=1, freq=-1, period=-1, callback=None, tick_hz=1000, hard=False):
            span = 1000000 // freq if freq != -1 else period * 1000000 // tick_hz
            if span <= 0:
                raise ValueError("period must be positive")
            self.callback = callback
            self.period_us = span if mode == 1 else 0
            self.due_us = kernel.now + span
            kernel.add_timer(self)

        def deinit(self):
            kernel.remove_timer(self)

    class WDT:
        def __init__(self, id=0, timeout=5000):
            if not 1 <= timeout <= WDT_MAX_MS:
                raise ValueError("timeout exceeds " + str(WDT_MAX_MS))
            self._timeout_us = timeout * 1000
            board.watchdog_end_us = 0
            self.feed()

        def feed(self):
            board.feed_watchdog(self._timeout_us)

    def idle():
        kernel.spend(_POLL_COST_US)

    def disable_irq():
        return 0

    machine = Module("machine")
    machine.Pin = Pin
    machine.ADC = ADC
    machine.Timer = Timer
    machine.WDT = WDT
    machine.PWRON_RESET = PWRON_RESET
    machine.WDT_RESET = WDT_RESET
    # On rp2 machine.reset() works through the watchdog, and reset_cause() afterwards says so.
    machine.reset = lambda: board.reset(WDT_RESET)
    machine.soft_reset = lambda: board.reset(board.reset_cause)
    machine.reset_cause = lambda: board.reset_cause
    machine.unique_id = lambda: board.unique_id
    machine.freq = lambda: 125000000
    machine.idle = idle
    machine.disable_irq = disable_irq
    machine.enable_irq = lambda state: None
    return machine


def make_time(kernel, board):
    """The time module, on virtual time; ticks wrap as on rp2."""

    def ticks_us():
        kernel.spend(_TICKS_COST_US)
        return (kernel.now + board.ticks_offset_us) & _TICKS_MASK

    def ticks_ms():
        kernel.spend(_TICKS_COST_US)
        return (kernel.now + board.ticks_offset_us) // 1000 & _TICKS_MASK

    def ticks_diff(end, start):
        return ((end - start + _TICKS_HALF) & _TICKS_MASK) - _TICKS_HALF

    def ticks_add(ticks, delta):
        return (ticks + delta) & _TICKS_MASK

    def sleep_us(us):
        kernel.run_until(kernel.now + (us if us > 0 else 1), False)

    def sleep_ms(ms):
        kernel.run_until(kernel.now + (ms * 1000 if ms > 0 else 1), False)

    def sleep(seconds):
        sleep_us(int(seconds * 1000000))

    module = Module("time")
    module.ticks_us = ticks_us
    module.ticks_ms = ticks_ms
    module.ticks_cpu = ticks_us
    module.ticks_diff = ticks_diff
    module.ticks_add = ticks_add
    module.sleep = sleep
    module.sleep_ms = sleep_ms
    module.sleep_us = sleep_us
    # A board without a battery-backed clock starts at its epoch.
    module.time = lambda: (kernel.now + board.ticks_offset_us) // 1000000
    module.time_ns = lambda: (kernel.now + board.ticks_offset_us) * 1000
    return module


def make_os(board):
    """The os module; random bytes come from the seed, and rename replaces as it does on the board's file system."""
    import os

    covered = cover(os, "os")
    covered.urandom = board.random_bytes
    if hasattr(os, "replace"):  # CPython; on Windows its rename refuses to replace
        covered.rename = os.replace
    return covered


def make_gc(board):
    """The gc module; free and used heap are the board's, as the scenario states them, not this interpreter's."""
    import gc

    covered = cover(gc, "gc")
    covered.mem_free = lambda: board.heap_free
    covered.mem_alloc = lambda: board.heap_total - board.heap_free
    if sys.implementation.name != "micropython":
        covered.threshold = lambda amount=-1: None
    return covered


def make_micropython():
    """The micropython module, with what this interpreter does not have."""
    if sys.implementation.name == "micropython":
        import micropython

        covered = cover(micropython, "micropython")
    else:
        covered = Module("micropython")
        covered.const = lambda value: value
        covered.native = lambda function: function
        covered.viper = lambda function: function
        covered.heap_lock = lambda: 0
        covered.heap_unlock = lambda: 0
        covered.schedule = lambda function, argument: function(argument)
        covered.opt_level = lambda level=None: 0
        covered.mem_info = lambda verbose=None: None
    covered.kbd_intr = lambda character: None  # the twin's console is not this process's terminal
    covered.alloc_emergency_exception_buf = lambda size: None
    return covered


def install(kernel, gpio, board):
    """Puts all of them where import finds them first."""
    entries = {
        "machine": make_machine(kernel, gpio, board),
        "rp2": Module("rp2"),
        "time": make_time(kernel, board),
        "gc": make_gc(board),
        "micropython": make_micropython(),
    }
    if sys.implementation.name == "micropython":
        entries["os"] = make_os(board)
        entries["utime"] = entries["time"]
    else:
        import os

        # The running interpreter's own library shares this module: change only what differs.
        os.urandom = board.random_bytes
        os.rename = os.replace
    for name in entries:
        sys.modules[name] = entries[name]
