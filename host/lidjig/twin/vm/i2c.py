"""machine.I2C as on rp2 (MicroPython, ports/rp2/machine_i2c.c and extmod/machine_i2c.c), for the bus on GP6 and GP7."""

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from bus import Bus
    from gpio import Gpio
    from kernel import Kernel

_TIMEOUT_US = 50000
_FREQ = 400000


def make_i2c(kernel: "Kernel", gpio: "Gpio", bus: "Bus", pin_number: "Callable[[Any], int]") -> type:
    """The class. pin_number: GPIO number of whatever stands for a pin."""

    class I2C:
        def __init__(
            self, id: int = 0, freq: int = _FREQ, *, scl: "Any" = None, sda: "Any" = None, timeout: int = _TIMEOUT_US
        ) -> None:
            if not 0 <= id <= 1:
                raise ValueError("I2C(" + str(id) + ") doesn't exist")
            clock = g.SCL if scl is None else pin_number(scl)
            data = g.SDA if sda is None else pin_number(sda)
            # Pins of one peripheral come in pairs: even numbers SDA, odd ones SCL, every other pair.
            if clock & 3 != 1 + 2 * id:
                raise ValueError("bad SCL pin")
            if data & 3 != 2 * id:
                raise ValueError("bad SDA pin")
            if clock != g.SCL or data != g.SDA:
                raise ValueError("only I2C(1) on GP6 and GP7 is wired on this board")
            self._freq = freq
            self._timeout_us = timeout
            for n in (g.SDA, g.SCL):
                gpio.set_mode(n, g.IN, 0)
                gpio.alt[n] = 1

        def _transfer(self, address: int, sent: bytes, buffer: "bytearray | None") -> int:
            # The bench may allocate, wherever it is called from.
            kernel.pause_isr()
            try:
                error = bus.transfer(address, sent, buffer, self._freq, self._timeout_us)
            finally:
                kernel.resume_isr()
            if error:
                raise OSError(error)
            return len(sent)

        def _probe(self, address: int) -> int:
            return bus.probe(address, self._freq, self._timeout_us)

        def scan(self) -> list[int]:
            return [address for address in range(0x08, 0x78) if not self._probe(address)]

        def writeto(self, addr: int, buf: bytes, stop: bool = True) -> int:
            if not buf:
                error = self._probe(addr)
                if error:
                    raise OSError(error)
                return 0
            return self._transfer(addr, bytes(buf), None)

        def readfrom_into(self, addr: int, buf: bytearray, stop: bool = True) -> None:
            self._transfer(addr, b"", buf)

        def readfrom(self, addr: int, nbytes: int, stop: bool = True) -> bytes:
            buffer = bytearray(nbytes)
            self._transfer(addr, b"", buffer)
            return bytes(buffer)

        def writeto_mem(self, addr: int, memaddr: int, buf: bytes, *, addrsize: int = 8) -> None:
            self._transfer(addr, memaddr.to_bytes(addrsize // 8, "big") + bytes(buf), None)

        def readfrom_mem_into(self, addr: int, memaddr: int, buf: bytearray, *, addrsize: int = 8) -> None:
            self._transfer(addr, memaddr.to_bytes(addrsize // 8, "big"), buf)

        def readfrom_mem(self, addr: int, memaddr: int, nbytes: int, *, addrsize: int = 8) -> bytes:
            buffer = bytearray(nbytes)
            self._transfer(addr, memaddr.to_bytes(addrsize // 8, "big"), buffer)
            return bytes(buffer)

    return I2C
