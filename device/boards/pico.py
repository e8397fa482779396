# Raspberry Pi Pico, Pico 2 and boards with the same pin numbers (RP2040, RP2350).
#
# Pins, power switching and timers. The pin map is beside it (pico_pins.py), since the firmware does not read it.
import sys
import time

import machine
from machine import ADC, I2C, WDT, Pin, Timer
from micropython import const

from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TextIO

    from boards.pio_capture import Listener

_MARK = const(15)
_RELAY = const(16)
_LED = const(25)
_TICK_MS = const(1)
# Below the 8388 ms that the RP2040's watchdog can count (releases 1.26 to 1.28 refuse more).
_WATCHDOG_MS = const(5000)

# Pins of the lines, in the order of names.LINES. The mark switch pulls low: its level is inverted.
# The last two are the bus.
_LINE_PINS = (10, 11, 12, 13, 14, 15, 20, 21, 6, 7)
_LINES_ACTIVE_LOW = const(1 << 5)

# Bound once: looking up Pin.IN in an interrupt costs a global and an attribute each.
_IN = Pin.IN
_OUT = Pin.OUT
_BOTH_EDGES = Pin.IRQ_RISING | Pin.IRQ_FALLING

# GP6 and GP7 belong to the chip's second bus controller. The time-out is that of one transfer, of 50 us on its own: a
# tick or two in its middle must not end it.
_BUS = const(1)
_BUS_HZ = const(400000)
_BUS_TIMEOUT_US = const(2000)


def boot_files() -> str:
    # Folder on the board's flash for what must outlive a power cut.
    return "/kept"


def streams() -> "tuple[TextIO, TextIO]":
    # Input and output of the console: the USB serial port.
    return sys.stdin, sys.stdout


def mark_held() -> bool:
    # The mark switch at power-up: three readings 10 ms apart, so that a spike does not skip the firmware.
    pin = Pin(_MARK, _IN)
    for _ in range(3):
        if pin():
            return False
        time.sleep_ms(10)
    return True


