# The bus of the power monitors: transfers of one register, and what is done about a bus that hangs.
#
# Service loop only, and never for long: a register is written, or addressed and then read, by one or two transfers
# that end after 2 ms each at the latest (boards/), and freeing the bus takes less than a millisecond: 5 ms in all. A
# bus that hangs after that is left alone for a second.
#
# A part that was interrupted while it sends holds SDA low until it has got rid of its byte: up to nine clocks and a
# stop let it go (NXP UM10204, "Bus clear"). A part that holds SCL gets no clock; only its supply helps.
from boards import Board
from micropython import const

from firmware.log import Log
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from machine import I2C

_SDA = const(0)
_SCL = const(1)
_CLOCKS = const(9)
_EIO = const(5)  # the address or a byte was not acknowledged; anything else is the bus itself
_REST_US = const(1000000)
_FREED_MAX = const(3)  # times in that span; a bus that hangs more often is given up

NO_ANSWER = -1
NO_BUS = -2


class Bus:
    def __init__(self, board: Board, log: Log) -> None:
        self._board = board
        self._log = log
        self._i2c: I2C | None = None
        self._two = bytearray(2)
        self._hung_since = 0
        self._freed_since = 0
        self._freed = 0
        self.state = names.BUS_NOT_WIRED
        self.errors = 0  # transfers that failed
        self.recoveries = 0  # times it was freed by clocks
        self.now_us = 0  # for the log

    def wire(self, wired: bool) -> None:
        # From the wiring record.
        if self.state != names.BUS_NOT_WIRED:
            self._board.close_bus()
        self._i2c = self._board.open_bus() if wired else None
        self.state = names.BUS_OK if wired else names.BUS_NOT_WIRED
        self._freed = 0

    def read(self, address: int, register: int) -> int:
        # 16 bits, high byte first; or NO_ANSWER, or NO_BUS.
        return self.fetch(address, register) if self.ready() else NO_BUS

    def fetch(self, address: int, register: int) -> int:
        # The same, right after ready() said yes or after another transfer.
        i2c = self._i2c
        if i2c is None:
            return NO_BUS
        two = self._two
        try:
            i2c.readfrom_mem_into(address, register, two)
        except OSError as error:
            return self._failed(error)
        return two[0] << 8 | two[1]

    def write(self, address: int, register: int, value: int) -> int:
        # 0, or NO_ANSWER, or NO_BUS.
        i2c = self._i2c
        if i2c is None or not self.ready():
            return NO_BUS
        self._two[0] = value >> 8
        self._two[1] = value & 0xFF
        try:
            i2c.writeto_mem(address, register, self._two)
        except OSError as error:
            return self._failed(error)
        return 0

    def ready(self) -> bool:
        # At rest both wires are high. One that is not would cost a time-out, or be read as an answer of zeros.
        if self.state == names.BUS_NOT_WIRED:
            return False
        board = self._board
        if self.state == names.BUS_HUNG:
            if board.ticks_diff(board.ticks_us(), self._hung_since) < _REST_US:
                return False
            self._recover()
        elif not (board.bus[_SDA]() and board.bus[_SCL]()):
            self._recover()
        return self.state == names.BUS_OK

    def _failed(self, error: OSError) -> int:
        self.errors += 1
        if error.args[0] == _EIO:
            return NO_ANSWER
        self._recover()
        return NO_BUS

    def _recover(self) -> None:
        # A controller that was waiting is set up anew in any case; clocks only where a wire is held.
        board = self._board
        now = board.ticks_us()
        if not self._freed or board.ticks_diff(now, self._freed_since) >= _REST_US:
            self._freed = 0
            self._freed_since = now
        board.close_bus()
        self._freed += 1
        clocks = -1
        if self._freed <= _FREED_MAX:
            sda, scl = board.bus
            clocks = clock_out(sda, scl, board.pull_bus, board.free_bus)
        self._i2c = board.open_bus()
        if clocks < 0:
            if self.state != names.BUS_HUNG:
                self._log.add(self.now_us, names.LOG_BUS_HUNG, 0, self.errors)
            self.state = names.BUS_HUNG
            self._hung_since = now
            return
        self.state = names.BUS_OK
        if clocks:
            self.recoveries += 1
            self._log.add(self.now_us, names.LOG_BUS_FREED, clocks, self.recoveries)


def clock_out(
    sda: "Callable[[], int]", scl: "Callable[[], int]", pull: "Callable[[int], None]", free: "Callable[[int], None]"
) -> int:
    # Clocks that it took until both wires were high, or -1. sda, scl: read a wire; pull, free: wire 0 or 1 low, or let
    # go. Each step takes longer than the 1.3 us that a wire of 400 kHz needs, and the 4.7 us of one of 100 kHz
    # (UM10204; values from memory).
    clocks = 0
    while not sda() and scl() and clocks < _CLOCKS:
        pull(_SCL)
        free(_SCL)
        clocks += 1
    if clocks:
        # A stop: SDA goes high while SCL is.
        pull(_SCL)
        pull(_SDA)
        free(_SCL)
        free(_SDA)
    return clocks if sda() and scl() else -1
