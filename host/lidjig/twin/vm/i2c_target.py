"""machine.I2CTarget as on rp2 (docs machine.I2CTarget; MicroPython, extmod/machine_i2c_target.c and ports/rp2), and the
controller at the other end of that bus for the bench. Bytes, not lines: a transfer is one call and takes no time here.
"""

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from gpio import Gpio
    from kernel import Kernel

ADDR_MATCH_READ = 1
ADDR_MATCH_WRITE = 2
READ_REQ = 4
WRITE_REQ = 8
END_READ = 16
END_WRITE = 32
_ALL_HARD = ADDR_MATCH_READ | ADDR_MATCH_WRITE | READ_REQ | WRITE_REQ

# States of a transfer.
_IDLE, _MATCH_READ, _MATCH_WRITE, _ADDRESS, _READING, _WRITING = range(6)

_FIFO = 16  # bytes in each direction (RP2040 datasheet 4.3)
# A hard handler in Python holds the clock so long: 185 us for 4 bytes, emulated RP2040 at 125 MHz.
HANDLER_US = 46


class Target:
    """One peripheral as a target: the memory and its pointer, or the FIFOs that a handler fills and empties."""

    def __init__(self, targets: "Targets", number: int) -> None:
        self.targets = targets
        self.number = number
        self.scl = (9, 7)[number]  # the port's default pins
        self.sda = (8, 6)[number]
        self.forget()

    def forget(self) -> None:
        self.on = False
        self.address = 0
        self.mem: Any = None
        self.addrsize = 0  # bytes
        self.memaddr = 0  # where the last transfer that gave an address began
        self.handler: Callable[[Any], object] | None = None
        self.trigger = 0
        self.hard = False
        self.flags = 0
        self.object: object = None
        self._pointer = 0
        self._address_left = 0
        self._state = _IDLE
        self.rx = bytearray()
        self.tx = bytearray()
        self._rx_masked = False
        self._stop_waits = False

    def answers(self, address: int) -> bool:
        alt = self.targets.gpio.alt
        return self.on and address == self.address and alt[self.sda] == alt[self.scl] == g.ALT_I2C

    # what the transfer does, byte by byte

    def _event(self, flag: int) -> bool:
        if self.handler is None or not flag & self.trigger:
            return False
        self.flags = flag
        self.targets.call(self.handler, self.object, self.hard)
        return True

    def _settle(self) -> None:
        # A transfer, or the part of it before a repeated start, is over.
        state, self._state = self._state, _IDLE
        if state == _READING:
            self._event(END_READ)
        elif state == _MATCH_WRITE or state == _WRITING:
            self._event(END_WRITE)

    def _match(self, read: bool) -> None:
        self._settle()
        self._event(ADDR_MATCH_READ if read else ADDR_MATCH_WRITE)
        self._state = _MATCH_READ if read else _MATCH_WRITE

    def write(self, data: bytes) -> bool:
        """Bytes of a write after a start; False: the target holds the clock for good."""
        for byte in data:
            if len(self.rx) >= _FIFO:
                return False
            self.rx.append(byte)
            self._received()
        return True

    def _received(self) -> None:
        # An interrupt for as long as there are bytes, but not again before some were read.
        while self.rx and not self._rx_masked:
            self._rx_masked = True
            if self._state not in (_MATCH_WRITE, _ADDRESS, _WRITING):
                self._match(False)
            handled = self._event(WRITE_REQ)
            if self.mem is None:
                self._state = _WRITING
                if not handled:
                    self.take(1)
            else:
                for byte in self.take(4):
                    self._store(byte)

    def _store(self, byte: int) -> None:
        if self._state == _MATCH_WRITE:
            self._state = _ADDRESS
            self._pointer = 0
            self._address_left = self.addrsize
        if self._state == _ADDRESS and self._address_left:
            self._pointer = self._pointer << 8 | byte
            self._address_left -= 1
            if not self._address_left:
                self._pointer %= len(self.mem)
                self.memaddr = self._pointer
            return
        self._state = _WRITING
        self.mem[self._pointer] = byte
        self._pointer = (self._pointer + 1) % len(self.mem)

    def take(self, count: int) -> bytes:
        """Bytes that came."""
        data = bytes(self.rx[:count])
        self.rx = self.rx[count:]
        self._rx_masked = False
        return data

    def read(self, count: int) -> bytes | None:
        """Bytes of a read after a start; None: nobody gives one, the target holds the clock."""
        self.tx = bytearray()
        given = bytearray()
        # The port also asks after the controller has refused further bytes (RX_DONE), and throws that byte away; the
        # pointer of a memory stands one further than what was read.
        for _ in range(count + 1):
            if not self.tx or len(given) == count:
                self._request()
            if not self.tx:
                return bytes(given) if len(given) == count else None
            if len(given) < count:
                given.append(self.tx[0])
                self.tx = self.tx[1:]
        return bytes(given)

    def _request(self) -> None:
        if self._state != _READING:
            self._match(True)
        handled = self._event(READ_REQ)
        if self.mem is not None:
            self._state = _READING
            self.give(bytes([self.mem[self._pointer]]))
            self._pointer = (self._pointer + 1) % len(self.mem)
            return
        self._state = _READING
        if not handled:
            self.give(b"\x00")

    def give(self, data: bytes) -> int:
        """Bytes for the controller; how many were taken."""
        room = _FIFO - len(self.tx)
        self.tx.extend(data[:room])
        return min(len(data), room)

    def restart(self) -> None:
        """A repeated start."""
        if self._state != _IDLE:
            self._settle()

    def stop(self) -> None:
        if self._state == _IDLE:
            self._match(False)
        if self.rx:
            self._stop_waits = True
        else:
            self._settle()

    def stop_if_due(self) -> None:
        if self._stop_waits and not self.rx:
            self._stop_waits = False
            self._settle()


