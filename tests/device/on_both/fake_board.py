"""A bench small enough to see through: fake machine and time modules, simply wired pins, a console, a host.

Runs on CPython and MicroPython. Time moves only in Bench.advance() (and so in console.wait()); the tick and
pin interrupts run from there. Import this before anything of the firmware.
"""

import sys

import fake_rp2
import fake_sensor
from fake_bus import EIO, ETIMEDOUT, I2C, SCL, SDA, Bus, Meter

__all__ = ["EIO", "ETIMEDOUT", "Meter"]

heap_lock = heap_unlock = None
if sys.implementation.name == "micropython":
    from micropython import heap_lock, heap_unlock

PERIOD = 1 << 30
DRIVE_PINS = (2, 3, 4, 5, 8, 9, 17, 18, 19)  # all that can put a voltage on a connector


class Pin:
    IN = 0
    OUT = 1
    ALT = 3
    ALT_I2C = 3
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=-1, pull=-1, *, value=None):
        self.number = number
        bench.pins[number] = self
        if mode != -1:
            self.init(mode, pull, value=value)

    def init(self, mode=-1, pull=-1, *, value=None, alt=-1):
        if value is not None:
            bench.out[self.number] = value
        if mode == Pin.ALT:
            mode = Pin.IN  # a peripheral has it, and gives nothing here
        if mode != -1:
            bench.mode[self.number] = mode
        assert not (self.number in (6, 7) and bench.given(self.number)), "the bus is driven high"
        bench.settle()

    def __call__(self, x=None):
        if x is None:
            level = bench.level(self.number)
        else:
            level = None
            bench.out[self.number] = 1 if x else 0
            if bench.mode[self.number] == Pin.OUT:
                bench.settle()
        if self.number == bench.meanwhile_pin:
            bench.used()
        return level

    value = __call__

    def irq(self, handler=None, trigger=12, *, hard=False):
        assert hard, "edges are stamped in hard interrupts"
        bench.handlers[self.number] = handler
        bench.triggers[self.number] = trigger


class ADC:
    def __init__(self, pin):
        self.channel = (pin if isinstance(pin, int) else pin.number) - 26

    def read_u16(self):
        bench.adc_reads += 1
        if self.channel == 0:
            return bench.raw[0]
        if self.channel == 2:
            return bench.raw[9]
        return bench.raw[1 + (bench.given(22) | bench.given(0) << 1 | bench.given(1) << 2)]


class Timer:
    PERIODIC = 1
    ONE_SHOT = 0

    def __init__(self, number=-1):
        self.callback = None

    def init(self, *, mode=1, period=-1, callback=None, hard=False):
        assert hard and period == 1 and mode == Timer.PERIODIC
        self.callback = callback
        bench.timer = self

    def deinit(self):
        bench.timer = None


class WDT:
    def __init__(self, timeout=5000):
        assert timeout <= 8388  # MicroPython 1.26 to 1.28, ports/rp2/machine_wdt.c
        bench.watchdog_fed += 1

    def feed(self):
        bench.watchdog_fed += 1


class ResetNow(BaseException):
    pass


