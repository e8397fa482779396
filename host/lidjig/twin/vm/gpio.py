"""The board's pins and ADC as the bench sees them: modes, levels, latched interrupts, readings.

Levels of input pins are set by the bench whenever a node changes; reading a pin is then one lookup. Output changes are
passed on to whoever watches that pin. Nothing here allocates when a pin or the ADC is read.
"""

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from kernel import Kernel
    from rng import Rng

PINS = 30

IN = 0
OUT = 1
OPEN_DRAIN = 2  # pulls low or lets go; only on the bus, whose lines have pulls of their own
FALLING = 4
RISING = 8

# Pins of the jig, by what they are wired to.
DRV_DATA = (2, 4)
DRV_OE = (3, 5)
TST_DATA = DRV_DATA  # a line's test buffer and its drive buffer have one data pin
TST_OE = (8, 9)
SNS_M = (10, 11)
SNS_S = (12, 13)
SUPPLY_OK = 14
MARK = 15
RELAY = 16
SENSOR_PWR = 17
PULL_S = (18, 19)
OBS = (20, 21, 6, 7)  # the last two only where no bus is wired
SDA = 6
SCL = 7
MUX = (22, 0, 1)
LED = 25
ADC_FIRST = 26

ELECTRICAL = DRV_DATA + DRV_OE + TST_OE + (RELAY, SENSOR_PWR) + PULL_S

# Analog channels, numbered as shared_proto.names.CH_*: 0 supply, 1..8 multiplexer inputs 0..7, 9 light.
CHANNELS = 10
CH_SUPPLY = 0
CH_MUX_FIRST = 1
CH_LIGHT = 9

# Interrupt sources that are no pins, numbered after them: eight state machines.
SOURCES = PINS + 8

ALT_I2C = 1  # the I2C peripheral has the pin
ALT_OWNED = 2  # a peripheral that gives levels of its own has it

NOISE_COUNT = 4096


