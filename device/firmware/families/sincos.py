# Sine and cosine of the angle around a middle level, in proportion to the machine's own supply, on both lines.
#
# sin = o_sin + a sin(angle), cos = o_cos + a g cos(angle - p), in shares of the supply (bench/families/sincos.py). Both
# are folded into tables of 512 steps a turn; between two of them a straight line is off by (2 pi / 512)**2 / 8 of the
# amplitude at most, 0.05 counts of 2500.
from array import array
from math import cos, pi, sin

from boards import Board
from boards.pwm_out import Duty
from micropython import const

from firmware.curve_words import ERROR, HIGH
from firmware.families.base import Family

_STEPS = const(512)
_SIXTEENTHS = const(16)
_HALF = const(8)


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
        self._codes = values["codes"]
        self._full = counts = self._sin_out.counts
        amplitude = values["amplitude_permyriad"]
        phase = values["phase_mdeg"] * pi / 180000
        sin_middle, cos_middle = values["offset_sin_permyriad"], values["offset_cos_permyriad"]
        self._sin = array("i", [0] * (_STEPS + 1))
        self._cos = array("i", [0] * (_STEPS + 1))
        cos_amplitude = amplitude * values["cos_gain_permyriad"] / 10000
        for k in range(_STEPS + 1):
            angle = 2 * pi * k / _STEPS
            self._sin[k] = _share(sin_middle + amplitude * sin(angle), counts * _SIXTEENTHS)
            self._cos[k] = _share(cos_middle + cos_amplitude * cos(angle - phase), counts * _SIXTEENTHS)
        self._sin_middle = _share(sin_middle, counts)
        self._cos_middle = _share(cos_middle, counts)

    def ready(self) -> None:
        self._sin_out.ready()
        self._cos_out.ready()

    def put(self, code: int) -> int:
        if code < 0:
            if code == ERROR:
                # No field: both rest in the middle, which is the centre of the circle.
                self._cos_out.put(self._cos_middle)
                return self._sin_out.put(self._sin_middle)
            self.hold(1 if code == HIGH else 0)
            return 1
        codes = self._codes
        along = code * _STEPS  # codes are below 2**17
        at = along // codes
        along -= at * codes
        table = self._cos
        low = table[at]
        self._cos_out.put(low + (table[at + 1] - low) * along // codes + _HALF >> 4)
        table = self._sin
        low = table[at]
        return self._sin_out.put(low + (table[at + 1] - low) * along // codes + _HALF >> 4)

    def hold(self, level: int) -> None:
        count = self._full if level else 0
        self._cos_out.put(count)
        self._sin_out.put(count)


def _share(permyriad: float, whole: int) -> int:
    return int(permyriad * whole / 10000 + 0.5)
