"""The lid by the stand-in: shut it and see the machine sleep, open it and see it wake. A trial is one such attempt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from lidjig.errors import Disturbed, LidjigError
from lidjig.jig_types import Event, Route
from lidjig.measure import latency
from lidjig.measure.power import UNKNOWN
from lidjig.procedures.base import Bench
from lidjig.procedures.observe import Observer

MOVE_S = 0.4  # how long the emulated lid takes: a brisk hand
MARGIN_S = 0.5  # a miss is never claimed before the limit plus this
LATE_FACTOR = 5.0  # after a limit has passed, a late reaction is waited for until so many times the limit
TOLD_MAX = 3  # board times of misses that evidence names
OTHER = {"S3": "S0", "S0": "S3"}  # the state from which each is reached by the lid
MOVING = {"S3": "shutting", "S0": "opening"}


@dataclass(frozen=True)
class Trial:
    """One attempt. state: what was expected. Times in us of board time; reaction None = none came, however late.

    found: power state in which the machine was met where neither a reaction nor its absence leads to it (it switched
    off by itself, it woke with its lid shut). Then nothing is said of the reaction, and everything of the machine.
    """

    state: str
    stimulus_us: int
    reaction_us: int | None
    limit_s: float
    found: str = ""

    @property
    def latency_s(self) -> float | None:
        """Stimulus to reaction in s, or None."""
        return None if self.reaction_us is None else (self.reaction_us - self.stimulus_us) / 1e6

    @property
    def result(self) -> str:
        """ "hit" within the limit, "late" beyond it, "miss", or "lost": the machine left its state by itself."""
        if self.found:
            return "lost"
        took_s = self.latency_s
        if took_s is None:
            return "miss"
        return "hit" if took_s <= self.limit_s else "late"


class StandIn:
    """The emulated lid on an armed jig, with the machine watched."""

    def __init__(self, bench: Bench, observer: Observer) -> None:
        self.bench = bench
        self.observer = observer
        self._outputs: list[Event] = []
        bench.jig.on_event.append(self._hear)
        self._lid = {output.line - 1 for output in bench.sensor.lid_outputs()}
        self._silent: set[str] = set()  # states that the last trial did not reach at all
        self._left_in: str | None = None  # state in which the last movement left the machine; None = not known
        self._kept: list[Trial] = []  # what a round had against the machine before link or board failed it

    def close(self) -> None:
        """Stop listening."""
        self.bench.jig.on_event.remove(self._hear)

    def _hear(self, event: Event) -> None:
        if event.name == "output" and event.data["output"] in self._lid:
            self._outputs.append(event)

    def connect(self, *, shut: bool) -> None:
        """Turn the emulated lid while nothing is driven, then connect it to the machine's lines."""
        bench = self.bench
        self._left_in = None
        bench.route(Route.OPEN)
        self.turn(shut=shut)
        bench.jig.set_route(Route.STANDIN)

    def turn(self, *, shut: bool) -> None:
        """Turn the emulated lid all the way and wait until it is there."""
        sensor = self.bench.sensor
        self.bench.turn(sensor.shut_deg() if shut else sensor.open_deg(), MOVE_S)

    def trial(self, state: str) -> Trial:
        """Shut (state "S3") or open (state "S0") the emulated lid and wait for the machine, now in the other state.

        The stimulus is the change of a lid output that completes the condition: with two lines that must all say shut,
        shutting is told by the last of them and opening by the first. Before it is called a miss, a late reaction is
        waited for as well, except where the trial before has shown that none comes.
        """
        bench, troubles = self.bench, self._troubles()
        self._outputs.clear()
        self.turn(shut=state == "S3")
        if not self._changes(state):
            # The update rate of the emulated sensor delays its output; the wait below covers it.
            bench.wait(lambda: bool(self._changes(state)), 2.0)
        changes = self._changes(state)
        first_us = changes[0] if changes else bench.jig.status().t_us
        seen_s = self.waited_s(state)
        reaction_us = self.observer.wait_state(state, since_us=first_us, seconds=seen_s)
        if reaction_us is None and self._troubles() != troubles:
            raise Disturbed(f"the machine reached {state}")
        trial = self.judged(state, first_us, self._changes(state) or [first_us], reaction_us)
        if trial.found:
            return self._lost(trial, troubles)
        self._left_in = OTHER[state] if reaction_us is None else state
        return trial

    def judged(self, state: str, first_us: int, changes: Sequence[int], reaction_us: int | None) -> Trial:
        """What came of a movement. first_us: board time since which the reaction was waited for; changes: board times
        at which a lid output came to say so, ascending; the observer knows what it knew when the wait ended.
        """
        limit_s, seen_s = self.limit_s(state), self.waited_s(state)
        if reaction_us is None:
            if self.observer.state not in (OTHER[state], UNKNOWN):
                return Trial(state, changes[-1], None, limit_s, self.observer.state)
            self._silent.add(state)
            return Trial(state, changes[-1], None, limit_s)
        self._silent.discard(state)
        if self.observer.state_at(first_us) == state:
            return Trial(state, first_us, None, limit_s, state)
        return Trial(state, self.stimulus_of(state, changes, reaction_us, seen_s), reaction_us, limit_s)

    def waited_s(self, state: str) -> float:
        """How long the next movement's reaction is waited for: a late one too, unless none came the last time."""
        return MARGIN_S + self.limit_s(state) * (1.0 if state in self._silent else LATE_FACTOR)

    def stimulus_of(self, state: str, changes: Sequence[int], reaction_us: int, seen_s: float) -> int:
        """Board time of the change of a lid output that a reaction belongs to."""
        # Whether the last of several lid lines completes the condition, or the first.
        last_tells = (self.bench.machine.lid_rule == "all") == (state == "S3")
        pairing = latency.pair(changes if last_tells else changes[:1], [reaction_us], round((seen_s + MOVE_S) * 1e6))
        return changes[int(pairing.stimulus_index[0])]

    def _changes(self, state: str) -> list[int]:
        """Board times at which a lid output came to say shut (state "S3") or open."""
        operated = 1 if state == "S3" else 0
        return sorted(event.t_us for event in self._outputs if event.data["operated"] == operated)

    def limit_s(self, state: str) -> float:
        """How long the machine may take to reach S3 or S0."""
        return self.bench.machine.limits.reaction_s(state)

    def _troubles(self) -> int:
        return self.bench.jig.interruptions + self.observer.lost

    def _lost(self, trial: Trial, troubles: int) -> Trial:
        """The trial, in which the machine had lost its state. Raises Disturbed where that may not be so."""
        if self._troubles() != troubles:
            raise Disturbed(f"the machine was seen to be in {trial.found}")
        self._left_in = None
        return trial

    def round(self) -> list[Trial]:
        """One shutting and one opening; never empty.

        A movement whose other state was not reached because the one before was missed is done but is no trial. A
        machine met in any other state has lost it: that is a trial of its own, and ends the round.
        """
        trials, self._kept = self._kept, []
        try:
            for state, other in OTHER.items():
                troubles = self._troubles()
                found = self._found(other)
                if found == other:
                    trials.append(self.trial(state))
                elif found == state and self._left_in == state:
                    self.turn(shut=state == "S3")
                else:
                    now_us = self.bench.jig.status().t_us
                    trials.append(self._lost(Trial(state, now_us, None, self.limit_s(state), found), troubles))
                if trials and trials[-1].result == "lost":
                    break
                self.bench.idle(self.bench.machine.limits.settle_s)
        except LidjigError:
            # The round is repeated; what was found wrong in it stays.
            self._kept = [trial for trial in trials if trial.result != "hit"]
            raise
        return trials

    def _found(self, wanted: str) -> str:
        """The machine's state before a movement, waited for where it is neither the one wanted nor the one it was left
        in. Raises Disturbed where an observer has to be heard anew first.
        """
        acceptable = {wanted, self._left_in or wanted}
        if self.observer.state not in acceptable:
            if None in self.observer.showing.values():
                raise Disturbed("the machine's state was known")
            self.observer.settle(*acceptable, seconds=self.limit_s(wanted) + MARGIN_S)
        return self.observer.state


