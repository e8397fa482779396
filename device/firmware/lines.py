# Digital lines: edges stamped in a hard interrupt, levels on request, the debounced mark switch.
#
# Contract. edge() runs in a hard interrupt, allocates nothing and is the only producer of the edge ring (all
# pins of the chip share one interrupt vector). Everything else belongs to the service loop, which at both its ends
# has a ring of its own for what no interrupt saw.

from boards import Board
from micropython import const

from firmware.ring import EDGE, LOST, Ring
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from machine import Pin

_BURST = const(64)  # edges of one line between two service turns; more is an oscillation, not a signal
_REST_US = const(100000)  # how long an oscillating line is left alone
_DEBOUNCE_US = const(20000)
_LINES = const(10)
_ALL = const(0x3FF)
_ON_BUS = const(0x300)  # names.LINE_OBS3 and LINE_OBS4: the wires of the bus, where there is one


class Line:
    def __init__(self, number: int, board: Board, ring: Ring) -> None:
        self.number = number
        self.pin = board.lines[number]
        self._ring = ring
        self._push = ring.push
        self._ticks_us = board.ticks_us
        self.edge_ref = self.edge
        self.level = 0  # at the last edge
        self.burst = 0
        self.on = False
        self.resting_since = -1  # ticks, or -1 when not resting

    def edge(self, pin: "Pin") -> None:
        ticks = self._ticks_us()
        self._stamp(pin(), ticks)

    def _stamp(self, level: int, ticks: int) -> None:
        burst = self.burst
        if burst >= _BURST:
            self._ring.dropped += 1
            return
        self.burst = burst + 1
        if level == self.level:
            # There and back before the interrupt could look: both edges happened.
            self._push(EDGE, ticks, self.number, 1 - level)
        self._push(EDGE, ticks, self.number, level)
        self.level = level


class SupplyLine(Line):
    # The fast line for loss of supply: lets go inside the interrupt, before anything else.
    def __init__(self, number: int, board: Board, ring: Ring, supply_lost: "Callable[[int], None]") -> None:
        Line.__init__(self, number, board, ring)
        self._supply_lost = supply_lost

    def edge(self, pin: "Pin") -> None:
        ticks = self._ticks_us()
        level = pin()
        if not level:
            self._supply_lost(ticks)
        self._stamp(level, ticks)


