"""Isolate: sensor, wiring, board or elsewhere? The jig sits between the connector and the real sensor.

Both sides of the connector are surveyed apart; then the machine is tried with its lines open, with the stand-in open
and shut, and with the real sensor. The steps only observe; which cause explains what is in isolate_table.py.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from lidjig.errors import Disturbed
from lidjig.jig_types import Event, Route
from lidjig.measure.estimate import Estimate
from lidjig.measure.power import UNKNOWN, EventLike
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.confirm import concluded, respond, say_what_rounds_show
from lidjig.procedures.isolate_angle import AngleSide, declare_by_angle
from lidjig.procedures.lid import LATE_FACTOR, MARGIN_S, OTHER
from lidjig.procedures.reasoning import TWO_FAULTS
from lidjig.procedures.report import Declared, times
from lidjig.procedures.response import Response, declare_starts, declare_trials
from lidjig.procedures.sensor_judging import asked_of_pole
from lidjig.procedures.start import since_act, start, switch_off
from lidjig.procedures.survey import (
    MachineSide,
    declare_machine_side,
    declare_sensor_side,
    enter_levels,
    feed_sensor,
    judge_current,
    judge_levels,
    look_unfed,
    read_sensor,
    release_sensor,
    survey_machine_side,
)
from lidjig.record.model import LID_STEP, WATCHED_STEP

WATCH_S = 30.0  # the sensor is watched so long in each position: a contact that fails 6 times a minute shows to 95 %
SETTLED_S = 0.2  # after the operator's mark, before the sensor is watched


class Isolate(Procedure):
    """repeat: how often the stand-in is shut and opened. watch_s: how long the sensor is watched in each position."""

    command = "isolate"

    def __init__(self, bench: Bench, repeat: int = 20, watch_s: float = WATCH_S) -> None:
        self.repeat, self.watch_s = repeat, watch_s
        super().__init__(bench)
        # Of a sensor that tells an angle these are none: its frames would flood the record.
        lines = tuple(f"sensor_{output.line}" for output in bench.sensor.output)
        self.response = Response.on(bench, self.sheet, also_lines=lines)
        self.by_angle = None if bench.sensor.is_switch else AngleSide(self.response, watch_s)
        self._not_tested: list[str] = []

    def declare(self) -> list[Declared]:
        """Both sides of the connector, three starts, trials by the stand-in and with the real sensor."""
        machine, sensor = self.bench.machine, self.bench.sensor
        return [
            *declare_machine_side(machine),
            *(declare_sensor_side(sensor) if sensor.is_switch else declare_by_angle(sensor, machine)),
            *declare_starts(machine, "lines open", "stand-in open", "real sensor"),
            *declare_trials(machine, self.repeat),
            Declared(
                "lines open, lid shut: stays awake", "1", 1.0, 1.0, "unplugged it starts and never sleeps", needed=False
            ),
            Declared("real sensor, lid shut: sleeps", "1", 1.0, 1.0, "however late", needed=False),
            self._latency("real sensor, sleep latency", "S3"),
            Declared("real sensor, lid opened: wakes", "1", 1.0, 1.0, "however late", needed=False),
            self._latency("real sensor, wake latency", "S0"),
        ]

    def _latency(self, name: str, state: str) -> Declared:
        limits = self.bench.machine.limits
        limit_s = limits.reaction_s(state)
        band = limits.band(limit_s)
        return Declared(name, "s", None, limit_s, "from the operator's act", needed=False, marginal_band=band)

    def prepare(self) -> None:
        """Known state, observers set up."""
        super().prepare()
        self.response.begin()

    def work(self) -> None:
        """Connector, sensor, then the machine in every route that is safe."""
        response = self.response
        side = response.safely(lambda: survey_machine_side(self.bench, self.sheet))
        response.take(*side.seen())
        if side.supply == "missing" and response.unseen is None:
            response.safely(response.observer.without_supply)
        self._sensor_side()
        response.need_states()
        if side.supply == "high":
            self._skip("machine with any route", side.supply_text)
            return
        if response.start_open():
            self._lid_with_lines_open()
        self._with_standin(side)
        if side.shorted:
            self._skip("machine with the real sensor", "a line is held hard")
            return
        self._with_real_sensor()

    # -- the sensor by itself

    def _sensor_side(self) -> None:
        """Current, levels and steadiness of the real sensor, fed by the jig; the operator moves the lid."""
        self.bench.progress.step("Survey of the sensor's side of the connector")
        if self.bench.jig.status().supply_mv > round(self.bench.machine.supply.max_v * 1000):
            self._skip("sensor", "the jig is not armed where the machine's supply is too high")
            return
        if self.by_angle is None:
            self._by_levels()
        else:
            current, why_not = self.by_angle.survey()
            self._enter_current(current)
            if why_not:
                self._skip("sensor", why_not)
        self._ask("open-lid")

    def _by_levels(self) -> None:
        """A sensor that says shut or open."""
        currents: list[Estimate] = []
        edges = 0
        for lid, action in (("open", "open-lid"), ("shut", "shut-lid")):
            self._ask(action)
            current, count = self.response.safely(lambda lid=lid: self._sensor_at(lid))  # type: ignore[misc]
            currents.append(current)
            edges += count
        self._enter_current(currents[0])
        self.enter_steady(edges)
        self._unfed()

    def _sensor_at(self, lid: str) -> tuple[Estimate, int]:
        """Read the sensor with the lid where it is now, then watch whether it stays so. Returns current and edges."""
        feed_sensor(self.bench)
        self.bench.idle(SETTLED_S)
        with self.bench.recorder.step(WATCHED_STEP, lid=lid) as step:
            edges = self._watch_edges(self.watch_s / 2)
            found = read_sensor(self.bench)
            edges += self._watch_edges(self.watch_s / 2)
            step.result = {"edges": edges}
        enter_levels(self.sheet, found.levels, lid)
        self.response.take(judge_levels(self.bench.sensor, found.levels, lid))
        release_sensor(self.bench)
        return found.current, len(edges)

    def is_sensor_edge(self, event: EventLike) -> bool:
        """Whether the event is a change of one of the sensor's lines."""
        lines = {output.line + 1 for output in self.bench.sensor.output}  # names.LINES: sensor_1 is 2
        return event.name == "edge" and event.data["line"] in lines

    def _watch_edges(self, seconds: float) -> list[int]:
        """Changes of the sensor's lines while nobody moves the lid: their counters."""
        edges: list[int] = []

        def hear(event: Event) -> None:
            if self.is_sensor_edge(event):
                edges.append(event.counter)

        self.bench.jig.on_event.append(hear)
        try:
            self.bench.idle(seconds)
        finally:
            self.bench.jig.on_event.remove(hear)
        return edges

    def _enter_current(self, current: Estimate) -> None:
        seen = judge_current(self.bench.sensor, current)
        if seen is None:
            # Without limits to meet it is no measurement: what is not judged must not read as passed.
            self.note("the sensor's current was not judged: it is below what the jig resolves")
            return
        self.sheet.put("sensor current", current)
        self.response.take(seen)

    def enter_steady(self, edges: int) -> None:
        """Changes of the sensor's lines in both positions of the lid, as a figure and an observation."""
        self.sheet.set("sensor changes, lid at rest", edges)
        text = f"the sensor's lines changed {times(edges)} in {2 * self.watch_s:g} s while nobody moved the lid"
        self.response.add("sensor_steady", "yes" if edges == 0 else "no", text)

    def _unfed(self) -> None:
        """The lines of the sensor without its supply: a live open-drain output lets go, a corroded one holds on."""
        if any(output.drive == "push-pull" for output in self.bench.sensor.output):
            return  # an unfed push-pull output may clamp its line either way
        lines = [output.line for output in self.bench.sensor.output]
        self.response.take(self.response.safely(lambda: look_unfed(self.bench, lines)))

    # -- the machine

    def _lid_with_lines_open(self) -> None:
        """Unplugged, a machine cannot know that its lid is shut."""
        self.bench.progress.step("Shut the real lid while the machine's lines are open")
        moved = self.response.safely(lambda: self._lid_moves("shut-lid", "S3", Route.OPEN))
        self.enter_open(moved)
        self._ask("open-lid")

    def enter_open(self, moved: LidMoved) -> None:
        """What the machine did when the lid was shut while its lines were open."""
        if moved.lost:
            return
        slept = moved.reached
        self.sheet.set("lines open, lid shut: stays awake", 0 if slept else 1)
        does = "slept" if slept else "did not sleep"
        self.response.add("sleep_open", "yes" if slept else "no", f"lines open, lid shut: the machine {does}")

    def _lid_moves(self, action: str, state: str, route: Route) -> LidMoved:
        """The operator moves the real lid of a machine that runs (or sleeps); when it reaches the state.

        With its own sensor a late reaction is waited for as with the stand-in: late is another fault than never.
        After a restart of the board the machine is started anew first, since meanwhile its lines were not as wanted.
        """
        bench, observer = self.bench, self.response.observer
        if bench.jig.status().route != route or (state == "S3" and observer.state != "S0"):
            bench.operator.ask(bench, "open-lid")
            bench.route(route)
            if switch_off(bench, observer):
                start(bench, observer, lambda: bench.route(route))
        troubles = self.response.troubles()
        with bench.recorder.step(LID_STEP, state=state, route=int(route)) as step:
            asked_us, marked_us = bench.operator.ask(bench, action)
            seconds = (marked_us - asked_us) / 1e6 + self.waited_s(state, route)
            reached_us = observer.wait_state(state, since_us=asked_us, seconds=seconds)
            if reached_us is None or observer.state_at(asked_us) != OTHER[state]:
                if self.response.troubles() != troubles:
                    raise Disturbed(f"the machine reached {state}")
            step.result = {"asked_us": asked_us, "marked_us": marked_us, "reached_us": reached_us}
        return self.lid_moved(state, route, asked_us, marked_us, reached_us)

    def waited_s(self, state: str, route: Route) -> float:
        """How long the machine has for a state after the operator's act."""
        return self.response.standin.limit_s(state) * (LATE_FACTOR if route == Route.THROUGH else 1.0) + MARGIN_S

    def lid_moved(self, state: str, route: Route, asked_us: int, marked_us: int, reached_us: int | None) -> LidMoved:
        """What came of a movement of the real lid that has been waited for; a state that was lost is entered."""
        limit_s, waited_s = self.response.standin.limit_s(state), self.waited_s(state, route)
        if reached_us is None or self.response.observer.state_at(asked_us) != OTHER[state]:
            return self._not_moved(state, asked_us, LidMoved(None, limit_s, waited_s), route)
        return LidMoved(since_act(asked_us, marked_us, reached_us, limit_s), limit_s, waited_s)

    def _not_moved(self, state: str, asked_us: int, moved: LidMoved, route: Route) -> LidMoved:
        """The machine did not do it; or it was not, or is no longer, in a state from which that could be told.

        With its own sensor only a machine that went off has lost its state by itself: to sleep and to wake it may have
        been told by the sensor, which no time at rest proves silent.
        """
        before, now = self.response.observer.state_at(asked_us), self.response.observer.state
        found = before if before != OTHER[state] else now if now not in (OTHER[state], UNKNOWN) else ""
        if not found:
            return moved
        if route != Route.THROUGH or found in ("S5", "G3"):
            self.response.lose(state, asked_us, found)
        return replace(moved, lost=True)

    def _ask(self, action: str) -> None:
        """Ask for something that may be asked twice."""
        self.response.safely(lambda: self.bench.operator.ask(self.bench, action))

    def _with_standin(self, side: MachineSide) -> None:
        if not side.may_drive:
            why = side.supply_text if side.supply != "right" else "a line is held hard"
            self._skip("machine with the stand-in", why)
            return
        self.response.start_shut()
        respond(self.response, self.repeat)

    def _with_real_sensor(self) -> None:
        """Through: the machine with its own sensor, the operator moving the lid."""
        response = self.response
        if not response.start_through():
            return
        slept = response.safely(lambda: self._lid_moves("shut-lid", "S3", Route.THROUGH))
        self.enter_moved("S3", slept)
        if not slept.reached:
            self._ask("open-lid")
            return
        woke = response.safely(lambda: self._lid_moves("open-lid", "S0", Route.THROUGH))
        self.enter_moved("S0", woke)

    def enter_moved(self, state: str, moved: LidMoved) -> None:
        """What a movement of the real lid came to with the real sensor, as figures and as an observation."""
        if moved.lost:
            return
        verb, lid = ("sleep", "shut") if state == "S3" else ("wake", "opened")
        self.sheet.set(f"real sensor, lid {lid}: {verb}s", int(moved.reached))
        if moved.seconds is not None:
            self.sheet.set(f"real sensor, {verb} latency", *moved.seconds)
        value = "late" if moved.late else "yes" if moved.reached else "no"
        self.response.add(f"{verb}_through", value, _told(lid, f"{verb}s", moved))

    # -- the conclusion

    def _skip(self, what: str, why: str) -> None:
        self._not_tested.append(f"{what} ({why})")

    def conclude(self) -> None:
        """From observations to findings; what was not tested is said."""
        for what in self._not_tested:
            self.note(f"not tested: {what}")
        if not self.response.seen:
            return
        self.findings = asked_of_pole(self.bench.sensor, concluded(self.response))
        if self.by_angle is not None:
            self.findings = self.by_angle.advised(self.findings)
        if TWO_FAULTS in self.findings[0].evidence:
            self.note(TWO_FAULTS)
        say_what_rounds_show(self, self.response)

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


@dataclass(frozen=True)
class LidMoved:
    """What the machine did when the real lid was moved. seconds: (value, low, high) to the state, None = never."""

    seconds: tuple[float, float, float] | None
    limit_s: float
    waited_s: float
    lost: bool = False  # it had left its state by itself, so that nothing is said of its reaction

    @property
    def reached(self) -> bool:
        return self.seconds is not None

    @property
    def late(self) -> bool:
        """Surely later than the limit."""
        return self.seconds is not None and self.seconds[1] > self.limit_s


def _told(lid: str, does: str, moved: LidMoved) -> str:
    if moved.seconds is None:
        return f"real sensor, lid {lid}: the machine does nothing within {moved.waited_s:g} s"
    if moved.late:
        when = f"{moved.seconds[1]:.2f} to {moved.seconds[2]:.2f} s after the operator acted"
        return f"real sensor, lid {lid}: the machine {does} too late, {when} (limit {moved.limit_s:g} s)"
    return f"real sensor, lid {lid}: the machine {does}"
