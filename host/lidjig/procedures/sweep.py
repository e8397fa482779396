"""Sweep: turn the emulated lid slowly through a range and see at which angles the outputs and the machine react."""

from __future__ import annotations

import math
from collections.abc import Iterable

from lidjig.bench.pair import closing_angle_deg, opening_angle_deg
from lidjig.errors import BadInput
from lidjig.jig_types import Event
from lidjig.measure.estimate import at_least
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.hold import check_angle
from lidjig.procedures.lid import MARGIN_S
from lidjig.procedures.report import Declared
from lidjig.procedures.response import STAMP_S, Response
from lidjig.procedures.start import start
from lidjig.procedures.survey import declare_machine_side, survey_machine_side

SEGMENT_S = 200.0  # the board takes segments of up to 250 s
RATE_MAX = 2000.0


class Sweep(Procedure):
    """From one angle to another at rate deg/s; both within the sensor profile's range."""

    command = "sweep"

    def __init__(self, bench: Bench, from_deg: float, to_deg: float, rate: float) -> None:
        self.from_deg, self.to_deg, self.rate = from_deg, to_deg, rate
        check_angle(bench, "FROM", from_deg)
        check_angle(bench, "TO", to_deg)
        if from_deg == to_deg:
            raise BadInput("", "TO", to_deg, "another angle than FROM")
        if not 0.01 <= rate <= RATE_MAX:
            raise BadInput("", "--rate", rate, f"0.01 to {RATE_MAX:g} deg/s")
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
            for output in self.bench.sensor.output
        ]
        if self._crosses():
            low, high = (
                (windows.close_min_deg, windows.close_max_deg)
                if self.closing
                else (windows.open_min_deg, windows.open_max_deg)
            )
            what = "told shut" if self.closing else "told open"
            declared.append(Declared(f"machine is {what}", "deg", low, high))
            limits = self.bench.machine.limits
            limit = limits.sleep_s if self.closing else limits.wake_s
            verb = "sleep" if self.closing else "wake"
            declared.append(Declared(f"{verb} latency", "s", None, limit, marginal_band=limits.band(limit)))
        return declared

    def _crosses(self) -> bool:
        """Whether the sweep passes the angle at which the lid counts as shut, or as open again."""
        sensor, rule = self.bench.sensor, self.bench.machine.lid_rule
        at = closing_angle_deg(sensor, rule) if self.closing else opening_angle_deg(sensor, rule)
        return min(self.from_deg, self.to_deg) < at < max(self.from_deg, self.to_deg)

    def work(self) -> None:
        """Survey, stand in at FROM, sweep to TO, wait for the machine."""
        bench, response = self.bench, self.response
        response.observer.start()
        side = survey_machine_side(bench, self.sheet)
        if not side.may_drive:
            self.note(f"nothing was driven: {side.supply_text if side.supply != 'right' else 'a line is held hard'}")
            return
        self._begin()
        bench.jig.on_event.append(self._hear)
        try:
            self._go()
            self._report()
        finally:
            bench.jig.on_event.remove(self._hear)

    def _begin(self) -> None:
        """The machine running (or asleep, when the sweep opens the lid), with the stand-in at FROM."""
        bench, response = self.bench, self.response
        response.standin.connect(shut=False)
        if not response.observer.settle("S0", seconds=bench.machine.limits.wake_s):
            start(bench, response.observer, lambda: response.standin.connect(shut=False))
            bench.idle(bench.machine.limits.settle_s)
        bench.turn(self.from_deg, 0.4)
        if not self.closing:
            response.observer.settle("S3", seconds=bench.machine.limits.sleep_s + MARGIN_S)
        bench.idle(bench.machine.limits.settle_s)

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

    def _report(self) -> None:
        # The emulated sensor looks at the angle once a period: the change happened within the last one.
        period_deg = self.rate * self.bench.sensor.update_us / 1e6 + 0.001
        self.bench.wait(lambda: len(self._outputs) > 0, self.bench.sensor.update_us / 1e6 + 0.5)
        for output in self.bench.sensor.output:
            angles = self._angles([e for e in self._outputs if e.data["output"] == output.line - 1])
            if angles:
                self._enter(f"output {output.line} changes", angles[-1], period_deg)
        lid = {output.line - 1 for output in self.bench.sensor.lid_outputs()}
        changes = [e for e in self._outputs if e.data["output"] in lid]
        if not self._crosses() or not changes:
            return
        # With the rule "all" the last output shuts and the first one opens; with "any" the other way round.
        all_of = self.bench.machine.lid_rule == "all"
        told = changes[-1] if all_of == self.closing else changes[0]
        word = "told shut" if self.closing else "told open"
        self._enter(f"machine is {word}", told.data["angle_mdeg"] / 1000, period_deg)
        self._reaction(told.t_us)

    def _reaction(self, told_us: int) -> None:
        limits = self.bench.machine.limits
        limit, verb, state = (limits.sleep_s, "sleep", "S3") if self.closing else (limits.wake_s, "wake", "S0")
        reached_us = self.response.observer.wait_state(state, since_us=told_us, seconds=limit + MARGIN_S)
        if reached_us is None:
            self.bench.progress.say(f"The machine does not {verb} within {limit + MARGIN_S:g} s")
            self.sheet.put(f"{verb} latency", at_least(limit + MARGIN_S, "s", 1))
            return
        seconds = (reached_us - told_us) / 1e6
        self.sheet.set(f"{verb} latency", seconds, seconds - STAMP_S, seconds + STAMP_S)

    def _angles(self, events: Iterable[Event]) -> list[float]:
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
