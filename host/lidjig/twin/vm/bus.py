"""The bus of the power monitors, at the level of its two lines, and the parts on it.

Both lines have pulls; whoever pulls low wins. Whole transfers are one call; the firmware may also take the lines as
pins, which is how a part that holds SDA is freed: it lets go after so many clocks. A pin that the firmware took is
no longer the peripheral's until I2C() is called again, as on the board.
"""

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from gpio import Gpio
    from ina226 import Ina226
    from kernel import Kernel
    from rng import Rng

EIO = 5
ENODEV = 19
ETIMEDOUT = 110


class Bus:
    """facts: wired, hung_us (-1 = never), clocks (0 = for good), holds_scl, drops_ppm and forgets (by meter)."""

    def __init__(
        self, kernel: "Kernel", gpio: "Gpio", rng: "Rng", meters: "dict[int, Ina226]", facts: "dict[str, Any]"
    ) -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.wired: int = facts["wired"]
        self.held = False  # a part holds a line low
        self.clocks = 0  # seen while it was held
        self.transfers = 0
        self.fights = 0  # times that the firmware drove a line high which a part held low
        self._facts = facts
        self._rng = rng
        self._meters = meters
        self.more: dict[int, Any] = {}  # other parts by address; answers(), write() and read_into()
        self._parts = {meters[number].address: number for number in meters}
        self._holds = g.SCL if facts["holds_scl"] else g.SDA
        self._levels = {g.SDA: 1, g.SCL: 1}
        if self.wired:
            for n in (g.SDA, g.SCL):
                gpio.on_output[n] = self._pin_changed
                gpio.level[n] = 1
            if facts["hung_us"] >= 0:
                kernel.at(facts["hung_us"], self._hang)

    # lines

    def _hang(self, _argument: None) -> None:
        self.held = True
        self.clocks = 0
        self._settle(self._holds)

    def _let_go(self) -> None:
        self.held = False
        self._settle(self._holds)

    def supply_lost(self) -> None:
        """The jig's 3.3 V went and came back: its monitors forget, and one that was out of step lets go."""
        for number in self._meters:
            self._meters[number].power_on()
        if self.held and self._facts["clocks"]:
            self._let_go()

    def _pin_changed(self, n: int) -> None:
        self.kernel.pause_isr()
        try:
            before = self._levels[n]
            self._settle(n)
            if n == g.SCL and before and not self._levels[n]:
                self._clocked(1)
        finally:
            self.kernel.resume_isr()

    def _clocked(self, clocks: int) -> None:
        # A part changes SDA after SCL has fallen.
        if self.held:
            self.clocks += clocks
            if self._holds == g.SDA and 0 < self._facts["clocks"] <= self.clocks:
                self._let_go()

    def _settle(self, n: int) -> None:
        gpio = self.gpio
        mode = gpio.mode[n]
        held = self.held and n == self._holds
        level = 0 if held or (mode != g.IN and not gpio.out[n]) else 1
        if held and mode == g.OUT and gpio.out[n]:
            self.fights += 1
        self._levels[n] = level
        if mode == g.OUT:
            gpio.level[n] = level
        else:
            gpio.set_input(n, level)

    # transfers

    def _problem(self, timeout_us: int, start_us: int) -> int:
        # Error number with which a transfer does not begin, or 0.
        gpio = self.gpio
        if gpio.level[g.SDA] and gpio.level[g.SCL] and gpio.alt[g.SDA] and gpio.alt[g.SCL]:
            self.kernel.spend(start_us)
            return 0
        self.kernel.spend(timeout_us)
        return ETIMEDOUT

    def part(self, address: int) -> "Any":
        """Who acknowledges this address now."""
        number = self._parts.get(address)
        if number is None:
            other = self.more.get(address)
            return other if other is not None and other.answers() else None
        facts = self._facts
        ppm = facts["drops_ppm"][number - 1]
        if ppm and self._rng.chance_ppm(ppm):
            if facts["forgets"][number - 1]:
                self._meters[number].power_on()
            return None
        return self._meters[number]

    def transfer(self, address: int, sent: bytes, buffer: "bytearray | None", freq: int, timeout_us: int) -> int:
        """Writes sent, then (after a repeated start) reads into buffer; either may be empty or None.

        Error number, 0 = done. Nine bits a byte, a bit each for start, repeated start and stop.
        """
        self.transfers += 1
        bits = 11 + 9 * len(sent)
        start_us = _us(11, freq)
        error = self._problem(timeout_us, start_us)
        if error:
            return error
        part = self.part(address)
        if part is None:
            return EIO
        if buffer is not None:
            bits += 9 * len(buffer) + (10 if sent else 0)
        self.kernel.spend(_us(bits, freq) - start_us)
        if sent:
            part.write(sent)
        if buffer is not None:
            part.read_into(buffer)
        return 0

    def probe(self, address: int, freq: int, timeout_us: int) -> int:
        """A write without a byte, which the port makes with its pins; error number, 0 = acknowledged.

        It looks at SCL alone, takes a held SDA for an acknowledgement, and clocks the bus nine times.
        """
        gpio = self.gpio
        if not gpio.level[g.SCL]:
            self.kernel.spend(timeout_us)
            return ETIMEDOUT
        self.kernel.spend(_us(11, freq))
        acknowledged = not gpio.level[g.SDA] or self.part(address) is not None
        self._clocked(9)
        return 0 if acknowledged else ENODEV


def _us(bits: int, freq: int) -> int:
    # Of that many bits, rounded up.
    return -(-bits * 1000000 // freq)
