"""From the events of a stored run back to what a procedure made of them: power states, reactions, starts, movements.

Only board time and events are used; what the record says came of a step is what this is compared with.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from lidjig.bench.machine import MachineProfile
from lidjig.jig_types import Route
from lidjig.measure.power import UNKNOWN, Signed, Timeline
from lidjig.procedures.isolate import Isolate, LidMoved
from lidjig.procedures.lid import LATE_FACTOR, MARGIN_S, MOVE_S, OTHER, Trial
from lidjig.procedures.observe import Observer
from lidjig.procedures.response import Response
from lidjig.procedures.start import Start
from lidjig.procedures.start import waited_s as start_waited_s
from lidjig.record.axis import Boot, boots_of, levels_of
from lidjig.record.power import states_of_boot
from lidjig.record.power_signed import Told, told_by
from lidjig.record.stored import StoredEvent, StoredRun

MOVED_US = round((MOVE_S + 0.1) * 1e6)  # a movement of the emulated lid begins so long before its stimulus


class Remembered:
    """Power states as they were known at a board time: stands in for the classifier that listened."""

    def __init__(self, timeline: Timeline, signed: Signed) -> None:
        self.timeline = timeline
        self.state = timeline[-1][1] if timeline else UNKNOWN
        self._wanted = {observer for signature in signed.signatures().values() for observer in signature}

    def showing(self) -> dict[str, int | None]:
        """The observers that told the states; what each of them showed is not remembered."""
        return dict.fromkeys(sorted(self._wanted))


@dataclass(frozen=True)
class BootHeard:
    """What was heard in one boot of the board, and the power states that follow from it (board time in us).

    signed: (from when on, by which signatures), ascending; the first holds from the beginning. holes: (begin, end) in
    us of stretches of which events are missing from the record.
    """

    events: list[StoredEvent]
    begin_us: int
    end_us: int
    signed: Told
    timeline: Timeline
    holes: list[tuple[float, float]] = field(default_factory=list)

    def hidden(self, begin_us: float, end_us: float) -> bool:
        """Whether something may be missing from begin to end, or the state at the beginning is not known for want of
        what is missing before it.
        """
        if any(begin <= end_us and begin_us <= end for begin, end in self.holes):
            return True
        state = next((state for t_us, state in reversed(self.timeline) if t_us <= begin_us), UNKNOWN)
        return state == UNKNOWN and any(end <= begin_us for _begin, end in self.holes)

    def has(self, name: str, t_us: int) -> bool:
        """Whether there is an event of that name at that moment."""
        return any(event.name == name and event.t_us == t_us for event in self.events)

    def signed_at(self, t_us: int) -> Signed:
        """The signatures by which states were told at a board time."""
        return next((signed for since_us, signed in reversed(self.signed) if since_us <= t_us), self.signed[0][1])


def heard(run: StoredRun, machine: MachineProfile) -> list[BootHeard]:
    """The boots of a run. Which observers told nothing meanwhile is in the record's steps."""
    boots = boots_of(run)
    levels = levels_of(run, boots)
    told = told_by(run, machine, boots, levels)
    out: list[BootHeard] = []
    for boot in boots:
        events = run.events[boot.first : boot.last + 1]
        holes, heard_of = _with_holes(run, boot)
        mine = told[boot.number]
        states = states_of_boot(heard_of, levels[boot.number], mine)
        out.append(BootHeard(events, boot.begin_us, boot.end_us, mine, states, holes))
    return out


def _with_holes(run: StoredRun, boot: Boot) -> tuple[list[tuple[float, float]], list[StoredEvent]]:
    """(holes of a boot, its events with a `lost` at each): what is missing from the record was not heard either."""
    holes: list[tuple[float, float]] = []
    events = run.events[boot.first : boot.last + 1]
    for hole in reversed([hole for hole in run.holes if hole.table == "events"]):
        before, after = boot.first <= hole.index - 1 <= boot.last, boot.first <= hole.index <= boot.last
        if not before and not after:
            continue
        begin_us = run.events[hole.index - 1].t_us if before else -math.inf
        end_us = run.events[hole.index].t_us if after else math.inf
        holes.append((begin_us, end_us))
        t_us = int(begin_us) if before else int(end_us)
        events.insert(hole.index - boot.first, StoredEvent(0, "lost", t_us, {}))
    return holes, events