class Targets:
    """Both peripherals, and the controller that the bench is."""

    def __init__(self, kernel: "Kernel", gpio: "Gpio") -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.stretched_us = 0  # how long the last transfer's clock was held by handlers, about
        self.rows = (Target(self, 0), Target(self, 1))
        gpio.peripherals.append(self)

    def reset(self) -> None:
        for target in self.rows:
            target.forget()

    def call(self, handler: "Callable[[Any], object]", target: object, hard: bool) -> None:
        kernel = self.kernel
        self.stretched_us += HANDLER_US
        if kernel.in_isr:
            handler(target)
            return
        # A soft handler may allocate.
        if hard:
            kernel.enter_isr()
        try:
            handler(target)
        except Exception as error:  # noqa: BLE001  as on the board, whatever it was
            kernel.leave_isr()
            self.gpio.handler_failed(error)
        finally:
            kernel.leave_isr()

    def _addressed(self, address: int) -> "Target | None":
        self.stretched_us = 0
        for target in self.rows:
            if target.answers(address):
                return target
        return None

    def i2c_write(self, address: int, data: bytes) -> bool:
        """A write with start and stop; False where nobody acknowledges, or the clock is held for good."""
        target = self._addressed(address)
        if target is None:
            return False
        target.restart()
        done = target.write(data)
        target.stop()
        return done

    def i2c_read(self, address: int, count: int) -> bytes | None:
        """A read with start and stop; None where nobody acknowledges, or the clock is held for good."""
        return self.i2c_write_read(address, b"", count)

    def i2c_write_read(self, address: int, data: bytes, count: int) -> bytes | None:
        """A write, a repeated start, a read, a stop: how a register is read. None as in i2c_read()."""
        target = self._addressed(address)
        if target is None:
            return None
        target.restart()
        if data:
            if not target.write(data):
                return None
            target.restart()
        given = target.read(count)
        target.stop()
        return given


def make_i2c_target(targets: Targets, pin_number: "Callable[[Any], int]") -> type:
    """The class. pin_number: GPIO number of whatever stands for a pin."""

    gpio = targets.gpio

    class Irq:
        def __init__(self, target: Target) -> None:
            self._target = target

        def flags(self) -> int:
            return self._target.flags

        def trigger(self) -> int:
            return self._target.trigger

    class I2CTarget:
        IRQ_ADDR_MATCH_READ = ADDR_MATCH_READ
        IRQ_ADDR_MATCH_WRITE = ADDR_MATCH_WRITE
        IRQ_READ_REQ = READ_REQ
        IRQ_WRITE_REQ = WRITE_REQ
        IRQ_END_READ = END_READ
        IRQ_END_WRITE = END_WRITE

        def __init__(
            self,
            id: int = 0,
            addr: int = -1,
            *,
            addrsize: int = 7,
            mem: "Any" = None,
            mem_addrsize: int = 8,
            scl: "Any" = None,
            sda: "Any" = None,
        ) -> None:
            if not 0 <= id <= 1:
                raise ValueError("I2CTarget(" + str(id) + ") doesn't exist")
            if addr < 0:
                raise TypeError("'addr' argument required")
            target = self._target = targets.rows[id]
            # Pins of one peripheral come in pairs: even numbers SDA, odd ones SCL, every other pair.
            clock = target.scl if scl is None else pin_number(scl)
            data = target.sda if sda is None else pin_number(sda)
            if clock & 3 != 1 + 2 * id:
                raise ValueError("bad SCL pin")
            if data & 3 != 2 * id:
                raise ValueError("bad SDA pin")
            if mem is not None and mem_addrsize not in (0, 8, 16, 24, 32):
                raise ValueError("mem_addrsize must be 0, 8, 16, 24 or 32")
            target.forget()
            target.on = True
            target.address = addr
            target.mem = mem
            target.addrsize = mem_addrsize // 8 if mem is not None else 0
            target.scl = clock
            target.sda = data
            target.object = self
            for n in (data, clock):
                gpio.set_mode(n, g.IN, 0)
                gpio.alt[n] = g.ALT_I2C
            # Bound once: the handler runs with the heap locked.
            self._irq = Irq(target)

        @property
        def memaddr(self) -> int:
            return self._target.memaddr

        def deinit(self) -> None:
            target = self._target
            if target.on:
                for n in (target.sda, target.scl):
                    gpio.set_mode(n, g.IN, None)
                target.forget()

        def readinto(self, buf: bytearray) -> int:
            targets.kernel.pause_isr()
            data = self._target.take(len(buf))
            self._target.stop_if_due()
            targets.kernel.resume_isr()
            for k in range(len(data)):
                buf[k] = data[k]
            return len(data)

        def write(self, buf: bytes) -> int:
            targets.kernel.pause_isr()
            taken = self._target.give(bytes(buf))
            targets.kernel.resume_isr()
            return taken

        def irq(
            self,
            handler: "Callable[[Any], object] | None" = None,
            trigger: int = END_READ | END_WRITE,
            hard: bool = False,
        ) -> Irq:
            if handler is not None:
                if trigger & _ALL_HARD and not hard:
                    raise ValueError("hard IRQ required")
                target = self._target
                target.handler = handler
                target.trigger = trigger
                target.hard = hard
                target.flags = 0
            return self._irq

    return I2CTarget
