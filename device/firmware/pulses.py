# Tachometer pulses: rising edges of one line, counted over the last 100 ms.
#
# Contract. count() runs in a hard interrupt and is the only producer: it writes a stamp, then _head. Everything else
# belongs to the service loop, which alone writes _tail.
from array import array

from boards import Board
from micropython import const

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from machine import Pin

_SIZE = const(256)  # edges, a power of two
_INDEX = const(255)
_COUNT_MASK = const(0x3FFFFFFF)
_WINDOW_US = const(100000)  # names.PULSE_WINDOW_MS
MOST = const(255)  # what is read where so many edges, or more, came within the window
NO_LINE = -1


class Pulses:
    def __init__(self, board: Board) -> None:
        self._board = board
        self._ticks_us = board.ticks_us
        self._stamps = array("i", [0] * _SIZE)
        self._head = 0  # edges so far
        self._tail = 0  # the first one that lies in the window
        self._polled = 0  # edges at the last poll()
        self.count_ref = self.count
        self.line = NO_LINE
        self._falling = False
        self._full = False  # more came than can be told apart, at _full_since
        self._full_since = 0
        self._listening = False

    def count(self, _pin: "Pin") -> None:
        head = self._head
        self._stamps[head & _INDEX] = self._ticks_us()
        self._head = (head + 1) & _COUNT_MASK

    def wire(self, line: int, falling: bool) -> None:
        # From the wiring record: line number or NO_LINE; falling where the line is inverted.
        self.stop()
        self.line = line
        self._falling = falling
        self._full = False
        if line != NO_LINE:
            self._listen()

    def stop(self) -> None:
        if self._listening:
            self._board.on_edges(self.line, None)
            self._listening = False

    def _listen(self) -> None:
        self._tail = self._polled = self._head
        self._board.on_rises(self.line, self.count_ref, self._falling)
        self._listening = True

    def poll(self, now: int) -> None:
        # Every turn: forgets edges that left the window, long before their stamps wrap. A line that gives more than 255
        # edges between two turns oscillates and would starve the loop: it is left alone for the length of a window.
        if self.line == NO_LINE:
            return
        diff = self._board.ticks_diff
        if not self._listening and diff(now, self._full_since) >= _WINDOW_US:
            self._listen()
        head = self._head
        tail = self._tail
        if (head - self._polled) & _COUNT_MASK > MOST:
            self.stop()
        self._polled = head
        if (head - tail) & _COUNT_MASK > MOST:
            self._full = True
            self._full_since = now
            tail = (head - MOST) & _COUNT_MASK
        elif self._full and diff(now, self._full_since) >= 2 * _WINDOW_US:
            self._full = False
        while tail != head and diff(now, self._stamps[tail & _INDEX]) >= _WINDOW_US:
            tail = (tail + 1) & _COUNT_MASK
        self._tail = tail

    def read(self) -> int:
        # Edges in the 100 ms up to the last poll().
        return MOST if self._full else (self._head - self._tail) & _COUNT_MASK