class Again:
    """Derives the steps of a run anew, in their order. response: of the procedure that stands in for the run's."""

    def __init__(self, run: StoredRun, response: Response) -> None:
        self.boots = heard(run, response.bench.machine)
        self.response = response
        self._at = 0  # the boot that the steps have come to
        self._standin = response.standin
        self._lid = {output.line - 1 for output in response.bench.sensor.lid_outputs()}

    @property
    def _boot(self) -> BootHeard:
        return self.boots[self._at]

    @property
    def _observer(self) -> Observer:
        return self.response.observer

    def _go_to(self, name: str, t_us: int) -> bool:
        """Go on to the boot that has this event; else to the first one that it may be in. Whether it was found."""
        for at in range(self._at, len(self.boots)):
            if self.boots[at].has(name, t_us):
                self._at = at
                return True
        for at in range(self._at, len(self.boots)):
            if self.boots[at].begin_us <= t_us <= self.boots[at].end_us:
                self._at = at
                break
        return False

    def hidden(self, name: str, t_us: int, begin_us: float, end_us: float) -> bool:
        """Whether what happened from begin to end, about an event of that name, may be missing from the record."""
        if not any(boot.holes for boot in self.boots):
            return False
        if self._go_to(name, t_us):
            return self._boot.hidden(begin_us, end_us)
        return any(boot.hidden(begin_us, end_us) for boot in self.boots[self._at :] if boot.holes)

    def hides(self, old: Trial) -> bool:
        """Whether a trial lies in what is missing, or on its edge."""
        waited_us = (MARGIN_S + self._standin.limit_s(old.state) * LATE_FACTOR) * 1e6
        end_us = old.stimulus_us + waited_us if old.reaction_us is None else old.reaction_us
        return self.hidden("output", old.stimulus_us, old.stimulus_us - MOVED_US, end_us)

    def _until(self, t_us: int | None) -> None:
        """The observer knows what was known at a board time; None: all of the boot."""
        boot = self._boot
        timeline = [item for item in boot.timeline if t_us is None or item[0] <= t_us]
        signed = boot.signed_at(boot.end_us if t_us is None else t_us)
        self._observer.classifier = Remembered(timeline, signed)  # type: ignore[assignment]

    def _reached(self, state: str, since_us: int, seconds: float) -> int | None:
        """When the state was reached in the time that was waited for it; the observer then knows what it knew."""
        end_us = since_us + round(seconds * 1e6)
        self._until(None)
        reached_us = self._observer.reached(state, since_us)
        if reached_us is not None and reached_us > end_us:
            reached_us = None
        self._until(end_us if reached_us is None else reached_us)
        return reached_us

    # -- the emulated lid

    def trials(self, recorded: Iterable[Trial]) -> list[Trial | None]:
        """Each trial anew; None where the events show nothing that it may have been."""
        return [None if self.hides(old) else self._trial(old) for old in recorded]

    def _trial(self, old: Trial) -> Trial | None:
        moved = self._go_to("output", old.stimulus_us) or not old.found
        if not moved:
            # The machine was met in another state before the lid was moved at all.
            self._until(None)
            state = self._observer.state_at(old.stimulus_us)
            found = "" if state == OTHER[old.state] else state
            return Trial(old.state, old.stimulus_us, None, self._standin.limit_s(old.state), found)
        changes = self._changes(old)
        if not changes:
            return None
        reaction_us = self._reached(old.state, changes[0], self._standin.waited_s(old.state))
        return self._standin.judged(old.state, changes[0], changes, reaction_us)

    def _changes(self, old: Trial) -> list[int]:
        """Board times at which a lid output came to say so in the movement that the trial belongs to.

        Where the board lost events in it, the recorded stimulus is all there is.
        """
        departed = [event.t_us for event in self._boot.events if event.name == "departed"]
        begin_us = max((t for t in departed if t <= old.stimulus_us), default=0)
        end_us = min((t for t in departed if t > old.stimulus_us), default=self._boot.end_us + 1)
        inside = [event for event in self._boot.events if begin_us <= event.t_us < end_us]
        operated = 1 if old.state == "S3" else 0
        changes = sorted(
            event.t_us
            for event in inside
            if event.name == "output" and event.data["output"] in self._lid and event.data["operated"] == operated
        )
        if not changes and any(event.name == "lost" for event in inside):
            return [old.stimulus_us]
        return changes

    # -- what the operator does

    def _marked(self, asked_us: int, marked_us: int) -> int:
        """When the operator answered: the mark switch after the question, else as recorded (Enter leaves no event)."""
        self._go_to("mark", marked_us)
        presses = (e.t_us for e in self._boot.events if e.name == "mark" and e.data["pressed"])
        found = min((t for t in presses if t >= asked_us), default=None)
        return marked_us if found is None else min(found, marked_us)

    def start(self, old: Mapping[str, Any]) -> Start:
        """An attempt to start. old: as recorded, the fields of Start."""
        asked_us = int(old["asked_us"])
        marked_us = self._marked(asked_us, int(old["marked_us"]))
        limit_s = self.response.bench.machine.limits.start_s
        s0_us = self._reached("S0", asked_us, (marked_us - asked_us) / 1e6 + start_waited_s(limit_s))
        return Start(asked_us, marked_us, s0_us, limit_s)

    def lid_moved(self, isolate: Isolate, state: str, route: Route, old: Mapping[str, Any]) -> LidMoved:
        """A movement of the real lid."""
        asked_us = int(old["asked_us"])
        marked_us = self._marked(asked_us, int(old["marked_us"]))
        reached_us = self._reached(state, asked_us, (marked_us - asked_us) / 1e6 + isolate.waited_s(state, route))
        return isolate.lid_moved(state, route, asked_us, marked_us, reached_us)

    # -- the rest

    def slept_driven(self, old: Mapping[str, Any]) -> int | None:
        """When the machine slept with its lines driven hard."""
        since_us = int(old["since_us"])
        self._go_to("", since_us)
        return self._reached("S3", since_us, self.response.driven_s)

    def events_of(self, counters: Iterable[int], name: str) -> list[StoredEvent]:
        """The events of that name with these counters, of the boot that has most of them."""
        wanted = set(counters)
        found = [[e for e in boot.events if e.counter in wanted and e.name == name] for boot in self.boots[self._at :]]
        best = max(range(len(found)), key=lambda at: len(found[at]))
        self._at += best
        return found[best]

    def reaction(self, state: str, told_us: int, seconds: float) -> int | None:
        """The machine's reaction to a sweep of the emulated lid."""
        return self._reached(state, told_us, seconds)


def spans_of(boots: Iterable[BootHeard]) -> list[tuple[int, int, int, str]]:
    """(boot from 1, begin, end, power state) over a whole run, board time in us."""
    out: list[tuple[int, int, int, str]] = []
    for number, boot in enumerate(boots, start=1):
        ends = [*boot.timeline[1:], (boot.end_us, "")]
        for (begin_us, state), following in zip(boot.timeline, ends, strict=False):
            out.append((number, begin_us, max(begin_us, following[0]), state))
    return out
