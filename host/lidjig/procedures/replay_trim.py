"""A stored run of trim once more: fit, budget, verdict and the table itself from the meter's readings on record.

The same procedure judges, on a bench where nothing moves and no meter is read. Supply, charger and lines of the machine
are taken as recorded and judged anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from lidjig.bench.meter import MeterReading, MeterSpec, read_spec
from lidjig.errors import BadInput
from lidjig.measure import trim_fit
from lidjig.procedures.base import Bench
from lidjig.procedures.rederiving import heard, spans_of
from lidjig.procedures.replay_bench import (
    STOOD_ON,
    as_far_as_recorded,
    blaming_nothing,
    closing,
    has_concluded,
    still_bench,
    without_argument,
)
from lidjig.procedures.replayed import Replayed, compare
from lidjig.procedures.report import Report
from lidjig.procedures.survey import declare_machine_side
from lidjig.procedures.trim import Supply, Trim
from lidjig.procedures.trim_meter import Lead
from lidjig.procedures.trim_told import told_parts
from lidjig.record.holes import Hole
from lidjig.record.model import (
    TRIM_BUDGET_STEP,
    TRIM_METER_STEP,
    TRIM_POINT_STEP,
    TRIM_STORED_STEP,
    TRIM_SUPPLY_STEP,
)
from lidjig.record.stored import StoredRun, StoredStep

SHEET = ("resolution_v", "reading_percent", "range_percent", "range_v", "counts")  # fields of a MeterSpec


class LeadOnRecord(Lead):
    """The meter as the record has it: nobody reads it any more. spec, name: of the meter."""

    def __init__(self, spec: MeterSpec, name: str) -> None:
        self.spec = spec
        self.made = datetime.now(UTC)  # of the trim, only points and supply are compared
        self._name = name

    @property
    def name(self) -> str:
        """What read."""
        return self._name

    def read(self, place: str, settle_s: float) -> MeterReading:
        raise ValueError(f"{place} read in a replay")


class Retrimming:
    """A run of trim on its way through the analysis. Raises BadInput for a run that lacks what it is judged by."""

    def __init__(self, stored: StoredRun) -> None:
        self.stored = stored
        self.steps = [step for step in stored.steps if step.state == "done" and isinstance(step.result, dict)]
        bench = still_bench(stored)
        try:
            points = int(stored.arguments["points"])
        except KeyError as error:
            raise without_argument(stored, error) from error
        self.trim = Trim(bench, points, lead=self._lead(), output=str(stored.arguments.get("output") or ""))
        self.spans = spans_of(heard(stored, bench.machine))
        self.table: dict[str, str] | None = None  # what may be stored on the board, by the readings

    @property
    def holes(self) -> list[Hole]:
        """What is missing of that which a conclusion stands on."""
        return [hole for hole in self.stored.holes if hole.table in STOOD_ON]

    def run(self) -> Replayed:
        """Judge, conclude, compare."""
        taken = self._take_machine_side(self.trim.bench)
        hidden: list[tuple[str, str]] = []
        if any(hole.table == "steps" for hole in self.stored.holes):
            hidden.append(("meter", f"{len(self._of(TRIM_POINT_STEP))} readings of the output are left"))
        else:
            self._judge()
        report = self._conclude()
        if self.holes:
            report = blaming_nothing(report, self.stored, [hole.text for hole in self.holes])
        done = compare(self.stored, report, [], [], self.spans, taken)
        done.miss([hole.text for hole in self.stored.holes], [hole.text for hole in self.holes], hidden)
        if has_concluded(self.stored) and not hidden:
            self._compare_tables(done)
        return done

    # -- what was recorded

    def _of(self, name: str) -> list[StoredStep]:
        return [step for step in self.steps if step.name == name]

    def _lead(self) -> Lead:
        """Raises BadInput where the data sheet is neither among the steps nor in the arguments."""
        found = self._of(TRIM_METER_STEP)
        if found:
            kept = found[-1].result
            return LeadOnRecord(MeterSpec(**{key: float(kept[key]) for key in SHEET}), str(kept["name"]))
        given = self.stored.arguments
        if given.get("accuracy") and given.get("resolution"):
            spec = read_spec(given["accuracy"], given["resolution"], given.get("range") or "")
            return LeadOnRecord(spec, str(given.get("meter") or ""))
        raise self._lacks("the data sheet of its meter")

    def _supplies(self) -> list[Supply]:
        found = [step.result for step in self._of(TRIM_SUPPLY_STEP)]
        if not found and self._of(TRIM_POINT_STEP):
            raise self._lacks("the meter's readings of the supply")
        return [Supply.of(*(float(one[key]) for key in ("v", "u_v", "u_own_v"))) for one in found]

    def _lacks(self, what: str) -> BadInput:
        accepted = f"a run of trim that kept {what}; this one did not (an older lidjig made it, or part of it was lost)"
        return BadInput(self.stored.id, "RUN", self.stored.id, accepted)

    # -- what follows from it

    def _take_machine_side(self, bench: Bench) -> int:
        """Figures that no meter read, against the limits declared now; how many."""
        side = {item.name for item in declare_machine_side(bench.machine)}
        found = [m for m in self.stored.measurements if m.name in side and m.value is not None]
        for measured in found:
            self.trim.sheet.again(measured)
        return len({m.name for m in found})

    def _judge(self) -> None:
        """As far as the readings go: the run may have been broken off."""
        supplies, points = self._supplies(), self._of(TRIM_POINT_STEP)
        n = self.trim.points
        if not supplies or len(points) < n:
            return
        read = [(int(s.arguments["code"]), float(s.result["v"]), float(s.result["u_own_v"])) for s in points]
        try:
            self._judge_readings(supplies, read[:n], [(code, v) for code, v, _u in read[n:]])
        except trim_fit.NotFollowing:
            return  # as in a run that ended so; in another one the figures that are missing now say it
        except ValueError as error:
            accepted = f"a run whose readings a meter can have shown ({error})"
            raise BadInput(self.stored.id, "RUN", self.stored.id, accepted) from error

    def _judge_readings(
        self, supplies: Sequence[Supply], read: Sequence[tuple[int, float, float]], between: Sequence[tuple[int, float]]
    ) -> None:
        trim, supply = self.trim, supplies[0]
        fitted = trim_fit.fit([(trim.stage.command(code), v, u_own_v) for code, v, u_own_v in read], supply.v)
        trim.enter_output(fitted, supply)
        if len(supplies) < 2 or not between:
            return
        found = trim.between(fitted, between)
        supply = trim.supply_of_both(supply, supplies[-1])
        if trim.judge_between(found, supply):
            sensor = trim.bench.sensor
            made = trim.record(fitted, supply, sensor.name, sensor.to_blob())
            self.table = told({"supply_mv": made.supply_mv, "points": made.points})

    def _conclude(self) -> Report:
        """A run that met an error, or was killed, drew no conclusion."""
        ended = closing if has_concluded(self.stored) else as_far_as_recorded
        return ended(self.trim, self.stored)

    def _compare_tables(self, done: Replayed) -> None:
        stored = [told(step.result) for step in self._of(TRIM_STORED_STEP)]
        recorded, replayed = stored[-1] if stored else {}, self.table or {}
        budgets = [told_parts(step.result) for step in self._of(TRIM_BUDGET_STEP)]
        if budgets:  # runs of trim did not keep it once
            recorded = {**recorded, **budgets[-1]}
            replayed = {**replayed, **(told_parts(self.trim.budget) if self.trim.budget else {})}
        for name in dict.fromkeys([*recorded, *replayed]):
            done.check("trim", name, recorded.get(name, ""), replayed.get(name, ""))


def told(table: Any) -> dict[str, str]:
    """What is stored on the board, by name: supply, and each point's command and output in 1/65535."""
    points = {f"point {k}": f"{command}, {output}" for k, (command, output) in enumerate(table["points"], 1)}
    return {"supply": f"{table['supply_mv']} mV", **points}
