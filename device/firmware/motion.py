# Motion: queued segments, linear or minimum-jerk, on the board's clock, integers only.
#
# Minimum jerk between two points at rest: x = x0 + (x1 - x0) (10 u^3 - 15 u^4 + 6 u^5), u = elapsed /
# duration (T. Flash and N. Hogan, J. Neurosci. 5(7), 1985, 1688-1703). The polynomial is tabulated once, in
# units of 2**-20 at 256 intervals and interpolated linearly: error at most (1/256)**2 / 8 *
# max|s''| = 1.1e-5 of the way (max|s''| = 10/sqrt(3) = 5.77), 2 mdeg in 180 deg. With the truncations below,
# 3 mdeg in 180 deg and 5 mdeg in 360.
#
# Every product stays below 2**30, since larger integers allocate on the board:
#   durations reach 2.5e8 us < 2**28; they are shifted down until d < 2**20 (rel. error below 2**-19);
#   u has 20 bits and is found by two divisions of 10 bits each: (e << 10) < 2**30;
#   table differences < 2**13 times a 12-bit fraction < 2**25; 360000 mdeg (< 2**19) times 10 bits < 2**29.
#
# Contract. add(), stop(), reset() and the reads belong to the service loop, step() to the tick, which may
# come between any two instructions of the service. _head is the tick's, _tail the service's. While `moving`
# is 0 the tick touches neither queue nor angle, so stop() and reset() clear it first.
#
# step() is viper: 40 us instead of 78, by tests/device/viper_budget.py. What it needs of the running segment lies in
# one array, since an attribute costs it as much as bytecode; no number there is negative, which a 64-bit build would
# read otherwise.
from array import array

import micropython
from boards import Board
from micropython import const

from firmware.ring import ARRIVED, DEPARTED, Ring
from shared_proto import names

DEPTH = 8
_SLOTS = const(16)  # power of two above DEPTH
_FIELDS = const(8)
_TARGET = const(0)
_DURATION_US = const(1)
_SHAPE = const(2)
_SEGMENT = const(3)
_SHIFT = const(4)
_SCALED = const(5)

_INTERVALS = const(256)
# Fields of what step() reads.
_RUNNING = const(0)  # a segment does
_START_US = const(1)
_LIVE_DURATION_US = const(2)
_LIVE_SHIFT = const(3)
_LIVE_SCALED = const(4)
_IS_SMOOTH = const(5)
_FROM = const(6)
_TO = const(7)
_LIVE = const(8)  # where the polynomial begins
# Duration of no segment: less than any ticks_diff(), so that no time is too early to begin.
_IDLE = const(-0x40000000)


