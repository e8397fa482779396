# A DAC of the MCP4725 type (Microchip DS22039) on the jig's bus: 12 bits of the supply that it runs on, the machine's.
#
# A transfer takes 75 us of the bus and more of the interpreter, which is too long for the tick: put() notes the code,
# and the service loop writes it in its next turn: while something moves a millisecond later, and what a turn takes.
from boards import Board
from micropython import const

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_ADDRESS = const(0x60)  # A0 to GND (DS22039; second hand, a driver's documentation)
_COUNTS = const(4096)
_TOP = const(4095)
_NOTHING = const(-1)
_FAILURES_MAX = const(3)  # writes in a row


def _nobody(_address: int, _data: bytearray) -> int:
    return 0


class Dac:
    # counts: steps of the supply; the last one is not reached, as with every such converter.
    def __init__(self, board: Board) -> None:
        self.counts = _COUNTS
        self._board = board
        self._enable = board.drive_enable[0]
        self._send: Callable[[int, bytearray], int] = _nobody
        self._two = bytearray(2)
        self._wanted = _NOTHING
        self._failures = 0

    def ready(self) -> None:
        # Service loop. Raises OSError where no DAC answers: the jig trips before anything is driven.
        self._send = self._board.open_bus().writeto
        self._wanted = _NOTHING
        self._failures = 0
        self._write(0)
        self._board.later = self.poll

    def put(self, count: int) -> int:
        # Tick.
        self._wanted = count if count < _TOP else _TOP
        return 1

    def poll(self) -> None:
        # Service loop, every turn while the jig stands in. One transfer: 75 us, or 2 ms on a bus that hangs.
        wanted = self._wanted
        if wanted == _NOTHING or not self._enable():
            return
        self._wanted = _NOTHING  # first: the tick may put another one meanwhile
        try:
            self._write(wanted)
            self._failures = 0
        except OSError:
            self._failures += 1
            if self._wanted == _NOTHING:
                self._wanted = wanted
            if self._failures >= _FAILURES_MAX and self._enable():
                raise  # a machine must not be shown an angle that nobody commands: the jig trips

    def _write(self, code: int) -> None:
        # Fast write, normal mode (DS22039, second hand, driver source): 0 0 PD1 PD0 D11..D8, then D7..D0.
        two = self._two
        two[0] = code >> 8
        two[1] = code & 0xFF
        self._send(_ADDRESS, two)
