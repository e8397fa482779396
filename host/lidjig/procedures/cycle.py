"""Cycle: shut and open the lid many times by the stand-in; latencies, misses with exact bounds, proof of a reliability.

A cycle is one shutting and one opening. Each is kept as a step of the run with its result, so that a run that was
interrupted can be resumed from what was recorded.
"""

from __future__ import annotations

from dataclasses import dataclass

from lidjig.bench.machine import MachineProfile
from lidjig.measure import latency, proportion
from lidjig.measure.estimate import at_least, exactly
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.lid import Trial, lost, of_state, summary, to_result, told, tried
from lidjig.procedures.reasoning import SENSOR_UNTESTED, conclude, what_cycles_show
from lidjig.procedures.report import Declared, times
from lidjig.procedures.response import Response, declare_lost, kept_states
from lidjig.procedures.survey import HELD, declare_machine_side, survey_machine_side
from lidjig.record.model import CYCLE_STEP

HOPELESS = 5  # cycles in a row without any reaction: going on would tell nothing new
VERBS = (("S3", "sleep"), ("S0", "wake"))


@dataclass(frozen=True)
class Proof:
    """A reliability to show at a confidence, both parts of 1."""

    reliability: float
    confidence: float

    @property
    def count(self) -> int:
        """Cycles without a miss that show it (success run)."""
        return proportion.success_run(self.reliability, self.confidence)


