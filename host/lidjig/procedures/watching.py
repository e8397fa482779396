"""Watch: look at the bench and touch nothing. Nothing is armed, driven or cleared: a trip can be read here. Nothing is
loaded either, but for the wiring record where that is asked for.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from lidjig.errors import TRIP_ADVICE, StoreFailed, Tripped
from lidjig.jig import Batch, Event, LinkState, Lock, Meters, Sink, Status
from lidjig.measure.power import UNKNOWN
from lidjig.procedures.base import Bench, Procedure, Stopped
from lidjig.procedures.observe import Observer
from lidjig.procedures.report import Declared
from lidjig.procedures.telling import band_words, role
from lidjig.procedures.watch_readings import Reading, Readings, first_step
from lidjig.procedures.watch_ribbon import Ribbon
from shared_proto import names

EVERY_S = 0.1
WAIT_MIN_S = 0.005  # between two looks events are taken in, however late the next one is
METERS_EVERY_S = 1.0


@dataclass(frozen=True)
class Counts:
    """What went wrong so far. gaps: marks in the run's record; rejects: damaged frames, host_rejects as received in
    this session, board_rejects since the board's boot; lost_batches: batches of readings that were missing.
    """

    gaps: int
    host_rejects: int
    board_rejects: int
    lost_batches: int


@dataclass(frozen=True)
class Look:
    """The bench at one moment. levels: digital lines; showing: observer -> band or level, None = not heard;
    readings: observer or channel -> its reading, trails beginning at step `first_step`; signals: observer -> (the
    machine's name for it, level); ribbon: power state of each second of the last minute, "" = not heard; bus and
    meters: power monitors by the jig's words for them, "" and empty where the bench has none; trouble: what to do about
    them; recording: id of the run that the readings go into, or ""; link: what became of the link since the look
    before, or ""; link_down: all here is as last heard, at t_us.
    """

    t_us: int
    state: str
    doubt: str  # why the state is unknown whatever the observers show, or ""
    lock: str
    why: str  # why the jig is not armed, or ""
    route: str
    angle_deg: float | None  # None = no sensor profile in force, so there is no angle
    moving: bool
    supply_v: float
    levels: dict[str, int]
    showing: dict[str, int | None]
    readings: dict[str, Reading]
    first_step: int
    signals: dict[str, tuple[str, int]]
    ribbon: tuple[str, ...]
    bus: str
    meters: dict[int, str]
    trouble: tuple[str, ...]
    counts: Counts
    recording: str
    link: str
    link_down: bool = False
    words: dict[str, str] = field(default_factory=dict)  # observer -> band with its unit, or level


class WithoutReadings:
    """A record that is spared the readings: events, gaps and frames go on to it."""

    def __init__(self, sink: Sink) -> None:
        self.sink = sink
        self.events, self.gap, self.frames = sink.events, sink.gap, sink.frames

    def batch(self, batch: Batch) -> None:
        """Shown, not kept."""


class Watching(Procedure):
    """view is given a look every EVERY_S; seconds: None = until stopped, which is then its ordinary end; record: every
    reading at full rate goes into the record. load: the wiring of the bench's machine profile is put in force first.
    """

    command = "watch"
    drives = False

    def __init__(
        self,
        bench: Bench,
        view: Callable[[Look], None],
        seconds: float | None = None,
        *,
        record: bool = False,
        load: bool = False,
    ) -> None:
        self._view, self.seconds, self.record, self.load = view, seconds, record, load
        self._wiring_crc = binascii.crc32(bench.machine.wiring_blob())
        super().__init__(bench)
        sensor_lines = tuple(f"sensor_{line}" for line in bench.sensor.lines())
        machine_lines = tuple(f"machine_{number}" for number in bench.machine.line_numbers())
        self._lines = (*machine_lines, *sensor_lines)
        self.observer = Observer(bench, self._lines, must_tell=False)
        self.readings = Readings(bench, keep=record)
        self._ribbon = Ribbon()
        self._looked = 0
        self._due_s = 0.0
        self._last: Look | None = None
        self._last_s = 0.0
        self._boot = bench.jig.hello.boot_id
        self._meters: Meters | None = None
        self._meters_due_s = 0.0
        self._told: set[str] = set()
        self._link: list[str] = []  # changes of the link not shown yet
        bench.jig.on_link.append(self._hear_link)
        bench.jig.on_event.append(self._hear)

    def declare(self) -> list[Declared]:
        """Nothing is judged here."""
        return [Declared("looks", "1", None, None, "looks taken")]

    def prepare(self) -> None:
        """The jig stays as it is found, but for its wiring where that is to be loaded; where it has other profiles in
        force than those named, that is said. Raises Refused where the wiring is to be loaded into an armed jig.
        """
        jig = self.bench.jig
        if not self.record and jig.sink is not None:
            jig.sink = WithoutReadings(jig.sink)
        sensor, machine = self.bench.sensor, self.bench.machine
        if self.load:
            self.bench.persist(self._load_wiring, lambda: None)
        status = jig.status()
        for kind, named, crc, blob in (
            ("sensor profile", sensor.name, status.profile_crc, sensor.to_blob()),
            ("wiring", machine.name, status.wiring_crc, machine.wiring_blob()),
        ):
            if crc == 0:
                self._say(f"the jig has no {kind} in force; {named} is loaded by the next command that drives")
            elif crc != binascii.crc32(blob):
                self._say(f"the {kind} in force on the jig is not that of {named}: angle and outputs follow the jig's")
        self.bench.persist(self._begin, lambda: None)

    def _load_wiring(self) -> None:
        if self.bench.jig.load_blob(names.BLOB_WIRING, self.bench.machine.wiring_blob()):
            self._say(f"the wiring of {self.bench.machine.name} was put in force on the jig")

    def _begin(self) -> None:
        """Set up what is watched on the board; again after it restarted."""
        status = self.bench.jig.status()
        if self.bench.jig.hello.boot_id != self._boot:
            self._start_time_anew(status.t_us)
        self._meters = None
        self.observer.start()
        self.readings.start()
        for text in self.readings.untold(self.observer.blind):
            if text not in self._told:
                self._told.add(text)
                self._say(text)

    def _start_time_anew(self, now_us: int) -> None:
        self._boot = self.bench.jig.hello.boot_id
        if self._last is not None:
            by_us = now_us - self._reckoned_us(self._last)
            self._ribbon.restarted(by_us, now_us)
            self.readings.shift(by_us)

    def _reckoned_us(self, last: Look) -> int:
        """Board time by the host's clock, where the board cannot be asked."""
        return last.t_us + round((self.bench.jig.clock.now_s() - self._last_s) * 1e6)

    def _say(self, text: str) -> None:
        self.bench.progress.say(text)
        self.note(text)
        self.said.append(text)

    def _hear(self, event: Event) -> None:
        if event.name == "meter":
            self._meters_due_s = 0.0

    def _hear_link(self, state: LinkState, text: str) -> None:
        self._link.append(f"link {state.value}: {text}")
        if state is LinkState.LOST and self._last is not None:
            # Nothing can be asked until the link is back, and what is on show is getting old.
            self._view(self._without_link(self._last))

    def _without_link(self, last: Look) -> Look:
        now_us = self._reckoned_us(last)
        return replace(
            last,
            readings=self.readings.at(now_us, self.observer.classifier.shown_since(), heard=False),
            first_step=first_step(now_us),
            ribbon=self._ribbon.cells(now_us, last.t_us),
            counts=self._counts(last.counts.board_rejects),
            link=self._take_link(),
            link_down=True,
        )

    def _take_link(self) -> str:
        link, self._link = "; ".join(self._link), []
        return link

    def work(self) -> None:
        """Look, show, wait; a board that restarts is set up again."""
        clock = self.bench.jig.clock
        began_s = self._due_s = clock.now_s()
        try:
            while self.seconds is None or clock.now_s() - began_s < self.seconds:
                self.bench.persist(self._turn, self._begin)
        except Stopped:
            if self.seconds is not None:
                raise
        finally:
            if self._looked:
                self.sheet.set("looks", self._looked)

    def _turn(self) -> None:
        self._last, self._last_s = self._look(), self.bench.jig.clock.now_s()
        self._view(self._last)
        self._looked += 1
        now_s = self.bench.jig.clock.now_s()
        # Looks keep their beat; one that came late (a slow terminal) is not made up for.
        self._due_s = max(self._due_s + EVERY_S, now_s + WAIT_MIN_S)
        try:
            self.bench.idle(self._due_s - now_s)
        except Tripped:
            pass  # the next look shows it, with its reason: nothing here drives

    def _look(self) -> Look:
        jig, machine, observer = self.bench.jig, self.bench.machine, self.observer
        self._ask_meters()
        status = jig.status()
        doubt = self._doubt(status)
        timeline = [(0, UNKNOWN)] if doubt else observer.classifier.timeline
        self._ribbon.take(observer.classifier, timeline, status.t_us)
        meters, showing = self._meters, observer.showing
        numbers = [meter.number for meter in machine.meter]
        failed = [number for number in numbers if meters and meters.trouble(number)]
        return Look(
            t_us=status.t_us,
            state=UNKNOWN if doubt else observer.state,
            doubt=doubt,
            lock=status.lock.text,
            why=why_not_armed(status),
            route=status.route.text,
            angle_deg=status.angle_deg if status.profile_crc else None,
            moving=status.moving,
            supply_v=status.supply_mv / 1000.0,
            levels={name: status.lines[name] for name in self._lines},
            showing=showing,
            readings=self.readings.at(status.t_us, observer.classifier.shown_since(), failed=failed),
            first_step=first_step(status.t_us),
            signals={name: (wired.signal, status.lines[name]) for name, wired in machine.digital().items()},
            ribbon=self._ribbon.cells(status.t_us),
            bus=meters.bus.text if meters else "",
            meters={number: meters.state(number).text for number in numbers} if meters else {},
            trouble=tuple(text for number in numbers if (text := meters.trouble(number))) if meters else (),
            counts=self._counts(status.rejects),
            recording=self.bench.recorder.id if self.record else "",
            link=self._take_link(),
            words={name: f"{role(machine, name)} {band_words(machine, name, v)}" for name, v in showing.items()},
        )

    def _doubt(self, status: Status) -> str:
        """Why the state that the observers show is not told; "" where it is. Another wiring reads other lines, inverts
        others and has other monitors; with none in force a machine is seen right where it needs nothing of one.
        """
        if status.wiring_crc == self._wiring_crc or (status.wiring_crc == 0 and not self.bench.machine.needs_wiring()):
            return ""
        name = self.bench.machine.name
        if status.wiring_crc == 0:
            return f"the jig has no wiring in force, and {name} is not seen right without: --load puts it in force"
        return f"the wiring in force on the jig is not that of {name}: --load puts it in force"

    def _ask_meters(self) -> None:
        """Now and then, and when something became of one."""
        now_s = self.bench.jig.clock.now_s()
        if self.bench.machine.meter and (self._meters is None or now_s >= self._meters_due_s):
            self._meters = self.bench.meters()
            self._meters_due_s = now_s + METERS_EVERY_S

    def _counts(self, board_rejects: int) -> Counts:
        jig = self.bench.jig
        return Counts(sum(jig.gaps_told.values()), jig.rejects, board_rejects, self.readings.lost)

    def conclude(self) -> None:
        """Nothing: that is said, so that nobody reads the end of a look as a verdict."""
        if self.record:
            for text in self.readings.kept(self.bench.recorder.channels()):
                self.note(text)
        self.note("nothing was judged: this only shows the bench")

    def restore(self) -> None:
        """Stop sampling and watching; the jig was not touched."""
        jig = self.bench.jig
        if self._hear_link in jig.on_link:
            jig.on_link.remove(self._hear_link)
            jig.on_event.remove(self._hear)
        try:
            self._stop_all()
        except StoreFailed:
            # A jig whose record failed takes no such requests, one without a record does; the board keeps its events.
            jig.sink = None
            self._stop_all()
            raise
        finally:
            self.readings.close()
            self.observer.close()
        if isinstance(jig.sink, WithoutReadings):
            jig.sink = jig.sink.sink

    def _stop_all(self) -> None:
        self.observer.stop()
        self.readings.stop()  # last, since it writes what was read: a record that fails leaves nothing running


def why_not_armed(status: Status) -> str:
    """Why the jig does not drive, with what to do after a trip; "" while it is armed."""
    if status.lock == Lock.ARMED:
        return ""
    advice = TRIP_ADVICE.get(int(status.reason))
    if status.lock == Lock.TRIPPED:
        cause = f"{advice.cause}. {advice.todo}" if advice else f"reason {status.reason.text}"
        return f"tripped at {status.trip_t_us / 1e6:.3f} s: {cause}"
    return f"at rest ({status.reason.text})" if status.reason else "at rest"
