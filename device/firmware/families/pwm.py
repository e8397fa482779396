# Pulse width: a frame of head clocks active, one clock for every code, tail clocks at rest.
#
# Push-pull: the frames are the buffer's data, and the tick raises its enable. Open drain: the data rests low and the
# frames are the enable, so that the line is pulled low or let go.
#
# put() is viper (tests/bench/bench_families.py). What it needs lies in one array, since an attribute costs it as much
# as bytecode.
from array import array

import micropython
from boards import Board
from boards.pio_pwm import HALF_MAX, HIGH_MIN, LOW_MIN, Frames
from micropython import const

from firmware.families.base import Family

_HIGH = const(-2)  # word of curve_words.py, as a constant of viper
# Fields of what put() has: clocks of the head and of a frame, the least of both halves (boards/pio_pwm.py), and 1
# where the high one is the active one.
_HEAD = const(0)
_CLOCKS = const(1)
_HIGH_MIN = const(2)
_LOW_MIN = const(3)
_ACTIVE = const(4)
_STATE = const(5)


def wrong(values: dict) -> str:
    # Name of a field that the frames cannot be made by; "" when all is well.
    least = max(HIGH_MIN, LOW_MIN)
    for name in ("head_clocks", "tail_clocks"):
        if values[name] < least:
            return name
    clocks = values["head_clocks"] + values["codes"] - 1 + values["tail_clocks"]
    if clocks - least > HALF_MAX:
        return "codes"
    # Divider of the state machine: 1 to 65535 (MicroPython documentation, rp2.StateMachine).
    return "" if 1908 <= clocks * 1000000000 // values["period_ns"] <= 125000000 else "period_ns"


class Output(Family):
    def __init__(self, board: Board, values: dict) -> None:
        push_pull, active_high = values["push_pull"], values["active_high"]
        Family.__init__(self, (board.drive_enable[0],) if push_pull else (), push_pull)
        self._state = state = array("i", [0] * _STATE)
        clocks = values["head_clocks"] + values["codes"] - 1 + values["tail_clocks"]
        state[_HEAD] = values["head_clocks"]
        state[_CLOCKS] = clocks
        state[_HIGH_MIN] = HIGH_MIN
        state[_LOW_MIN] = LOW_MIN
        # The level of a pin that is the line's high level: an enable of a buffer whose data is low pulls low.
        self._inverted = 0 if push_pull else 1
        state[_ACTIVE] = active_high ^ self._inverted
        self._at_rest = active_high ^ 1 ^ self._inverted
        pin = board.drive_data[0] if push_pull else board.drive_enable[0]
        self._frames = Frames(pin, (clocks * 1000000000 + values["period_ns"] // 2) // values["period_ns"])
        self._waiting = self._frames.waiting
        self._give = self._frames.give

    def ready(self) -> None:
        self._frames.ready()
        self.held = 1  # the state machine stands still again

    @micropython.viper
    def put(self, code: int) -> int:
        if code < 0:
            # No code is an error here: the line rests at a level.
            self._frames.hold((1 if code == _HIGH else 0) ^ int(self._inverted))
            self.held = 1
            return 1
        state = ptr32(self._state)
        high = state[_HEAD] + code
        low = state[_CLOCKS] - high
        if not state[_ACTIVE]:
            active = high
            high = low
            low = active
        taken = 0
        if not int(self._waiting()):
            self._give((low - state[_LOW_MIN]) << 15 | (high - state[_HIGH_MIN]))
            taken = 1
        if int(self.held):
            # Also where nothing was taken: a word that waits since before the level would wait for ever.
            self.held = 0
            self._frames.go()
        return taken

    def hold(self, level: int) -> None:
        self._frames.hold(level ^ self._inverted)
        self.held = 1