class Bench:
    def __init__(self):
        self.reset()

    def reset(self):
        self.pins = [None] * 30
        self.mode = [0] * 30
        self.out = [0] * 30
        self.seen = [0] * 30
        self.handlers = [None] * 30
        self.triggers = [12] * 30
        self.bus = Bus()
        self.more_observers = [1, 1]  # levels at the wires of the bus where it has none; its pull-ups
        self.timer = None
        self.now_us = 0
        self.offset = 0
        self.cause = 1
        self.watchdog_fed = 0
        self.adc_reads = 0
        self.interrupts = 0
        self.supply = 1
        self.held = [None, None]  # a level that somebody else forces on a machine line
        self.mark = 1
        self.observers = [0, 0]
        self.sensor = [1, 1]
        self.part = None  # a real sensor (fake_sensor.py), told of every pin that moves
        self.raw = [17873] + [30000] * 9  # supply: 1.8 V of 6.6 V
        self.rx = bytearray()
        self.tx = bytearray()
        self.tx_room = 1 << 20
        self.skip_ticks = False
        self.interrupt_characters = []
        self.meanwhile_pin = -1
        self.meanwhile_left = 0
        self.meanwhile_action = None

    def meanwhile(self, number, nth, action):
        # Right after the firmware has read or written a pin for the nth time from now on, action() comes in between.
        self.meanwhile_pin, self.meanwhile_left, self.meanwhile_action = number, nth, action

    def used(self):
        self.meanwhile_left -= 1
        if not self.meanwhile_left:
            self.meanwhile_pin = -1
            self.meanwhile_action()

    def given(self, number):
        return self.out[number] & self.mode[number]

    def line(self, k):
        # Machine line k: somebody else, the drive buffer, or the machine's pull-up; nothing without supply.
        if not self.supply:
            return 0
        if self.held[k] is not None:
            return self.held[k]
        if self.given(3 + 2 * k):
            return self.given(2 + 2 * k)
        return 1

    def level(self, number):
        if self.mode[number] == Pin.OUT:
            return self.out[number]
        if number in (10, 11):
            return self.line(number - 10)
        if number in (12, 13):
            return self.sensor[number - 12]
        if number == 14:
            return self.supply
        if number == 15:
            return self.mark
        if number in (20, 21):
            return self.observers[number - 20]
        if number == SDA:
            return 0 if self.bus.sda_clocks else self.more_observers[0]
        if number == SCL:
            return 0 if self.bus.scl_held else self.more_observers[1]
        return 0

    def settle(self):
        # Edges of inputs since the last look become interrupts.
        if self.part is not None:
            self.part.moved(self)
        for number in (6, 7, 10, 11, 12, 13, 14, 15, 20, 21):
            level = self.level(number)
            if level != self.seen[number]:
                self.seen[number] = level
                self.wire_moved(number, level)
                handler = self.handlers[number]
                if handler is not None and self.triggers[number] & (8 if level else 4):
                    self.interrupt(handler, self.pins[number])

    def wire_moved(self, number, level):
        # By pin, not by the controller.
        bus = self.bus
        if number == SCL and level:
            bus.clocks += 1
            if bus.sda_clocks:
                bus.sda_clocks -= 1
        elif number == SDA and level and self.level(SCL):
            bus.stops += 1

    def set(self, **what):
        for name in what:
            setattr(self, name, what[name])
        self.settle()

    def interrupt(self, handler, argument):
        # A hard interrupt: on MicroPython nothing in it may touch the heap.
        self.interrupts += 1
        if heap_lock is None:
            handler(argument)
            return
        heap_lock()
        try:
            handler(argument)
        finally:
            heap_unlock()

    def advance(self, us):
        end = self.now_us + us
        while self.now_us < end:
            step = 1000 - self.now_us % 1000
            if self.now_us + step > end:
                self.now_us = end
                return
            self.now_us += step
            if self.timer is not None and not self.skip_ticks:
                self.interrupt(self.timer.callback, self.timer)

    # console

    def wait(self, timeout_ms):
        for _ in range(timeout_ms):
            if self.rx:
                return True
            self.advance(1000)
        return bool(self.rx)

    def read(self):
        data = bytes(self.rx)
        self.rx = bytearray()
        return data

    def write(self, data):
        taken = min(len(data), self.tx_room)
        self.tx.extend(data[:taken])
        return taken

    def high_impedance(self):
        return all([self.mode[n] == Pin.IN for n in DRIVE_PINS])


bench = Bench()
I2C.bench = fake_sensor.SoftI2C.bench = fake_rp2.StateMachine.bench = fake_rp2.DMA.bench = bench


class Module:
    pass


def _machine():
    machine = Module()
    machine.Pin, machine.ADC, machine.Timer, machine.WDT, machine.I2C = Pin, ADC, Timer, WDT, I2C
    machine.PWM, machine.I2CTarget = fake_rp2.PWM, fake_rp2.I2CTarget
    machine.SoftI2C = fake_sensor.SoftI2C
    machine.freq = lambda: 125000000
    machine.disable_irq = lambda: 0
    machine.enable_irq = lambda state: None
    machine.PWRON_RESET, machine.WDT_RESET = 1, 3
    machine.reset_cause = lambda: bench.cause
    machine.unique_id = lambda: b"\x01\x02\x03\x04\x05\x06\x07\x08"

    def reset():
        raise ResetNow()

    machine.reset = reset
    return machine


def _rp2():
    rp2 = Module()
    rp2.PIO, rp2.StateMachine, rp2.asm_pio = fake_rp2.PIO, fake_rp2.StateMachine, fake_rp2.asm_pio
    rp2.DMA = fake_rp2.DMA
    return rp2


