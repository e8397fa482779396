"""Isolate: sensor, wiring, board or elsewhere? The jig sits between the connector and the real sensor.

Both sides of the connector are surveyed apart; then the machine is tried with its lines open, with the stand-in open
and shut, and with the real sensor. The steps only observe; which cause explains what is in isolate_table.py.
"""

from __future__ import annotations

from lidjig.jig_types import Event, Route
from lidjig.measure.estimate import Estimate
from lidjig.procedures.base import Bench, Disturbed, Procedure
from lidjig.procedures.confirm import respond
from lidjig.procedures.lid import MARGIN_S
from lidjig.procedures.reasoning import Seen, conclude
from lidjig.procedures.report import Declared
from lidjig.procedures.response import Response, declare_starts, declare_trials
from lidjig.procedures.start import start, switch_off
from lidjig.procedures.survey import (
    MachineSide,
    declare_machine_side,
    declare_sensor_side,
    enter_levels,
    feed_sensor,
    judge_current,
    judge_levels,
    pull_sensor,
    read_sensor,
    release_sensor,
    survey_machine_side,
)

WATCH_S = 30.0  # the sensor is watched so long in each position: a contact that fails 6 times a minute shows to 95 %
SETTLED_S = 0.2  # after the operator's mark, before the sensor is watched