class Board:
    # What the firmware may ask of the hardware. Drive pins are inputs unless ready() was called; the external
    # 10 kohm pull-downs then hold every enable low, and the buffers are high impedance.

    abilities = (
        names.ABILITY_RELAY
        | names.ABILITY_SENSOR_POWER
        | names.ABILITY_OUTPUTS_2
        | names.ABILITY_BUS
        | names.ABILITY_SAMPLING
        | names.ABILITY_READING
    )
    lines_active_low = _LINES_ACTIVE_LOW
    supply_full_scale_mv = 6600

    def __init__(self) -> None:
        self.drive_data = (Pin(2, _IN), Pin(4, _IN))
        self.drive_enable = (Pin(3, _IN), Pin(5, _IN))
        self.test_enable = (Pin(8, _IN), Pin(9, _IN))
        self.pull = (Pin(18, _IN), Pin(19, _IN))
        self.sensor_power = Pin(17, _IN)
        self.relay = Pin(_RELAY, _OUT, value=0)
        self.led = Pin(_LED, _OUT, value=0)
        self.lines = tuple([Pin(number, _IN) for number in _LINE_PINS])
        self.supply_ok = self.lines[names.LINE_SUPPLY_OK]
        self.bus = self.lines[names.LINE_OBS3 :]  # SDA, SCL
        self.target_pins = self.lines[names.LINE_OBS1 : names.LINE_OBS3]  # SDA, SCL of an emulated sensor
        self.target_lent = 0  # 1 while that may join them; who joins looks at it afterwards
        self.sensor_pins = self.lines[names.LINE_S1 : names.LINE_SUPPLY_OK]  # SDA, SCL of a real sensor
        self.sensor_lent = 0  # 1 while whoever reads one may drive pins; who does looks at it between two steps
        self._address = 0
        self._mux = (Pin(22, _OUT, value=0), Pin(0, _OUT, value=0), Pin(1, _OUT, value=0))
        # RP2040 pins sink about 60 uA after reset: made plain inputs before the ADC takes them.
        for number in (26, 27, 28):
            Pin(number, _IN)
        self.read_supply = ADC(26).read_u16
        self.read_mux = ADC(27).read_u16
        self.read_light = ADC(28).read_u16
        self._timer = Timer(-1)
        self._watchdog: WDT | None = None
        self._listener: Listener | None = None  # once it was asked for
        self.safe_relay = 0  # relay level of the safe route; let_go() returns to it
        # Enable and data of a third output, while the pins of the bus are lent to one.
        self._third: tuple[Pin, ...] = ()
        # Of an output that the service loop has to serve in every turn while it drives; ends with let_go().
        self.later: Callable[[], None] | None = None
        # The stubs give ticks types of their own, to keep them out of sums; rings hold plain integers.
        self.ticks_us: Callable[[], int] = time.ticks_us  # type: ignore[assignment]
        self.ticks_diff: Callable[[int, int], int] = time.ticks_diff
        self.ticks_add: Callable[[int, int], int] = time.ticks_add  # type: ignore[assignment]

    # -- called from anywhere, interrupts included: allocates nothing -------------------------------

    def let_go(self) -> None:
        # Enables first, since they alone make the outputs high impedance; then every drive pin back to input,
        # so that a write still under way in interrupted code only sets an output latch that drives nothing.
        one, two = self.drive_enable
        one(0)
        two(0)
        one.init(_IN)
        two.init(_IN)
        one, two = self.test_enable
        one(0)
        two(0)
        one.init(_IN)
        two.init(_IN)
        for pin in self._third:
            pin(0)
            pin.init(_IN)
        self._third = ()
        self._take_target()
        self.take_sensor()
        self.sensor_power(0)
        self.sensor_power.init(_IN)
        one, two = self.pull
        one.init(_IN)
        two.init(_IN)
        one, two = self.drive_data
        one.init(_IN)
        two.init(_IN)
        self.relay(self.safe_relay)  # after the enables: break before make
        self.led(0)
        self.later = None

    def _take_target(self) -> None:
        self.target_lent = 0
        sda, scl = self.target_pins
        sda.init(_IN)
        scl.init(_IN)

    def take_sensor(self) -> None:
        # The pins of a real sensor's bus. (What clocks a word is among the pulls and the target's pins.)
        self.sensor_lent = 0
        sda, scl = self.sensor_pins
        sda.init(_IN)
        scl.init(_IN)

    def select(self, channel: int) -> None:
        # Analog switch to a names.CH_ channel of the switch (1..8); settled well within the millisecond to
        # come.
        # Only the bits that change are written.
        address = channel - 1
        changed = address ^ self._address
        self._address = address
        a, b, c = self._mux
        if changed & 1:
            a(address & 1)
        if changed & 2:
            b((address >> 1) & 1)
        if changed & 4:
            c(address >> 2)

    # -- called from the service loop only ----------------------------------------------------------

    def ready(self) -> None:
        # Drive pins become outputs, all disabled. pull and sensor power stay inputs until they are asked for.
        for pin in self.drive_enable + self.test_enable:
            pin.init(_OUT, value=0)
        for pin in self.drive_data:
            pin.init(_OUT, value=0)
        self.sensor_power.init(_OUT, value=0)
        self.led(1)

    def take_back(self) -> None:
        # Drive pins that frames were given on are plain outputs again, all disabled.
        self.later = None
        for pin in self._third:
            pin(0)
            pin.init(_IN)
        self._third = ()
        self._take_target()
        for pin in self.drive_enable + self.drive_data:
            pin.init(_OUT, value=0)

    def lend_bus(self) -> None:
        # The pins of the bus as a third output, data and enable, disabled: where no bus is wired. Noted first, so that
        # whoever lets go in between finds it.
        data, enable = self.bus
        self._third = (enable, data)
        enable.init(_OUT, value=0)
        data.init(_OUT, value=0)

    def lend_target(self) -> None:
        # The pins of observers 1 and 2 to an emulated sensor's bus, until let_go().
        self.target_lent = 1

    def set_pull(self, line: int, state: int) -> None:
        pin = self.pull[line]
        if state == names.LOAD_OFF:
            pin.init(_IN)
        else:
            pin.init(_OUT, value=1 if state == names.LOAD_HIGH else 0)

    def set_test(self, line: int, state: int) -> None:
        # Not in route standin, where the data pin is the drive buffer's.
        self.test_enable[line](0)
        if state != names.LOAD_OFF:
            self.drive_data[line](1 if state == names.LOAD_HIGH else 0)
            self.test_enable[line](1)

    def loads_off(self) -> None:
        for line in (0, 1):
            self.set_test(line, names.LOAD_OFF)
            self.set_pull(line, names.LOAD_OFF)

    def on_edges(self, line: int, handler: "Callable[[Pin], None] | None") -> None:
        # handler(pin) in a hard interrupt on both edges; None stops.
        self.lines[line].irq(handler=handler, trigger=_BOTH_EDGES, hard=True)

    def on_rises(self, line: int, handler: "Callable[[Pin], None]", falling: bool) -> None:
        # handler(pin) in a hard interrupt on one edge; on_edges(line, None) stops it.
        trigger = Pin.IRQ_FALLING if falling else Pin.IRQ_RISING
        self.lines[line].irq(handler=handler, trigger=trigger, hard=True)

    def listener(self) -> "Listener":
        # What captures the levels of a line. Loaded when it is first asked for.
        if self._listener is None:
            from boards.pio_capture import Listener

            self._listener = Listener(self.ticks_us)
        return self._listener

    def open_bus(self) -> I2C:
        # The controller anew, as after a reset of it, with the pins of the bus given to it.
        sda, scl = self.bus
        return I2C(_BUS, scl=scl, sda=sda, freq=_BUS_HZ, timeout=_BUS_TIMEOUT_US)

    def close_bus(self) -> None:
        for pin in self.bus:
            pin.init(_IN)

    def pull_bus(self, wire: int) -> None:
        # SDA (0) or SCL (1) low. The value comes before the direction, so it is never high.
        self.bus[wire].init(_OUT, value=0)

    def free_bus(self, wire: int) -> None:
        # Lets go of it: the pull-up makes the high level.
        self.bus[wire].init(_IN)

    def start_tick(self, callback: "Callable[[Timer], None]") -> None:
        self._timer.init(period=_TICK_MS, mode=Timer.PERIODIC, callback=callback, hard=True)

    def stop_tick(self) -> None:
        self._timer.deinit()

    def guard(self) -> None:
        # Starts the watchdog; it can never be stopped again, only a reset ends it.
        if self._watchdog is None:
            self._watchdog = WDT(timeout=_WATCHDOG_MS)

    @property
    def guarded(self) -> bool:
        return self._watchdog is not None

    def feed(self) -> None:
        if self._watchdog is not None:
            self._watchdog.feed()

    def reset_cause(self) -> int:
        # machine.reset() goes through the watchdog on this chip; the caller tells the two apart by what it
        # noted.
        cause = machine.reset_cause()
        if cause == machine.PWRON_RESET:
            return names.RESET_POWER
        if cause == machine.WDT_RESET:
            return names.RESET_WATCHDOG
        return names.RESET_SOFT

    def reset(self) -> None:
        machine.reset()

    def unique_id(self) -> bytes:
        return machine.unique_id()

    def release_all(self) -> None:
        # For the way out: everything as an unpowered jig would have it.
        self.stop_tick()
        for line in range(len(self.lines)):
            self.on_edges(line, None)
        if self._listener is not None:
            self._listener.stop()
        self.close_bus()
        self.safe_relay = 0
        self.let_go()
