"""A stored run of sense once more: what was seen of the sensor is decoded and judged anew by the profiles of the run.

Supply, current, levels and what was seen without supply are taken as recorded. The same procedure judges and concludes,
on a bench where nothing moves.
"""

from __future__ import annotations

from typing import cast

from lidjig.procedures.reasoning import Seen
from lidjig.procedures.rederiving import heard, spans_of
from lidjig.procedures.replay_bench import (
    STOOD_ON,
    Forgetting,
    blaming_nothing,
    closing,
    has_concluded,
    still_bench,
    without_argument,
    without_conclusion,
)
from lidjig.procedures.replayed import Replayed, compare
from lidjig.procedures.report import Report, Sheet
from lidjig.procedures.sense import Sense
from lidjig.procedures.sense_curve import VISITS, By, Heard, Visit
from lidjig.procedures.sensor_looks import Looked
from lidjig.record.model import ANGLES_STEP
from lidjig.record.stored import StoredRun, StoredStep

CURRENT, UNFED = "sensor_current", "sensor_unfed"  # the observations that no step tells again


class SensingAgain:
    """A run of sense on its way through the analysis. Raises BadInput for a run that lacks what it is made from."""

    def __init__(self, stored: StoredRun) -> None:
        self.stored = stored
        bench = still_bench(stored)
        given = stored.arguments
        try:
            by = By(tuple(given["at_deg"]), int(given["turns"]), float(given["angle_u_deg"]))
            self.sense = Sense(bench, int(given["count"]), by)
        except KeyError as error:
            raise without_argument(stored, error) from error
        self.boots = heard(stored, bench.machine)
        self.visited: dict[Visit, Heard] = {}

    def run(self) -> Replayed:
        """Decode, judge, conclude, compare."""
        stored, sense = self.stored, self.sense
        self._take_again(CURRENT)
        for step in stored.steps:
            if step.name == ANGLES_STEP and step.state == "done" and step.result is not None:
                self._enter(step)
        if self._recorded(VISITS):
            sense.enter_curve(list(self.visited.values()))
        self._take_again(UNFED)
        taken = self._as_recorded()
        report = self._conclude()
        holes = [hole for hole in stored.holes if hole.table in STOOD_ON]
        if holes:
            report = blaming_nothing(report, stored, [hole.text for hole in holes])
        seen = cast(Forgetting, sense.bench.recorder).seen
        done = compare(stored, report, seen, [], spans_of(self.boots), taken)
        done.miss([hole.text for hole in stored.holes], [hole.text for hole in holes], [])
        return done

    def _take_again(self, name: str) -> None:
        for one in self.stored.observations:
            if one.name == name:
                self.sense.take(Seen(one.name, one.value, one.text))

    def _enter(self, step: StoredStep) -> None:
        looked, given = Looked.from_json(step.result), step.arguments
        if "lid_deg" in given:
            visit = Visit(float(given["lid_deg"]), bool(given["opening"]), int(given["turn"]))
            self.visited[visit] = self.sense.heard(visit, looked)
        elif given.get("what") == "rest":
            self.sense.enter_rest(looked)
        elif given.get("what") == "travel":
            self.sense.enter_travel(looked)
        else:
            self.sense.enter_readings(looked)

    def _recorded(self, name: str) -> bool:
        return any(one.name == name and one.value is not None for one in self.stored.measurements)

    def _as_recorded(self) -> int:
        """The sheet in the order of the record, with the figures that no step tells by the limits that are declared
        now; how many these are.
        """
        sense = self.sense
        derived = {one.name: one for one in sense.sheet.taken()}
        declared = sense.declare()
        names = {item.name for item in declared}
        recorded = {one.name: one for one in self.stored.measurements if one.value is not None and one.name in names}
        sense.sheet = sense.curve.sheet = Sheet(declared, lambda _measured: None)
        for one in (recorded | derived).values():
            sense.sheet.again(one)
        return len(recorded.keys() - derived.keys())

    def _conclude(self) -> Report:
        if not has_concluded(self.stored):
            return without_conclusion(self.sense, self.stored)
        self.sense.conclude()
        return closing(self.sense, self.stored)