class Isolate(Procedure):
    """repeat: how often the stand-in is shut and opened. watch_s: how long the sensor is watched in each position."""

    command = "isolate"

    def __init__(self, bench: Bench, repeat: int = 20, watch_s: float = WATCH_S) -> None:
        self.repeat, self.watch_s = repeat, watch_s
        super().__init__(bench)
        lines = tuple(f"sensor_{output.line}" for output in bench.sensor.output)
        self.response = Response.on(bench, self.sheet, also_lines=lines)
        self._not_tested: list[str] = []

    def declare(self) -> list[Declared]:
        """Both sides of the connector, three starts, trials by the stand-in and with the real sensor."""
        machine = self.bench.machine
        return [
            *declare_machine_side(machine),
            *declare_sensor_side(self.bench.sensor),
            *declare_starts(machine, "lines open", "stand-in open", "real sensor"),
            *declare_trials(machine),
            Declared(
                "lines open, lid shut: stays awake", "1", 1.0, 1.0, "unplugged it starts and never sleeps", needed=False
            ),
            Declared("real sensor, lid shut: sleeps", "1", 1.0, 1.0, "", needed=False),
            Declared("real sensor, lid opened: wakes", "1", 1.0, 1.0, "", needed=False),
        ]

    def prepare(self) -> None:
        """Known state, observers set up."""
        super().prepare()
        self.response.safely(self.response.observer.start)

    def work(self) -> None:
        """Connector, sensor, then the machine in every route that is safe."""
        response = self.response
        side = response.safely(lambda: survey_machine_side(self.bench, self.sheet))
        response.seen += side.seen()
        if side.supply == "missing":
            response.safely(response.observer.without_supply)
        self._sensor_side()
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
        currents: list[Estimate] = []
        edges = 0
        for lid, action in (("open", "open-lid"), ("shut", "shut-lid")):
            self._ask(action)
            current, count = self.response.safely(lambda lid=lid: self._sensor_at(lid))  # type: ignore[misc]
            currents.append(current)
            edges += count
        self._enter_current(currents[0])
        self._enter_steady(edges)
        self._unfed()
        self._ask("open-lid")

    def _sensor_at(self, lid: str) -> tuple[Estimate, int]:
        """Read the sensor with the lid where it is now, then watch whether it stays so. Returns current and edges."""
        feed_sensor(self.bench)
        self.bench.idle(SETTLED_S)
        edges = self._watch_edges(self.watch_s / 2)
        found = read_sensor(self.bench)
        edges += self._watch_edges(self.watch_s / 2)
        enter_levels(self.sheet, found.levels, lid)
        seen = judge_levels(self.bench.sensor, found.levels, lid)
        self.response.seen = [s for s in self.response.seen if s.name != seen.name] + [seen]
        release_sensor(self.bench)
        return found.current, edges

    def _watch_edges(self, seconds: float) -> int:
        """Changes of the sensor's lines while nobody moves the lid."""
        lines = {output.line + 1 for output in self.bench.sensor.output}  # names.LINES: sensor_1 is 2
        edges: list[Event] = []

        def hear(event: Event) -> None:
            if event.name == "edge" and event.data["line"] in lines:
                edges.append(event)

        self.bench.jig.on_event.append(hear)
        try:
            self.bench.idle(seconds)
        finally:
            self.bench.jig.on_event.remove(hear)
        return len(edges)

    def _enter_current(self, current: Estimate) -> None:
        self.sheet.put("sensor current", current)
        seen = judge_current(self.bench.sensor, current)
        if seen is None:
            self.note("the sensor's current was not judged: it is below what the jig resolves")
        else:
            self.response.seen.append(seen)

    def _enter_steady(self, edges: int) -> None:
        self.sheet.set("sensor changes, lid at rest", edges)
        text = f"the sensor's lines changed {edges} times in {2 * self.watch_s:g} s while nobody moved the lid"
        self.response.add("sensor_steady", "yes" if edges == 0 else "no", text)

    def _unfed(self) -> None:
        """The lines of the sensor without its supply: a live open-drain output lets go, a corroded one holds on."""
        if any(output.drive == "push-pull" for output in self.bench.sensor.output):
            return  # an unfed push-pull output may clamp its line either way

        def look() -> dict[int, float]:
            self.bench.route(Route.OPEN)
            pull_sensor(self.bench)
            self.bench.idle(SETTLED_S)
            levels = read_sensor(self.bench, fed=False).levels
            release_sensor(self.bench)
            return levels

        levels = self.response.safely(look)
        held = any(level < 0.5 for level in levels.values())
        figures = ", ".join(f"line {line} at {level:.2f} of 3.3 V" for line, level in levels.items())
        does = "still holds its line" if held else "lets its line go"
        self.response.add(
            "sensor_unfed", "operated" if held else "released", f"without supply the sensor {does} ({figures})"
        )

    # -- the machine

    def _lid_with_lines_open(self) -> None:
        """Unplugged, a machine cannot know that its lid is shut."""
        self.bench.progress.step("Shut the real lid while the machine's lines are open")
        slept = self.response.safely(lambda: self._lid_moves("shut-lid", "S3", Route.OPEN))
        self.sheet.set("lines open, lid shut: stays awake", 0 if slept else 1)
        does = "slept" if slept else "did not sleep"
        self.response.add("sleep_open", "yes" if slept else "no", f"lines open, lid shut: the machine {does}")
        self._ask("open-lid")

    def _lid_moves(self, action: str, state: str, route: Route) -> bool:
        """The operator moves the real lid of a machine that runs (or sleeps); whether it reaches the state in time.

        After a restart of the board the machine is started anew first, since meanwhile its lines were not as wanted.
        """
        bench, observer = self.bench, self.response.observer
        limits = bench.machine.limits
        if bench.jig.status().route != route or (state == "S3" and observer.state != "S0"):
            bench.operator.ask(bench, "open-lid")
            bench.route(route)
            if switch_off(bench, observer):
                start(bench, observer, lambda: bench.route(route))
        troubles = self.response.troubles()
        asked_us, marked_us = bench.operator.ask(bench, action)
        limit_s = limits.sleep_s if state == "S3" else limits.wake_s
        seconds = (marked_us - asked_us) / 1e6 + limit_s + MARGIN_S
        reached = observer.wait_state(state, since_us=asked_us, seconds=seconds) is not None
        if not reached and self.response.troubles() != troubles:
            raise Disturbed(f"the machine reached {state}")
        return reached

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
        self.sheet.set("real sensor, lid shut: sleeps", int(slept))
        response.add("sleep_through", "yes" if slept else "no", _told("shut", "sleeps", slept))
        if not slept:
            self._ask("open-lid")
            return
        woke = response.safely(lambda: self._lid_moves("open-lid", "S0", Route.THROUGH))
        self.sheet.set("real sensor, lid opened: wakes", int(woke))
        response.add("wake_through", "yes" if woke else "no", _told("opened", "wakes", woke))

    # -- the conclusion

    def _skip(self, what: str, why: str) -> None:
        self._not_tested.append(f"{what} ({why})")

    def conclude(self) -> None:
        """From observations to findings; what was not tested is said."""
        for what in self._not_tested:
            self.note(f"not tested: {what}")
        seen: list[Seen] = self.response.seen
        if seen:
            self.findings = conclude(seen)

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.response.observer.stop()
        self.response.close()


def _told(lid: str, does: str, did: bool) -> str:
    return f"real sensor, lid {lid}: the machine {does}" if did else f"real sensor, lid {lid}: the machine does nothing"
