"""How the machine responds to its lid lines: the steps that confirm, isolate and cycle share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import TypeVar

from lidjig.bench.machine import MachineProfile
from lidjig.errors import NotSeen
from lidjig.jig_types import Route
from lidjig.measure import proportion
from lidjig.measure.estimate import at_least, exactly
from lidjig.procedures.base import Bench
from lidjig.procedures.lid import MARGIN_S, StandIn, Trial, lost, of_state, summary, to_result, told, told_lost, tried
from lidjig.procedures.observe import Observer
from lidjig.procedures.reasoning import Seen, weighing
from lidjig.procedures.report import Declared, Sheet, times
from lidjig.procedures.start import Start, start, switch_off
from lidjig.record.model import DRIVEN_STEP, ROUND_STEP, START_STEP, WEIGHED_STEP, Finding

T = TypeVar("T")

ROUNDS_TO_TELL = 8  # so many attempts tell "never" from "sometimes" after a first miss
DRIVE_HOLD_S = 0.5  # how long lines are driven hard before the machine is asked to start


def declare_starts(machine: MachineProfile, *ways: str) -> list[Declared]:
    """One start a way."""
    limit, band = machine.limits.start_s, machine.limits.band(machine.limits.start_s)
    return [Declared(f"start, {way}", "s", None, limit, "power button to S0", marginal_band=band) for way in ways]


def declare_trials(machine: MachineProfile, repeat: int) -> list[Declared]:
    """Latencies and misses by the stand-in, of so many rounds."""
    limits = machine.limits
    return [
        Declared("rounds", "1", float(repeat), None, "shut and opened"),
        declare_lost(),
        Declared("sleep misses", "1", None, 0.0, "shut, and no sleep, however late"),
        Declared("sleep latency, slowest", "s", None, limits.sleep_s, marginal_band=limits.band(limits.sleep_s)),
        Declared("wake misses", "1", None, 0.0, "opened, and no waking, however late"),
        Declared("wake latency, slowest", "s", None, limits.wake_s, marginal_band=limits.band(limits.wake_s)),
        Declared("miss rate", "1", None, None, "of all movements; exact interval", needed=False),
    ]


def declare_lost() -> Declared:
    """Times the machine left its state by itself."""
    return Declared("states lost", "1", None, 0.0, "switched off, asleep or awake by itself between movements")


@dataclass
class Response:
    """The machine's response, step by step. A step ends in an observation for the table and figures for the sheet."""

    bench: Bench
    sheet: Sheet
    observer: Observer
    standin: StandIn
    seen: list[Seen] = field(default_factory=list)
    unseen: NotSeen | None = None  # why the machine's states are not told apart, where they are not
    moved: list[Trial] = field(default_factory=list)  # movements of the lid that tell whether states are kept

    @classmethod
    def on(cls, bench: Bench, sheet: Sheet, also_lines: tuple[str, ...] = ()) -> Response:
        """Listening begins here; close() ends it."""
        observer = Observer(bench, also_lines)
        return cls(bench, sheet, observer, StandIn(bench, observer))

    def close(self) -> None:
        """Stop listening."""
        self.standin.close()
        self.observer.close()

    def add(self, name: str, value: str, text: str) -> None:
        """An observation for the table."""
        self.take(Seen(name, value, text))

    def take(self, *seen: Seen) -> None:
        """Observations for the table, recorded as they are made; each takes the place of an earlier one of its name."""
        for one in seen:
            self.bench.recorder.observation(one.name, one.value, one.text)
            self.seen = [other for other in self.seen if other.name != one.name] + [one]

    def weigh(self, findings: list[Finding], untested: tuple[str, ...] = ()) -> list[Finding]:
        """Records what weighed for each finding, and hands the findings back."""
        with self.bench.recorder.step(WEIGHED_STEP) as step:
            step.result = weighing(findings, self.seen, untested)
        return findings

    def found(self, name: str) -> str | None:
        """The value of an observation made before, or None."""
        return next((seen.value for seen in self.seen if seen.name == name), None)

    def troubles(self) -> int:
        """Grows whenever the link failed or events were lost: a reaction may then have gone unseen."""
        return self.bench.jig.interruptions + self.observer.lost

    def safely(self, step: Callable[[], T]) -> T:
        """The step, repeated from a known state where link or board failed it."""
        return self.bench.persist(step, self._again)

    def _again(self) -> None:
        self.bench.load_profiles()
        try:
            self.observer.start()
        except NotSeen:
            if self.unseen is None:
                raise  # it was seen before, and the step that is to be repeated needs it

    def begin(self) -> None:
        """Set up the observers. Where a power monitor that cannot be read leaves the machine's states untold, that is
        kept in `unseen`: what does not need them can still be measured before need_states() ends the run.
        """
        try:
            self.safely(self.observer.start)
        except NotSeen as unseen:
            self.unseen = unseen

    def need_states(self) -> None:
        """From here on the machine's states are needed. Raises NotSeen."""
        if self.unseen is not None:
            raise self.unseen

    # -- starts

    def start_open(self) -> bool | None:
        """Lines open: nothing but the board's own pulls. None where the machine could not be switched off first."""
        return self.safely(lambda: self._start("start_open", "start, lines open", "lines open", self._connect_open))

    def start_standin(self) -> bool | None:
        """The stand-in says open."""
        return self.safely(
            lambda: self._start("start_standin", "start, stand-in open", "stand-in open", self._connect_standin)
        )

    def start_through(self) -> bool | None:
        """The real sensor, lid open."""
        return self.safely(
            lambda: self._start("start_through", "start, real sensor", "real sensor, lid open", self._connect_through)
        )

    def start_shut(self) -> bool | None:
        """The stand-in says shut. Machines differ here, so nothing is judged."""
        return self.safely(
            lambda: self._start("start_shut", None, "stand-in shut", lambda: self.standin.connect(shut=True))
        )

    def start_driven(self) -> bool | None:
        """Every line driven hard to its released level, whatever pulls it."""
        return self.safely(lambda: self._start("start_driven", None, "lines driven hard", self._drive_open))

    def _connect_open(self) -> None:
        self.bench.route(Route.OPEN)

    def _connect_standin(self) -> None:
        self.standin.connect(shut=False)

    def _connect_through(self) -> None:
        self.bench.route(Route.THROUGH)

    def _drive_open(self) -> None:
        self.standin.connect(shut=False)
        self.drive(shut=False)

    def _start(self, name: str, measured: str | None, how: str, connect: Callable[[], None]) -> bool | None:
        self.bench.progress.step(f"Start the machine: {how}")
        connect()
        if not switch_off(self.bench, self.observer):
            self.bench.progress.say(f"The machine does not go off: {self.observer.told()}")
            return None
        self.bench.idle(DRIVE_HOLD_S)
        with self.bench.recorder.step(START_STEP, observation=name, measured=measured, how=how) as step:
            attempt = start(self.bench, self.observer, connect)
            step.result = asdict(attempt)
        self.enter_start(name, measured, how, attempt)
        self.bench.progress.say(attempt.told(how))
        if attempt.started:
            self.bench.idle(self.bench.machine.limits.settle_s)
        return attempt.started

    def enter_start(self, name: str, measured: str | None, how: str, attempt: Start) -> None:
        """What an attempt to start came to: a figure, and the observation where none was made before."""
        self._enter_seconds(measured, attempt)
        if self.found(name) is None:
            value = "late" if attempt.late else "yes" if attempt.started else "no"
            self.add(name, value, attempt.told(how))

    def _enter_seconds(self, measured: str | None, attempt: Start) -> None:
        if measured is None:
            return
        seconds = attempt.seconds()
        if seconds is not None:
            self.sheet.set(measured, *seconds)
        else:
            # It took longer than was waited: a lower bound is all that is known.
            self.sheet.put(measured, at_least(attempt.waited_s, "s", 1))

    def drive(self, *, shut: bool) -> None:
        """Drive every line hard to the level that says shut or open, instead of following the profile."""
        for output in self.bench.sensor.told():
            operated = output.operated_when_shut == shut
            high = operated == (output.active == "high")
            self.bench.jig.drive(output.line, "high" if high else "low")

    def follow(self) -> None:
        """Let the outputs follow the profile again."""
        for output in self.bench.sensor.told():
            self.bench.jig.drive(output.line, "follow")

    # -- the lid by the stand-in

    def rounds(self, repeat: int) -> list[Trial]:
        """Shut and open `repeat` times, more after a miss; observations and figures from all attempts. Each round is a
        step of the run with its trials as result.

        A machine that leaves its state by itself is started again; where it does not start, the rounds end there.
        """
        trials: list[Trial] = []
        done = 0
        wanted = repeat
        self.bench.progress.step(f"Shut and open the lid by the stand-in, {times(repeat)}")
        while done < wanted:
            with self.bench.recorder.step(ROUND_STEP, number=done + 1) as step:
                last = self.safely(self.round)
                step.result = to_result(last)
            trials += last
            done += 1
            self.bench.progress.bar(done, wanted)
            if lost(last) and done < wanted and not self.safely(self.running):
                self.bench.recorder.note(f"ended after {done} rounds: the machine does not start again")
                break
            if done == wanted and wanted < ROUNDS_TO_TELL and _uneven(trials):
                wanted = ROUNDS_TO_TELL
        self.enter_rounds(trials, done, repeat)
        return trials

    def enter_rounds(self, trials: list[Trial], done: int, repeat: int) -> None:
        """Figures and observations of all rounds; repeat: how many were wanted."""
        self._enter_trials(trials)
        # Short of what was wanted it is a bound, which no limit is met by.
        self.sheet.put("rounds", (exactly if done >= repeat else at_least)(done, "1", done))

    def connected(self) -> bool:
        """Whether the stand-in is what the machine sees; it is not after a restart or a trip."""
        return self.bench.jig.status().route == Route.STANDIN

    def round(self) -> list[Trial]:
        """A round, after a restart or a trip from an open lid and a running machine."""
        if not self.connected():
            self.running()
        return self.standin.round()

    def running(self) -> bool:
        """Lid open by the stand-in and the machine in S0, woken or started where it was not; whether it is."""
        limits = self.bench.machine.limits
        self.standin.connect(shut=False)
        if self.observer.settle("S0", seconds=limits.wake_s + MARGIN_S):
            return True
        attempt = start(self.bench, self.observer, lambda: self.standin.connect(shut=False))
        self.bench.idle(limits.settle_s)
        return attempt.started

    def _enter_trials(self, trials: list[Trial]) -> None:
        self._enter_lost(trials)
        trials = tried(trials)
        for state, verb, word in (("S3", "sleep", "slept"), ("S0", "wake", "woke")):
            mine = of_state(trials, state)
            if not mine:
                continue
            misses = sum(trial.latency_s is None for trial in mine)
            self.sheet.set(f"{verb} misses", misses, n=len(mine))
            latencies = [trial.latency_s for trial in mine if trial.latency_s is not None]
            if latencies:
                stamp_s = self.observer.stamp_s
                slowest = max(latencies)
                self.sheet.set(
                    f"{verb} latency, slowest", slowest, slowest - stamp_s, slowest + stamp_s, len(latencies)
                )
            self.add(f"{verb}_standin", summary(mine), f"stand-in: {told(mine, word)}")
        if trials:
            missed = sum(trial.latency_s is None for trial in trials)
            self.sheet.put("miss rate", proportion.estimate(missed, len(trials)))

    def lose(self, state: str, at_us: int, found: str) -> None:
        """The machine was met in `found` when a real lid was moved to bring it to `state`."""
        self._enter_lost([Trial(state, at_us, None, 0.0, found)])

    def _enter_lost(self, trials: list[Trial]) -> None:
        """Whether the machine stayed in its states, over all movements so far."""
        self.moved += trials
        self.sheet.set("states lost", len(lost(self.moved)), n=len(self.moved))
        self.take(kept_states(self.moved))

    def sleep_driven(self) -> bool | None:
        """Whether the machine sleeps when every line is driven hard to its shut level; None where it is not running."""
        return self.safely(self._sleep_driven)

    def _sleep_driven(self) -> bool | None:
        if self.observer.state != "S0":
            return None
        self.bench.progress.step("Drive the lines hard to their shut level")
        if not self.connected():
            self.standin.connect(shut=False)
        with self.bench.recorder.step(DRIVEN_STEP) as step:
            since_us = self.bench.jig.status().t_us
            self.drive(shut=True)
            slept_us = self.observer.wait_state("S3", since_us=since_us, seconds=self.driven_s)
            step.result = {"since_us": since_us, "slept_us": slept_us}
        levels = self.bench.jig.status().lines
        shown = ", ".join(f"line {o.line} reads {levels[f'machine_{o.line}']}" for o in self.bench.sensor.lid_outputs())
        self.drive(shut=False)
        self.bench.idle(self.bench.machine.limits.settle_s)
        self.follow()
        self.enter_driven(slept_us is not None, f" ({shown})")
        return slept_us is not None

    @property
    def driven_s(self) -> float:
        """How long the machine has to sleep while its lines are driven hard."""
        return self.bench.machine.limits.sleep_s + MARGIN_S

    def enter_driven(self, slept: bool, shown: str) -> None:
        """Whether the machine slept while its lines were driven hard. shown: what they read meanwhile."""
        does = "slept" if slept else "did not sleep"
        text = f"lines driven hard{shown}: the machine {does} within {self.driven_s:g} s"
        self.add("sleep_driven", "yes" if slept else "no", text)


def kept_states(trials: list[Trial]) -> Seen:
    """Whether the machine stayed in its states, as an observation for the table."""
    gone = lost(trials)
    if gone:
        return Seen("state_kept", "no", told_lost(gone))
    return Seen("state_kept", "yes", f"the machine left no state by itself in {len(trials)} movements")


def _uneven(trials: list[Trial]) -> bool:
    """True where some attempt was missed: a few more tell whether that is always so."""
    return any(trial.result == "miss" for trial in trials)
