# Quadrature: two square waves, a quarter of a period apart, and an index once a turn.
#
# The output walks from where it is to the code, the shorter way round, step by step. Only where it begins, or where it
# was held at a level, it is at a code at once: nobody counted until then.
#
# put() is viper (tests/bench/bench_families.py). What it needs lies in one array, since an attribute costs it as much
# as bytecode.
from array import array

import micropython
from boards import Board
from boards.pio_quadrature import INDEX, RATE_MIN_HZ, ROOM, STEPS_MAX, A, B, Steps
from micropython import const

from firmware.families.base import Family
from shared_proto import names

_WORDS = const(4)  # handed over in one look, so that the tick stays short
_QUARTERS = const(4)
_HIGH = const(-2)  # word of curve_words.py, as a constant of viper
# Fields of what put() has.
_CODES = const(0)
_WIDE = const(1)  # codes of the index
_AT = const(2)  # where it is once the steps handed over have been put out
_ROOM = const(3)  # words that can wait
_MOST = const(4)  # steps of a word
# Of the next four steps: by direction (8 = up), index (4 = high), and code of the first of them modulo 4.
_NEXT = const(5)
_STATE = const(21)
_LEVELS = ((1, 1), (0, 1), (0, 0), (1, 0))  # of A and B at codes 0, 1, 2, 3 where A leads


def wrong(values: dict) -> str:
    # Name of a field that no steps can be made by; "" when all is well.
    if values["codes"] % _QUARTERS or values["codes"] != values["steps_per_turn"]:
        return "steps_per_turn"
    return "rate_max_hz" if values["rate_max_hz"] < RATE_MIN_HZ else ""


class Output(Family):
    lines = 1 << names.LINE_OBS3 | 1 << names.LINE_OBS4  # the index has the pins of the bus

    def __init__(self, board: Board, values: dict) -> None:
        one, two = board.drive_enable
        index, enable = board.bus
        Family.__init__(self, (one, two, enable), 2)
        self._board = board
        self._b_leads = values["b_leads"]
        self._state = state = array("i", [0] * _STATE)
        state[_CODES] = values["codes"]
        state[_WIDE] = values["index_quarters"]
        state[_ROOM] = ROOM
        state[_MOST] = STEPS_MAX
        for up in (0, 1):
            for high in (0, 1):
                for first in range(_QUARTERS):
                    state[_NEXT + 8 * up + 4 * high + first] = self._four(first, 1 if up else -1, high)
        self._steps = Steps((board.drive_data[0], one, board.drive_data[1], two, index), values["rate_max_hz"])
        self._waiting = self._steps.waiting
        self._give = self._steps.give

    def _levels(self, code: int, high: int) -> int:
        a, b = _LEVELS[code % _QUARTERS]
        if self._b_leads:
            a, b = b, a
        return A * a | B * b | INDEX * high

    def _four(self, first: int, way: int, high: int) -> int:
        word = 0
        for k in range(_QUARTERS):
            word |= self._levels(first + way * k, high) << 10 + 5 * k
        return word

    def ready(self) -> None:
        self.held = 1
        self._board.lend_bus()
        self._steps.ready()

    @micropython.viper
    def put(self, code: int) -> int:
        if code < 0:
            self.hold(1 if code == _HIGH else 0)  # no code says that something is wrong
            return 1
        state = ptr32(self._state)
        if int(self.held):
            state[_AT] = code
            self._begin(code)
            return 1
        # 0 where it is not all the way yet. What goes round is set right by hand: modulo is a call.
        codes, wide = state[_CODES], state[_WIDE]
        at = state[_AT]
        left = code - at
        if left >= codes >> 1:
            left -= codes
        elif left < 0 - (codes >> 1):
            left += codes
        way = 1
        if left < 0:
            left = 0 - left
            way = -1
        words = state[_ROOM] - int(self._waiting())
        if words > _WORDS:
            words = _WORDS
        while left and words:
            first = at + way
            if first < 0:
                first += codes
            elif first >= codes:
                first -= codes
            # The index stays as it is from the first of them to the last.
            entry = first & 3
            if first < wide:
                run = first + 1
                if way > 0:
                    run = wide - first
                entry |= 4
            else:
                run = first - wide + 1
                if way > 0:
                    run = codes - first
            if way > 0:
                entry |= 8
            if run > left:
                run = left
            if run > state[_MOST]:
                run = state[_MOST]
            self._give(state[_NEXT + entry] | run - 1)
            at += way * run
            if at < 0:
                at += codes
            elif at >= codes:
                at -= codes
            left -= run
            words -= 1
        state[_AT] = at
        return 0 if left else 1

    def _begin(self, code: int) -> None:
        # At a code at once.
        self.held = 0
        self._steps.hold(self._levels(code, 1 if code < self._state[_WIDE] else 0))
        self._steps.go()

    def hold(self, level: int) -> None:
        self._steps.hold(A | B if level else 0)
        self.held = 1
