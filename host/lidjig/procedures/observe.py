"""The machine's power state as a procedure sees it: observers set up from the machine profile, a timeline, waiting."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from lidjig.bench.remaining import SUPPLY_CURRENT, Remaining
from lidjig.errors import Contradicting, Disturbed, NotSeen, Refused
from lidjig.jig_samples import MeterState, meter_name
from lidjig.jig_types import Event, Watch
from lidjig.measure.power import UNKNOWN, PowerClassifier, spliced
from lidjig.procedures.sampling import Sampling
from lidjig.procedures.taught_sleep import SLEEP_SIGNAL
from lidjig.procedures.telling import band_words, reading_words, role
from lidjig.record.model import OBSERVERS_STEP
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.bench.machine import MachineProfile
    from lidjig.procedures.base import Bench

FIRST_WORD_S = 1.0  # every observer has said its first word within this
METER_BACK_S = 2.5  # the board looks every second for a power monitor that failed: it has two chances
LAST_WORD_S = 1.0  # and events on their way are in after this
STAMP_S = 0.0015  # a stamp is good to one tick of the board and one turn of the analog scan
# A power monitor is read every 5 ms and gives the mean of the last 4 ms; pulses are read every 20 ms over 100 ms.
SLOW_STAMP_S = {"meter_1_v": 0.01, "meter_1_i": 0.01, "meter_2_v": 0.01, "meter_2_i": 0.01, "pulses": 0.12}
BY_WIRING = frozenset(SLOW_STAMP_S)  # channels that the board has only by its wiring record
UNWIRED = "The wiring in force on the jig does not have it; the next command that drives loads it."
READINGS = 16  # behind what an observer is said to show
STARTS_MAX = 3  # power monitors that come and go are met by setting up anew, so many times
LINES_SAMPLE = "lines boot "  # and the boot id: levels of all digital lines when watching began, bits as names.LINES


def told_by_lines(machine: MachineProfile, state: str, shown: int, fits: Iterable[int]) -> str:
    """Why the supply current tells nothing any more, and what that leaves open. shown: its band, above all of fits."""
    analog = machine.analog()[SUPPLY_CURRENT]
    return (
        f"not told by {SUPPLY_CURRENT}: it shows {band_words(machine, SUPPLY_CURRENT, shown)} where {state} has "
        f"at most {analog.thresholds[max(fits)]:g} {analog.unit}, as while a pack charges. "
        f"The machine's own lines ({', '.join(machine.digital())}) tell the power states without it; "
        "whether the machine draws no more than it should was not seen"
    )


class Observer:
    """Watches the machine through the jig's observers. One per procedure; stop() or close() when done.

    sampled: observers or channels of this bench (MachineProfile.wired_channels) whose readings are sent and recorded as
    well, with their periods in s; one that the wiring in force on the jig lacks is blind. must_tell: start() raises
    NotSeen where power monitors that cannot be read leave states that are not told apart.
    """

    def __init__(
        self,
        bench: Bench,
        also_lines: tuple[str, ...] = (),
        *,
        sampled: Mapping[str, float] | None = None,
        must_tell: bool = True,
    ) -> None:
        self.bench = bench
        self.lines = (*bench.machine.watched_lines(), *also_lines)
        self.watches = tuple(
            Watch(c.channel, c.thresholds_raw, c.hysteresis_raw, c.dwell_ms) for c in bench.machine.comparators()
        )
        wanted = {bench.channel(name): period_s for name, period_s in (sampled or {}).items()}
        self._sampling = Sampling(bench, wanted, keep=True)
        self.must_tell = must_tell
        self.blind: dict[str, str] = {}  # observers whose power monitor cannot be read, and why
        self._supply_tells = True
        self._kept_left_out: frozenset[str] = frozenset()  # as the record has it
        self._began_us = 0  # board time at which watching began last
        self._aside = False  # whether the supply current tells nothing any more
        self._signed = Remaining(bench.machine, frozenset())
        self._listen_anew()
        self.lost = 0  # times events or a power monitor were lost: a reaction may have gone unseen
        self._gone: set[int] = set()  # power monitors that matter and do not answer now
        self._losses = 0  # how often one was lost
        self._lost_last = 0  # number of the one that was lost last
        self._unwired: dict[str, str] = {}
        bench.jig.on_event.append(self._hear)

    def start(self) -> None:
        """Set up lines, comparators and samples on the board and learn the present state. Again after the board
        restarted, which ends them all. Raises NotSeen.
        """
        for _ in range(STARTS_MAX):
            self._set_up()
            blind = self._unreadable()
            if blind.keys() == self.blind.keys():
                break
            self.blind = blind
            self._say_blind()
            self._signed = Remaining(self.bench.machine, self._left_out())
        self._keep_left_out()
        self._sampling.start()
        for channel, refusal in self._sampling.refused.items():
            # What the wiring in force lacks has been told as blind; any other channel was promised to the caller.
            if self.bench.machine.observer_of(channel) not in self.blind:
                raise refusal
        if self.must_tell and self.blind and (confused := self._signed.confused()):
            raise NotSeen(self.blind, confused)

    def _set_up(self) -> None:
        jig = self.bench.jig
        self._gone.clear()
        self._unwired.clear()
        self._listen_anew()
        levels = jig.watch_lines(self.lines)
        for watch in self.watches:
            self._watch(watch)
        self._began_us = now_us = jig.status().t_us
        mask = self.keep_lines(levels, now_us)
        for classifier in self._listening:
            classifier.show_lines(mask, now_us)
        wanted = {self.bench.machine.observer_of(watch.channel) for watch in self.watches}

        # The first reading of a comparator is an event: then every observer has been heard.
        def heard() -> bool:
            return all(shown is not None for name, shown in self.showing.items() if name in wanted)

        if not self.bench.wait(heard, FIRST_WORD_S) and self._unreadable():
            self.bench.wait(heard, METER_BACK_S)

    def _listen_anew(self) -> None:
        """What was known belongs to another time."""
        self.classifier = PowerClassifier(self._signed)
        by_lines = self._signed.by_lines()
        self._by_lines = None if by_lines is None else PowerClassifier(by_lines)

    @property
    def _listening(self) -> list[PowerClassifier]:
        return [self.classifier] if self._by_lines is None else [self.classifier, self._by_lines]

    def keep_lines(self, levels: Mapping[str, int], now_us: int) -> int:
        """Levels of all lines into the record, which hears of them else only when they change; as a mask."""
        mask = sum(levels[name] << bit for bit, name in enumerate(names.LINES))
        channel = f"{LINES_SAMPLE}{self.bench.jig.hello.boot_id:08x}"
        self.bench.recorder.sample(channel, "mask", float(mask), t_us=now_us)
        return mask

    def _watch(self, watch: Watch) -> None:
        try:
            self.bench.jig.watch(watch.channel, watch.thresholds_raw, watch.hysteresis_raw, watch.dwell_ms)
        except Refused as refusal:
            observer = self.bench.machine.observer_of(watch.channel)
            if refusal.reason != names.REFUSED_RANGE or observer is None or watch.channel not in BY_WIRING:
                raise
            self._unwired[observer] = UNWIRED

    def _unreadable(self) -> dict[str, str]:
        """Observers whose power monitor does not answer, or which the jig does not have in its wiring; and why."""
        machine = self.bench.machine
        if not machine.meter:
            return dict(self._unwired)
        meters = self.bench.meters()
        trouble = {meter.number: meters.trouble(meter.number) for meter in machine.meter}
        found: dict[str, str] = {}
        for channel, observer in machine.channels().items():
            meter = machine.meter_of(channel)
            if meter is not None and trouble[meter.number]:
                found[observer] = trouble[meter.number]
        return found | self._unwired

    def _say_blind(self) -> None:
        for why in dict.fromkeys(self.blind.values()):
            which = ", ".join(observer for observer, reason in self.blind.items() if reason == why)
            text = f"not measured: {which}. {why}"
            self.bench.recorder.note(text)
            self.bench.progress.say(text)

    def _keep_left_out(self, since_us: int | None = None) -> None:
        """By which observers the states are told belongs to the record, where they are not all that the machine has.
        since_us: from when on, where that is not since watching began.
        """
        left_out = self._left_out()
        if left_out == self._kept_left_out:
            return
        with self.bench.recorder.step(OBSERVERS_STEP) as step:
            step.result = {"left_out": sorted(left_out), "t_us": self._began_us}
            if since_us is not None:
                step.result["since_us"] = since_us
        self._kept_left_out = left_out

    def _left_out(self) -> frozenset[str]:
        supply = frozenset() if self._supply_tells else {"supply_ok"}
        return frozenset(self.blind) | supply | ({SUPPLY_CURRENT} if self._aside else frozenset())

    def without_supply(self) -> None:
        """From now on the sensor supply says nothing about the machine: it is missing although the machine may run."""
        self._supply_tells = False
        self._signed = Remaining(self.bench.machine, self._left_out())
        self.start()

    def stop(self) -> None:
        """Stop watching on the board (the fast tick then rests) and listening here."""
        for watch in self.watches:
            self.bench.jig.watch(watch.channel, ())
        self.bench.jig.watch_lines(())
        self._sampling.stop()
        self._sampling.flush()
        if self.bench.machine.meter:
            self.bench.meters()  # that the bus was freed on the way is told nowhere else
        self.close()

    def close(self) -> None:
        """Stop listening."""
        if self._hear in self.bench.jig.on_event:
            self.bench.jig.on_event.remove(self._hear)

    def _hear(self, event: Event) -> None:
        if event.name == "boot":
            self._listen_anew()
        elif event.name == "lost":
            self.lost += 1
            for classifier in self._listening:
                classifier.forget(event.t_us)
        else:
            if event.name == "meter":
                self._hear_meter(event)
            for classifier in self._listening:
                classifier.feed(event)

    def _hear_meter(self, event: Event) -> None:
        number = event.data["meter"] + 1
        if event.data["state"] != MeterState.OK:
            if self.classifier.observers_of_meter(number):
                self.lost += 1
                self._losses += 1
                self._lost_last = number
                self._gone.add(number)
            return
        if number not in self._gone:
            if not self.must_tell and self.blind:
                self.bench.errands.append(self._start_again)
            return
        self._gone.discard(number)
        self.bench.errands.append(self._ask_bus)

        # Its comparators tell changes only, and may stand in the band that they were in before: have them begin anew.
        def watch_again() -> None:
            for watch in self.watches:
                meter = self.bench.machine.meter_of(watch.channel)
                if meter is not None and meter.number == number:
                    self._watch(watch)

        self.bench.errands.append(watch_again)

    def _ask_bus(self) -> None:
        self.bench.meters()

    def _start_again(self) -> None:
        if self._hear in self.bench.jig.on_event:
            self.start()

    @property
    def periods(self) -> dict[str, float]:
        """Channel -> period in s that the board granted, of those that are sampled."""
        return self._sampling.periods

    @property
    def unread(self) -> set[str]:
        """Observers that cannot be read now."""
        gone = [observer for number in self._gone for observer in self.classifier.observers_of_meter(number)]
        return {*self.blind, *gone}

    @property
    def stamp_s(self) -> float:
        """How far the board time of a state may be from the moment itself, by the slowest observer that tells it."""
        wanted = self.showing
        channels = [w.channel for w in self.watches if self.bench.machine.observer_of(w.channel) in wanted]
        return max([STAMP_S, *(SLOW_STAMP_S[channel] for channel in channels if channel in SLOW_STAMP_S)])

    @property
    def state(self) -> str:
        """Power state now: S0, S3, S5, G3 or unknown."""
        return self.classifier.state

    @property
    def showing(self) -> dict[str, int | None]:
        """What each observer shows now; None = not heard yet."""
        return self.classifier.showing()

    def state_at(self, t_us: int) -> str:
        """Power state at a board time; "unknown" before the first one."""
        return next((name for since_us, name in reversed(self.classifier.timeline) if since_us <= t_us), UNKNOWN)

    def reached(self, state: str, since_us: int) -> int | None:
        """Board time at which the state was first reached at or after since_us; since_us where it held already."""
        first = None
        for t_us, name in reversed(self.classifier.timeline):
            if name == state:
                first = max(t_us, since_us)
            if t_us <= since_us:
                break
        return first

    def wait_state(self, state: str, *, since_us: int, seconds: float) -> int | None:
        """Board time at which the state was reached; None = not until `seconds` after since_us in board time.

        Never means never: before that, everything the board has to tell is fetched. Raises Disturbed where a power
        monitor failed meanwhile: neither "never" nor a time could then be told. Raises Contradicting where the state
        did not come and what is seen instead belongs to none.
        """
        end_us = since_us + round(seconds * 1e6)
        losses = self._losses
        while True:
            left_s = (end_us - self.bench.jig.status().t_us) / 1e6
            if self.bench.wait(lambda: bool(self._gone) or self.reached(state, since_us) is not None, max(0.0, left_s)):
                break
            if left_s <= 0.0:
                self._last_word()
                break
        self._check_seen(state, losses)
        reached_us = self.reached(state, since_us)
        if reached_us is None:
            self.check_told()
            reached_us = self.reached(state, since_us)
        return reached_us if reached_us is not None and reached_us <= end_us else None

    def check_told(self) -> None:
        """Raises Contradicting where every observer has been heard and they fit no power state together, with or
        without go_by_lines().
        """
        showing = self.showing
        if self.state == UNKNOWN and not self.unread and None not in showing.values() and not self.go_by_lines():
            wanted = {state: self.classifier.disagreeing(state) for state in self._signed.signatures()}
            by_role = {
                state: [role(self.bench.machine, name) for name in found] for state, found in wanted.items() if found
            }
            raise Contradicting(showing, by_role, self._in_words(showing), s0ix=self._as_in_s0ix(wanted))

    def _in_words(self, showing: Mapping[str, int | None]) -> dict[str, str]:
        """Observer -> what it shows, analog ones by a reading taken now (by their band where none can be had)."""
        machine, out = self.bench.machine, {}
        for name, shown in showing.items():
            found = None
            if name in machine.analog():
                try:
                    found = self.bench.read(name, READINGS)
                except Refused:
                    found = None
            told = band_words(machine, name, shown) if found is None else reading_words(found)
            out[name] = f"{role(machine, name)} {told}"
        return out

    def _as_in_s0ix(self, wanted: Mapping[str, list[str]]) -> bool:
        """Whether the light is out as in sleep, and a sleep line says that there is none."""
        lines = self.bench.machine.digital()
        awake = any(name in lines and SLEEP_SIGNAL.search(lines[name].signal) for name in wanted.get("S3", ()))
        return awake and "light" in wanted.get("S0", ()) and "light" not in wanted.get("S3", ())

    def go_by_lines(self) -> bool:
        """Where the supply current alone speaks against the state that the machine's own lines tell, and is more than
        belongs to it, states are told without it from the moment on from which none was known; whether that is so.

        More is what a pack that charges makes of it. Less has other causes, and stays a contradiction.
        """
        by_lines, shown = self._by_lines, self.showing.get(SUPPLY_CURRENT)
        if self.state != UNKNOWN or by_lines is None or by_lines.state == UNKNOWN or shown is None:
            return False
        fits = self._signed.signatures()[by_lines.state][SUPPLY_CURRENT]
        if shown <= max(fits):
            return False
        since_us = self._began_us if self.classifier.since_us is None else self.classifier.since_us
        by_lines.timeline = spliced([(0, self.classifier.timeline), (since_us, by_lines.timeline)])
        self.classifier, self._by_lines, self._aside = by_lines, None, True
        self._signed = Remaining(self.bench.machine, self._left_out())
        self._keep_left_out(since_us)
        self.bench.tell(told_by_lines(self.bench.machine, by_lines.state, shown, fits))
        return True

    def _last_word(self) -> None:
        """Fetch the events that the board still keeps (a link that stalled delivers them late)."""
        for _ in range(20):
            if self.bench.jig.status().events_kept == 0:
                return
            self.bench.idle(LAST_WORD_S / 10)

    def settle(self, *states: str, seconds: float) -> bool:
        """Wait until the machine is in one of the states; whether it is. Raises as wait_state()."""
        losses = self._losses
        found = self.bench.wait(lambda: bool(self._gone) or self.state in states, seconds)
        if not found or self._gone:
            self._check_seen(" or ".join(states), losses)
            self.check_told()
        return found or self.state in states

    def _check_seen(self, wanted: str, losses: int) -> None:
        """Raises Disturbed where a power monitor does not answer now, or was lost since there were so many losses."""
        if self._gone or self._losses != losses:
            who = meter_name(min(self._gone) if self._gone else self._lost_last)
            raise Disturbed(f"the machine was seen to reach {wanted}", who, did="stopped answering")

    def told(self) -> str:
        """State and what each observer shows, in one line."""
        machine = self.bench.machine
        shown = ", ".join(
            f"{role(machine, name)} {band_words(machine, name, value)}" for name, value in self.showing.items()
        )
        return f"{self.state} ({shown})"