class Gpio:
    """State of all pins; owned by the bench, used by the shims."""

    handler_failed: "Callable[[Exception], None]"  # told what an interrupt handler raised

    def __init__(self, kernel: "Kernel", rng: "Rng", noise_rms: int, offset: int, spikes: int) -> None:
        # noise_rms, offset: in 1/65536 of the ADC's full scale; spikes: 1 = the converter has wide codes.
        self.kernel = kernel
        self.mode = [IN] * PINS
        self.out = [0] * PINS
        self.level = [0] * PINS
        self.handler: list[Callable[[Any], object] | None] = [None] * SOURCES
        self.trigger = [0] * PINS
        self.flags = [0] * SOURCES
        self.alt = [0] * PINS
        self.owner: list[Any] = [None] * PINS  # with ALT_OWNED: has given(n), and release(n, level) when it loses it
        self.peripherals: list[Any] = []  # have reset()
        self.pin_object: list[object] = [None] * SOURCES
        # asked for the level of an input whose conductor carries more edges than the bench tells one by one
        self.live: list[Callable[[], int] | None] = [None] * PINS
        self.on_input: list[Callable[[], None] | None] = [None] * PINS  # called before the level of a pin changes
        # called when what an output pin gives changes
        self.on_output: list[Callable[[int], None] | None] = [None] * PINS
        self.base = [0] * CHANNELS
        self.gain = [1] * CHANNELS
        self.mux = 0
        self.spikes = spikes
        self.offset = offset
        self.noise = [rng.gauss_milli() * noise_rms // 1000 for _ in range(NOISE_COUNT)]
        self.noise_at = 0
        for n in MUX:
            self.on_output[n] = self._mux_changed
        kernel.service_irqs = self.service

    def _mux_changed(self, _n: int) -> None:
        out, mode = self.out, self.mode
        a, b, c = MUX
        self.mux = (out[a] & mode[a]) | (out[b] & mode[b]) << 1 | (out[c] & mode[c]) << 2

    def given(self, n: int) -> int:
        """What the pin gives: its output, or 0 where it is an input (external pull-down)."""
        owner = self.owner[n]
        if owner is not None:
            level: int = owner.given(n)
            return level
        return self.out[n] & self.mode[n]

    def read(self, n: int) -> int:
        """The level at the pin."""
        owner, live = self.owner[n], self.live[n]
        if owner is None and live is None:
            return self.level[n]
        level = self.level[n]
        self.kernel.pause_isr()
        if owner is not None and owner.drives(n):
            level = owner.given(n)
        elif live is not None:
            level = live()
        self.kernel.resume_isr()
        return level

    def take(self, n: int, owner: "Any") -> None:
        """A peripheral has the pin, until set_mode() takes it back."""
        self.kernel.pause_isr()
        before = self.owner[n]
        self.owner[n] = owner
        self.alt[n] = ALT_OWNED
        self.mode[n] = IN
        if before is not None and before is not owner:
            before.release(n, owner.given(n))
        watcher = self.on_output[n]
        if watcher is not None:
            watcher(n)
        self.kernel.resume_isr()

    def latch(self, source: int) -> None:
        """An interrupt of a pin, or of another source, waits for its turn."""
        self.flags[source] |= 1
        self.kernel.irqs |= 1 << source

    def release_all(self) -> None:
        """As after a reset: every pin an input, no interrupts, peripherals off."""
        for n in range(PINS):
            before = self.given(n)
            was_out = self.mode[n] or self.owner[n] is not None
            self._disown(n, 0)
            self.mode[n] = IN
            self.alt[n] = 0
            self.out[n] = 0
            self.trigger[n] = 0
            watcher = self.on_output[n]
            if (before or was_out) and watcher is not None:
                watcher(n)
        for source in range(SOURCES):
            self.handler[source] = None
            self.flags[source] = 0
            self.pin_object[source] = None
        for peripheral in self.peripherals:
            peripheral.reset()
        self.mux = 0
        self.kernel.irqs = 0

    def set_mode(self, n: int, mode: int, value: int | None) -> None:
        """Mode IN, OUT or OPEN_DRAIN, value None, 0 or 1 (taken before the pin starts to drive)."""
        was_mode, was_out = self.mode[n], self.out[n]
        was_owned = self.owner[n] is not None
        self.alt[n] = 0
        if value is not None:
            self.out[n] = value
        self.mode[n] = mode
        if was_owned:
            self._disown(n, self.out[n] & mode)
        if mode == OUT:
            before = self.on_input[n]
            if before is not None:
                before()
            self.level[n] = self.out[n]
        watcher = self.on_output[n]
        if (was_mode != mode or was_out != self.out[n] or was_owned) and watcher is not None:
            watcher(n)

    def _disown(self, n: int, level: int) -> None:
        # level: what the pin gives from now on
        owner = self.owner[n]
        if owner is not None:
            self.kernel.pause_isr()
            self.owner[n] = None
            owner.release(n, level)
            self.kernel.resume_isr()

    def write(self, n: int, value: int) -> None:
        if self.out[n] != value:
            self.out[n] = value
            if self.mode[n]:
                before = self.on_input[n]
                if before is not None:
                    before()
                self.level[n] = value
                watcher = self.on_output[n]
                if watcher is not None:
                    watcher(n)

    def set_input(self, n: int, level: int) -> None:
        """The bench gives a level; an edge that the firmware asked for is latched."""
        if self.mode[n] == OUT or self.level[n] == level:
            return
        before = self.on_input[n]
        if before is not None:
            before()
        self.level[n] = level
        edge = (RISING if level else FALLING) & self.trigger[n]
        if edge:
            self.flags[n] |= edge
            self.kernel.irqs |= 1 << n

    def service(self) -> None:
        """Runs the handlers of latched interrupts, lowest pin first."""
        kernel = self.kernel
        if kernel.in_isr:
            return
        while kernel.irqs:
            waiting = kernel.irqs
            n = 0
            while not waiting & 1:
                waiting >>= 1
                n += 1
            kernel.irqs &= ~(1 << n)
            handler = self.handler[n]
            if handler is not None:
                self._handle(n, handler)
            self.flags[n] = 0

    def _handle(self, n: int, handler: "Callable[[Any], object]") -> None:
        kernel = self.kernel
        kernel.enter_isr()
        try:
            handler(self.pin_object[n])
        except Exception as error:  # noqa: BLE001  as on the board, whatever it was
            kernel.leave_isr()
            # The trace is printed and the interrupt stays on.
            self.handler_failed(error)
        finally:
            kernel.leave_isr()

    def read_adc(self, channel: int) -> int:
        """16-bit reading of a channel: node voltage, noise, twelve bits, wide codes of the RP2040."""
        at = (self.noise_at + 1) & (NOISE_COUNT - 1)
        self.noise_at = at
        value = self.base[channel] + self.noise[at] * self.gain[channel] + self.offset
        if value < 0:
            return 0
        if value > 65535:
            value = 65535
        code = value >> 4
        if self.spikes:
            # RP2040-E11: codes 512, 1536, 2560, 3584 are about nine wide.
            within = code & 1023
            if 508 <= within <= 516:
                code += 512 - within
        return code << 4 | code >> 8
