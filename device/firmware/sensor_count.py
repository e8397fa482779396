# Steps of a real quadrature sensor, counted on lines S1 and S2. Nothing is driven: it may run in every route, disarmed.
#
# Contract. edge() runs in a hard interrupt of both edges of both lines, allocates nothing, and is the only one who
# counts. Everything else belongs to the service loop. The interrupts are those that lines.py tells edges with: while
# steps are counted these two lines are lent to here. They come back with the end of the count, and where they stand is
# told then.
#
# Load. An edge costs some 60 us of the board (the way into the interrupt, two pins read and the table; counted by
# tests/device/loop_budget.py), 5000 of them a second three tenths of its time. A line that oscillates gives more, and
# would starve the board: so an edge has to be earned by 128 us, up to 256 of them can be saved, and where none is left
# the interrupts are off for 100 ms. What went by meanwhile nobody knows: it is told as one that was skipped.
from array import array

from boards import Board
from micropython import const

from firmware.jig import Jig
from firmware.lines import Lines
from shared_proto import names
from shared_proto.codec import Message

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from machine import Pin

_LINES = 1 << names.LINE_S1 | 1 << names.LINE_S2
_SAVED = const(256)  # edges that may come at once
_EDGE_SHIFT = const(7)  # an edge for each 128 us: 7800 a second for good
_REST_US = const(100000)
_FULL = const(0x20000000)  # steps of one kind that are counted; more would leave the small integers of an interrupt
# By levels before and now, two bits each (sensor 1 the higher): what the move was. Sensor 1 ahead of sensor 2 is up.
_UP = const(1)
_DOWN = const(2)
_SKIPPED = const(3)
_MOVES = b"\x00\x02\x01\x03\x01\x00\x03\x02\x02\x03\x00\x01\x03\x01\x02\x00"


class Counting:
    def __init__(self, board: Board, lines: Lines) -> None:
        self._board = board
        self._lines = lines
        self._one = board.lines[names.LINE_S1]
        self._two = board.lines[names.LINE_S2]
        self._moves = _MOVES
        self._count = array("i", [0, 0, 0, 0])
        self._at = 0  # levels at the last edge
        self._left = 0  # edges until a rest
        self._resting = 0  # 1: the interrupt has switched itself off, 2: and the loop has seen it
        self._since = 0  # when the loop saw it
        self._polled = 0
        self.edge_ref = self.edge
        self.running = False

    def edge(self, _pin: "Pin") -> None:
        left = self._left
        if left <= 0:
            self._hush()
            self._resting = 1
            return
        self._left = left - 1
        now = self._one() << 1 | self._two()
        count = self._count
        count[self._moves[self._at << 2 | now]] += 1
        self._at = now

    def _hush(self) -> None:
        self._board.on_edges(names.LINE_S1, None)
        self._board.on_edges(names.LINE_S2, None)

    def _listen(self) -> None:
        # An edge between the look and the interrupt shows at the next one, as a step or as one that was skipped.
        self._resting = 0
        self._left = _SAVED
        self._at = self._one() << 1 | self._two()
        self._board.on_edges(names.LINE_S1, self.edge_ref)
        self._board.on_edges(names.LINE_S2, self.edge_ref)

    def begin(self) -> None:
        # From 0.
        if self.running:
            self._hush()
        self._lines.lend(_LINES)
        for k in range(4):
            self._count[k] = 0
        self._polled = self._board.ticks_us()
        self.running = True
        self._listen()

    def stop(self) -> None:
        if self.running:
            self.running = False
            self._hush()
            self._resting = 0
            self._lines.give_back(_LINES)

    def poll(self, ticks: int) -> None:
        # Service loop, every turn.
        if not self.running:
            return
        diff = self._board.ticks_diff
        gained = diff(ticks, self._polled) >> _EDGE_SHIFT
        if gained > 0:
            self._polled = ticks
            # (an interrupt in the middle of it costs nothing this once)
            self._left = min(self._left + gained, _SAVED)
        if self._resting == 1:
            self._resting = 2
            self._since = ticks
            self._count[_SKIPPED] += 1
        elif self._resting and diff(ticks, self._since) >= _REST_US:
            self._listen()
        if max(self._count) >= _FULL:
            self._hush()
            self._count[_SKIPPED] += 1
            self._since = ticks  # for good
            self._resting = 2

    def read(self) -> tuple:
        # (steps, skipped, levels): bit 0 of the last is sensor 1.
        count = self._count
        return count[_UP] - count[_DOWN], count[_SKIPPED], self._one() | self._two() << 1


def perform(jig: Jig, message: Message) -> None:
    run = message.fields["run"]
    counting = jig.counting
    if counting is None:
        counting = jig.counting = Counting(jig.board, jig.lines)
    if run == names.COUNT_BEGIN:
        counting.begin()
    elif run == names.COUNT_READ and not counting.running:
        # It was never begun, or another profile has ended it.
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    steps, skipped, levels = counting.read()
    if run == names.COUNT_STOP:
        counting.stop()
    jig.session.answer(message, t_us=jig.now_us, steps=steps, skipped=skipped, levels=levels)
