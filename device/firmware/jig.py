# The jig as the service loop sees it: parts, transitions of the interlock and of the route, what goes to the
# host.
#
# Service loop only. What the tick and the interrupts share with it is described in tick.py, motion.py,
# scan.py, sampler.py, lines.py, pulses.py. Parts that only some benches need are built when they are (parts.py).
import binascii
import gc
import struct

from boards import Board
from micropython import const

from firmware import parts, profile
from firmware.interlock import ARM, CLEAR, DISARM, Interlock
from firmware.lines import Lines, Mark
from firmware.log import Log
from firmware.measurement import Measurement
from firmware.motion import Motion
from firmware.ring import Ring
from firmware.scan import Scan
from firmware.store import Store
from firmware.tick import Tick
from firmware.trace import where
from firmware.transfer import Transfer
from shared_proto import blobs, names
from shared_proto.clock import Unwrap
from shared_proto.codec import Message
from shared_proto.session import BoardSession

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from firmware.capture import Capture
    from firmware.following import Following
    from firmware.sampler import Sampler
    from firmware.sensor_count import Counting
    from firmware.slow import Slow

VERSION = (0, 1, 0)
_EDGE_RECORDS = const(128)
_UNHEARD_RECORDS = const(32)  # two a line and one a slow channel at most, told within a turn
_TICK_RECORDS = const(64)
_RAW_MAX = const(0xFFFF)
# Without a profile the window ends where the widest profile could end.
_SUPPLY_MAX_MV = const(5500)
_RELAY_SETTLE_US = const(10000)  # release and bounce of a signal relay, data sheets give 3 to 6 ms
_ROUTE_NONE = const(255)
# Channels of the converter that a bench may have or not.
_OBSERVERS = (names.CH_CHARGER_V, names.CH_CHARGER_I, names.CH_LIGHT)

NOTE_HOST_RESET = "reset"
NOTE_LEAVE = "leave"


