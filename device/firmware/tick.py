# The tick: once a millisecond while armed, moving, watching, sampling or measuring, in a hard timer interrupt.
#
# Order: guard (silence, supply, contention), motion, transfer and outputs, one analog turn. Nothing here
# allocates: small integers, indexing, calls of what was bound beforehand. What must be told to the host goes
# into the ring.
#
# A sensor that tells an angle has a `following` beside the transfer: the transfer then only says when the lid counts as
# shut, and what the line carries comes from there.
#
# Who may touch what. Enables of the drive buffers are raised here and nowhere else, so only the tick and the
# supply interrupt meet at them: after raising one, the tick looks at `lost` again and lets go; and let_go()
# makes the pins inputs, so that a late write drives nothing. The service loop sets wishes (drive, override,
# reapply) and reads results. A trip is latched here with reason, detail and ticks; the first one stays until
# the service loop has taken it.

from array import array

import micropython
from boards import Board
from micropython import const

from firmware.motion import Motion
from firmware.ring import OUTPUT, Ring
from firmware.scan import Scan
from firmware.transfer import RELEASED, Transfer
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from firmware.following import Following

_SILENCE_MS = const(1000)  # promise: let go after 1 s without a good frame
_SUPPLY_TICKS = const(2)  # promise: 2 ms
_CONTENTION_TICKS = const(5)  # promise: 5 ms
_TICK_US = const(1000)
_HALF_TICK_US = const(500)
_NO_CODE = const(255)
_NOT_DRIVEN = const(2)  # RELEASED, as a constant for the tick
_CARRIES = const(3)  # no level, but what the data pin has: `following` says so too while nobody disturbs it
_COUNT_MASK = const(0x3FFFFFFF)
_TIMED = const(15)
# A line that carries frames is compared with its data at one moment a tick, and differs while an edge is on its way.
# Five readings in a row are contention; so is one in 64 for as long as that lasts, which a line held hard exceeds.
_DIFFERS = const(64)
_DISTURBED = const(320)
_EVERY_TICK = const(2)  # scan.active while samples are taken or a measurement runs
_RAW_MAX = const(0xFFFF)
# Without an edge on the digital line, a reading below this (1.3 V of 6.6 V; the supervisor falls below 1.4 V)
# is a loss.
_SUPPLY_GONE_RAW = const(12909)
# What run() and nobody outside of the tick has: it is viper, which an attribute costs as much as bytecode. No number is
# negative, which a 64-bit build would read otherwise.
_SILENT_AT = const(0)  # count at which the host has been silent for too long
_SUPPLY_LOW_RAW = const(1)
_WANT_1 = const(2)
_WANT_2 = const(3)
_LOOKING = const(4)  # the angle may have changed since the last look at the transfer
_CODE = const(5)  # of the step seen last
_BEAT_US = const(6)  # until the emulated sensor looks again
_BEAT_AT = const(7)  # count of the tick in which it looked last
_DRIVING = const(8)
_FOLLOWS = const(9)  # 1: there is a `following`
_COMPARED = const(10)  # how many lines carry frames that nobody else watches
_DIFFERED = const(11)
_FIELDS = const(12)
_failure: Exception | None = None


def _nowhere(_angle_mdeg: int, _driving: int) -> int:
    return 0


