# What the host may ask for, one function a request, and the table that finds it.
#
# A function gets the jig and the message, and answers or refuses it, at once or later. Ranges of single
# fields were checked by the codec; here stands what depends on state, profile and board.
import gc

from firmware import parts
from firmware.analog_requests import measure, meters, sample, watch
from firmware.blob_requests import blob_commit, blob_read, blob_write
from firmware.jig import NOTE_HOST_RESET, NOTE_LEAVE, Jig
from firmware.motion import DEPTH
from shared_proto import names
from shared_proto.codec import Message


def status(jig: Jig, message: Message) -> None:
    lock, motion, tick, session = jig.lock, jig.motion, jig.tick, jig.session
    session.answer(
        message,
        t_us=jig.now_us,
        lock=lock.state,
        route=jig.route,
        reason=lock.reason,
        trip_t_us=lock.trip_t_us,
        trip_detail=lock.detail,
        angle_mdeg=motion.angle_mdeg,
        moving=1 if motion.moving else 0,
        queued=motion.queued(),
        outputs=tick.state,
        lines=jig.lines.levels(),
        supply_mv=jig.supply_mv(),
        heap_free=getattr(gc, "mem_free", _no_heap_figure)(),
        events_kept=session.events_kept,
        events_lost=session.events_lost,
        rejects=session.rejects,
        tx_dropped=session.tx_dropped,
        tick_us_max=tick.us_max,
        profile_crc=jig.profile.crc,
        wiring_crc=jig.wiring.crc,
    )


def _no_heap_figure() -> int:
    return 0  # CPython does not tell


def arm(jig: Jig, message: Message) -> None:
    reason = jig.arm()
    if reason:
        jig.session.refuse(message, reason, jig.supply_mv() if reason == names.REFUSED_SUPPLY_WINDOW else 0)
    else:
        jig.session.answer(message, t_us=jig.now_us)


def disarm(jig: Jig, message: Message) -> None:
    jig.disarm()
    jig.session.answer(message, t_us=jig.now_us)


def clear(jig: Jig, message: Message) -> None:
    jig.session.answer(message, t_us=jig.now_us, reason=jig.clear())


def set_route(jig: Jig, message: Message) -> None:
    route = message.fields["route"]
    if route >= names.ROUTE_SHIFTED:
        jig.session.refuse(message, names.REFUSED_ROUTE)
    elif jig.routing():
        jig.session.refuse(message, names.REFUSED_BUSY)
    elif route == jig.route:
        jig.session.answer(message, t_us=jig.now_us, route=route)
    elif jig.lock.state != names.ARMED:
        jig.session.refuse(message, names.REFUSED_NOT_ARMED)
    elif route == names.ROUTE_STANDIN and jig.profile.values is None:
        jig.session.refuse(message, names.REFUSED_NO_PROFILE)
    elif route == names.ROUTE_STANDIN and _pins_in_use(jig):
        jig.session.refuse(message, names.REFUSED_ROUTE)
    else:
        reason, detail = jig.drive_refusal() if route == names.ROUTE_STANDIN else (0, 0)
        if reason:
            jig.session.refuse(message, reason, detail)
        else:
            jig.begin_route(message, route)


def _pins_in_use(jig: Jig) -> bool:
    # By the wiring record: pins that the output has for itself are those of an observer, or of the bus.
    following, wiring = jig.tick.following(), jig.wiring.values
    if following is None or wiring is None:
        return False
    used = wiring["lines_used"]
    if wiring["bus"] and not following.on_bus:
        used |= 1 << names.LINE_OBS3 | 1 << names.LINE_OBS4
    return bool(used & following.lines)


def move(jig: Jig, message: Message) -> None:
    fields = message.fields
    angle = fields["angle_mdeg"]
    values = jig.profile.values
    if values is not None and not values["angle_min_mdeg"] <= angle <= values["angle_max_mdeg"]:
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    if fields["shape"] >= len(names.SHAPES):
        jig.session.refuse(message, names.REFUSED_RANGE, 2)
        return
    segment = jig.motion.add(angle, fields["duration_ms"], fields["shape"])
    if segment < 0:
        jig.session.refuse(message, names.REFUSED_QUEUE_FULL, DEPTH)
    else:
        jig.tick.busy = 1
        jig.session.answer(message, t_us=jig.now_us, segment=segment, queued=jig.motion.queued())


def stop(jig: Jig, message: Message) -> None:
    jig.motion.stop()
    jig.session.answer(message, t_us=jig.now_us, angle_mdeg=jig.motion.angle_mdeg)


def load(jig: Jig, message: Message) -> None:
    target, state = message.fields["target"], message.fields["state"]
    if target > names.TARGET_S2 or state > names.LOAD_HIGH:
        jig.session.refuse(message, names.REFUSED_RANGE, 0 if target > names.TARGET_S2 else 1)
        return
    if jig.lock.state != names.ARMED:
        jig.session.refuse(message, names.REFUSED_NOT_ARMED)
        return
    if target <= names.TARGET_M2:
        if state != names.LOAD_OFF:
            # The test buffer shares its data pin with the drive buffer, whose route this is or is about to be.
            if jig.route == names.ROUTE_STANDIN or jig.routing():
                jig.session.refuse(message, names.REFUSED_ROUTE)
                return
            reason, detail = jig.drive_refusal()
            if reason:
                jig.session.refuse(message, reason, detail)
                return
        jig.board.set_test(target, state)
    else:
        # Through the closed relay a pull to 3.3 V would reach the machine, powered or not.
        if state != names.LOAD_OFF and (jig.route == names.ROUTE_THROUGH or jig.routing()):
            jig.session.refuse(message, names.REFUSED_ROUTE)
            return
        jig.board.set_pull(target - names.TARGET_S1, state)
    _answer_driven(jig, message)


