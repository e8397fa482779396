"""Trim: step an analog output through its range, read a meter, store on the board what corrects it, and check that."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from lidjig.bench.meter import LEADS_ADVICE, MeterFailed
from lidjig.bench.trim import Trim as TrimRecord
from lidjig.bench.trim import crc_of_record, new_trim
from lidjig.bench.trim_pair import WORDS
from lidjig.errors import Disturbed, OutputFailed, Tripped
from lidjig.jig_types import Lock, Route
from lidjig.measure import trim_fit
from lidjig.measure.trim_budget import UncertaintyBudget
from lidjig.procedures.base import LINK_REASONS, Bench, Procedure
from lidjig.procedures.report import Declared
from lidjig.procedures.survey import declare_machine_side, survey_machine_side
from lidjig.procedures.trim_meter import Lead, MeterAsked
from lidjig.procedures.trim_output import MEASURING, POINTS, WORTH_PERCENT, check_worth
from lidjig.procedures.trim_sincos import SincosStage, stage_of
from lidjig.procedures.trim_told import PointRead, budget_notes, budget_result, points_note
from lidjig.record.model import (
    TRIM_BUDGET_STEP,
    TRIM_METER_STEP,
    TRIM_POINT_STEP,
    TRIM_STORED_STEP,
    TRIM_SUPPLY_STEP,
    MeasuredValue,
)
from shared_proto import names

# The filter settles in 25 ms and a handheld meter shows a new voltage after about two of its readings (common practice,
# no source); a person looks longer anyway.
SETTLE_S = 0.8


@dataclass(frozen=True)
class Supply:
    """The supply by the meter, and its standard uncertainty."""

    v: float
    u_v: float

    @classmethod
    def of(cls, v: float, u_v: float, u_own_v: float) -> Supply:
        """One reading."""
        return cls(v, math.hypot(u_v, u_own_v))

    def and_after(self, after: Supply) -> Supply:
        """Between first and last reading it was anywhere between the two (JCGM 100:2008, 4.3.7)."""
        return Supply(0.5 * (self.v + after.v), math.hypot(self.u_v, 0.5 * abs(after.v - self.v) / math.sqrt(3.0)))


class Trim(Procedure):
    """points: 3 to 33, over the range of the sensor profile's output. lead: who reads the meter, else as `meter` asks
    for. output: which of two. Raises BadInput for a profile that has none, and where the meter's data sheet is not
    known or no trim by it would be worth storing.
    """

    command = "trim"

    def __init__(
        self,
        bench: Bench,
        points: int = POINTS,
        meter: MeterAsked | None = None,
        lead: Lead | None = None,
        output: str = "",
    ) -> None:
        self.stage = stage_of(bench.sensor, output)
        self.points = points
        self.lead = lead or Lead(bench, meter or MeterAsked())
        if lead is None:
            check_worth(self.stage, self.lead.spec)
        self.budget: dict[str, Any] = {}  # as its step has it
        self._held = False  # the board held a trim of this output
        self.measuring = self.stage.measuring
        self._in_force = b""  # what is put back where link or board failed
        self._other: TrimRecord | None = None  # of the other of two outputs, which keeps its trim
        self._untrimmed = False  # the board's own trim is gone, and the new one is not there yet
        super().__init__(bench)

    # -- what is measured

    def declare(self) -> list[Declared]:
        """The connector, the output as it is, what is left of its errors, and how well that is known."""
        supply = self.bench.sensor.supply
        return [
            *declare_machine_side(self.bench.machine),
            Declared("supply by the meter", "V", supply.min_v, supply.max_v),
            Declared("output, lowest", "V"),
            Declared("output, highest", "V"),
            Declared("output, gain", "1", doc="of what is commanded, by the straight line"),
            Declared("output, offset", "V", doc="of the straight line, where nothing is commanded"),
            Declared("output, bend", "V", doc="largest distance from the straight line"),
            Declared("largest residual of the fit", "V"),
            Declared("largest error between points", "V", None, self.limit_v, "the trim in force"),
            Declared("uncertainty of the output, k = 2", "V"),
            Declared("uncertainty of the angle, k = 2", "deg", None, self.stage.worth_deg(), "of the trimmed output"),
        ]

    @property
    def limit_v(self) -> float:
        """What an error between points may be: one code of the format, and the expanded uncertainty (k = 2) of meter,
        resolution, ripple, supply and step at the highest level of the highest supply. The fit has no part in it: a
        limit that grows with the errors would pass them all. Nor does it grow past what a trim is worth, as the meter
        gets worse.
        """
        stage, supply_v = self.stage, self.bench.sensor.supply.max_v
        return min(stage.code_step * supply_v + self._sheet_u_v(), stage.worth_v(supply_v))

    def _sheet_u_v(self) -> float:
        """U of the output at the highest supply by the meter's data sheet, without the fit."""
        return self.stage.sheet_budget(self.lead.spec, self.bench.sensor.supply.max_v).expanded

    # -- the work

    def prepare(self) -> None:
        """Known state, the meter ready."""
        super().prepare()
        if self.bench.trim is not None and isinstance(self.stage, SincosStage):
            crc = crc_of_record(self.bench.sensor.to_blob())
            self._other = self.bench.trim.output(self.stage.other, crc)
        self._held = self.bench.trim is not None and self.bench.trim.holds(self.stage.signal)
        self.bench.trim = None  # what the board held is about to be replaced
        with self.bench.recorder.step(TRIM_METER_STEP) as step:
            self.lead.open()
            step.result = {"name": self.lead.name, **asdict(self.lead.spec)}

    def work(self) -> None:
        """Survey, read, fit, try, store."""
        bench = self.bench
        side = survey_machine_side(bench, self.sheet)
        if not side.may_drive:
            why = side.supply_text if side.supply != "right" else "a line is held hard"
            self.note(f"nothing was driven and nothing was trimmed: {why}")
            return
        self._untrimmed = True
        self._put(self._identity())
        self.note("an identity trim is in force while the output is read, so that what is commanded is what goes out")
        supply = self._read_supply()
        fitted = self._fit(self._read_points(supply), supply)
        self.enter_output(fitted, supply)
        self._put(self.record(fitted, supply, self.measuring.name, self.measuring.to_blob()))
        between = self._read_between(fitted, supply)
        supply = self.supply_of_both(supply, self._read_supply())
        if self.judge_between(between, supply):
            self._store(fitted, supply)

    def _identity(self) -> TrimRecord:
        """Nothing changed. It belongs to the measuring profile, so that it never passes for a trim of the real one."""
        crc = crc_of_record(self.measuring.to_blob())
        parts = [(0.0, self.stage.begin), (1.0, self.stage.end)]
        return new_trim(MEASURING, crc, self.lead.made, "none", self.bench.sensor.supply.max_v, parts)

    def record(self, fitted: trim_fit.TrimFit, supply: Supply, name: str, blob: bytes) -> TrimRecord:
        """The trim of a profile, named and packed."""
        wanted, command = fitted.inverse()
        parts = list(zip(command.tolist(), wanted.tolist(), strict=True))
        return new_trim(name, crc_of_record(blob), self.lead.made, self.lead.name, supply.v, parts)

    def _put(self, trim: TrimRecord) -> None:
        """A trim and the measuring profile in force, the output driven."""
        self._in_force = self.stage.record(trim)
        self.bench.persist(self._put_again, lambda: None)

    def _put_again(self) -> None:
        jig = self.bench.jig
        self._at_rest()
        jig.load_blob(names.BLOB_TRIM, self._in_force)
        jig.load_blob(names.BLOB_PROFILE, self.measuring.to_blob())
        self.bench.route(Route.STANDIN)

    def _at_rest(self) -> None:
        """Disarmed. Raises Tripped."""
        status = self.bench.jig.status()
        if status.lock == Lock.TRIPPED:
            if int(status.reason) not in LINK_REASONS:  # a person has to look at it
                raise Tripped(int(status.reason), status.trip_detail, status.trip_t_us)
            self.bench.jig.clear()
        elif status.lock == Lock.ARMED:
            self.bench.jig.disarm()

    def _read_supply(self) -> Supply:
        self.bench.progress.step(f"Supply (meter: {self.lead.name})")
        with self.bench.recorder.step(TRIM_SUPPLY_STEP) as step:
            found = self.bench.persist(lambda: self.lead.read("supply", SETTLE_S), self._put_again)
            step.result = {"v": found.v, "u_v": found.u_v, "u_own_v": found.u_own_v, "text": found.text}
        window = self.bench.sensor.supply
        if not window.min_v <= found.v <= window.max_v:
            raise MeterFailed(
                self.lead.name,
                f"reads {found.v:.4f} V at the supply, and sensor {self.bench.sensor.name} takes "
                f"{window.min_v:g} to {window.max_v:g} V",
                LEADS_ADVICE,
            )
        return Supply.of(found.v, found.u_v, found.u_own_v)

    def _read_points(self, supply: Supply) -> list[PointRead]:
        """The output as it is, untrimmed."""
        self.bench.progress.step(f"{self.points} points over the output's range")
        rows = []
        for code in self.stage.points(self.points):
            rows.append(self._read_at(code, supply, trimmed=False))
            self.bench.progress.bar(len(rows), self.points)
        self.note(points_note(rows))
        return rows

    def _read_at(self, code: int, supply: Supply, *, trimmed: bool) -> PointRead:
        """The output at one code, link or board failing or not."""
        command, wanted_v = self.stage.command(code), self.stage.wanted(code) * supply.v

        def once() -> PointRead:
            self.bench.turn(round(self.stage.angle_deg(code), 3), 0.0)
            found = self.lead.read(self.stage.place, SETTLE_S)
            self._check_driven(code)
            return PointRead(code, command, found, wanted_v, trimmed)

        with self.bench.recorder.step(TRIM_POINT_STEP, code=code) as step:
            read = self.bench.persist(once, self._put_again)
            step.result = read.result()
        return read

    def _check_driven(self, code: int) -> None:
        """A board that restarted while a meter was read has let go of the output. Raises Disturbed, Tripped."""
        status = self.bench.jig.status()
        self.bench.check()
        at = abs(status.angle_deg - self.stage.angle_deg(code)) < 0.01
        if not (at and status.lock == Lock.ARMED and status.route == Route.STANDIN):
            raise Disturbed("the output was read")

    def _fit(self, readings: list[PointRead], supply: Supply) -> trim_fit.TrimFit:
        """Raises OutputFailed."""
        try:
            fitted = trim_fit.fit([(one.command, one.found.v, one.found.u_own_v) for one in readings], supply.v)
        except trim_fit.NotFollowing as failure:
            raise OutputFailed(failure.what, failure.todo) from failure
        for one, residual in zip(readings, fitted.residual_v, strict=True):
            # A table that goes through its points has no residuals to show.
            one.tell(self.bench.progress, float(residual) if fitted.table.pooled else None)
        for text in fitted.notes:
            self.note(text)
        return fitted

    def _read_between(self, fitted: trim_fit.TrimFit, supply: Supply) -> trim_fit.Between:
        """The output between the points, the trim in force, against what is wanted. Raises OutputFailed."""
        stage, (lowest, highest) = self.stage, fitted.reach
        codes = [code for code in stage.between(self.points) if lowest <= stage.wanted(code) <= highest]
        self._say_reach(lowest, highest)
        if not codes:
            raise OutputFailed("nothing between two points is within its reach", trim_fit.STUCK_ADVICE["between"])
        self.bench.progress.step(f"{len(codes)} points between, the trim in force")
        rows = []
        for done, code in enumerate(codes, 1):
            rows.append(self._read_at(code, supply, trimmed=True))
            rows[-1].tell(self.bench.progress)
            self.bench.progress.bar(done, len(codes))
        self.note(points_note(rows))
        return self.between(fitted, [(one.code, one.found.v) for one in rows])

    def _say_reach(self, lowest: float, highest: float) -> None:
        """A note where the output cannot be brought to an end of its range."""
        stage = self.stage
        for end, wanted, short in (
            (lowest, stage.low, lowest - stage.low),
            (highest, stage.high, stage.high - highest),
        ):
            if short > stage.step:
                self.note(stage.ends_at(end, wanted))

    # -- what came of it

    def between(self, fitted: trim_fit.TrimFit, readings: Sequence[tuple[int, float]]) -> trim_fit.Between:
        """(code, V) as the fit has it: the table at this command is what is wanted, so that reading - table is the
        error.
        """
        rows = [(float(fitted.command_for(self.stage.wanted(code))), v) for code, v in readings]
        return trim_fit.between(fitted.table, rows)

    def supply_of_both(self, before: Supply, after: Supply) -> Supply:
        """The supply of the whole trim, and its figure."""
        moved_v = abs(after.v - before.v)
        if moved_v > 2.0 * before.u_v:
            self.note(f"the supply moved by {1000.0 * moved_v:.1f} mV during the trim; the uncertainty has it")
        supply = before.and_after(after)
        half = 2.0 * supply.u_v
        self.sheet.set("supply by the meter", supply.v, supply.v - half, supply.v + half, 2)
        return supply

    def judge_between(self, between: trim_fit.Between, supply: Supply) -> bool:
        """Budget and errors between points into the sheet; whether the trim may be stored."""
        known = self._enter_budget(self._budget(between, supply), supply, len(between.error_v))
        return self._enter_between(between) and known

    def enter_output(self, fitted: trim_fit.TrimFit, supply: Supply) -> None:
        stage, line, spec = self.stage, fitted.line, self.lead.spec

        def volts(name: str, v: float, half_v: float) -> None:
            self.sheet.set(name, v, v - half_v, v + half_v, self.points)

        for name, v in (("output, lowest", fitted.table.output_v[0]), ("output, highest", fitted.table.output_v[-1])):
            volts(name, float(v), 2.0 * spec.u_v(float(v)))
        span_v = (stage.end - stage.begin) * supply.v
        # The meter's own gain error is in output and supply alike, and so not in their ratio.
        gain, half = line.slope / span_v, 2.0 * (line.u_slope or 0.0) / span_v
        self.sheet.set("output, gain", gain, gain - half, gain + half, self.points)
        volts("output, offset", line.offset - stage.begin * supply.v, 2.0 * (line.u_offset or 0.0))
        for name, off in (("output, bend", line.residual), ("largest residual of the fit", fitted.residual_v)):
            v = max(abs(float(one)) for one in off)
            self.sheet.set(name, v, max(0.0, v - spec.resolution_v), v + spec.resolution_v, self.points)
        if not fitted.table.pooled:
            self.note("the table goes through every point that was read, so that the fit has no residual to show")

    def _budget(self, between: trim_fit.Between, supply: Supply) -> UncertaintyBudget:
        spec = self.lead.spec
        half_v = spec.half_width_v(self.stage.high * supply.v)
        return self.stage.budget(supply.v, supply.u_v, half_v, spec.resolution_v, between.rms_v, between.df)

    def _enter_budget(self, budget: UncertaintyBudget, supply: Supply, n: int) -> bool:
        """Whether the output is known well enough for a trim to be stored."""
        stage = self.stage
        slope = stage.v_per_deg(supply.v)
        angle = budget.in_degrees(slope, stage.turned_deg())
        self.bench.progress.step(
            f"Uncertainty budget at {budget.value:.3f} V, the highest level (JCGM 100:2008); standard uncertainties"
        )
        for part, turned in zip(budget.components, angle.components, strict=True):
            df = "infinite" if math.isinf(part.df) else f"{part.df:.0f}"
            self.bench.progress.say(
                f"{part.name}: {part.distribution}, {1000.0 * part.contribution:.3f} mV, "
                f"{turned.contribution:.4f} deg, degrees of freedom {df}"
            )
        self.budget = budget_result(budget, angle)
        with self.bench.recorder.step(TRIM_BUDGET_STEP) as step:
            step.result = self.budget
        for text in budget_notes(self.budget):
            self.note(text)
        self._enter_u("uncertainty of the output, k = 2", budget, n)
        measured = self._enter_u("uncertainty of the angle, k = 2", angle, n)
        self.note(
            f"uncertainty of the trimmed output at {budget.value:.3f} V: U = {1000.0 * budget.expanded:.2f} mV or "
            f"{angle.expanded:.3f} deg (k = 2; by Student's t {1000.0 * budget.expanded_by_t():.2f} mV), by meter, "
            "resolution, ripple, supply, fit and step"
        )
        for text in stage.notes():
            self.note(text)
        if measured.outcome == "pass":
            return True
        self.note(
            f"the output is not known within {stage.worth_deg():.2f} deg ({WORTH_PERCENT:g} % of its span, or one "
            "code) and the trim was not stored: read with a better meter, at a supply that stays"
        )
        return False

    def _enter_u(self, name: str, budget: UncertaintyBudget, n: int) -> MeasuredValue:
        """An expanded uncertainty is a bound and has no interval of its own; by Student's t where that is larger."""
        u, most = budget.expanded, max(budget.expanded, budget.expanded_by_t())
        limit = self.stage.worth_deg() if budget.unit == "deg" else math.inf
        low, high = (u, None) if u > limit else (None, most)
        return self.sheet.put(name, MeasuredValue(name, u, budget.unit, low, high, n))

    def _enter_between(self, between: trim_fit.Between) -> bool:
        """The largest error between points; whether the trim may be stored."""
        half_v, worst_v, n = self.lead.spec.resolution_v, abs(between.worst_v), len(between.error_v)
        low_v = max(0.0, worst_v - half_v)
        measured = self.sheet.set("largest error between points", worst_v, low_v, worst_v + half_v, n)
        supply_v, level_v = self.bench.sensor.supply.max_v, self.stage.high * self.bench.sensor.supply.max_v
        self.note(
            f"an error between points may be {1000.0 * self.limit_v:.2f} mV: one code of the format, "
            f"{1000.0 * self.stage.code_step * supply_v:.2f} mV, and U (k = 2) without the fit, "
            f"{1000.0 * self._sheet_u_v():.2f} mV, but no more than {1000.0 * self.stage.worth_v(supply_v):.2f} mV; "
            f"all at {level_v:.3f} V, the highest level at the highest supply of the sensor, {supply_v:g} V"
        )
        if measured.outcome != "fail":
            return True
        self.note(
            "the trim is not good enough between its points and was not stored; take more points, or look for an "
            "output that is not steady"
        )
        return False

    def _store(self, fitted: trim_fit.TrimFit, supply: Supply) -> None:
        """The trim for the sensor profile itself, on the board, read back. Raises Disturbed."""
        sensor, blob = self.bench.sensor, self.bench.sensor.to_blob()
        trim = self.record(fitted, supply, sensor.name, blob)
        packed = self.stage.record(trim, self._other)

        def store() -> None:
            self._at_rest()
            self.bench.jig.load_blob(names.BLOB_TRIM, packed)
            self.bench.jig.load_blob(names.BLOB_PROFILE, blob)
            found = self.bench.jig.read_blob(names.BLOB_TRIM)
            if found != packed or self.bench.jig.status().profile_crc != trim.profile_crc:
                raise Disturbed("the trim was read back as it was stored")

        with self.bench.recorder.step(TRIM_STORED_STEP) as step:
            self.bench.persist(store, lambda: None)
            step.result = {"supply_mv": trim.supply_mv, "points": [list(point) for point in trim.points]}
        self._untrimmed = False
        self.note(
            f"trim of {len(trim.points)} points stored for sensor {self._named()} (CRC {trim.profile_crc:08x}): "
            f"{trim.made_utc:%Y-%m-%d}, meter: {trim.meter}, at a supply of {trim.supply_mv / 1000.0:.3f} V"
        )
        self._say_other()

    def _named(self) -> str:
        signal = self.stage.signal
        return f"{self.bench.sensor.name}, {signal}" if signal else self.bench.sensor.name

    def _say_other(self) -> None:
        """What the other of two outputs has."""
        if not isinstance(self.stage, SincosStage):
            return
        words = WORDS[self.stage.other]
        if self._other is None:
            self.note(f"the {words} is not trimmed: run 'lidjig trim --output {self.stage.other}' as well")
        else:
            self.note(f"the {words} keeps its trim of {self._other.made_utc:%Y-%m-%d}")

    def restore(self) -> None:
        """Let go, with the sensor's own profile in force."""
        other_back = False
        try:
            super().restore()
            if self._untrimmed and self._other is not None:
                self.bench.jig.load_blob(names.BLOB_TRIM, self.stage.record(None, self._other))
                other_back = True
            self.bench.jig.load_blob(names.BLOB_PROFILE, self.bench.sensor.to_blob())
        finally:
            self.lead.close()
            if self._untrimmed:
                gone = ", and the one that the board held was given up" if self._held else ""
                self.note(f"no new trim was stored{gone}: the output is untrimmed")
            if other_back:
                self._say_other()
            elif self._untrimmed and self._other is not None:
                self.note("the other output's trim could not be put back: trim that one anew as well")