def to_result(trials: Iterable[Trial]) -> list[dict[str, Any]]:
    """Trials of a cycle or round as the record keeps them; "found" stands only where the machine had lost its state."""
    return [
        {"state": t.state, "stimulus_us": t.stimulus_us, "reaction_us": t.reaction_us, "limit_s": t.limit_s}
        | ({"found": t.found} if t.found else {})
        for t in trials
    ]


def from_result(result: Any) -> list[Trial] | None:
    """Trials of one recorded cycle or round; None where the step did not end, or has nothing that was tried."""
    if not isinstance(result, list) or not result:
        return None
    return [Trial(t["state"], t["stimulus_us"], t["reaction_us"], t["limit_s"], t.get("found", "")) for t in result]


def tried(trials: Iterable[Trial]) -> list[Trial]:
    """The trials that say something of the machine's reaction."""
    return [trial for trial in trials if trial.result != "lost"]


def lost(trials: Iterable[Trial]) -> list[Trial]:
    """The trials in which the machine had left its state by itself."""
    return [trial for trial in trials if trial.result == "lost"]


def told_lost(trials: Sequence[Trial]) -> str:
    """Lost states in one sentence with their board times."""
    ways = []
    for trial in trials:
        due = OTHER[trial.state] if trial.found == trial.state else "S0 or S3"
        at = f"{MOVING[trial.state]} the lid at board time {trial.stimulus_us / 1e6:.3f} s"
        ways.append(f"{trial.found} where {due} was due ({at})")
    more = " and more" if len(ways) > TOLD_MAX else ""
    return f"the machine was found in {', '.join(ways[:TOLD_MAX])}{more}"


def summary(trials: Sequence[Trial]) -> str:
    """How a series of tried trials went, in the words of the table: always, late, sometimes, never."""
    results = {trial.result for trial in trials}
    if results == {"hit"}:
        return "always"
    if results == {"miss"}:
        return "never"
    return "sometimes" if "miss" in results else "late"


def of_state(trials: Iterable[Trial], state: str) -> list[Trial]:
    """The trials that expected this state."""
    return [trial for trial in trials if trial.state == state]


def told(trials: Sequence[Trial], verb: str) -> str:
    """A series in one sentence with its numbers: "slept 5 of 5 times, 0.84 to 1.02 s, limit 3 s"."""
    reached = [t.latency_s for t in trials if t.latency_s is not None]
    late = sum(trial.result == "late" for trial in trials)
    text = f"{verb} {len(reached)} of {len(trials)} time{'' if len(trials) == 1 else 's'}"
    if reached:
        text += f", after {min(reached):.3f} to {max(reached):.3f} s"
    text += f" (limit {trials[0].limit_s:g} s"
    text += f", {late} later than that)" if late else ")"
    missed = [f"{trial.stimulus_us / 1e6:.3f}" for trial in trials if trial.latency_s is None]
    if missed:
        more = " and more" if len(missed) > TOLD_MAX else ""
        text += f"; missed at board time {', '.join(missed[:TOLD_MAX])}{more} s"
    return text