class Cycle(Procedure):
    """count: cycles wanted in all. before: cycles that an interrupted run has done already."""

    command = "cycle"

    def __init__(
        self, bench: Bench, count: int, *, proof: Proof | None = None, before: list[list[Trial]] | None = None
    ) -> None:
        self.count, self.proof = count, proof
        self.cycles: list[list[Trial]] = list(before or [])
        self.done_before = len(self.cycles)
        super().__init__(bench)
        self.response = Response.on(bench, self.sheet)

    def declare(self) -> list[Declared]:
        """Connector, then counts, rates, medians and extremes of both movements."""
        machine = self.bench.machine
        declared = [
            *declare_machine_side(machine),
            Declared("cycles", "1", float(self.count), None, "done, of earlier runs too"),
            declare_lost(),
        ]
        for state, verb in VERBS:
            declared += _declare_verb(machine, state, verb)
        if self.proof is not None:
            declared.append(
                Declared(
                    "reliability shown", "1", self.proof.reliability, None, f"at {self.proof.confidence:g} confidence"
                )
            )
        return declared

    def prepare(self) -> None:
        """Known state, connector looked at, machine running with the stand-in open."""
        super().prepare()
        response = self.response
        response.safely(response.observer.start)
        side = response.safely(lambda: survey_machine_side(self.bench, self.sheet))
        response.take(*side.seen())
        if not side.may_drive:
            self.note(f"nothing was driven: {side.supply_text if side.supply != 'right' else 'a line is held hard'}")

    @property
    def _may_drive(self) -> bool:
        """Whether the survey, if there was one, allows driving; as MachineSide.may_drive."""
        return self.response.found("supply") in (None, "right") and self.response.found("pull") not in HELD

    def work(self) -> None:
        """The cycles."""
        if not self._may_drive:
            return
        response = self.response
        if not response.safely(response.running):
            self.note("the machine does not run with the stand-in open, so nothing was cycled: try 'lidjig confirm'")
            return
        response.add("start_standin", "yes", "stand-in open: the machine runs")
        self.bench.progress.step(f"Shut and open the lid {times(self.count)}")
        self.bench.progress.bar(self.done_before, self.count)
        while len(self.cycles) < self.count:
            number = len(self.cycles) + 1
            with self.bench.recorder.step(CYCLE_STEP, number=number) as step:
                trials = response.safely(response.round)
                step.result = to_result(trials)
            self.cycles.append(trials)
            self.bench.progress.bar(number, self.count)
            if self._hopeless():
                self.note(f"ended after {number} cycles: the last {HOPELESS} saw no reaction at all")
                answered = sum(any(t.result in ("hit", "late") for t in cycle) for cycle in self.cycles)
                if answered:
                    self.note(
                        f"{answered} of {number} cycles had a reaction: a machine that misses often comes to "
                        f"{HOPELESS} in a row by chance too; 'lidjig confirm' shows whether it reacts now"
                    )
                return
            if lost(trials) and number < self.count and not response.safely(response.running):
                self.note(f"ended after {number} cycles: the machine went off and does not start again")
                return

    def _hopeless(self) -> bool:
        last = self.cycles[-HOPELESS:]
        return len(last) == HOPELESS and all(t.result in ("miss", "lost") for cycle in last for t in cycle)

    def how_to_go_on(self) -> str:
        """The cycles done so far count."""
        return f"go on with: lidjig cycle --resume {self.bench.recorder.id}"

    def conclude(self) -> None:
        """Figures from all cycles, earlier runs included, and what they amount to."""
        trials = [trial for cycle in self.cycles for trial in cycle]
        response = self.response
        self.note(SENSOR_UNTESTED)
        if self.cycles:
            done = len(self.cycles)
            # Short of what was wanted it is a bound, which no limit is met by.
            self.sheet.put("cycles", (exactly if done >= self.count else at_least)(done, "1", done))
            self.sheet.set("states lost", len(lost(trials)), n=len(trials))
            response.take(kept_states(trials))
        for state, verb in VERBS:
            mine = of_state(tried(trials), state)
            if mine:
                self._enter(verb, mine)
                response.add(f"{verb}_standin", summary(mine), told(mine, "slept" if state == "S3" else "woke"))
        if self.proof is not None and self.cycles:
            self._enter_proof(self.proof)
        if self.done_before:
            self.note(f"{self.done_before} cycles are of the interrupted run that this one goes on with")
        if trials or not self._may_drive:
            self.findings = response.weigh(conclude(response.seen, untested=("sensor",)), ("sensor",))
            clean = trials and all(trial.result == "hit" for trial in trials)
            if clean and self.findings[0].where == "none":
                self.note(what_cycles_show(len(self.cycles)))

    def _enter(self, verb: str, trials: list[Trial]) -> None:
        misses = sum(trial.latency_s is None for trial in trials)
        late = sum(trial.result == "late" for trial in trials)
        self.sheet.set(f"{verb} misses", misses, n=len(trials))
        self.sheet.set(f"{verb}s too late", late, n=len(trials))
        self.sheet.put(f"{verb} miss rate", proportion.estimate(misses, len(trials)))
        latencies = [trial.latency_s for trial in trials if trial.latency_s is not None]
        if latencies:
            self.sheet.put(f"{verb} latency, median", latency.median_interval(latencies, unit="s"))
            stamp_s = self.response.observer.stamp_s
            for name, value in (("fastest", min(latencies)), ("slowest", max(latencies))):
                self.sheet.set(f"{verb} latency, {name}", value, value - stamp_s, value + stamp_s, len(latencies))

    def _enter_proof(self, proof: Proof) -> None:
        """The reliability that these cycles show: a cycle counts as good when both movements were answered in time."""
        good = sum(all(trial.result == "hit" for trial in cycle) and len(cycle) == 2 for cycle in self.cycles)
        bound = proportion.lower_bound(good, len(self.cycles), proof.confidence)
        # N is chosen so that N clean cycles reach R; the bound may fall short of it by rounding alone.
        shown = proof.reliability if 0.0 < proof.reliability - bound < 1e-12 else bound
        if shown >= proof.reliability:
            self.sheet.put("reliability shown", at_least(shown, "1", len(self.cycles)))
        else:
            # What was to be shown is not: a bound below the demand is a failed proof, not a missing figure.
            self.sheet.set("reliability shown", shown, n=len(self.cycles))
        self.note(
            f"{good} of {len(self.cycles)} cycles good: the reliability is at least {bound:.4f} "
            f"at {proof.confidence:g} confidence ({proof.reliability:g} was to be shown)"
        )

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


def _declare_verb(machine: MachineProfile, state: str, verb: str) -> list[Declared]:
    limit = machine.limits.reaction_s(state)
    band = machine.limits.band(limit)
    return [
        Declared(f"{verb} misses", "1", None, 0.0, "no reaction, however late"),
        Declared(f"{verb}s too late", "1", None, 0.0, "a reaction, but after the limit"),
        Declared(f"{verb} miss rate", "1", None, None, "exact 95 % interval", needed=False),
        Declared(f"{verb} latency, median", "s", None, None, "interval by order statistics", needed=False),
        Declared(f"{verb} latency, fastest", "s", None, None, needed=False),
        Declared(f"{verb} latency, slowest", "s", None, limit, marginal_band=band),
    ]