class Jig:
    def __init__(self, board: Board, folder: str) -> None:
        self.board = board
        self.store = Store(folder)
        self.log = Log()
        self.clock = Unwrap()
        self.ticks = board.ticks_us()
        self.now_us = self.clock.update(self.ticks)
        self.lock = Interlock()
        self.edges = Ring(_EDGE_RECORDS)
        self.marks = Ring(_TICK_RECORDS)
        self.unheard = Ring(_UNHEARD_RECORDS)
        self.motion = Motion(board, self.marks)
        self.transfer = Transfer()
        self.measurement = Measurement()
        self.scan = Scan(board, self.marks, self.measurement)
        self.tick = Tick(board, self.marks, self.motion, self.transfer, self.scan)
        self.lines = Lines(board, self.edges, self.unheard, self.tick.supply_lost)
        self.mark = Mark(board, self.lines)
        self.sampler: Sampler | None = None  # once a channel has been sampled
        self.slow: Slow | None = None  # once a wiring record had power monitors or a tach line
        self.capture: Capture | None = None  # once one was asked for
        self.counting: Counting | None = None  # once steps were to be counted
        self.route = names.ROUTE_THROUGH
        self.safe_route = names.ROUTE_THROUGH
        self.route_wanted = _ROUTE_NONE  # while the relay settles
        self.route_since = 0
        self.route_request: Message | None = None
        self.measure_request: Message | None = None
        self.ticking = False
        self.ending = ""  # NOTE_LEAVE or NOTE_HOST_RESET once the host has asked for it
        self.profile = profile.Blob(names.BLOB_PROFILE, "profile")
        self.wiring = profile.Blob(names.BLOB_WIRING, "wiring")
        self.trim = profile.Blob(names.BLOB_TRIM, "trim")
        self.coming: Following | None = None  # of a profile that is about to be put in force
        self.incoming = bytearray(1024)
        self.incoming_kind = 0
        self.incoming_length = 0

        cause = board.reset_cause()
        if self.store.take_note(NOTE_HOST_RESET) and cause != names.RESET_POWER:
            cause = names.RESET_HOST
        self.cause = cause
        self.boot_id = self._next_boot_id()
        self.session = BoardSession(
            {
                "fw_major": VERSION[0],
                "fw_minor": VERSION[1],
                "fw_patch": VERSION[2],
                "board_id": int.from_bytes(board.unique_id()[:8], "little"),
                "boot_id": self.boot_id,
                "reset_cause": cause,
                "abilities": board.abilities,
            },
            keep=64,
            pulse_fields=self.pulse_fields,
        )
        self.event("boot", self.now_us, cause=cause)
        self.log.add(self.now_us, names.LOG_BOOT, cause, self.boot_id)
        self._load(self.trim)  # before the profile, into whose curve it is folded
        self._load(self.profile)
        self._load(self.wiring)
        parts.forget_families(self)
        if cause == names.RESET_WATCHDOG:
            self.trip(names.REASON_WATCHDOG, self.now_us, 0)

    def _next_boot_id(self) -> int:
        # A counter on flash makes it differ; where the flash fails, the time that the start took still does.
        kept = self.store.load("boots")
        count = struct.unpack("<I", kept)[0] if kept is not None and len(kept) == 4 else 0
        count = (count + 1) & 0xFFFFFFFF
        self.store.save("boots", struct.pack("<I", count))
        seed = self.board.unique_id() + struct.pack("<II", count, self.ticks)
        return binascii.crc32(seed) & 0xFFFFFFFF

    # -- to the host --------------------------------------------------------------------------------

    def event(self, name: str, t_us: int, **fields: int) -> None:
        self.session.event(name, t_us, **fields)

    def pulse_fields(self) -> dict:
        return {
            "t_us": self.now_us,
            "lock": self.lock.state,
            "route": self.route,
            "reason": self.lock.reason,
            "angle_mdeg": self.motion.angle_mdeg,
            "lines": self.lines.levels(),
            "supply_mv": self.supply_mv(),
        }

    def tell_meter(self, meter: int, state: int) -> None:
        self.event("meter", self.now_us, meter=meter, state=state)

    def supply_mv(self) -> int:
        # The ADC belongs to the tick while it runs: a reading in between would take the other's channel.
        if not self.ticking:
            self.tick.supply_raw = self.board.read_supply()
        return self.tick.supply_raw * self.board.supply_full_scale_mv // _RAW_MAX

    # -- profile and wiring -------------------------------------------------------------------------

    def blob(self, kind: int) -> profile.Blob | None:
        if kind == names.BLOB_PROFILE:
            return self.profile
        if kind == names.BLOB_TRIM:
            return self.trim
        return self.wiring if kind == names.BLOB_WIRING else None

    def _load(self, blob: profile.Blob) -> None:
        data = self.store.load(blob.file)
        if data is None:
            return
        values, bad = profile.parse(blob.kind, data)
        if values is None:
            self.log.add(self.now_us, names.LOG_BLOB_BAD, blob.kind, bad)
            return
        if not self.has_parts(blob, values, data):
            return  # no record is in force; the host sees it by its CRC
        self.apply(blob, data, values)
        self.log.add(self.now_us, names.LOG_BLOB_LOADED, blob.kind, blob.crc)

    def has_parts(self, blob: profile.Blob, values: dict, data: bytes) -> bool:
        # Before a record is put in force: what it needs is built; False when there is no memory for it.
        if blob is self.wiring:
            return parts.for_wiring(self, values)
        self.coming = None
        if blob is self.trim or values["family"] == blobs.FAMILY_SWITCH:
            return True
        from firmware import angle_parts

        return angle_parts.for_profile(self, values, profile.crc32(data))

    def apply(self, blob: profile.Blob, data: bytes, values: dict) -> None:
        # While nothing is driven. The tick may run (watching), but looks at the transfer only when the angle
        # changes.
        blob.take(data, values)
        if blob is self.wiring:
            self._wire(values)
            return
        if blob is self.trim:
            again = self.profile
            if again.values is not None and self.has_parts(again, again.values, again.data):
                self.apply(again, again.data, again.values)
            return
        if self.counting is not None:
            self.counting.stop()  # of a sensor that this is perhaps not
        self.motion.reset(values["start_mdeg"])
        leaving = self.tick.following()
        self.tick.follow(None)  # not the old one by the new one's table
        if leaving is not None:
            leaving.end()
        self.transfer.fold(values)
        self.tick.follow(self.coming)
        self.coming = None
        self.tick.update_us = values["update_us"]
        self.tick.start_at(self.transfer.initial(values["start_mdeg"]))
        self.safe_route = values["safe_route"]
        self.board.safe_relay = 0 if self.safe_route == names.ROUTE_THROUGH else 1
        if self.lock.state != names.ARMED:
            self._to_safe_route(names.REASON_HOST, self.now_us)

    def _wire(self, values: dict) -> None:
        tach, slow = values["tach"], self.slow
        if slow is not None:
            slow.pulses.stop()  # before its line is given back
        self.lines.wire(values["lines_used"], values["invert"], values["bus"], tach)
        if slow is not None:
            slow.wire(values, bool(tach and self.lines.inverted(tach - 1)))
        for channel in _OBSERVERS:
            if not self.wired(channel):
                self.scan.drop(channel)

    def reader(self, channel: int) -> "Scan | Slow | None":
        # Who reads a channel: the tick, or the service loop; nobody where it has none to read.
        return self.scan if channel < names.CH_METER_1_V else self.slow

    def wired(self, channel: int) -> bool:
        # Channels of the connector belong to the jig; observers are wired or not, and an open input reads
        # noise.
        if channel >= names.CH_METER_1_V:
            return self.slow is not None and self.slow.wired(channel)
        if channel not in _OBSERVERS:
            return True
        return self.wiring.values is None or bool(self.wiring.values["scan"] >> channel & 1)

    def supply_window(self) -> tuple:
        # (lowest, highest) mV by the profile.
        values = self.profile.values
        if values is None:
            return 0, _SUPPLY_MAX_MV
        return values["supply_min_mv"], values["supply_max_mv"]

    # -- interlock ----------------------------------------------------------------------------------

    def arm(self) -> int:
        # 0, or a names.REFUSED_ reason. Arming without supply is for tests on the sensor's side.
        if self.lock.state == names.TRIPPED:
            return names.REFUSED_TRIPPED
        if self.lock.state == names.ARMED:
            return 0
        supply_mv, limit_mv = self.supply_mv(), self.supply_window()[1]
        if supply_mv > limit_mv:
            return names.REFUSED_SUPPLY_WINDOW
        gc.collect()  # now, rather than in the middle of a move
        self.board.guard()
        tick = self.tick
        tick.forget_trip()
        tick.supply_high_raw = limit_mv * _RAW_MAX // self.board.supply_full_scale_mv
        tick.heard()
        self.board.ready()
        self.lock.step(ARM, self.now_us)
        tick.armed = 1
        self.need_supply()
        self.run_tick()
        self._tell_lock(self.now_us)
        return 0

    def need_supply(self) -> bool:
        # From now on a loss of supply trips; False when there is none to lose, or it was lost meanwhile. Looked
        # at again after the flag is up: an edge just before it would have been let pass.
        if not self.board.supply_ok():
            return False
        self.tick.need_supply()
        if not self.board.supply_ok():
            self.tick.supply_lost(self.board.ticks_us())
        return not self.tick.lost

    def drive_refusal(self) -> tuple:
        # (reason, detail) against driving the machine's side now. (0, 0) when nothing speaks against it: a loss
        # of supply trips from then on, so that nothing is ever driven that would not be let go of.
        if not self.board.supply_ok():
            return names.REFUSED_SUPPLY_MISSING, 0
        lowest, highest = self.supply_window()
        supply_mv = self.supply_mv()
        if not lowest <= supply_mv <= highest:
            return names.REFUSED_SUPPLY_WINDOW, supply_mv
        if not self.need_supply():
            return names.REFUSED_TRIPPED if self.tick.lost else names.REFUSED_SUPPLY_MISSING, 0
        return 0, 0

    def disarm(self) -> None:
        if self.lock.step(DISARM, self.now_us):
            self._tell_lock(self.now_us)
            self._let_go(names.REASON_HOST, self.now_us)
            gc.collect()
        elif self.capture is not None:  # it needs no arming
            self.capture.drop(self)

    def clear(self) -> int:
        # The reason that was cleared.
        reason = self.lock.reason
        if self.lock.step(CLEAR, self.now_us):
            self.tick.forget_trip()
            self._tell_lock(self.now_us)
        return reason

    def trip(self, reason: int, t_us: int, detail: int) -> None:
        if self.lock.step(reason, t_us, detail):
            self.log.add(t_us, names.LOG_TRIP, reason, detail)
            self._tell_lock(t_us)
            self._let_go(reason, t_us)

    def take_trips(self) -> None:
        # What tick and supply interrupt have latched; the pins were let go there and then.
        tick = self.tick
        if tick.reason or tick.lost:
            reason, since, detail = tick.reason, tick.since, tick.detail
            if tick.lost and (not reason or self.board.ticks_diff(tick.lost_since, since) <= 0):
                reason, since, detail = names.REASON_SUPPLY_LOSS, tick.lost_since, self.supply_mv()
            if tick.error is not None:
                detail = self.log_exception(tick.error)
                tick.error = None
                self.scan.stop()  # whatever it met would be met again
                if self.measure_request is not None and self.measure_request.fields["channel"] < names.CH_METER_1_V:
                    self.measurement.cancel()
            self.trip(reason, self.clock.at(since), detail)
            tick.forget_trip()

    def _let_go(self, reason: int, t_us: int) -> None:
        self.tick.release()
        self.motion.stop()
        if self.capture is not None:
            self.capture.drop(self)
        if self.route_request is not None:
            request, self.route_request = self.route_request, None
            tripped = self.lock.state == names.TRIPPED
            self.session.refuse(request, names.REFUSED_TRIPPED if tripped else names.REFUSED_NOT_ARMED)
        self.route_wanted = _ROUTE_NONE
        self._to_safe_route(reason, t_us)

    def _tell_lock(self, t_us: int) -> None:
        lock = self.lock
        self.event("lock", t_us, state=lock.state, reason=lock.last_reason, detail=lock.detail)

    # -- route --------------------------------------------------------------------------------------

    def _to_safe_route(self, reason: int, t_us: int) -> None:
        # Drives are off already (or were never on), so the relay may move at once.
        self.board.relay(self.board.safe_relay)
        if self.route != self.safe_route:
            self.route = self.safe_route
            self.event("routed", t_us, route=self.route, reason=reason)

    def begin_route(self, request: Message, route: int) -> None:
        # Break before make: everything off, relay, 10 ms, then the outputs (poll_route). For standin
        # drive_refusal() has been asked: a loss of supply trips while the relay settles already.
        tick = self.tick
        tick.drive = 0
        tick.override[0] = tick.override[1] = 0
        tick.apply()
        if tick.following() is not None:
            self.board.take_back()
        for enable in self.board.drive_enable:
            enable(0)
        self.board.loads_off()
        if route == names.ROUTE_THROUGH:
            self.board.sensor_power(0)
        self.board.relay(0 if route == names.ROUTE_THROUGH else 1)
        self.route_request = request
        self.route_wanted = route
        self.route_since = self.board.ticks_us()

    def poll_route(self) -> None:
        if self.route_wanted == _ROUTE_NONE:
            return
        if self.board.ticks_diff(self.ticks, self.route_since) < _RELAY_SETTLE_US:
            return
        if self.route_wanted == names.ROUTE_STANDIN and not self._may_stand_in():
            return
        self.route, self.route_wanted = self.route_wanted, _ROUTE_NONE
        if self.route == names.ROUTE_STANDIN:
            following = self.tick.following()
            if following is not None:
                following.ready()
            self.tick.drive = 1
            self.tick.apply()
        self.event("routed", self.now_us, route=self.route, reason=names.REASON_HOST)
        request, self.route_request = self.route_request, None
        if request is not None:
            self.session.answer(request, t_us=self.now_us, route=self.route)

    def _may_stand_in(self) -> bool:
        # Asked again after the relay has settled: the supply may have gone, or left its window, meanwhile.
        reason, detail = self.drive_refusal()
        self.take_trips()  # latched since this turn began: lets go and refuses the request
        if not self.routing():
            return False
        if reason:
            # Nothing is driven yet: back to the route that is still in force.
            self.board.relay(0 if self.route == names.ROUTE_THROUGH else 1)
            self.route_wanted = _ROUTE_NONE
            request, self.route_request = self.route_request, None
            if request is not None:
                self.session.refuse(request, reason, detail)
            return False
        return True

    def routing(self) -> bool:
        return self.route_wanted != _ROUTE_NONE

    # -- tick ---------------------------------------------------------------------------------------

    def run_tick(self) -> None:
        # The timer runs only while there is something to do in it.
        tick = self.tick
        wanted = bool(tick.armed or tick.busy or self.scan.active)
        if wanted and not self.ticking:
            self.ticking = True
            self.board.start_tick(tick.run_ref)
        elif self.ticking and not wanted:
            self.board.stop_tick()
            self.ticking = False

    # -- errors -------------------------------------------------------------------------------------

    def log_exception(self, error: Exception) -> int:
        # Number of the log entry: line, and CRC-32 of the file's name without folder and suffix.
        line, place = where(error)
        return self.log.add(self.now_us, names.LOG_EXCEPTION, line, place)

    def firmware_failed(self, error: Exception) -> None:
        # An exception in the service loop: first the pins, then the books.
        self.board.let_go()
        self.tick.release()
        self.trip(names.REASON_FIRMWARE, self.now_us, self.log_exception(error))
