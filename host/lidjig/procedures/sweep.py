"""Sweep: turn the emulated lid slowly through a range and see at which angles the outputs and the machine react."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from lidjig.bench.pair import closing_angle_deg, opening_angle_deg
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput, Disturbed
from lidjig.jig_types import Event
from lidjig.measure.estimate import at_least
from lidjig.measure.power import EventLike
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.hold import check_angle
from lidjig.procedures.lid import MARGIN_S, MOVE_S
from lidjig.procedures.reasoning import conclude
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response
from lidjig.procedures.survey import MachineSide, declare_machine_side, survey_machine_side
from lidjig.record.model import FAIL, SWEEP_STEP

SEGMENT_S = 200.0  # the board takes segments of up to 250 s
RATE_MAX = 2000.0


def check_sweep(sensor: SensorProfile, from_deg: float, to_deg: float, rate: float) -> None:
    """Raises BadInput for angles outside the sensor profile's range, an empty sweep, a rate that cannot be."""
    check_angle(sensor, "FROM", from_deg)
    check_angle(sensor, "TO", to_deg)
    if from_deg == to_deg:
        raise BadInput("", "TO", to_deg, "another angle than FROM")
    if not 0.01 <= rate <= RATE_MAX:
        raise BadInput("", "--rate", rate, f"0.01 to {RATE_MAX:g} deg/s")


