"""What every procedure stands on: the bench it is given, the operator it asks, and the frame prepare, work, restore.

A procedure knows the jig and its observers and nothing of what is behind the link. It never prints and never sleeps: it
waits for events and for board time, in slices short enough that a wish to stop is met at once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeVar

from lidjig.bench.machine import MachineProfile
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import Disturbed, JigRestarted, JigTimeout, LidjigError, LinkLost, Refused, StoreFailed, Tripped
from lidjig.jig import Jig
from lidjig.jig_samples import Meters
from lidjig.jig_types import Event, LinkState, Lock, Measurement, Reason, Route
from lidjig.link.base import Deadline
from lidjig.measure import monitor
from lidjig.measure.estimate import Estimate
from lidjig.procedures.asking import Operator
from lidjig.procedures.progress import Progress
from lidjig.procedures.report import Declared, Report, Sheet, agreeing, counted, verdict
from lidjig.record.model import DECLARED_STEP, Finding, MeasuredValue
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.procedures.trim_doubts import TrimKept
    from lidjig.record.blocks import ChannelRow

T = TypeVar("T")

SLICE_S = 0.1  # longest wait before the wish to stop is looked at
RETRIES = 8  # times a step is taken again after the link or the board failed it
# Trips and refusals that say something about link or board, nothing about the machine: a step may be taken again.
LINK_REASONS = (names.REASON_NONE, names.REASON_SILENCE, names.REASON_BOOT, names.REASON_WATCHDOG)
LINK_REFUSALS = (names.REFUSED_NOT_ARMED, names.REFUSED_NO_PROFILE, names.REFUSED_NO_SESSION)

# What breaks the continuity of a run, by the kind of gap that the jig tells; power monitors are told by their names.
INTERRUPTIONS = {
    "restart": "the jig's board restarted",
    "link-lost": "the link to the jig was lost",
    "lost-events": "events of the board were missing",
    "lost-samples": "batches of readings were missing",
}
BUS_FREED = "bus-freed"  # kind of gap, as Recorder.gap takes it


class Stopped(Exception):
    """The operator asked to stop; raised at the next safe point."""


class StopFlag:
    """Set by whoever hears the operator's wish to stop (Ctrl-C), read at every safe point."""

    def __init__(self) -> None:
        self.wanted = False

    def check(self) -> None:
        """Raises Stopped where stopping is wanted."""
        if self.wanted:
            raise Stopped


class StepLike(Protocol):
    """A step in progress."""

    result: object


class Recorder(Protocol):
    """What a procedure needs of a run's record."""

    id: str

    def step(self, name: str, **arguments: object) -> AbstractContextManager[StepLike]: ...
    def measurement(self, m: MeasuredValue) -> None: ...
    def finding(self, f: Finding) -> None: ...
    def observation(self, name: str, value: str, text: str) -> None: ...
    def note(self, text: str) -> None: ...
    def text(self, kind: str, text: str) -> None: ...
    def gap(self, kind: str, text: str, t_us: int | None = None) -> None: ...
    def sample(
        self,
        channel: str,
        unit: str,
        value: float | None,
        u: float | None = None,
        n: int = 1,
        t_us: int | None = None,
    ) -> None: ...
    def channel(self, channel: str, unit: str, per_raw: float, offset: float = 0.0) -> None: ...
    def flush(self) -> None: ...
    def channels(self) -> list[ChannelRow]: ...
    def frames(self, lines: list[str]) -> None: ...
    def finish(self, outcome: str) -> None: ...


