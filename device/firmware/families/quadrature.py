# Quadrature: two square waves, a quarter of a period apart, and an index once a turn.
#
# The output walks from where it is to the code, the shorter way round, step by step. Only where it begins, or where it
# was held at a level, it is at a code at once: nobody counted until then.
from array import array

from boards import Board
from boards.pio_quadrature import INDEX, RATE_MIN_HZ, STEPS_MAX, A, B, Steps
from micropython import const

from firmware.curve_words import HIGH
from firmware.families.base import Family
from shared_proto import names

_WORDS = const(4)  # handed over in one look, so that the tick stays short
_QUARTERS = const(4)
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
        self._codes = values["codes"]
        self._half = self._codes >> 1
        self._wide = values["index_quarters"]
        self._b_leads = values["b_leads"]
        self._at = 0  # where it is once the steps handed over have been put out
        # Of the next four steps: by direction (8 = up), index (4 = high), and code of the first of them modulo 4.
        self._next = array("i", [0] * 16)
        for up in (0, 1):
            for high in (0, 1):
                for first in range(_QUARTERS):
                    self._next[8 * up + 4 * high + first] = self._four(first, 1 if up else -1, high)
        self._steps = Steps((board.drive_data[0], one, board.drive_data[1], two, index), values["rate_max_hz"])

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

    def put(self, code: int) -> int:
        if code < 0:
            self.hold(1 if code == HIGH else 0)  # no code says that something is wrong
            return 1
        steps, codes = self._steps, self._codes  # more than three at once would make a tuple
        if self.held:
            self.held = 0
            self._at = code
            steps.hold(self._levels(code, 1 if code < self._wide else 0))
            steps.go()
            return 1
        # 0 where it is not all the way yet.
        wide, at = self._wide, self._at
        left = (code - at + self._half) % codes - self._half
        way = 1
        if left < 0:
            left, way = -left, -1
        words = steps.room()
        if words > _WORDS:
            words = _WORDS
        while left and words:
            first = (at + way) % codes
            # The index stays as it is from the first of them to the last.
            if first < wide:
                run = wide - first if way > 0 else first + 1
                entry = first & 3 | 4
            else:
                run = codes - first if way > 0 else first - wide + 1
                entry = first & 3
            if run > left:
                run = left
            if run > STEPS_MAX:
                run = STEPS_MAX
            steps.put(self._next[entry | 8 if way > 0 else entry] | run - 1)
            at = (at + way * run) % codes
            left -= run
            words -= 1
        self._at = at
        return 0 if left else 1

    def hold(self, level: int) -> None:
        self._steps.hold(A | B if level else 0)
        self.held = 1