def _time():
    def ticks_us():
        return (bench.now_us + bench.offset) & (PERIOD - 1)

    def ticks_diff(a, b):
        return ((a - b + PERIOD // 2) & (PERIOD - 1)) - PERIOD // 2

    def ticks_add(a, delta):
        return (a + delta) & (PERIOD - 1)

    def sleep_ms(ms):
        bench.advance(ms * 1000)

    def sleep_us(us):
        bench.advance(us)

    clock = Module()
    clock.ticks_us, clock.ticks_diff, clock.ticks_add = ticks_us, ticks_diff, ticks_add
    clock.sleep_ms, clock.sleep_us = sleep_ms, sleep_us
    return clock


def _micropython():
    # What this interpreter has, and what only a board has.
    fake = Module()
    if sys.implementation.name == "micropython":
        import micropython

        for name in dir(micropython):
            if not name.startswith("__"):
                setattr(fake, name, getattr(micropython, name))
    else:
        import builtins

        fake.const = lambda value: value
        fake.viper = lambda function: function
        builtins.ptr8 = builtins.ptr16 = builtins.ptr32 = lambda data: data  # viper's own names
    fake.kbd_intr = lambda character: bench.interrupt_characters.append(character)
    fake.alloc_emergency_exception_buf = lambda size: None
    return fake


def install():
    sys.modules["machine"] = _machine()
    sys.modules["rp2"] = _rp2()
    sys.modules["time"] = _time()
    sys.modules["micropython"] = _micropython()


install()


from fake_host import Host  # noqa: E402  it needs this module's bench

PROFILE = {
    "version": 1,
    "family": 1,
    "outputs": 1,
    "safe_route": 1,
    "update_us": 1000,
    "supply_min_mv": 1700,
    "supply_max_mv": 3600,
    "angle_min_mdeg": 0,
    "angle_max_mdeg": 180000,
    "start_mdeg": 110000,
    "drive_1": 0,
    "active_high_1": 0,
    "operate_mdeg_1": 18000,
    "release_mdeg_1": 22000,
    "drive_2": 0,
    "active_high_2": 0,
    "operate_mdeg_2": 18000,
    "release_mdeg_2": 22000,
    "name": b"test",
}


def profile(**changes):
    from shared_proto import blobs

    values = dict(PROFILE)
    values.update(changes)
    return blobs.pack(blobs.PROFILE_FIELDS, values)


def wiring(**changes):
    """A bench with all lines and channels of its own, and nothing more: every other field at its lowest, none."""
    from shared_proto import blobs

    values = {row[0]: row[2] for row in blobs.WIRING_FIELDS}
    values.update({"lines_used": 0xFF, "scan": 0x3FF, "name": b"bench"})
    values.update(changes)
    return blobs.pack(blobs.WIRING_FIELDS, values)


def start(folder):
    """(jig, service, host) of a board that has just booted with the flash in folder."""
    from boards import Board
    from firmware.app import Service
    from firmware.jig import Jig

    jig = Jig(Board(), folder)
    service = Service(bench, jig)
    host = Host(service)
    return jig, service, host


def standin(folder, **changes):
    """The same, armed in route standin with a profile loaded."""
    jig, service, host = start(folder)
    host.hello()
    assert host.load(1, profile(**changes)).name == "blob_commit_result"
    host.ok("arm")
    host.ok("set_route", route=2)
    host.turn()
    return jig, service, host


def trip_of(host):
    """The lock event of the trip, after the service loop had time to tell it."""
    from shared_proto import names

    host.run(60)
    trips = [e for e in host.named("lock") if e["state"] == names.TRIPPED]
    assert len(trips) == 1, host.named("lock")
    return trips[0]


def is_safe(host):
    from shared_proto import names

    assert bench.high_impedance()
    assert bench.given(16) == 0  # the relay
    status = host.ok("status")
    assert status["lock"] == names.TRIPPED and status["route"] == names.ROUTE_THROUGH
    assert status["moving"] == 0 and status["queued"] == 0
    for name, fields in (
        ("arm", {}),
        ("set_route", {"route": 2}),
        ("move", {"angle_mdeg": 0, "duration_ms": 1, "shape": 0}),
        ("drive", {"output": 0, "state": 1}),
        ("load", {"target": 0, "state": 1}),
        ("sensor_power", {"on": 1}),
    ):
        assert host.refused(name, **fields) == names.REFUSED_TRIPPED, name
    return status


def closed(folder, **changes):
    """Armed, in route standin, with output 1 held operated (driven low)."""
    jig, service, host = standin(folder, **changes)
    host.ok("move", angle_mdeg=0, duration_ms=0, shape=0)
    host.run(10)
    assert bench.given(3) == 1 and bench.given(2) == 0
    return jig, service, host


def checks(namespace):
    """Runs every check_ function of a script by name, each on a fresh bench and an empty flash folder."""
    import os

    base = sys.argv[1]
    for number, name in enumerate(sorted([n for n in namespace if n.startswith("check_")])):
        bench.reset()
        folder = base + "/" + str(number)
        os.mkdir(folder)
        namespace[name](folder)
        print("ok", name)