@dataclass
class Bench:
    """All that a procedure works with."""

    jig: Jig
    recorder: Recorder
    machine: MachineProfile
    sensor: SensorProfile
    operator: Operator
    progress: Progress
    stop: StopFlag = field(default_factory=StopFlag)
    repeats: int = 0  # steps taken again because link or board failed them
    errands: list[Callable[[], None]] = field(default_factory=list)  # requests that an event calls for: next in wait()
    told: list[str] = field(default_factory=list)  # notes that the report has to have as well
    freed: int = 0  # times the monitors' bus was freed by clocks in this run, as far as it was asked about
    trim: TrimKept | None = None  # what the board holds of the output, for a profile that is trimmed
    _freed_before: tuple[int, int] | None = None  # boot id, and how often since that boot, when it was asked last
    _trip: Event | None = None

    def __post_init__(self) -> None:
        self.jig.on_event.append(self._watch_lock)

    def _watch_lock(self, event: Event) -> None:
        if event.name == "lock":
            self._trip = event if event.data["state"] == int(Lock.TRIPPED) else None

    def check(self) -> None:
        """A safe point: raises Stopped, or Tripped where the interlock has let go."""
        self.stop.check()
        if self._trip is not None:
            trip, self._trip = self._trip, None
            raise Tripped(trip.data["reason"], trip.data["detail"], trip.t_us)

    def wait(self, ready: Callable[[], bool], seconds: float) -> bool:
        """Wait for ready() at most so long on the link's clock; whether it came. Raises Stopped, Tripped, LinkLost."""
        deadline = Deadline(self.jig.clock, seconds)
        while True:
            self.check()
            while self.errands:
                self.errands.pop(0)()
            if ready():
                return True
            if deadline.passed:
                return False
            self.jig.pump(min(SLICE_S, max(0.001, deadline.left_s())))
            self.progress.tick()

    def idle(self, seconds: float) -> None:
        """Let time pass."""
        self.wait(lambda: False, seconds)

    def channel(self, name: str) -> str:
        """The channel of the jig that an analog observer of this bench is read from, or the channel of that name."""
        return self.machine.channel_of(name) if name in self.machine.analog() else name

    def measure(self, name: str, n: int) -> Measurement:
        """n readings of an analog observer of this bench (by whatever measures it here) or of a channel, kept in the
        record as a sample in the channel's unit.
        """
        channel = self.channel(name)
        measured = self.jig.measure(channel, n)
        found = self.estimate(measured)
        self.recorder.sample(channel, found.unit, found.value, found.u, found.n, measured.t_us)
        return measured

    def estimate(self, measured: Measurement) -> Estimate:
        """A measurement in its channel's unit, with its interval."""
        channel, meter = measured.channel, self.machine.meter_of(measured.channel)
        raw = (measured.mean_raw, measured.sd_raw, measured.n)
        return monitor.to_unit(channel, self.machine.scale(channel), *raw, meter.shunt_ohm if meter else None)

    def read(self, name: str, n: int) -> Estimate | None:
        """measure() and estimate() in one; None where the power monitor behind it gives no readings."""
        try:
            return self.estimate(self.measure(name, n))
        except Refused as refusal:
            if refusal.reason != names.REFUSED_RANGE or self.machine.meter_of(self.channel(name)) is None:
                raise
            return None

    def tell(self, text: str) -> None:
        """What a part of a procedure found, for the record, the one who watches, and the report."""
        self.recorder.note(text)
        self.progress.say(text)
        self.told.append(text)

    def meter_trouble(self, observer: str) -> str:
        """Why the power monitor behind an observer cannot be read; "" where it can, or none is behind it."""
        meter = self.machine.meter_of(self.channel(observer))
        return "" if meter is None else self.meters().trouble(meter.number)

    def meters(self) -> Meters:
        """Power monitors and their bus now. That the bus was freed since they were asked last becomes a gap in the
        record: while a part held it nothing was read, and nothing else tells of it.
        """
        meters, boot = self.jig.meters(), self.jig.hello.boot_id
        if self._freed_before is not None:
            count = meters.recoveries - (self._freed_before[1] if self._freed_before[0] == boot else 0)
            if count > 0:
                self.freed += count
                text = f"the monitors' bus was held and freed by clocks {counted(count)}: nothing was read meanwhile"
                self.jig.gaps_told[BUS_FREED] += 1
                self.recorder.gap(BUS_FREED, text, meters.t_us)
        self._freed_before = boot, meters.recoveries
        return meters

    def load_profiles(self) -> None:
        """Bring the jig into a known state: no trip, disarmed, both profiles in force."""
        status = self.jig.status()
        if status.lock == Lock.TRIPPED:
            self.recorder.note(f"the jig was found tripped ({Reason(status.reason).text}); cleared")
            self.jig.clear()
        elif status.lock == Lock.ARMED:
            self.jig.disarm()
        self._trip = None
        self.jig.load_blob(names.BLOB_PROFILE, self.sensor.to_blob())
        self.jig.load_blob(names.BLOB_WIRING, self.machine.wiring_blob())
        if self.sensor.family in ("analog", "sincos") and self.trim is None:
            from lidjig.procedures.trim_doubts import kept

            self.trim = kept(self.jig)

    def route(self, route: Route) -> None:
        """Arm where needed, then set the route."""
        if self.jig.status().lock != Lock.ARMED:
            self.jig.arm()
        self.jig.set_route(route)

    def turn(self, angle_deg: float, duration_s: float, shape: str = "smooth") -> None:
        """Turn the emulated angle and wait until it has arrived. Raises Disturbed where it does not."""
        goal_mdeg = round(angle_deg * 1000)
        arrived: list[int] = []

        def heard(event: Event) -> None:
            if event.name == "arrived" and event.data["angle_mdeg"] == goal_mdeg:
                arrived.append(event.t_us)

        self.jig.on_event.append(heard)
        try:
            self.jig.move(angle_deg, duration_s, shape)
            if self.wait(lambda: bool(arrived), duration_s + 2.0):
                return
            # An answer to a request means that the link is back, and with it come the events that the board kept.
            self.jig.status()
            if not self.wait(lambda: bool(arrived), 1.0):
                raise Disturbed(f"the angle reached {angle_deg:g} deg")
        finally:
            self.jig.on_event.remove(heard)

    def persist(self, step: Callable[[], T], again: Callable[[], None]) -> T:
        """Take a step; where the link or the board failed it, bring the bench back with again() and repeat it.

        Only failures that say nothing about the machine are met so: a restarted board, a trip by silence. After RETRIES
        repeats the last failure is raised.
        """
        for left in reversed(range(RETRIES + 1)):
            try:
                return step()
            except (Disturbed, JigRestarted, Tripped, Refused) as failure:
                if left == 0 or not self._is_the_links_fault(failure):
                    raise
                self.repeats += 1
                self.recorder.note(f"step repeated: {failure}")
                self.progress.say(f"The step is repeated: {failure}")
            self._bring_back(again)
        raise AssertionError("unreachable")

    def _bring_back(self, again: Callable[[], None]) -> None:
        """again(), itself repeated where the link fails it as well. The record gets the mark "recovered"."""
        for left in reversed(range(RETRIES)):
            try:
                self._trip = None
                again()
                now = self.jig.status()
                found = f"{now.lock.text}, route {now.route.text}, {now.angle_deg:.1f} deg"
                self.recorder.gap("recovered", f"the step begins again from here: {found}", now.t_us)
                return
            except (Disturbed, JigRestarted, Tripped, Refused) as failure:
                if left == 0 or not self._is_the_links_fault(failure):
                    raise

    def _is_the_links_fault(self, failure: LidjigError) -> bool:
        """True where the failure says something about link or board, nothing about the machine.

        A refusal because of a trip is as good as the trip: one that a person must look at is raised as Tripped.
        """
        if isinstance(failure, Refused) and failure.reason == names.REFUSED_TRIPPED:
            status = self.jig.status()
            if status.lock == Lock.TRIPPED and int(status.reason) not in LINK_REASONS:
                raise Tripped(int(status.reason), status.trip_detail, status.trip_t_us) from failure
            return True
        if isinstance(failure, Tripped):
            return failure.reason in LINK_REASONS
        if isinstance(failure, Refused):
            return failure.reason in LINK_REFUSALS
        return True


