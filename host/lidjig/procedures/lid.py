"""The lid by the stand-in: shut it and see the machine sleep, open it and see it wake. A trial is one such attempt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lidjig.jig_types import Event, Route
from lidjig.procedures.base import Bench, Disturbed
from lidjig.procedures.observe import Observer

MOVE_S = 0.4  # how long the emulated lid takes: a brisk hand
MARGIN_S = 0.5  # a miss is never claimed before the limit plus this
LATE_FACTOR = 5.0  # after a limit has passed, a late reaction is waited for until so many times the limit
TOLD_MAX = 3  # board times of misses that evidence names


@dataclass(frozen=True)
class Trial:
    """One attempt. state: what was expected. Times in us of board time; reaction None = none came, however late."""

    state: str
    stimulus_us: int
    reaction_us: int | None
    limit_s: float

    @property
    def latency_s(self) -> float | None:
        """Stimulus to reaction in s, or None."""
        return None if self.reaction_us is None else (self.reaction_us - self.stimulus_us) / 1e6

    @property
    def result(self) -> str:
        """ "hit" within the limit, "late" beyond it, "miss"."""
        latency = self.latency_s
        if latency is None:
            return "miss"
        return "hit" if latency <= self.limit_s else "late"


class StandIn:
    """The emulated lid on an armed jig, with the machine watched."""

    def __init__(self, bench: Bench, observer: Observer) -> None:
        self.bench = bench
        self.observer = observer
        self._outputs: list[Event] = []
        bench.jig.on_event.append(self._hear)
        self._lid = {output.line - 1 for output in bench.sensor.lid_outputs()}
        self._silent: set[str] = set()  # states that the last trial did not reach at all

    def close(self) -> None:
        """Stop listening."""
        self.bench.jig.on_event.remove(self._hear)

    def _hear(self, event: Event) -> None:
        if event.name == "output" and event.data["output"] in self._lid:
            self._outputs.append(event)

    def connect(self, *, shut: bool) -> None:
        """Turn the emulated lid while nothing is driven, then connect it to the machine's lines."""
        bench = self.bench
        bench.route(Route.OPEN)
        self.turn(shut=shut)
        bench.jig.set_route(Route.STANDIN)

    def turn(self, *, shut: bool) -> None:
        """Turn the emulated lid all the way and wait until it is there."""
        sensor = self.bench.sensor
        self.bench.turn(sensor.shut_deg() if shut else sensor.open_deg(), MOVE_S)

    def trial(self, state: str) -> Trial:
        """Shut (state "S3") or open (state "S0") the emulated lid and wait for the machine.

        The stimulus is the last change of a lid output before the reaction: a machine with two lid lines reacts to the
        one that completes its condition. Before it is called a miss, a late reaction is waited for as well, except
        where the trial before has shown that none comes.
        """
        bench, limits = self.bench, self.bench.machine.limits
        limit_s = limits.sleep_s if state == "S3" else limits.wake_s
        troubles = bench.jig.interruptions + self.observer.lost
        self._outputs.clear()
        self.turn(shut=state == "S3")
        operated = 1 if state == "S3" else 0
        changes = [event.t_us for event in self._outputs if event.data["operated"] == operated]
        if not changes:
            # The update rate of the emulated sensor delays its output; the wait below covers it.
            bench.wait(lambda: any(e.data["operated"] == operated for e in self._outputs), 2.0)
            changes = [event.t_us for event in self._outputs if event.data["operated"] == operated]
        first_us = changes[0] if changes else bench.jig.status().t_us
        seen_s = MARGIN_S + limit_s * (1.0 if state in self._silent else LATE_FACTOR)
        reaction_us = self.observer.wait_state(state, since_us=first_us, seconds=seen_s)
        changes = [event.t_us for event in self._outputs if event.data["operated"] == operated] or [first_us]
        if reaction_us is None and bench.jig.interruptions + self.observer.lost != troubles:
            raise Disturbed(f"the machine reached {state}")
        if reaction_us is None:
            self._silent.add(state)
            return Trial(state, changes[-1], None, limit_s)
        self._silent.discard(state)
        before = [t for t in changes if t <= reaction_us] or changes[:1]
        return Trial(state, before[-1], reaction_us, limit_s)

    def round(self) -> list[Trial]:
        """One shutting and one opening. What the machine's state does not allow to be tried is done but no trial."""
        trials: list[Trial] = []
        for state, other in (("S3", "S0"), ("S0", "S3")):
            if self.observer.state == other:
                trials.append(self.trial(state))
            else:
                self.turn(shut=state == "S3")
            self.bench.idle(self.bench.machine.limits.settle_s)
        return trials


def summary(trials: Sequence[Trial]) -> str:
    """How a series of trials went, in the words of the table: always, late, sometimes, never."""
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
    text = f"{verb} {len(reached)} of {len(trials)} times"
    if reached:
        text += f", after {min(reached):.3f} to {max(reached):.3f} s"
    text += f" (limit {trials[0].limit_s:g} s"
    text += f", {late} later than that)" if late else ")"
    missed = [f"{trial.stimulus_us / 1e6:.3f}" for trial in trials if trial.latency_s is None]
    if missed:
        more = " and more" if len(missed) > TOLD_MAX else ""
        text += f"; missed at board time {', '.join(missed[:TOLD_MAX])}{more} s"
    return text
