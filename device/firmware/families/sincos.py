# Sine and cosine of the angle around a middle level, in proportion to the machine's own supply, on both lines.
#
# sin = o_sin + a sin(angle), cos = o_cos + a g cos(angle - p), in shares of the supply (bench/families/sincos.py). Both
# are folded into tables of 512 steps a turn; between two of them a straight line is off by (2 pi / 512)**2 / 8 of the
# amplitude at most, 0.05 counts of 2500.
#
# put() is viper (tests/bench/bench_families.py). What it needs lies in one array, since an attribute costs it as much
# as bytecode.
from array import array
from math import cos, pi, sin

import micropython
from boards import Board
from boards.pwm_out import Duty
from micropython import const

from firmware.families.base import Family

_STEPS = const(512)
_SIXTEENTHS = const(16)
_HALF = const(8)
_ERROR = const(-3)  # words of curve_words.py, as constants of viper
_HIGH = const(-2)
# Fields of what put() has: codes of a turn, and where the two tables begin.
_CODES = const(0)
_SIN = const(1)
_COS = const(514)
_STATE = const(1027)


def wrong(values: dict) -> str:
    # Name of a field by which an output would have to leave its supply; "" when all is well.
    amplitude = values["amplitude_permyriad"]
    cos_amplitude = amplitude * values["cos_gain_permyriad"] // 10000
    for name, peak in (("offset_sin_permyriad", amplitude), ("offset_cos_permyriad", cos_amplitude)):
        if not peak <= values[name] <= 10000 - peak:
            return name
    return ""


class Output(Family):
    def __init__(self, board: Board, values: dict) -> None:
        Family.__init__(self, board.drive_enable, 0)
        one, two = board.drive_data
        self._sin_out = Duty(one, values["pwm_hz"])
        self._cos_out = Duty(two, values["pwm_hz"])
        self._full = counts = self._sin_out.counts
        amplitude = values["amplitude_permyriad"]
        phase = values["phase_mdeg"] * pi / 180000
        sin_middle, cos_middle = values["offset_sin_permyriad"], values["offset_cos_permyriad"]
        self._state = state = array("i", [0] * _STATE)
        state[_CODES] = values["codes"]
        cos_amplitude = amplitude * values["cos_gain_permyriad"] / 10000
        for k in range(_STEPS + 1):
            angle = 2 * pi * k / _STEPS
            state[_SIN + k] = _share(sin_middle + amplitude * sin(angle), counts * _SIXTEENTHS)
            state[_COS + k] = _share(cos_middle + cos_amplitude * cos(angle - phase), counts * _SIXTEENTHS)
        self._sin_middle = _share(sin_middle, counts)
        self._cos_middle = _share(cos_middle, counts)
        self._give_sin = self._sin_out.put
        self._give_cos = self._cos_out.put

    def trim(self, sin_points: "tuple | None", cos_points: "tuple | None") -> None:
        # Service loop, before it is put in force: what a meter read of each output, folded in; the tick has no more to
        # do. Levels that a line is held at are the ends of the supply and stay.
        from firmware.trim import moved

        state = self._state
        for points, begin in ((sin_points, _SIN), (cos_points, _COS)):
            if points is not None:
                for k in range(begin, begin + _STEPS + 1):
                    state[k] = moved(points, state[k], self._full * _SIXTEENTHS)
        if sin_points is not None:
            self._sin_middle = moved(sin_points, self._sin_middle, self._full)
        if cos_points is not None:
            self._cos_middle = moved(cos_points, self._cos_middle, self._full)

    def ready(self) -> None:
        self._sin_out.ready()
        self._cos_out.ready()

    @micropython.viper
    def put(self, code: int) -> int:
        if code < 0:
            if code == _ERROR:
                # No field: both rest in the middle, which is the centre of the circle.
                self._give_cos(self._cos_middle)
                return int(self._give_sin(self._sin_middle))
            self.hold(1 if code == _HIGH else 0)
            return 1
        state = ptr32(self._state)
        codes = state[_CODES]
        along = code * _STEPS  # codes are below 2**17
        at = along // codes
        along -= at * codes
        low = state[_COS + at]
        self._give_cos(low + (state[_COS + 1 + at] - low) * along // codes + _HALF >> 4)
        low = state[_SIN + at]
        return int(self._give_sin(low + (state[_SIN + 1 + at] - low) * along // codes + _HALF >> 4))

    def hold(self, level: int) -> None:
        count = self._full if level else 0
        self._cos_out.put(count)
        self._sin_out.put(count)


def _share(permyriad: float, whole: int) -> int:
    return int(permyriad * whole / 10000 + 0.5)