class Procedure(ABC):
    """Prepare, work, restore. Restore runs whatever happened, and ends disarmed on the profile's safe route."""

    command = ""
    drives = True  # whether it arms the jig: one that never does has nothing to let go of

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.notes: list[str] = []
        self.said: list[str] = []  # those of them that the operator was told of when they came up
        self.findings: list[Finding] = []
        self.failure: LidjigError | None = None
        self.sheet = Sheet(self.declare(), self._taken)

    def declare(self) -> list[Declared]:
        """The measurements of this procedure with their limits, before any is taken."""
        return []

    def prepare(self) -> None:
        """Known state before the work."""
        self.bench.persist(self.bench.load_profiles, lambda: None)

    @abstractmethod
    def work(self) -> None:
        """What the procedure is for."""

    def conclude(self) -> None:  # noqa: B027  a hook: what only looks concludes nothing
        """Findings from what was seen; not called where the run met an error."""

    def how_to_go_on(self) -> str:
        """What takes up a run that was stopped; "" where it has to be done anew."""
        return ""

    def note(self, text: str) -> None:
        """Something the record and the reader should know."""
        self.notes.append(text)
        self.bench.recorder.note(text)

    def _declare(self) -> None:
        """Keep what is to be measured before anything is: a run that is killed still says what it did not come to."""
        with self.bench.recorder.step(DECLARED_STEP) as step:
            step.result = [measured.to_json() for measured in self.sheet.all()]

    def _taken(self, measured: MeasuredValue) -> None:
        # Recorded before it is shown.
        self.bench.recorder.measurement(measured)
        self.bench.progress.measured(measured)

    def run(self) -> Report:
        """The whole procedure; the run in the record is closed on every way out.

        A LidjigError becomes a report with outcome "error" that still carries what was measured; `failure` keeps it.
        """
        stopped = False
        try:
            try:
                self._declare()
                self.prepare()
                self.work()
            except (Stopped, KeyboardInterrupt):
                stopped = True
                go_on = self.how_to_go_on()
                self.note("stopped by the operator before the end" + (f"; {go_on}" if go_on else ""))
            finally:
                self._restore_always()
            self.conclude()
        except LidjigError as error:
            self.failure = error
        return self.close(stopped)

    def restore(self) -> None:
        """Stop motion and let go. A procedure that changed more adds to it."""
        self.bench.jig.stop()
        self.bench.jig.disarm()

    def _restore_always(self) -> None:
        self.bench.stop.wanted = False
        try:
            self.restore()
        except Refused as refusal:
            # Tripped: everything is at rest already, which is what restoring is for.
            self.note(f"the jig had let go by itself: {refusal}")
        except (LinkLost, JigRestarted, JigTimeout, Tripped) as error:
            if self.drives:
                self.note(f"not confirmed that the jig let go ({error}); it does so by itself after 1 s of silence")

    def _say_interruptions(self) -> None:
        """Notes on what broke the run's continuity: a result that came through that says so."""
        jig = self.bench.jig
        broken = {words: jig.gaps_told[kind] for kind, words in INTERRUPTIONS.items()}
        gone = jig.meter_gaps.gone
        # Of one that was lost once and for good, "1 time" would sound as if it had come back.
        lost = {meter: jig.meters_lost[meter] for meter in sorted(jig.meters_lost)}
        broken |= {f"{meter} did not answer": lost[meter] for meter in lost if lost[meter] > (meter in gone)}
        for meter in sorted(gone):
            since = f"from {gone[meter] / 1e6:.3f} s of board time on, to the end of this run"
            self.note(f"{meter} did not answer {since}; see the gaps in its record")
        for words, count in broken.items():
            if count:
                self.note(f"{words} {counted(count)} during this run; see the gaps in its record")
        if self.bench.freed:
            self.note(f"the monitors' bus was freed by clocks {counted(self.bench.freed)}; see the gaps in its record")
        if self.bench.repeats:
            self.note(f"after a failure of link or board a step was repeated {counted(self.bench.repeats)}")

    def _say_trim(self) -> None:
        """Notes on why the trim of the output, where one is used, may not be relied on."""
        if self.bench.trim is not None:
            supply = self.sheet.get("sensor supply")
            for doubt in self.bench.trim.doubts(self.bench.sensor, None if supply is None else supply.value):
                self.note(doubt.removesuffix("."))  # as all notes stand

    def _firmware_log(self) -> list[str]:
        """The firmware's own log, a line an entry, where the jig still answers: it tells more than the trip's event."""
        if self.bench.jig.link_state is not LinkState.UP:
            return []
        try:
            return [entry.text for entry in self.bench.jig.read_log()]
        except LidjigError:
            return []  # what ended the run stands in the record already

    def judge(self, stopped: bool) -> str:
        """The outcome of a run that met no error, from sheet and findings."""
        return verdict(self.findings, self.sheet, stopped=stopped)

    def close(self, stopped: bool) -> Report:
        """The verdict from sheet, findings and `failure`; recorded, and the run closed with it."""
        recorder = self.bench.recorder
        report = Report(self.command, recorder.id, "error", self.findings, self.sheet.all(), self.notes, said=self.said)
        if self.failure is None:
            report.outcome = self.judge(stopped)
            report.findings = self.findings = agreeing(self.findings, report.outcome, self.sheet, stopped=stopped)
        else:
            report.error, report.error_next = str(self.failure), self.failure.next_step
        self.notes += self.bench.told
        try:
            self._say_interruptions()
            self._say_trim()
            for measured in self.sheet.unset():
                recorder.measurement(measured)
            for finding in self.findings:
                recorder.finding(finding)
            if self.failure is not None:
                recorder.note(report.error)
                recorder.frames([*self.bench.jig.last_frames(), *self._firmware_log()])
            recorder.finish(report.outcome)
        except StoreFailed as error:
            # The verdict was not stored, so there is none (and the first failure, if any, stands).
            self.failure = self.failure or error
            report.outcome, report.error, report.error_next = "error", str(error), error.next_step
        return report