class Lines:
    def __init__(self, board: Board, ring: Ring, unheard: Ring, supply_lost: "Callable[[int], None]") -> None:
        self._board = board
        self._unheard = unheard
        self._lines: list[Line] = []
        for number in range(_LINES):
            if number == names.LINE_SUPPLY_OK:
                self._lines.append(SupplyLine(number, board, ring, supply_lost))
            else:
                self._lines.append(Line(number, board, ring))
        self.resting = 0  # lines that rest
        self.watched = 0  # mask that the host asked for
        self._lent = 0  # mask of those whose interrupts are somebody else's
        self._always = 1 << names.LINE_SUPPLY_OK | 1 << names.LINE_MARK
        # Without a wiring record nobody knows what is at the wires of the bus.
        self._used = _ALL & ~_ON_BUS
        self._counted = 0
        self._flip = board.lines_active_low
        self.watch(0)

    def wire(self, used: int, invert: int, bus: int, tach: int) -> None:
        # From the wiring record. Supply and mark belong to the jig and are always there. tach: 1 + number of the line
        # whose edges are counted and not told, or 0.
        self._counted = 1 << tach - 1 if tach else 0
        self._used = (used | self._always | self._counted) & (_ALL & ~_ON_BUS if bus else _ALL)
        self._flip = (self._board.lines_active_low ^ invert) & _ALL
        self.watch(self.watched)

    def watch(self, mask: int) -> None:
        self.watched = mask & self._used & ~self._counted
        wanted = (self.watched | self._always) & ~self._lent
        for line in self._lines:
            self._switch(line, bool(wanted >> line.number & 1))

    def lend(self, mask: int) -> None:
        # From now on no edges of these lines are told: their interrupts are with whoever counts them, or off while the
        # jig itself moves the lines. The host may ask for them or not meanwhile.
        self._lent |= mask
        self.watch(self.watched)

    def give_back(self, mask: int) -> None:
        # Edges are told again. Where a line stands, if elsewhere than was told last, is told at the time of this look.
        self._lent &= ~mask
        now = self._board.ticks_us()
        for line in self._lines:
            if mask & self.watched & 1 << line.number:
                told = line.level
                self._switch(line, True)
                if line.level != told:
                    self._unheard.push(EDGE, now, line.number, line.level)

    def _switch(self, line: Line, on: bool) -> None:
        if on and not line.on:
            line.burst = 0
            line.resting_since = -1
            line.level = line.pin()
            self._board.on_edges(line.number, line.edge_ref)
        elif line.on and not on:
            self._board.on_edges(line.number, None)
            if line.resting_since >= 0:
                self._rested(line, self._board.ticks_us())
            line.burst = 0
        line.on = on

    def level(self, number: int, raw: int) -> int:
        # Level as told to the host, from the level at the pin.
        return raw ^ self.inverted(number)

    def inverted(self, number: int) -> int:
        return self._flip >> number & 1

    def levels(self) -> int:
        # Mask of all lines now; a line that is not wired on this bench reads 0.
        mask = 0
        for line in self._lines:
            if self.level(line.number, line.pin()):
                mask |= 1 << line.number
        return mask & self._used

    def calm(self, now: int) -> None:
        # After edges came, and while a line rests. Rests lines that oscillate, so that they cannot starve the loop.
        # At a moment when all edges seen so far have been told.
        for line in self._lines:
            if line.burst >= _BURST and line.number != names.LINE_SUPPLY_OK:
                # (the supply line is never switched off: it must be able to trip at any moment)
                if line.resting_since < 0:
                    self._rest(line, now)
                elif self._board.ticks_diff(now, line.resting_since) >= _REST_US:
                    self._wake(line)
            elif line.burst:
                line.burst = 0

    def _rest(self, line: Line, now: int) -> None:
        self._board.on_edges(line.number, None)
        line.burst = _BURST
        line.resting_since = now
        self.resting += 1

    def _rested(self, line: Line, now: int) -> None:
        # How many edges went unheard nobody knows; one is told, so that the rest itself is.
        self._unheard.push(LOST, now, 1, 0)
        line.resting_since = -1
        self.resting -= 1

    def _wake(self, line: Line) -> None:
        now = self._board.ticks_us()
        self._rested(line, now)
        level = line.pin()
        if level != line.level:
            # Where it stands is told at least, at the time of this look.
            self._unheard.push(EDGE, now, line.number, level)
            line.level = level
        line.burst = 0
        self._board.on_edges(line.number, line.edge_ref)
        if line.pin() != line.level:  # an edge before the interrupt was on: not calm yet
            self._rest(line, now)


class Mark:
    # The operator's switch: a level counts after 20 ms of rest and carries the time of its first edge.
    def __init__(self, board: Board, lines: Lines) -> None:
        self._pin = board.lines[names.LINE_MARK]
        self._ticks_diff = board.ticks_diff
        self._lines = lines
        self.pressed = lines.level(names.LINE_MARK, self._pin())
        self._bouncing = False
        self._first = 0
        self._last = 0

    def edge(self, ticks: int) -> None:
        if not self._bouncing:
            self._bouncing = True
            self._first = ticks
        self._last = ticks

    def settled(self, now: int) -> bool:
        # True once for each change of `pressed`; its time is since().
        pressed = self._lines.level(names.LINE_MARK, self._pin())
        if not self._bouncing:
            if pressed != self.pressed:  # an edge that the interrupt did not see
                self.edge(now)
            return False
        if self._ticks_diff(now, self._last) < _DEBOUNCE_US:
            return False
        self._bouncing = False
        if pressed == self.pressed:
            return False
        self.pressed = pressed
        return True

    def since(self) -> int:
        return self._first

    def busy(self) -> bool:
        return self._bouncing
