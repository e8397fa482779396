# An I2C target on the pins of observers 1 and 2: the bytes that a controller asks for and sends, one by one.
#
# machine.I2CTarget without a memory: its own would move the pointer on where the parts do not, and may be changed
# between two bytes of a reading. Here a register that is read is answered in a hard interrupt, and whatever has to go
# together is handed over together. A controller waits for it: about 230 us at the first byte of a reading and 80 us at
# each further one (operations counted as tests/device/tick_budget.py does, RP2040 at 125 MHz), and a tick more where
# one is under way.
#
# The pins are the target's while it is joined, and inputs else. Joining is undone where somebody lets go in its middle.
from machine import I2CTarget, Pin
from micropython import const

from boards import Board

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_PERIPHERAL = const(0)  # GP20 and GP21 are those of I2C0
# Bound once: looking up Pin.IN in an interrupt costs a global and an attribute each.
_IN = Pin.IN
_ALT = Pin.ALT
_ALT_I2C = Pin.ALT_I2C
_READ = I2CTarget.IRQ_READ_REQ
_WRITTEN = I2CTarget.IRQ_WRITE_REQ
_READ_ENDS = I2CTarget.IRQ_END_READ
_WRITE_ENDS = I2CTarget.IRQ_END_WRITE
_FIFO = const(16)


class Registers:
    # What stands behind a target. All of it runs in hard interrupts: nothing allocated, small integers.
    def asked(self) -> bytearray:
        # The next bytes of a reading. The last of them may never get to the controller: after its last byte it is asked
        # once more.
        return bytearray(1)

    def read_ended(self) -> None:
        pass

    def written(self, byte: int, first: int) -> None:
        pass

    def write_ended(self) -> None:
        pass


class Target:
    def __init__(self, board: Board, address: int, registers: Registers) -> None:
        self._board = board
        self._address = address
        self._asked = registers.asked
        self._read_ended = registers.read_ended
        self._written = registers.written
        self._write_ended = registers.write_ended
        self._bytes = bytearray(_FIFO)
        self._first = 1  # the next byte written begins a transfer
        self.heard = 0  # raised with every byte; whoever looks lowers it
        self._target: I2CTarget | None = None

    def ready(self) -> None:
        # Service loop: the peripheral anew. Nobody is answered before join().
        if self._target is not None:
            self._target.deinit()
        sda, scl = self._board.target_pins
        self._first = 1
        self._target = target = I2CTarget(_PERIPHERAL, self._address, scl=scl, sda=sda)
        self.part()
        self._write: Callable[[bytearray], int] = target.write
        self._readinto: Callable[[bytearray], int] = target.readinto
        handler = self._event
        irq = target.irq(handler=handler, trigger=_READ | _WRITTEN | _READ_ENDS | _WRITE_ENDS, hard=True)
        self._flags: Callable[[], int] = irq.flags
        self._board.lend_target()

    def end(self) -> None:
        # Service loop: the peripheral is free.
        if self._target is not None:
            # The port keeps the handler whatever becomes of the target (extmod/machine_i2c_target.c).
            self._target.irq(handler=None, trigger=0, hard=True)
            self._target.deinit()
            self._target = None

    def join(self) -> None:
        # From anywhere. Without the pulls of the chip, which the constructor switches on: the machine has its own.
        board = self._board
        sda, scl = board.target_pins
        sda.init(_ALT, alt=_ALT_I2C)
        scl.init(_ALT, alt=_ALT_I2C)
        if not board.target_lent:
            self.part()

    def part(self) -> None:
        # From anywhere, in the middle of a transfer too.
        sda, scl = self._board.target_pins
        sda.init(_IN)
        scl.init(_IN)

    def _event(self, _target: I2CTarget) -> None:
        flag = self._flags()
        self.heard = 1
        if flag == _READ:
            self._write(self._asked())
        elif flag == _WRITTEN:
            # A second transfer that was written while an interrupt was held up is here as well; it would be taken for
            # more of the first. It takes 16 bytes in a millisecond.
            count = self._readinto(self._bytes)
            first = self._first
            for k in range(count):
                self._written(self._bytes[k], first)
                first = 0
            self._first = first
        elif flag == _READ_ENDS:
            self._read_ended()
        else:
            self._first = 1
            self._write_ended()
