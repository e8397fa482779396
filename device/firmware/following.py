# What the line of an angle sensor does while the jig stands in: curve and family of the profile in force, together.
#
# The tick's, but for ready(). Built and loaded only when a profile names a family that tells an angle (parts.py).
from boards import Board
from micropython import const

from firmware.curve import Curve
from firmware.curve_words import NOTHING
from firmware.families.base import CARRIES, Family
from firmware.transfer import HIGH, RELEASED
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_NOT_DRIVEN = const(2)  # of `want`: RELEASED


class Following:
    def __init__(self, board: Board, family: Family, curve: Curve) -> None:
        self._family = family
        self._curve = curve
        # While codes are put out the tick compares so many lines with their data, or calls sense() instead.
        self.compared = 0 if family.watched else family.digital
        self.sense: Callable[[], int] = family.sense
        # The tick, once a beat, with the angle and 1 while the line is driven: what stands for it goes out. 1: to be
        # called again although the angle stays.
        self.look: Callable[[int, int], int] = curve.follow
        self._follow = self.look
        self._tell_error: Callable[[int, int], int] = self._says_error
        self._word = NOTHING  # what it began with
        self._put = curve.put = family.put
        self.lines = family.lines
        self.on_bus = family.on_bus
        self.ready = family.ready
        self.end = family.end
        self.want = _NOT_DRIVEN  # what line 1 must have
        self._override = 0
        self._running = 0

    def drive(self, override: int, angle_mdeg: int) -> None:
        # Frames, or the level that an override asks for. The first of them is there before the enables are. An error is
        # told like an angle, by whatever stands for one: look() goes on, and so does what compares the line.
        family = self._family
        look: Callable[[int, int], int] = self._follow
        if override == names.DRIVEN_ERROR:
            override = names.DRIVEN_FOLLOW
            look = self._tell_error
        level = override - 1
        carries = family.digital or family.watched
        self.want = CARRIES if carries and not override else _NOT_DRIVEN
        if not override:
            if not self._running or self._override or look is not self.look:
                if look is self._follow:
                    self._word = self._curve.start(angle_mdeg)
                else:
                    self._word = self._error_word(angle_mdeg)
                self._curve.sent(NOTHING)  # a family that could not take it is given it again by look()
                family.put(self._word)
        elif level != RELEASED:
            family.hold(level)
            if family.digital:
                self.want = level
        self.look = look
        self._override = override
        self._curve.mute(1 if override else 0)
        self._running = 1
        for enable in family.enables:
            enable(0 if level == RELEASED else 1)
        if level == RELEASED and not family.enables:
            family.hold(HIGH)  # an open drain that lets go

    def _error_word(self, angle_mdeg: int) -> int:
        word = self._curve.broken
        if word == NOTHING:
            word = self._curve.last()  # holds what it said last, an angle that nobody looks at any more
        if word == NOTHING:
            self._curve.start(angle_mdeg)
            word = self._curve.look(angle_mdeg)
        return word

    def _says_error(self, _angle_mdeg: int, driving: int) -> int:
        # In place of the curve, while it is not muted.
        word = self._word
        if word != self._curve.last():
            if driving and not self._put(word):
                return 1
            self._curve.sent(word)
        return self._curve.restless()  # as before: the beats go on

    def rest(self) -> None:
        # Nothing is driven any more; the pins were let go by whoever says so.
        self._running = 0
        self.want = _NOT_DRIVEN
