# Curve: angle -> output code, for sensors that tell an angle. Folded when the profile is loaded.
#
# The ideal code, error of the profile included, stands for every whole degree in sixteenths of a code; the tick
# interpolates between two of them in small integers (the largest product, 1/18 of 65535 * 16 * 999, is below 2**26).
# Before and past the span it gives one of the words of curve_words.py instead of a code.
from array import array
from math import exp

from micropython import const

from firmware.curve_words import NOTHING
from shared_proto import family_blobs

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from firmware.trim import Trim

_DEGREES = const(362)  # 0 to 360, and one to interpolate to
_SIXTEENTHS = const(16)
_HALF = const(8)
_NOISE_SEED = const(4711)
_NOISE_MODULUS = const(139968)
_NOISE_RMS = const(446)  # of the sum of two draws over 128, less their mean: 139968 / 128 / sqrt(6)
_NOISE_MEAN = const(1093)


class Curve:
    def __init__(self, values: dict, trim: "Trim | None" = None) -> None:
        # Service loop. values: a record of family_blobs.
        self._table = array("i", [0] * _DEGREES)
        self._full = values["codes"] * _SIXTEENTHS  # of a turn, where it wraps
        self._top = (values["codes"] - 1) * _SIXTEENTHS
        self._wrap = values["wrap"]
        # By the code, which falls as the lid opens where the output goes down: below the first one is then past the
        # span.
        before, past = ("above", "below") if values["down"] else ("below", "above")
        # Where the span begins and ends, in what goes out: a trim moves that.
        first = 0 if trim is None else trim.command(0, self._top)
        last = self._top if trim is None else trim.command(self._top, self._top)
        self._floor = first - _HALF
        self._ceiling = last + _HALF
        self._below = self._outside(values[before], first + _HALF >> 4)
        self._above = self._outside(values[past], last + _HALF >> 4)
        self._first = self._outside(values["power_up"], NOTHING)
        per_turn = self._full if self._wrap else self._top
        self._play = values["hysteresis_mdeg"] * per_turn // (2 * values["span_mdeg"])
        self._noise = values["noise_mdeg"] * per_turn // values["span_mdeg"]
        self._lag = 0  # in one beat _lag / 2**_lag_shift of a difference is made good; 0 = no filter
        self._lag_shift = 0
        self._carry = 0  # what was left of it below a sixteenth
        self._fold_lag(values["lag_us"], values["update_us"])
        self._seed = _NOISE_SEED
        self._x = 0  # after play and filter, in sixteenths of a code
        self._begun = 0
        # 1 while the output goes on changing although the angle does not
        self.restless = 0
        self._fold(values, per_turn, trim)

    def _outside(self, word: int, held: int) -> int:
        return held if word == 0 else -word

    def _fold_lag(self, lag_us: int, update_us: int) -> None:
        # Nine bits of it: times the largest difference, 65536 codes, that is below 2**30.
        if lag_us:
            part = 1 - exp(-update_us / lag_us)
            while part * (1 << self._lag_shift + 1) < 511:
                self._lag_shift += 1
            self._lag = int(part * (1 << self._lag_shift) + 0.5)

    def _fold(self, values: dict, per_turn: int, trim: "Trim | None") -> None:
        zero, span = values["zero_mdeg"], values["span_mdeg"]
        for degree in range(_DEGREES):
            angle = degree * 1000
            along = angle + self._error(values, angle) - zero
            sixteenths = (along * per_turn + span // 2) // span  # outside the tick it may be as large as it likes
            if values["down"]:
                sixteenths = per_turn - sixteenths
            self._table[degree] = sixteenths if trim is None else trim.command(sixteenths, self._top)

    def _error(self, values: dict, angle: int) -> int:
        step = family_blobs.ERROR_STEP_MDEG
        at = min(angle // step, family_blobs.ERRORS - 2)
        before, after = values["error_%d_mdeg" % at], values["error_%d_mdeg" % (at + 1)]
        return before + (after - before) * (min(angle, step * (family_blobs.ERRORS - 1)) - at * step) // step

    def start(self, angle_mdeg: int) -> int:
        # What the sensor sends before its first look: a word, or the angle itself. Forgets what was.
        self._begun = 0
        return self.look(angle_mdeg) if self._first == NOTHING else self._first

    def look(self, angle_mdeg: int) -> int:
        # The tick, once a beat.
        degree = angle_mdeg // 1000
        table = self._table
        low = table[degree]
        x = low + (table[degree + 1] - low) * (angle_mdeg - degree * 1000) // 1000
        full, wrap, noise = self._full, self._wrap, self._noise
        if wrap:
            x %= full
        restless = 1 if noise else 0
        if self._begun:
            # Play of the hysteresis, then the filter; both along the shorter way where the span is a turn. Here in one
            # piece: a call costs as much as thirty operations.
            before = self._x
            way = x - before
            if wrap:
                half = full >> 1
                way = (way + half) % full - half
            play = self._play
            if play:
                way = way - play if way > play else way + play if way < -play else 0
            if way and self._lag:
                part = way * self._lag + self._carry
                step = part >> self._lag_shift
                self._carry = part - (step << self._lag_shift)
                if step != way:
                    restless = 1
                way = step
            x = before + way
            if wrap:
                x %= full
        else:
            self._begun = 1
            self._carry = 0
        self.restless = restless
        self._x = x
        if noise:
            x += self._draw()
        if wrap:
            return ((x + _HALF) % full) >> 4
        if x < self._floor:
            return self._below
        if x >= self._ceiling:
            return self._above
        return (x + _HALF) >> 4

    def _draw(self) -> int:
        # A linear congruential generator that stays in small integers: (205 s + 29573) mod 139968 (Numerical Recipes,
        # 2nd ed., 7.1: table of quick generators; value from memory).
        first = (self._seed * 205 + 29573) % _NOISE_MODULUS
        self._seed = second = (first * 205 + 29573) % _NOISE_MODULUS
        return ((first + second >> 7) - _NOISE_MEAN) * self._noise // _NOISE_RMS
