# The service loop: everything that may allocate, wait or talk. Safety does not depend on it: silence, supply
# and contention are judged in the tick and in interrupts, and a loop that hangs is ended by the watchdog.
import gc
import sys
from array import array

from boards import Board
from micropython import alloc_emergency_exception_buf, const

import shared_proto
from firmware import analog_requests, requests
from firmware.jig import NOTE_HOST_RESET, Jig
from firmware.ring import ARRIVED, BAND, DEPARTED, EDGE, LOST, OUTPUT
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from firmware.console import StdConsole  # or anything with wait(), read() and write()

_WAIT_MS = const(20)  # nothing under way: events and trips are told at most this much later
_WAIT_BUSY_MS = const(2)  # something is being sent or settles
_WAIT_SERVED_MS = const(1)  # an output of the board has to be served
_CHUNK = const(128)  # bytes handed to the port at a time
_SILENT_US = const(1000000)  # a host heard again after this long is noted in the log
_TICK_DEAD_US = const(100000)  # the tick has not run for so long although it should
_TICK_CHECK_US = const(1000000)
_TICK_LATE_MS = const(5)  # ticks missing in that time before it is logged
_COLLECT_US = const(10000000)
_LOSS_TOLD_US = const(1000000)  # lost samples are logged no more often than this
_FAREWELL_MS = const(500)  # how long a last answer may take to go out
_COUNT_MASK = const(0x3FFFFFFF)


