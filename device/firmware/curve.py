# Curve: angle -> output code, for sensors that tell an angle. Folded when the profile is loaded.
#
# The ideal code, error of the profile included, stands for every whole degree in sixteenths of a code; the tick
# interpolates between two of them in small integers (the largest product, 1/18 of 65535 * 16 * 999, is below 2**26).
# Before and past the span it gives one of the words of curve_words.py instead of a code.
#
# follow() is viper, which takes less than half of the time (tests/bench/bench_families.py). An attribute costs it as
# much as bytecode, so all that it needs lies in one array. There is no negative number in it, which a 64-bit build
# would read otherwise: what may be below 0 is kept with an offset.
from array import array
from math import exp

import micropython
from micropython import const

from firmware.curve_words import NOTHING
from shared_proto import family_blobs

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from firmware.trim import Trim

_DEGREES = const(362)  # 0 to 360, and one to interpolate to
_SIXTEENTHS = const(16)
_HALF = const(8)
# Offset of what may be below 0. The widest table reaches from -20 to 20 times its span (18 of 360 deg): 2**25.
_OFFSET = const(1 << 28)
_NOISE_SEED = const(4711)
_NOISE_MODULUS = const(139968)
_NOISE_RMS = const(446)  # of the sum of two draws over 128, less their mean: 139968 / 128 / sqrt(6)
_NOISE_MEAN = const(1093)
# Fields of what follow() has.
_FULL = const(0)  # of a turn, where it wraps
_WRAP = const(1)
_FLOOR = const(2)  # where the span begins and ends, and what stands for less and more; with the offset
_CEILING = const(3)
_BELOW = const(4)
_ABOVE = const(5)
_PLAY = const(6)
_NOISE = const(7)
_LAG = const(8)  # in one beat _LAG / 2**_LAG_SHIFT of a difference is made good; 0 = no filter
_LAG_SHIFT = const(9)
_CARRY = const(10)  # what was left of it below a sixteenth
_SEED = const(11)
_X = const(12)  # after play and filter, in sixteenths of a code, with the offset
_BEGUN = const(13)
_CODE = const(14)  # for the angle looked at last, with the offset
_SENT = const(15)  # that has gone out, with the offset
_MUTE = const(16)  # 1: something else goes out
_RESTLESS = const(17)  # 1: the output goes on changing although the angle does not
_TABLE = const(18)  # where the table begins, its entries with the offset


def _nowhere(_code: int) -> int:
    return 1


