# What a word is clocked out of a real sensor with (SSI): the clock on S2 by PULL_S2 (GP19), select on S3 by the pin of
# observer 2 (GP21), both through 10 kohm, and the data as line S1 has it (GP12).
#
# Clock and select are outputs between begin() and close(), and inputs else; let_go() may come in between: whatever is
# written then only sets a latch that drives nothing.
import time

from machine import Pin
from micropython import const

from boards import Board
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_CLOCK = const(1)  # of the pulls
_IN = Pin.IN
_OUT = Pin.OUT


class WordPins:
    def __init__(self, board: Board) -> None:
        self._board = board
        self.clock = board.pull[_CLOCK]
        self.select = board.lines[names.LINE_OBS2]
        self.data = board.lines[names.LINE_S1]
        self.wait_us: Callable[[int], None] = time.sleep_us

    def lend(self) -> None:
        self._board.sensor_lent = 1

    def lent(self) -> int:
        return self._board.sensor_lent

    def begin(self) -> None:
        # Both high, as they rest at the sensor: its own pull-up has select so already.
        self.clock.init(_OUT, value=1)
        self.select.init(_OUT, value=1)
        if not self._board.sensor_lent:
            self.close()

    def close(self) -> None:
        self._board.sensor_lent = 0
        self.select.init(_IN)
        self.clock.init(_IN)