def _smooth_table() -> array:
    # Fields of step(), and 258 values: u = 1 needs the entry after the last interval, because u is rounded.
    table = array("i", [0] * (_LIVE + _INTERVALS + 2))
    cube = _INTERVALS * _INTERVALS * _INTERVALS
    for i in range(_INTERVALS + 1):
        # 10 u^3 - 15 u^4 + 6 u^5 over the common denominator 256**5
        value = i * i * i * (10 * _INTERVALS * _INTERVALS - 15 * _INTERVALS * i + 6 * i * i)
        whole = cube * _INTERVALS * _INTERVALS
        table[_LIVE + i] = ((value << 20) + whole // 2) // whole
    table[_LIVE + _INTERVALS + 1] = 1 << 20
    return table


class Motion:
    def __init__(self, board: Board, ring: Ring) -> None:
        self._ticks_diff = board.ticks_diff
        self._ticks_add = board.ticks_add
        self._push = ring.push
        self._queue = array("i", [0] * (_SLOTS * _FIELDS))
        self._head = 0
        self._tail = 0
        self._end_mdeg = 0  # where the last queued segment ends
        self._number = 0
        self.angle_mdeg = 0
        self.moving = 0
        # the running segment; a duration of _IDLE = none
        self._target = 0
        self._start = 0
        self._duration = _IDLE
        self._segment = 0
        self._live = _smooth_table()

    # -- service loop -------------------------------------------------------------------------------

    def reset(self, angle_mdeg: int) -> None:
        self.stop()
        self.angle_mdeg = angle_mdeg

    def stop(self) -> None:
        self.moving = 0
        self._duration = _IDLE
        self._live[_RUNNING] = 0
        self._tail = self._head

    def queued(self) -> int:
        return (self._tail - self._head) % _SLOTS

    def add(self, target_mdeg: int, duration_ms: int, shape: int) -> int:
        # Number of the segment, or -1 when the queue is full.
        if self.queued() >= DEPTH:
            return -1
        duration_us = duration_ms * 1000
        shift = 0
        while (duration_us >> shift) >= 1 << 20:
            shift += 1
        self._number = (self._number + 1) & 0xFFFF
        at = self._tail * _FIELDS
        queue = self._queue
        queue[at + _TARGET] = target_mdeg
        queue[at + _DURATION_US] = duration_us
        queue[at + _SHAPE] = shape
        queue[at + _SEGMENT] = self._number
        queue[at + _SHIFT] = shift
        queue[at + _SCALED] = duration_us >> shift
        self._tail = (self._tail + 1) % _SLOTS
        self.moving = 1
        return self._number

    # -- tick ---------------------------------------------------------------------------------------

    @micropython.viper
    def step(self, now: int) -> int:
        # One tick's worth of motion; called only while moving. 1 when a segment begins or ends.
        live = ptr32(self._live)
        e = int(self._ticks_diff(now, live[_START_US]))
        if not live[_RUNNING] or e >= live[_LIVE_DURATION_US]:
            self._boundary(now)
            return 1
        e = (e >> live[_LIVE_SHIFT]) << 10
        d = live[_LIVE_SCALED]
        u = e // d
        u = (u << 10) | (((e - u * d) << 10) // d)
        if live[_IS_SMOOTH]:
            i = _LIVE + (u >> 12)
            low = live[i]
            u = low + (((live[i + 1] - low) * (u & 4095)) >> 12)
        begin = live[_FROM]
        d = live[_TO] - begin
        self.angle_mdeg = begin + ((d * (u >> 10) + ((d * (u & 1023)) >> 10) + 512) >> 10)
        return 0

    def _boundary(self, now: int) -> None:
        # Ends the segment whose time is over and begins the next, which counts from the planned end, so that a chain
        # does not lose a part of a tick each time. A segment without duration ends in the tick in which it begins.
        start = now
        if self._duration >= 0:
            start = self._ticks_add(self._start, self._duration)
            self._end(now)
        self._begin(start, now)
        if self._duration == 0:
            self._end(now)

    def _begin(self, start: int, now: int) -> None:
        # Takes the next segment; none left: motion is over.
        head = self._head
        if head == self._tail:
            self.moving = 0
            return
        at = head * _FIELDS
        queue = self._queue
        self._target = queue[at]
        self._duration = queue[at + _DURATION_US]
        self._segment = queue[at + _SEGMENT]
        self._start = start
        live = self._live
        live[_START_US] = start
        live[_LIVE_DURATION_US] = self._duration
        live[_LIVE_SHIFT] = queue[at + _SHIFT]
        live[_LIVE_SCALED] = queue[at + _SCALED]
        live[_IS_SMOOTH] = 1 if queue[at + _SHAPE] == names.SHAPE_SMOOTH else 0
        live[_FROM] = self.angle_mdeg
        live[_TO] = self._target
        live[_RUNNING] = 1
        self._head = (head + 1) % _SLOTS
        self._push(DEPARTED, now, self._segment, self.angle_mdeg)

    def _end(self, now: int) -> None:
        self.angle_mdeg = self._target
        self._duration = _IDLE
        self._live[_RUNNING] = 0
        self._push(ARRIVED, now, self._segment, self._target)
        if self._head == self._tail:
            self.moving = 0