class Sweep(Procedure):
    """From one angle to another at rate deg/s; both within the sensor profile's range."""

    command = "sweep"

    def __init__(self, bench: Bench, from_deg: float, to_deg: float, rate: float) -> None:
        self.from_deg, self.to_deg, self.rate = from_deg, to_deg, rate
        check_sweep(bench.sensor, from_deg, to_deg, rate)
        self.closing = to_deg < from_deg
        self._outputs: list[Event] = []
        super().__init__(bench)
        self.response = Response.on(bench, self.sheet)

    def declare(self) -> list[Declared]:
        """The angle at which each output changes, and the one at which the machine is told, with its window."""
        windows = self.bench.machine.windows
        declared = declare_machine_side(self.bench.machine)
        declared += [
            Declared(f"output {output.line} changes", "deg", None, None, needed=False)
            for output in self.bench.sensor.told()
        ]
        # Both are declared whatever the range: a sweep that crosses no switching angle has measured nothing.
        low, high = (
            (windows.close_min_deg, windows.close_max_deg)
            if self.closing
            else (windows.open_min_deg, windows.open_max_deg)
        )
        what = "told shut" if self.closing else "told open"
        declared.append(Declared(f"machine is {what}", "deg", low, high))
        limits = self.bench.machine.limits
        verb, _before, state = self.wanted()
        limit = limits.reaction_s(state)
        declared.append(Declared(f"{verb} latency", "s", None, limit, marginal_band=limits.band(limit)))
        return declared

    def _switches_at_deg(self) -> float:
        """The angle at which the lid counts as shut, or as open again, in the direction of this sweep."""
        sensor, rule = self.bench.sensor, self.bench.machine.lid_rule
        return closing_angle_deg(sensor, rule) if self.closing else opening_angle_deg(sensor, rule)

    def _crosses(self) -> bool:
        """Whether the sweep passes that angle."""
        return min(self.from_deg, self.to_deg) < self._switches_at_deg() < max(self.from_deg, self.to_deg)

    def work(self) -> None:
        """Survey, stand in at FROM with the machine in the state that belongs to it, sweep to TO, wait for it."""
        bench, response = self.bench, self.response
        response.observer.start()
        side = survey_machine_side(bench, self.sheet)
        response.take(*side.seen())
        if not side.may_drive:
            self._say_why_not(side)
            return
        if not response.running():
            self.note("the machine does not run with the stand-in open, so nothing was swept: try 'lidjig confirm'")
            return
        response.add("start_standin", "yes", "stand-in open: the machine runs")
        self._to_from()
        bench.jig.on_event.append(self._hear)
        try:
            with bench.recorder.step(SWEEP_STEP) as step:
                self._go()
                told_us = self._wait_outputs()
                reached_us = None if told_us is None else self._wait_reaction(told_us)
                step.result = {"outputs": [event.counter for event in self._outputs], "reached_us": reached_us}
            self.enter(self._outputs, reached_us)
        finally:
            bench.jig.on_event.remove(self._hear)

    def _say_why_not(self, side: MachineSide) -> None:
        why = side.supply_text if side.supply != "right" else "a line is held hard"
        self.note(f"nothing was driven: {why}")

    def _to_from(self) -> None:
        """The stand-in at FROM, reached from the side on which the sweep begins; then the machine has its time.

        An opening sweep comes from shut, so that the hysteresis of the outputs is met as when a lid is opened.
        """
        bench, limits = self.bench, self.bench.machine.limits
        if not self.closing:
            self.response.standin.turn(shut=True)
            self.response.observer.settle("S3", seconds=self.response.standin.limit_s("S3") + MARGIN_S)
        bench.turn(self.from_deg, MOVE_S)
        bench.idle(limits.settle_s)

    def _go(self) -> None:
        bench = self.bench
        seconds = abs(self.to_deg - self.from_deg) / self.rate
        parts = max(1, math.ceil(seconds / SEGMENT_S))
        bench.progress.step(f"Sweep {self.from_deg:g} to {self.to_deg:g} deg at {self.rate:g} deg/s ({seconds:.1f} s)")
        for part in range(1, parts + 1):
            goal = self.from_deg + (self.to_deg - self.from_deg) * part / parts
            bench.turn(round(goal, 3), seconds / parts, "linear")
            bench.progress.bar(part, parts)

    def _hear(self, event: Event) -> None:
        if event.name == "output":
            self._outputs.append(event)
            angle = event.data["angle_mdeg"] / 1000
            word = "operated" if event.data["operated"] else "released"
            self.bench.progress.say(f"output {event.data['output'] + 1} {word} at {angle:.2f} deg")

    def _wait_outputs(self) -> int | None:
        """Board time at which the machine was told; None where the range has no such angle, or no output changed."""
        self.bench.wait(lambda: len(self._outputs) > 0, self.bench.sensor.update_us / 1e6 + 0.5)
        told = self.told(self._outputs) if self._crosses() else None
        return None if told is None else told.t_us

    def told(self, outputs: Sequence[EventLike]) -> EventLike | None:
        """The change of a lid output by which the machine is told; None where there is none."""
        lid = {output.line - 1 for output in self.bench.sensor.lid_outputs()}
        operated = 1 if self.closing else 0
        changes = [e for e in outputs if e.data["output"] in lid and e.data["operated"] == operated]
        if not changes:
            return None
        # With the rule "all" the last output shuts and the first one opens; with "any" the other way round.
        all_of = self.bench.machine.lid_rule == "all"
        return changes[-1] if all_of == self.closing else changes[0]

    def enter(self, outputs: Sequence[EventLike], reached_us: int | None) -> None:
        """Figures and observations of the sweep. outputs: what changed on the way; reached_us: the reaction."""
        # The emulated sensor looks at the angle once a period: the change happened within the last one.
        period_deg = self.rate * self.bench.sensor.update_us / 1e6 + 0.001
        for output in self.bench.sensor.told():
            angles = self._angles([e for e in outputs if e.data["output"] == output.line - 1])
            if angles:
                self._enter(f"output {output.line} changes", angles[-1], period_deg)
        if not self._crosses():
            way = "shut" if self.closing else "open again"
            self.note(
                f"between {self.from_deg:g} and {self.to_deg:g} deg the sensor does not come to say {way} (it does at "
                f"{self._switches_at_deg():g} deg), so nothing was asked of the machine and nothing is judged"
            )
            return
        told = self.told(outputs)
        if told is None:
            self.note("no change of an output came from the jig, so the machine's reaction was not timed")
            return
        word = "told shut" if self.closing else "told open"
        self._enter(f"machine is {word}", told.data["angle_mdeg"] / 1000, period_deg)
        self._enter_reaction(told.t_us, reached_us)

    def wanted(self) -> tuple[str, str, str]:
        """(what is to be seen, state before, state after)."""
        return ("sleep", "S0", "S3") if self.closing else ("wake", "S3", "S0")

    @property
    def limit_s(self) -> float:
        """Longest reaction that counts as healthy."""
        return self.response.standin.limit_s(self.wanted()[2])

    @property
    def waited_s(self) -> float:
        """How long a reaction is waited for: late and never point to different faults."""
        return self.response.standin.waited_s(self.wanted()[2])

    def _wait_reaction(self, told_us: int) -> int | None:
        """Board time of the machine's reaction; None where there is none, or where it was not in the other state."""
        _verb, before, state = self.wanted()
        if self.response.observer.state_at(told_us) != before:
            return None
        troubles = self.response.troubles()
        reached_us = self.response.observer.wait_state(state, since_us=told_us, seconds=self.waited_s)
        if reached_us is None and self.response.troubles() != troubles:
            raise Disturbed(f"the machine reached {state}")
        return reached_us

    def _enter_reaction(self, told_us: int, reached_us: int | None) -> None:
        """From the change of the lid to the machine's. Only a machine that was in the other state can be timed."""
        verb, before, _state = self.wanted()
        limit = self.limit_s
        found = self.response.observer.state_at(told_us)
        if found != before:
            at = f"when it was told to {verb} (board time {told_us / 1e6:.3f} s)"
            self.note(f"the machine was in {found} and not in {before} {at}, so its {verb} latency was not measured")
            return
        if reached_us is None:
            text = f"stand-in: told to {verb}, the machine does not within {self.waited_s:g} s"
            self.bench.progress.say(text)
            self.response.add(f"{verb}_standin", "never", text)
            self.sheet.put(f"{verb} latency", at_least(self.waited_s, "s", 1))
            return
        seconds = (reached_us - told_us) / 1e6
        late = "late" if seconds > limit else "always"
        self.response.add(f"{verb}_standin", late, f"stand-in: {verb} after {seconds:.3f} s (limit {limit:g} s)")
        stamp_s = self.response.observer.stamp_s
        self.sheet.set(f"{verb} latency", seconds, max(0.0, seconds - stamp_s), seconds + stamp_s)

    def conclude(self) -> None:
        """Where something is out of order, what it points to; a sweep without a failure concludes nothing."""
        if any(measured.outcome == FAIL for measured in self.sheet.taken()):
            self.findings = self.response.weigh(conclude(self.response.seen, untested=("sensor",)), ("sensor",))

    def _angles(self, events: Iterable[EventLike]) -> list[float]:
        return [event.data["angle_mdeg"] / 1000 for event in events]

    def _enter(self, name: str, angle_deg: float, period_deg: float) -> None:
        """The true angle lies up to one look of the emulated sensor before the one at the change."""
        low, high = (angle_deg, angle_deg + period_deg) if self.closing else (angle_deg - period_deg, angle_deg)
        self.sheet.set(name, angle_deg, low, high)

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()