class Service:
    def __init__(self, console: "StdConsole", jig: Jig) -> None:
        self.console = console
        self.jig = jig
        self._record = array("i", [0] * 4)
        self._out = b""  # taken from the session, not yet by the port
        self._told_dropped = 0
        self._told_samples = 0
        self._told_samples_us = 0
        self._check_ticks = jig.ticks
        self._check_count = jig.tick.count
        self._check_on = False
        self._seen_count = 0  # of the tick, and when it was new
        self._seen_ticks = jig.ticks
        self._collected_us = 0

    def turn(self) -> None:
        # One round. Order matters: what tick and interrupts saw comes before what the host asks for now.
        jig, console = self.jig, self.console
        busy = self._out or jig.routing() or jig.mark.busy() or jig.measure_request is not None
        capture = jig.capture
        if capture is not None and capture.request is not None:
            busy = True
        slow, wait_ms = jig.slow, _WAIT_BUSY_MS if busy else _WAIT_MS
        later = jig.board.later
        if later is not None:
            if jig.tick.busy:  # first: what the tick puts out after this look waits a millisecond, not twenty
                wait_ms = _WAIT_SERVED_MS
            later()
        console.wait(wait_ms if slow is None else slow.wait_ms(jig.board.ticks_us(), wait_ms))
        jig.ticks = jig.board.ticks_us()
        jig.now_us = jig.clock.update(jig.ticks)
        if slow is not None:
            slow.poll(jig.ticks, jig.now_us)
        if jig.counting is not None:
            jig.counting.poll(jig.ticks)
        self.tell_records()
        jig.take_trips()
        self.check_tick()
        data = console.read()
        if data:
            self.hear(data)
        jig.poll_route()
        analog_requests.poll_measure(jig)
        if capture is not None:
            capture.poll(jig)
        jig.run_tick()
        jig.session.poll(jig.now_us)
        self.send()
        self.send_samples()
        self.tidy()

    def hear(self, data: bytes) -> None:
        jig, session = self.jig, self.jig.session
        silent_us = jig.now_us - session.last_heard_us
        todo = session.receive(data, jig.now_us)
        if session.last_heard_us == jig.now_us:
            jig.tick.heard()
            if silent_us >= _SILENT_US:
                jig.log.add(jig.now_us, names.LOG_HELLO, 0, silent_us // 1000)
        for message in todo:
            try:
                requests.perform(jig, message)
            except Exception as error:  # noqa: BLE001  let go and trip; whoever asked gets an answer all the same
                jig.firmware_failed(error)
                session.refuse(message, names.REFUSED_TRIPPED)

    def send(self) -> None:
        if not self._out:
            self._out = self.jig.session.take(_CHUNK)
        while self._out:
            taken = self.console.write(self._out)
            if not taken:
                return
            self._out = self._out[taken:]
            if not self._out:
                self._out = self.jig.session.take(_CHUNK)

    def send_samples(self) -> None:
        # One batch after the other, so that those of many channels do not meet in the session's few places. What it
        # does not take now stays where it is, and is let go when it gets old.
        jig = self.jig
        sampler = jig.sampler
        if sampler is None:
            return
        jig.scan.collect(False)
        while True:
            batch = sampler.oldest(jig.ticks)
            if batch is None:
                return
            channel, number, first, span_us, data = batch
            if not jig.session.batch(channel, number, jig.clock.at(first), span_us, data):
                return
            sampler.sent()
            self.send()

    # -- records of tick and interrupts -------------------------------------------------------------

    def tell_records(self) -> None:
        jig = self.jig
        marks, edges = jig.marks, jig.edges
        if marks.empty() and edges.empty():
            if jig.lines.resting or not jig.unheard.empty():
                self.calm_lines()
            if jig.mark.settled(jig.ticks):
                self.tell_mark()
            return
        record = self._record
        while True:
            # Both rings are in order of time; so is what they make together.
            if marks.empty():
                if not edges.pop_into(record):
                    break
            elif edges.empty() or jig.board.ticks_diff(marks.peek_ticks(), edges.peek_ticks()) <= 0:
                marks.pop_into(record)
            else:
                edges.pop_into(record)
            self.tell(record)
        if jig.mark.settled(jig.ticks):
            self.tell_mark()
        lost = marks.take_dropped() + edges.take_dropped()
        if lost:
            self._lost(jig.now_us, lost, 0)
        self.calm_lines()

    def calm_lines(self) -> None:
        # What a line's rest has kept from the interrupts is told after all that they saw.
        jig = self.jig
        jig.lines.calm(jig.ticks)
        while jig.unheard.pop_into(self._record):
            self.tell(self._record)

    def tell(self, record: array) -> None:
        _TELL[record[0]](self, self.jig.clock.at(record[1]), record[2], record[3])

    def tell_mark(self) -> None:
        mark = self.jig.mark
        self.jig.event("mark", self.jig.clock.at(mark.since()), pressed=mark.pressed)

    def _departed(self, t_us: int, segment: int, angle_mdeg: int) -> None:
        self.jig.event("departed", t_us, segment=segment, angle_mdeg=angle_mdeg)

    def _arrived(self, t_us: int, segment: int, angle_mdeg: int) -> None:
        self.jig.event("arrived", t_us, segment=segment, angle_mdeg=angle_mdeg)

    def _output(self, t_us: int, what: int, angle_mdeg: int) -> None:
        self.jig.event("output", t_us, output=what & 1, operated=what >> 1, angle_mdeg=angle_mdeg)

    def _band(self, t_us: int, what: int, raw: int) -> None:
        self.jig.event("band", t_us, channel=what & 0xFF, band=what >> 8, raw=raw)

    def _lost(self, t_us: int, count: int, _nothing: int) -> None:
        self.jig.session.lose(count, t_us)
        self.jig.log.add(t_us, names.LOG_EVENTS_LOST, 0, count)

    def _edge(self, t_us: int, line: int, raw: int) -> None:
        jig = self.jig
        if line == names.LINE_SUPPLY_OK:
            jig.event("supply", t_us, present=raw, supply_mv=jig.supply_mv())
        elif line == names.LINE_MARK:
            jig.mark.edge(self._record[1])
        if jig.lines.watched >> line & 1:
            jig.event("edge", t_us, line=line, level=jig.lines.level(line, raw))

    # -- health -------------------------------------------------------------------------------------

    def check_tick(self) -> None:
        # The tick must be alive while it should run, and not fall behind; else there is no guard.
        jig = self.jig
        if not jig.ticking:
            self._check_on = False
            return
        diff, tick = jig.board.ticks_diff, jig.tick
        if not self._check_on or tick.count != self._seen_count:
            self._seen_count = tick.count
            self._seen_ticks = jig.ticks
        elif diff(jig.ticks, self._seen_ticks) > _TICK_DEAD_US:
            jig.ticking = False  # run_tick() starts it again if it is still wanted
            entry = jig.log.add(jig.now_us, names.LOG_TICK_LATE, 0xFFFF, tick.count)
            jig.trip(names.REASON_FIRMWARE, jig.now_us, entry)
            return
        spent_us = diff(jig.ticks, self._check_ticks)
        if not self._check_on or not 0 <= spent_us < 3 * _TICK_CHECK_US:
            self._check_on = True
        elif spent_us < _TICK_CHECK_US:
            return
        else:
            missing = spent_us // 1000 - ((tick.count - self._check_count) & _COUNT_MASK)
            if missing > _TICK_LATE_MS:
                jig.log.add(jig.now_us, names.LOG_TICK_LATE, min(missing, 0xFFFF), tick.us_max)
        self._check_ticks = jig.ticks
        self._check_count = tick.count

    def tidy(self) -> None:
        jig = self.jig
        dropped = jig.session.tx_dropped
        if dropped != self._told_dropped:
            jig.log.add(jig.now_us, names.LOG_TX_DROPPED, 0, dropped - self._told_dropped)
            self._told_dropped = dropped
        self.tell_lost_samples()
        if jig.now_us - self._collected_us >= _COLLECT_US and not jig.motion.moving:
            self._collected_us = jig.now_us
            gc.collect()

    def tell_lost_samples(self) -> None:
        # Holes by this end, once there is somebody to see them.
        jig = self.jig
        lost = 0 if jig.sampler is None else jig.sampler.lost
        if (
            lost != self._told_samples
            and jig.now_us - self._told_samples_us >= _LOSS_TOLD_US
            and jig.now_us - jig.session.last_heard_us < _SILENT_US
        ):
            jig.log.add(jig.now_us, names.LOG_SAMPLES_LOST, 0, lost - self._told_samples)
            self._told_samples = lost
            self._told_samples_us = jig.now_us

    def farewell(self) -> None:
        # The last answers, for a bounded time: the host may be gone.
        jig = self.jig
        start = jig.board.ticks_us()
        while True:
            self.send()
            if not self._out:
                return
            jig.ticks = jig.board.ticks_us()
            if jig.board.ticks_diff(jig.ticks, start) >= _FAREWELL_MS * 1000:
                return
            self.console.wait(_WAIT_BUSY_MS)


_TELL = {
    DEPARTED: Service._departed,
    ARRIVED: Service._arrived,
    OUTPUT: Service._output,
    BAND: Service._band,
    EDGE: Service._edge,
    LOST: Service._lost,
}


def serve(service: Service) -> None:
    # Turns until the host asks for the end. An error ends in high impedance and a trip, and serving goes on;
    # the watchdog is fed only after a turn without one, so errors without end become a reset.
    jig = service.jig
    while not jig.ending:
        try:
            service.turn()
            jig.board.feed()
        except Exception as error:  # noqa: BLE001  whatever it was, the pins let go and the host is told
            jig.firmware_failed(error)


def forget_table() -> None:
    # The codec has read the message table. Its texts are for people, and take a fifth of the heap in use.
    sys.modules.pop("shared_proto.messages", None)
    if hasattr(shared_proto, "messages"):
        delattr(shared_proto, "messages")


def run(console: "StdConsole", folder: str) -> bool:
    # Until the host says leave; True when the watchdog runs, which then wants a reset (main.py does it).
    alloc_emergency_exception_buf(100)
    forget_table()
    board = Board()
    try:
        jig = Jig(board, folder)
        service = Service(console, jig)
        gc.collect()
        serve(service)
        service.farewell()
        # Left or reset, the next start is one that the host asked for: the chip calls every reset but the one by
        # power a watchdog's, and goes on doing so until the power goes.
        jig.store.note(NOTE_HOST_RESET)
        if jig.ending == NOTE_HOST_RESET:
            board.release_all()
            board.reset()
    finally:
        board.release_all()
    return board.guarded