def sensor_power(jig: Jig, message: Message) -> None:
    on = message.fields["on"]
    if jig.lock.state != names.ARMED:
        if on:
            jig.session.refuse(message, names.REFUSED_NOT_ARMED)
        else:
            jig.session.answer(message, t_us=jig.now_us)
        return
    if on and (jig.route == names.ROUTE_THROUGH or jig.routing()):
        jig.session.refuse(message, names.REFUSED_ROUTE)
        return
    jig.board.sensor_power(on)
    _answer_driven(jig, message)


def drive(jig: Jig, message: Message) -> None:
    if jig.lock.state != names.ARMED:
        jig.session.refuse(message, names.REFUSED_NOT_ARMED)
    elif jig.route != names.ROUTE_STANDIN or jig.routing():
        jig.session.refuse(message, names.REFUSED_ROUTE)
    elif message.fields["state"] == names.DRIVEN_ERROR and (jig.tick.following() is None or message.fields["output"]):
        # A switch has none, and an angle is told by one output.
        jig.session.refuse(message, names.REFUSED_RANGE, 1 if jig.tick.following() is None else 0)
    else:
        jig.tick.override[message.fields["output"]] = message.fields["state"]
        jig.tick.apply()
        jig.session.answer(message, t_us=jig.now_us)


def _answer_driven(jig: Jig, message: Message) -> None:
    # A trip may have come between the check above and the pin; then whatever was switched on goes off again.
    if jig.tick.reason or jig.tick.lost:
        jig.board.let_go()
        jig.session.refuse(message, names.REFUSED_TRIPPED)
    else:
        jig.session.answer(message, t_us=jig.now_us)


def read_sensor(jig: Jig, message: Message) -> None:
    module = parts.reader(jig, message.name)
    if module is None:
        jig.session.refuse(message, names.REFUSED_MEMORY)
    else:
        module.perform(jig, message)


def watch_lines(jig: Jig, message: Message) -> None:
    mask = message.fields["mask"]
    if mask >> len(names.LINES):
        jig.session.refuse(message, names.REFUSED_RANGE, 0)
        return
    jig.lines.watch(mask)
    jig.session.answer(message, t_us=jig.now_us, lines=jig.lines.levels())


def capture(jig: Jig, message: Message) -> None:
    part = parts.for_capture(jig)
    if part is None:
        jig.session.refuse(message, names.REFUSED_MEMORY)
    else:
        part.begin(jig, message)


def capture_read(jig: Jig, message: Message) -> None:
    if jig.capture is None:
        jig.session.answer(message, length=0, data=b"")
    else:
        jig.capture.read(jig, message)


def log_read(jig: Jig, message: Message) -> None:
    first, entries = jig.log.read(message.fields["start"])
    jig.session.answer(message, first=first, total=jig.log.total, entries=entries)


def leave(jig: Jig, message: Message) -> None:
    jig.disarm()
    jig.ending = NOTE_LEAVE
    jig.session.answer(message, t_us=jig.now_us)


def reset(jig: Jig, message: Message) -> None:
    jig.disarm()
    jig.ending = NOTE_HOST_RESET
    jig.session.answer(message, t_us=jig.now_us)


HANDLERS = {
    "status": status,
    "arm": arm,
    "disarm": disarm,
    "clear": clear,
    "set_route": set_route,
    "move": move,
    "stop": stop,
    "load": load,
    "sensor_power": sensor_power,
    "measure": measure,
    "watch": watch,
    "sample": sample,
    "meters": meters,
    "watch_lines": watch_lines,
    "blob_write": blob_write,
    "blob_commit": blob_commit,
    "blob_read": blob_read,
    "log_read": log_read,
    "leave": leave,
    "reset": reset,
    "drive": drive,
    "capture": capture,
    "capture_read": capture_read,
    "registers": read_sensor,
    "word": read_sensor,
    "count": read_sensor,
}

# A tripped jig drives, moves and changes nothing; it can still be read, asked why, cleared and left.
WHILE_TRIPPED = (
    "status",
    "disarm",
    "clear",
    "stop",
    "measure",
    "watch",
    "sample",
    "meters",
    "watch_lines",
    "capture",
    "capture_read",
    "count",
    "blob_read",
    "log_read",
    "leave",
    "reset",
)


def perform(jig: Jig, message: Message) -> None:
    handler = HANDLERS.get(message.name)
    if handler is None:
        jig.session.refuse(message, names.REFUSED_UNKNOWN)
    elif jig.lock.state == names.TRIPPED and message.name not in WHILE_TRIPPED:
        jig.session.refuse(message, names.REFUSED_TRIPPED)
    else:
        handler(jig, message)