class Tick:
    def __init__(self, board: Board, ring: Ring, motion: Motion, transfer: Transfer, scan: Scan) -> None:
        self._board = board
        self._ticks_us = board.ticks_us
        self._ticks_diff = board.ticks_diff
        self._read_supply = board.read_supply
        self._line_1: Callable[[], int] = board.lines[names.LINE_M1]
        self._sense_1: Callable[[], int] = self._line_1  # or, while codes are put out, what a family watches it with
        self._data_1, self._data_2 = board.drive_data
        self._sense_2 = board.lines[names.LINE_M2]
        self._let_go = board.let_go
        self._push = ring.push
        self._motion = motion
        self._step = motion.step
        self._table = transfer.table
        self._level_of = transfer.level_of
        self._active_level = transfer.active_level
        self._scan = scan
        self._scan_step = scan.step
        # Bound once; the timer is given this. (Viper cannot say that it returns nothing.)
        self.run_ref: Callable[[object], None] = self.run  # type: ignore[assignment]
        # the tick's own
        self.count = 0
        self.us_max = 0
        self.supply_raw = 0
        self.state = 0  # operated bits by the transfer
        self._state = state = array("i", [0] * _FIELDS)
        state[_WANT_1] = state[_WANT_2] = _NOT_DRIVEN
        state[_CODE] = _NO_CODE
        self._told = 0  # operated bits as the host was told them
        self._wrong_run = array("i", [0, 0])  # readings in a row that were wrong, and the count of the last one
        self._wrong_at = array("i", [0, 0])
        self._bad_run = 0
        self._bad_at = 0
        self.error: Exception | None = None  # what the tick met, for the log
        # latched by the tick (reason last: the service loop looks at it first)
        self.reason = 0
        self.detail = 0
        self.since = 0
        # latched by the supply interrupt, apart, since it may come in the middle of the tick
        self.lost = 0
        self.lost_since = 0
        # set by the service loop
        self._following: Following | None = None  # of a sensor that tells an angle
        self._look: Callable[[int, int], int] = _nowhere  # of that, called while there is one
        self.armed = 0
        self.needs_supply = 0  # armed with supply, or driving the machine: loss trips
        self.drive = 0  # route standin is in force
        self.busy = 0  # something moves, or reapply is set; the tick lowers it when all is done
        self.reapply = 0
        self.supply_high_raw = _RAW_MAX
        self.update_us = 1000
        self.override = bytearray(2)  # names.DRIVEN

    # -- interrupts and tick ------------------------------------------------------------------------

    @micropython.viper
    def run(self, _timer: object) -> int:
        # The common path stands here in one piece: a call costs as much as thirty operations.
        global _failure  # viper has no local that is an exception
        now = int(self._ticks_us())
        state = ptr32(self._state)
        count = (int(self.count) + 1) & _COUNT_MASK
        self.count = count
        timed = 0 if count & _TIMED else 1
        try:
            raw = int(self._read_supply())
            self.supply_raw = raw
            if int(self.armed):
                if count == state[_SILENT_AT]:
                    self._trip(names.REASON_SILENCE, 0, now)
                if raw > int(self.supply_high_raw) or raw < state[_SUPPLY_LOW_RAW]:
                    self._bad_supply(raw, count, now)
                want = state[_WANT_1]
                if want != _NOT_DRIVEN:
                    lines = state[_COMPARED]
                    if lines:
                        differs = int(self._data_1()) ^ int(self._line_1())
                        if lines > 1 and not differs:
                            differs = int(self._data_2()) ^ int(self._sense_2())
                        differed = state[_DIFFERED]
                        if differs:
                            state[_DIFFERED] = differed + _DIFFERS
                            if differed + _DIFFERS >= _DISTURBED:
                                self._contended(0, count, now)
                        elif differed:
                            state[_DIFFERED] = differed - 1
                    elif int(self._sense_1()) != want:
                        self._contended(0, count, now)
                want = state[_WANT_2]
                if want != _NOT_DRIVEN:
                    if int(self._sense_2()) != want:
                        self._contended(1, count, now)
            busy = int(self.busy)
            if busy:
                # Before the transfer: a route that is being left must not be driven once more.
                if int(self.reapply):
                    self.reapply = 0
                    self._apply_all(now)
                motion = self._motion
                moving = int(motion.moving)
                if moving:
                    timed |= int(self._step(now))
                    if not state[_LOOKING]:
                        self._resume(count)
                if state[_LOOKING]:
                    # The emulated sensor looks at the angle every update_us, on a beat of its own.
                    beat = state[_BEAT_US] - _TICK_US
                    if beat > _HALF_TICK_US:
                        state[_BEAT_US] = beat
                    else:
                        state[_BEAT_US] = beat + int(self.update_us)
                        state[_LOOKING] = moving
                        state[_BEAT_AT] = count
                        angle = int(motion.angle_mdeg)
                        code = ptr8(self._table)[angle // 100]
                        if code != state[_CODE]:
                            timed = 1
                            self._change(code, now)
                        if state[_FOLLOWS]:
                            if int(self._look(angle, state[_DRIVING])):
                                state[_LOOKING] = 1
                elif not moving:
                    self.busy = 0
            # While something moves, analog turns are taken in every fourth tick; samples and a measurement's readings
            # in every one.
            active = int(self._scan.active)
            if active:
                if not busy or not count & 3 or active == _EVERY_TICK:
                    self._scan_step(now, raw)
        except Exception as _failure:  # noqa: BLE001  any error in here must end in high impedance, whatever it was
            self.error = _failure
            self._trip(names.REASON_FIRMWARE, -1, now)
        if timed:
            # One tick in 16, and all in which something begins, ends or changes: the longest ones.
            spent = int(self._ticks_diff(self._ticks_us(), now))
            if spent > int(self.us_max):
                self.us_max = spent
        return 0

    def supply_lost(self, ticks: int) -> None:
        # From the supply line's hard interrupt.
        if self.needs_supply and not self.lost:
            self._let_go()
            self.lost_since = ticks
            self.lost = 1

    def _trip(self, reason: int, detail: int, now: int) -> None:
        self._let_go()
        self._state[_DRIVING] = 0
        self._state[_WANT_1] = _NOT_DRIVEN
        self._state[_WANT_2] = _NOT_DRIVEN
        if self._following is not None:
            self._following.rest()
            self._state[_DIFFERED] = 0
        if not self.reason:
            self.detail = detail
            self.since = now
            self.reason = reason

    def _bad_supply(self, raw: int, count: int, now: int) -> None:
        self._bad_run = self._bad_run + 1 if count == (self._bad_at + 1) & _COUNT_MASK else 1
        self._bad_at = count
        if self._bad_run >= _SUPPLY_TICKS:
            reason = names.REASON_OVERVOLTAGE if raw > self.supply_high_raw else names.REASON_SUPPLY_LOSS
            self._trip(reason, self._mv(raw), now)

    def _contended(self, output: int, count: int, now: int) -> None:
        following = self._following
        if following is not None and following.want == _CARRIES:
            # The line carries frames; who compared it has waited already.
            self._trip(names.REASON_CONTENTION, 0, now)
            return
        run = self._wrong_run[output] + 1 if count == (self._wrong_at[output] + 1) & _COUNT_MASK else 1
        self._wrong_run[output] = run
        self._wrong_at[output] = count
        if run >= _CONTENTION_TICKS:
            self._trip(names.REASON_CONTENTION, output, now)

    def _mv(self, raw: int) -> int:
        return raw * self._board.supply_full_scale_mv // _RAW_MAX  # 65535 * 6600 < 2**29

    def _resume(self, count: int) -> None:
        # The sensor's beats went on while nothing moved; they are taken up where they would be now. (Counted over
        # 2**20 ticks, 17 min: the product below stays under 2**30.)
        passed_us = ((count - self._state[_BEAT_AT] - 1) & 0xFFFFF) * _TICK_US
        beat = self._state[_BEAT_US] - passed_us % self.update_us
        self._state[_BEAT_US] = beat if beat > _HALF_TICK_US else beat + self.update_us
        self._state[_LOOKING] = 1

    def _change(self, code: int, now: int) -> None:
        # The angle has come to a step with another code: set what it sets, clear what it clears.
        self._state[_CODE] = code
        before = self.state
        after = (before | (code & 3)) & ~(code >> 2)
        self.state = after
        if self._state[_DRIVING] and self._following is not None:
            if not self.override[0]:
                self._tell(0, after & 1, now)
        elif self._state[_DRIVING]:
            changed = before ^ after
            if changed & 1:
                self._apply(0, after & 1, now)
            if changed & 2:
                self._apply(1, after >> 1, now)

    def _apply_all(self, now: int) -> None:
        # Route or override changed.
        following = self._following
        if not self.drive or self.reason or self.lost:
            if following is not None:
                following.rest()
                self._state[_DIFFERED] = 0
            self._state[_DRIVING] = 0
            self._told = 0
            self._state[_WANT_1] = _NOT_DRIVEN
            self._state[_WANT_2] = _NOT_DRIVEN
            for enable in self._board.drive_enable:
                enable(0)
            return
        self._state[_DRIVING] = 1
        if following is not None:
            override = self.override[0]
            following.drive(override, self._motion.angle_mdeg)
            if self.lost:
                self._let_go()
                following.rest()
                self._state[_DIFFERED] = 0
            self._look = following.look
            carries = following.want == _CARRIES
            self._sense_1 = following.sense if carries else self._line_1
            self._state[_COMPARED] = following.compared if carries else 0
            self._state[_WANT_1] = following.want
            self._state[_LOOKING] = 1  # what went out first may not have been the angle
            if self._state[_BEAT_US] <= _TICK_US + _HALF_TICK_US:
                self._state[_BEAT_US] += _TICK_US  # but not in this tick too, which has had enough to do
            if override != names.DRIVEN_ERROR:  # which says neither shut nor open: what was told stands
                self._tell(0, override & 1 if override else self.state & 1, now)
            return
        self._apply(0, self.state & 1, now)
        self._apply(1, self.state >> 1, now)

    def _apply(self, output: int, operated: int, now: int) -> None:
        # One output to the level that the profile or an override asks for. The host is told when it starts or
        # stops being operated; on entering the route, released counts as what the machine saw before.
        board = self._board
        override = self.override[output]
        if override:
            level = override - 1
            operated = 1 if level == self._active_level[output] else 0
        else:
            level = self._level_of[2 * output + operated]
        enable = board.drive_enable[output]
        if level == RELEASED:
            enable(0)
        else:
            board.drive_data[output](level)
            enable(1)
            if self.lost:
                self._let_go()
                level = _NOT_DRIVEN
        if output:
            self._state[_WANT_2] = level
        else:
            self._state[_WANT_1] = level
        self._tell(output, operated, now)

    def _tell(self, output: int, operated: int, now: int) -> None:
        bit = 1 << output
        if operated << output != self._told & bit:
            self._told ^= bit
            self._push(OUTPUT, now, output | operated << 1, self._motion.angle_mdeg)

    # -- service loop -------------------------------------------------------------------------------

    def heard(self) -> None:
        self._state[_SILENT_AT] = (self.count + _SILENCE_MS) & _COUNT_MASK

    def need_supply(self) -> None:
        self._state[_SUPPLY_LOW_RAW] = _SUPPLY_GONE_RAW
        self.needs_supply = 1

    def apply(self) -> None:
        # The wishes have changed: the next tick carries them out.
        self.reapply = 1
        self.busy = 1

    def follow(self, following: "Following | None") -> None:
        # Of the profile that comes into force; while nothing is driven.
        self._state[_FOLLOWS] = 0
        self._following = following
        self._look = _nowhere if following is None else following.look
        self._state[_FOLLOWS] = 0 if following is None else 1
        self._sense_1 = self._line_1
        self._state[_COMPARED] = 0

    def following(self) -> "Following | None":
        return self._following

    def start_at(self, state: int) -> None:
        # A new profile: operated bits at its start angle; nothing to look at until something moves.
        self._state[_LOOKING] = 0
        self._state[_CODE] = _NO_CODE
        self.state = state

    def release(self) -> None:
        # No longer armed: wishes off first, so that a tick in between finds nothing to drive.
        self.armed = 0
        self.needs_supply = 0
        self._state[_SUPPLY_LOW_RAW] = 0
        self.drive = 0
        self._state[_DRIVING] = 0
        if self._following is not None:
            self._following.rest()
            self._state[_DIFFERED] = 0
        self._told = 0
        self._state[_WANT_1] = _NOT_DRIVEN
        self._state[_WANT_2] = _NOT_DRIVEN
        self.override[0] = 0
        self.override[1] = 0
        self._let_go()

    def forget_trip(self) -> None:
        self.reason = 0
        self.lost = 0
        self._bad_run = 0
        self._wrong_run[0] = self._wrong_run[1] = 0

    def driving(self) -> bool:
        return self._state[_DRIVING] == 1
