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

# A line that carries frames is compared with its data at one moment a tick, and differs while an edge is on its way.
# Five readings in a row are contention; so is one in 64 for as long as that lasts, which a line held hard exceeds.
_STEP = const(64)
_FULL = const(320)
_NOT_DRIVEN = const(2)  # of `want`: RELEASED
_DISTURBED = const(-1)


class Following:
    def __init__(self, board: Board, family: Family, curve: Curve) -> None:
        self._family = family
        self._curve = curve
        self._data = board.drive_data[0]
        self._sense = board.lines[names.LINE_M1]
        self._data_2 = board.drive_data[1]
        self._sense_2 = board.lines[names.LINE_M2]
        # Bound once, since the tick calls them: what stands for the level of a line that carries codes, and both halves
        # of a look.
        self.sense: Callable[[], int] = self._sense_two if family.digital > 1 else self._sense_one
        if family.watched:
            self.sense = family.sense
        self._code_at = curve.look
        self._put = family.put
        self.lines = family.lines
        self.on_bus = family.on_bus
        self.ready = family.ready
        self.end = family.end
        self.want = _NOT_DRIVEN  # what line 1 must have
        self._sent = NOTHING
        self._override = 0
        self._running = 0
        self._differed = 0

    def look(self, angle_mdeg: int, driving: int) -> int:
        # Once a beat: the code for the angle goes out. 1: to be looked at again although the angle stays.
        code = self._code_at(angle_mdeg)
        if code != self._sent:
            if driving and not self._override and not self._put(code):
                return 1
            self._sent = code
        return self._curve.restless

    def drive(self, override: int, angle_mdeg: int) -> None:
        # Frames, or the level that an override asks for. The first of them is there before the enables are.
        family = self._family
        level = override - 1
        carries = family.digital or family.watched
        self.want = CARRIES if carries and not override else _NOT_DRIVEN
        if not override:
            if not self._running or self._override:
                self._sent = NOTHING
                family.put(self._curve.start(angle_mdeg))
        elif level != RELEASED:
            family.hold(level)
            if family.digital:
                self.want = level
        self._override = override
        self._running = 1
        for enable in family.enables:
            enable(0 if level == RELEASED else 1)
        if level == RELEASED and not family.enables:
            family.hold(HIGH)  # an open drain that lets go

    def rest(self) -> None:
        # Nothing is driven any more; the pins were let go by whoever says so.
        self._running = 0
        self.want = _NOT_DRIVEN
        self._differed = 0

    # Once a tick, while codes are put out: CARRIES while a line has what its data pin has, but for edges on their way.

    def _sense_one(self) -> int:
        if self._data() == self._sense():
            if self._differed:
                self._differed -= 1
            return CARRIES
        return self._differs()

    def _sense_two(self) -> int:
        if self._data() == self._sense() and self._data_2() == self._sense_2():
            if self._differed:
                self._differed -= 1
            return CARRIES
        return self._differs()

    def _differs(self) -> int:
        self._differed += _STEP
        return CARRIES if self._differed < _FULL else _DISTURBED
