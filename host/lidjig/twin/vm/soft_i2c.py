"""machine.SoftI2C as on rp2 (MicroPython, extmod/machine_i2c.c), on GP12 (SDA) and GP13 (SCL), byte by byte.

The pins are open drain and belong to whoever took them last: what a controller does after the firmware has made them
inputs takes them again, as on the board. Where the sensor's bus is not behind the translator (wiring.py), or that is
off, nobody hears it.
"""

import gpio as g
from wiring import INPUT_MV, OUT_LOW, S1

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from gpio import Gpio
    from kernel import Kernel
    from wiring import Wiring

ETIMEDOUT = 110
_TIMEOUT_US = 50000
_FREQ = 400000
_SDA, _SCL = g.SNS_S


class SensorBus:
    """What such a controller does to the two lines, and what a sensor on them answers.

    sensor: a part with started(), took(byte) -> acknowledged, gives() -> byte; one without these never answers.
    """

    sensor: "Any" = None

    def __init__(self, kernel: "Kernel", gpio: "Gpio", wiring: "Wiring") -> None:
        self._kernel = kernel
        self._gpio = gpio
        self._wiring = wiring
        self._heard = False  # the sensor has seen the start
        self._bit_us = 10
        self._timeout_us = _TIMEOUT_US
        self.transfers = 0

    def open(self, freq: int, timeout_us: int) -> None:
        self._bit_us = max(1, 500000 // freq) * 2
        self._timeout_us = timeout_us
        self._put(_SCL, 1)
        self._put(_SDA, 1)
        self._stop()

    def _put(self, n: int, level: int) -> None:
        self._gpio.set_mode(n, g.OPEN_DRAIN, level)

    def _rise(self) -> int:
        # SCL is let go; 0, or the error where somebody holds it.
        self._put(_SCL, 1)
        if self._gpio.read(_SCL):
            return 0
        self._kernel.spend(self._timeout_us)
        return ETIMEDOUT

    def _reaches(self) -> bool:
        # The translator is on, and a sensor that pulls SDA low would be seen at the pin.
        wiring = self._wiring
        if not (wiring.translating() and hasattr(self.sensor, "took")):
            return False
        return wiring.with_output(wiring.without_output(0), 0, OUT_LOW)[S1] < INPUT_MV

    def start(self) -> None:
        self._put(_SDA, 1)
        self._kernel.spend(self._bit_us // 2)
        self._check(self._rise())
        # A start is a fall of SDA: where that is held there is none.
        fell = self._gpio.read(_SDA)
        self._put(_SDA, 0)
        self._kernel.spend(self._bit_us // 2)
        self._heard = bool(fell) and self._reaches()
        self.transfers += 1
        if self._heard:
            self.sensor.started()

    def write(self, byte: int) -> bool:
        """True: acknowledged."""
        self._put(_SCL, 0)
        self._kernel.spend(8 * self._bit_us)
        self._put(_SDA, 1)
        self._check(self._rise())
        acknowledged = self._heard and self._reaches() and bool(self.sensor.took(byte))
        acknowledged = acknowledged or not self._gpio.read(_SDA)
        self._kernel.spend(self._bit_us)
        self._put(_SCL, 0)
        return acknowledged

    def read(self, nack: bool) -> int:
        self._put(_SCL, 0)
        self._kernel.spend(8 * self._bit_us)
        self._check(self._rise())
        byte = 0xFF
        if not self._gpio.read(_SDA):
            byte = 0
        elif self._heard and self._reaches():
            byte = self.sensor.gives()
        if not nack:
            self._put(_SDA, 0)
        self._kernel.spend(self._bit_us)
        self._put(_SCL, 0)
        self._put(_SDA, 1)
        return byte

    def _stop(self) -> int:
        self._heard = False
        self._put(_SDA, 0)
        self._kernel.spend(self._bit_us // 2)
        error = self._rise()
        self._put(_SDA, 1)
        self._kernel.spend(self._bit_us // 2)
        return error

    def stop(self) -> None:
        self._check(self._stop())

    def _check(self, error: int) -> None:
        if error:
            self._put(_SDA, 1)
            raise OSError(error)


def make_soft_i2c(bus: SensorBus, pin_number: "Callable[[Any], int]") -> type:
    """The class. pin_number: GPIO number of whatever stands for a pin."""

    class SoftI2C:
        def __init__(self, scl: "Any", sda: "Any", *, freq: int = _FREQ, timeout: int = _TIMEOUT_US) -> None:
            if pin_number(scl) != _SCL or pin_number(sda) != _SDA:
                raise ValueError("SoftI2C is wired on GP12 (SDA) and GP13 (SCL) only on this board")
            bus.open(freq, timeout)

        def start(self) -> None:
            bus.start()

        def stop(self) -> None:
            bus.stop()

        def write(self, buf: bytes) -> int:
            """How many bytes were acknowledged; the first that is not is the last."""
            count = 0
            for byte in bytes(buf):
                if not bus.write(byte):
                    break
                count += 1
            return count

        def readinto(self, buf: "bytearray | memoryview", nack: bool = True) -> None:
            last = len(buf) - 1
            for at in range(len(buf)):
                buf[at] = bus.read(bool(nack) and at == last)

    return SoftI2C