class Curve:
    def __init__(self, values: dict, trim: "Trim | None" = None) -> None:
        # Service loop. values: a record of family_blobs.
        self._state = state = array("i", [0] * (_TABLE + _DEGREES))
        self.put: Callable[[int], int] = _nowhere  # what takes a code; 0 = not yet
        full = values["codes"] * _SIXTEENTHS
        self._top = (values["codes"] - 1) * _SIXTEENTHS
        state[_FULL] = full
        state[_WRAP] = values["wrap"]
        # By the code, which falls as the lid opens where the output goes down: below the first one is then past the
        # span.
        before, past = ("above", "below") if values["down"] else ("below", "above")
        # Where the span begins and ends, in what goes out: a trim moves that.
        first = 0 if trim is None else trim.command(0, self._top)
        last = self._top if trim is None else trim.command(self._top, self._top)
        state[_FLOOR] = first - _HALF + _OFFSET
        state[_CEILING] = last + _HALF + _OFFSET
        state[_BELOW] = self._outside(values[before], first + _HALF >> 4) + _OFFSET
        state[_ABOVE] = self._outside(values[past], last + _HALF >> 4) + _OFFSET
        self._first = self._outside(values["power_up"], NOTHING)
        self.broken = self._outside(values["internal_error"], NOTHING)  # NOTHING: holds what it says
        per_turn = full if values["wrap"] else self._top
        state[_PLAY] = values["hysteresis_mdeg"] * per_turn // (2 * values["span_mdeg"])
        state[_NOISE] = values["noise_mdeg"] * per_turn // values["span_mdeg"]
        self._fold_lag(values["lag_us"], values["update_us"])
        state[_SEED] = _NOISE_SEED
        self.sent(NOTHING)
        self._fold(values, per_turn, trim)

    def _outside(self, word: int, held: int) -> int:
        return held if word == 0 else -word

    def _fold_lag(self, lag_us: int, update_us: int) -> None:
        # Nine bits of it: times the largest difference, 65536 codes, that is below 2**30.
        if lag_us:
            part = 1 - exp(-update_us / lag_us)
            shift = 0
            while part * (1 << shift + 1) < 511:
                shift += 1
            self._state[_LAG] = int(part * (1 << shift) + 0.5)
            self._state[_LAG_SHIFT] = shift

    def _fold(self, values: dict, per_turn: int, trim: "Trim | None") -> None:
        zero, span = values["zero_mdeg"], values["span_mdeg"]
        for degree in range(_DEGREES):
            angle = degree * 1000
            along = angle + self._error(values, angle) - zero
            sixteenths = (along * per_turn + span // 2) // span  # outside the tick it may be as large as it likes
            if values["down"]:
                sixteenths = per_turn - sixteenths
            if trim is not None:
                sixteenths = trim.command(sixteenths, self._top)
            self._state[_TABLE + degree] = sixteenths + _OFFSET

    def _error(self, values: dict, angle: int) -> int:
        step = family_blobs.ERROR_STEP_MDEG
        at = min(angle // step, family_blobs.ERRORS - 2)
        before, after = values["error_%d_mdeg" % at], values["error_%d_mdeg" % (at + 1)]
        return before + (after - before) * (min(angle, step * (family_blobs.ERRORS - 1)) - at * step) // step

    def start(self, angle_mdeg: int) -> int:
        # What the sensor sends before its first look: a word, or the angle itself. Forgets what was.
        self._state[_BEGUN] = 0
        return self.look(angle_mdeg) if self._first == NOTHING else self._first

    def look(self, angle_mdeg: int) -> int:
        # The code for an angle, without putting it out.
        self.follow(angle_mdeg, 0)
        return self._state[_CODE] - _OFFSET

    def sent(self, code: int) -> None:
        # This one stands at the output; NOTHING: none does, so that the next is put out whatever it is.
        self._state[_SENT] = code + _OFFSET

    def last(self) -> int:
        # What was put out last.
        return self._state[_SENT] - _OFFSET

    def restless(self) -> int:
        # 1: the output goes on changing although the angle does not.
        return self._state[_RESTLESS]

    def mute(self, something_else: int) -> None:
        # 1: codes are followed, but not put out.
        self._state[_MUTE] = something_else

    @micropython.viper
    def follow(self, angle_mdeg: int, driving: int) -> int:
        # The tick, once a beat: puts the code for the angle out where it is another one. 1: to be called again although
        # the angle stays, since the output goes on changing or did not take the code.
        state = ptr32(self._state)
        degree = angle_mdeg // 1000
        low = state[_TABLE + degree]
        x = low - _OFFSET + (state[_TABLE + 1 + degree] - low) * (angle_mdeg - degree * 1000) // 1000
        full, wrap = state[_FULL], state[_WRAP]
        noise = state[_NOISE]
        # Modulo is a call: only where it changes something.
        if wrap and (x < 0 or x >= full):
            x %= full
        restless = 1 if noise else 0
        if state[_BEGUN]:
            # Play of the hysteresis, then the filter; both along the shorter way where the span is a turn. Here in one
            # piece: a call costs as much as all of it.
            before = state[_X] - _OFFSET
            way = x - before
            if wrap:
                if way >= full >> 1:
                    way -= full
                elif way < 0 - (full >> 1):
                    way += full
            play = state[_PLAY]
            if play:
                if way > play:
                    way -= play
                elif way < 0 - play:
                    way += play
                else:
                    way = 0
            if way and state[_LAG]:
                part = way * state[_LAG] + state[_CARRY]
                step = part >> state[_LAG_SHIFT]
                state[_CARRY] = part - (step << state[_LAG_SHIFT])
                if step != way:
                    restless = 1
                way = step
            x = before + way
            if wrap and (x < 0 or x >= full):
                x %= full
        else:
            state[_BEGUN] = 1
            state[_CARRY] = 0
        state[_X] = x + _OFFSET
        state[_RESTLESS] = restless
        if noise:
            # A linear congruential generator that stays in small integers: (205 s + 29573) mod 139968 (Numerical
            # Recipes, 2nd ed., 7.1: table of quick generators; value from memory). Two draws, for a triangle.
            first = (state[_SEED] * 205 + 29573) % _NOISE_MODULUS
            second = (first * 205 + 29573) % _NOISE_MODULUS
            state[_SEED] = second
            x += ((first + second >> 7) - _NOISE_MEAN) * noise // _NOISE_RMS
        if wrap:
            x += _HALF
            if x < 0 or x >= full:
                x %= full
            code = (x >> 4) + _OFFSET
        elif x + _OFFSET < state[_FLOOR]:
            code = state[_BELOW]
        elif x + _OFFSET >= state[_CEILING]:
            code = state[_ABOVE]
        else:
            code = ((x + _HALF) >> 4) + _OFFSET
        state[_CODE] = code
        if code != state[_SENT]:
            if driving and not state[_MUTE]:
                if not int(self.put(code - _OFFSET)):
                    return 1
            state[_SENT] = code
        return restless
