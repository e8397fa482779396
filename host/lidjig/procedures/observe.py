"""The machine's power state as a procedure sees it: observers set up from the machine profile, a timeline, waiting."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lidjig.jig_types import Event, Watch
from lidjig.measure.power import UNKNOWN, PowerClassifier, Signed
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.bench.machine import MachineProfile
    from lidjig.procedures.base import Bench

FIRST_WORD_S = 1.0  # every observer has said its first word within this
LAST_WORD_S = 1.0  # and events on their way are in after this
LINES_SAMPLE = "lines boot "  # and the boot id: levels of all digital lines when watching began, bits as names.LINES


class WithoutSupply:
    """The machine's signatures where its sensor supply is broken on the way: what depends on it is left out."""

    def __init__(self, machine: MachineProfile) -> None:
        self._machine = machine

    def signatures(self) -> dict[str, dict[str, frozenset[int]]]:
        """Power state -> observer -> what fits, without the supply monitor and without the state it alone may tell."""
        return {
            state: {observer: fits for observer, fits in signature.items() if observer != "supply_ok"}
            for state, signature in self._machine.signatures().items()
            if state != "G3"
        }


class Observer:
    """Watches the machine through the jig's observers. One per procedure; close() when done."""

    def __init__(self, bench: Bench, also_lines: tuple[str, ...] = ()) -> None:
        self.bench = bench
        self.lines = (*bench.machine.watched_lines(), *also_lines)
        self.watches = tuple(
            Watch(c.channel, c.thresholds_raw, c.hysteresis_raw, c.dwell_ms) for c in bench.machine.comparators()
        )
        self._signed: Signed = bench.machine
        self.classifier = PowerClassifier(self._signed)
        self.lost = 0  # times events were lost: a reaction may have been among them
        bench.jig.on_event.append(self._hear)

    def start(self) -> None:
        """Set up lines and comparators on the board and learn the present state. Again after the board restarted."""
        jig = self.bench.jig
        self.classifier = PowerClassifier(self._signed)
        levels = jig.watch_lines(self.lines)
        for watch in self.watches:
            jig.watch(watch.channel, watch.thresholds_raw, watch.hysteresis_raw, watch.dwell_ms)
        now_us = jig.status().t_us
        mask = sum(levels[name] << bit for bit, name in enumerate(names.LINES))
        self.classifier.show_lines(mask, now_us)
        # Lines are told only when they change: what they show at the beginning belongs to the record too.
        self.bench.recorder.sample(f"{LINES_SAMPLE}{jig.hello.boot_id:08x}", "mask", float(mask), t_us=now_us)
        wanted = {watch.channel for watch in self.watches}
        # The first reading of a comparator is an event: then every observer has been heard.
        self.bench.wait(
            lambda: all(self.showing.get(c) is not None for c in wanted & self.showing.keys()), FIRST_WORD_S
        )

    def without_supply(self) -> None:
        """From now on the sensor supply says nothing about the machine: it is missing although the machine may run."""
        self._signed = WithoutSupply(self.bench.machine)
        self.start()

    def stop(self) -> None:
        """Stop watching on the board (the fast tick then rests) and listening here."""
        for watch in self.watches:
            self.bench.jig.watch(watch.channel, ())
        self.bench.jig.watch_lines(())
        self.close()

    def close(self) -> None:
        """Stop listening."""
        if self._hear in self.bench.jig.on_event:
            self.bench.jig.on_event.remove(self._hear)

    def _hear(self, event: Event) -> None:
        if event.name == "boot":
            # Board time began anew: what was known belongs to another time.
            self.classifier = PowerClassifier(self._signed)
        elif event.name == "lost":
            self.lost += 1
            self.classifier.forget(event.t_us)
        else:
            self.classifier.feed(event)

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

        Never means never: before that, everything the board has to tell is fetched.
        """
        end_us = since_us + round(seconds * 1e6)
        while True:
            left_s = (end_us - self.bench.jig.status().t_us) / 1e6
            if self.bench.wait(lambda: self.reached(state, since_us) is not None, max(0.0, left_s)):
                break
            if left_s <= 0.0:
                self._last_word()
                break
        reached_us = self.reached(state, since_us)
        return reached_us if reached_us is not None and reached_us <= end_us else None

    def _last_word(self) -> None:
        """Fetch the events that the board still keeps (a link that stalled delivers them late)."""
        for _ in range(20):
            if self.bench.jig.status().events_kept == 0:
                return
            self.bench.idle(LAST_WORD_S / 10)

    def settle(self, *states: str, seconds: float) -> bool:
        """Wait until the machine is in one of the states; whether it is."""
        return self.bench.wait(lambda: self.state in states, seconds)

    def told(self) -> str:
        """State and what each observer shows, in one line."""
        shown = ", ".join(f"{name} {'?' if value is None else value}" for name, value in self.showing.items())
        return f"{self.state} ({shown})"
