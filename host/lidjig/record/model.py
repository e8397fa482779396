"""What a procedure concludes: measured values, findings, and the verdict that follows from both.

Pure data with its rules; nothing here knows of the store, the jig or the screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol

PASS = "pass"
MARGINAL = "marginal"
FAIL = "fail"
NOT_MEASURED = "not measured"
MEASUREMENT_OUTCOMES = (PASS, MARGINAL, FAIL, NOT_MEASURED)

ERROR = "error"
INCOMPLETE = "incomplete"
RUN_OUTCOMES = (PASS, FAIL, ERROR, INCOMPLETE)
LOOKING = ("watch", "hold")  # commands that look at a machine and judge nothing of it

WHERE = ("sensor", "wiring", "board", "setting", "elsewhere", "none", "unknown")
_NO_FAULT = ("none", "unknown")

# Steps of a run whose result is a list of trials: movements of the emulated lid with what came of them.
CYCLE_STEP, ROUND_STEP = "cycle", "round"
TRIAL_STEPS = (CYCLE_STEP, ROUND_STEP)
START_STEP, DRIVEN_STEP = "start", "lines driven hard"  # their results: board times
LID_STEP = "real lid moved"  # its result: board times
SWEEP_STEP = "sweep"  # its result: counters of the outputs' events, board time of the reaction
FORCED_STEP = "output forced"  # its arguments: line, say, state; its result: t_us, board time from which on
TRIM_METER_STEP = "trim_meter"  # its result: name, and the fields of bench.meter.MeterSpec
TRIM_SUPPLY_STEP = "trim_supply"  # its result: v, u_v, u_own_v, text
TRIM_POINT_STEP = "trim_point"  # its arguments: the code; its result: v, u_own_v, text, wanted_v, off_v, trimmed
TRIM_BUDGET_STEP = "trim_budget"  # its result: level_v, parts, expanded_v, expanded_deg, expanded_by_t_v, df
TRIM_STORED_STEP = "trim_stored"  # its result: supply_mv, points, as bench.trim.Trim has them
RECORD_STEP = "record"  # its result: state, begin_us and end_us of what was recorded, board time
WATCHED_STEP = "sensor watched"  # nobody moves the lid; its result: counters of the sensor's edges
OBSERVERS_STEP = "observers"  # its result: those that tell nothing from a board time on
WEIGHED_STEP = "weighed"  # what decided the findings, and the probabilities of the other causes
ANGLES_STEP = "angles read"  # of a real sensor; its result: what was seen, as sensor_looks.Looked.to_json
DECLARED_STEP = "declared"  # its result: every measurement of the run before any is taken, as MeasuredValue.to_json


class EstimateLike(Protocol):
    """What MeasuredValue takes over from an estimate: measure.Estimate has it."""

    @property
    def value(self) -> float | None: ...
    @property
    def low(self) -> float | None: ...
    @property
    def high(self) -> float | None: ...
    @property
    def n(self) -> int: ...
    @property
    def unit(self) -> str: ...


def _finite(value: float | None) -> float | None:
    """The number as a plain float; None where there is none or it is not a number one can write down."""
    if value is None or not math.isfinite(value):
        return None
    return float(value)


# What the jig's converter measures: its gain and offset make the interval, and not the scatter of the readings.
_ELECTRICAL = ("V", "mA", "kohm")
_SENSOR_ANGLE = "sensor angle"


@dataclass(frozen=True)
class MeasuredValue:
    """One declared measurement with its limits; the outcome starts as "not measured".

    value, low, high, limit_low, limit_high and marginal_band are in `unit`; low..high is the 95 % interval.
    An end of the interval that is None is unbounded ("at least", "at most"); both None is no interval at all.
    A limit that is None does not exist. n: readings or trials behind the value. What is not finite counts as
    absent. Raises ValueError for an interval, limits or a band that contradict themselves: a fault of the
    caller.
    """

    name: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    n: int = 0
    limit_low: float | None = None
    limit_high: float | None = None
    marginal_band: float = 0.0

    def __post_init__(self) -> None:
        for key in ("value", "low", "high", "limit_low", "limit_high"):
            object.__setattr__(self, key, _finite(getattr(self, key)))
        if not (math.isfinite(self.marginal_band) and self.marginal_band >= 0.0):
            raise ValueError(f"{self.name}: marginal band {self.marginal_band}, accepted 0 or more")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"{self.name}: interval {self.low}..{self.high} is inverted")
        if self.limit_low is not None and self.limit_high is not None and self.limit_low > self.limit_high:
            raise ValueError(f"{self.name}: limits {self.limit_low}..{self.limit_high} are inverted")
        if self.value is not None and not self._holds(self.value):
            raise ValueError(f"{self.name}: value {self.value} is outside its own interval {self.low}..{self.high}")
        # What rounding put outside is at the end: it is not judged as if it lay beyond a limit that the end keeps.
        if self.value is not None and self.low is not None:
            object.__setattr__(self, "value", max(self.value, self.low))
        if self.value is not None and self.high is not None:
            object.__setattr__(self, "value", min(self.value, self.high))

    def _holds(self, value: float) -> bool:
        slack = 1e-9 * max(1.0, abs(value))  # rounding of whoever computed the ends
        above = self.low is None or value >= self.low - slack
        below = self.high is None or value <= self.high + slack
        return above and below

    @classmethod
    def of(
        cls,
        name: str,
        estimate: EstimateLike | None,
        *,
        unit: str = "",
        limit_low: float | None = None,
        limit_high: float | None = None,
        marginal_band: float = 0.0,
    ) -> MeasuredValue:
        """The estimate against its limits; None gives an unset measurement in `unit`."""
        if estimate is None:
            return cls(name, None, unit, limit_low=limit_low, limit_high=limit_high, marginal_band=marginal_band)
        return cls(
            name,
            estimate.value,
            estimate.unit,
            estimate.low,
            estimate.high,
            estimate.n,
            limit_low,
            limit_high,
            marginal_band,
        )

    @classmethod
    def exact(
        cls,
        name: str,
        value: float,
        unit: str,
        *,
        limit_low: float | None = None,
        limit_high: float | None = None,
    ) -> MeasuredValue:
        """Something that was seen or counted rather than estimated (a level, a yes or no as 1 or 0): no
        spread, n = 1.
        """
        return cls(name, value, unit, value, value, 1, limit_low, limit_high)

    @property
    def outcome(self) -> str:
        """One of MEASUREMENT_OUTCOMES.

        Not measured: no value, or a value without an interval. Fail: outside the limits. Marginal: inside,
        but nearer to a limit than the band or than its own interval reaches. Pass: inside otherwise. A
        one-sided interval decides only where all of it lies on one side of the limits.
        """
        if self.value is None or (self.low is None and self.high is None):
            return NOT_MEASURED
        if self.low is None or self.high is None:
            return self._one_sided()
        if self._outside(self.value):
            return FAIL
        return MARGINAL if self._near(self.value, self.low, self.high) else PASS

    def _outside(self, value: float) -> bool:
        below = self.limit_low is not None and value < self.limit_low
        above = self.limit_high is not None and value > self.limit_high
        return below or above

    def _near(self, value: float, low: float, high: float) -> bool:
        band = self.marginal_band
        near_low = self.limit_low is not None and (low < self.limit_low or value - self.limit_low < band)
        near_high = self.limit_high is not None and (high > self.limit_high or self.limit_high - value < band)
        return near_low or near_high

    def _one_sided(self) -> str:
        if self.low is not None:  # at least `low`
            if self.limit_high is not None:
                return FAIL if self.low > self.limit_high else NOT_MEASURED
            known = self.limit_low is None or self.low >= self.limit_low
            return PASS if known else NOT_MEASURED
        assert self.high is not None  # at most `high`
        if self.limit_low is not None:
            return FAIL if self.high < self.limit_low else NOT_MEASURED
        known = self.limit_high is None or self.high <= self.limit_high
        return PASS if known else NOT_MEASURED

    @property
    def n_to_settle(self) -> int | None:
        """The n that might turn a marginal outcome into a clear one; None where more readings would not help.

        The half-width of an interval shrinks with the square root of n, so n grows by (half-width / distance)
        squared. Nothing helps on a limit, nor inside the marginal band, nor where the interval is the jig's own error,
        which every reading shares, nor where it holds the bounds of a single movement (n 1).
        """
        if self.unit in _ELECTRICAL or self.name.startswith(_SENSOR_ANGLE):
            return None
        if self.outcome != MARGINAL or self.value is None or self.low is None or self.high is None or self.n < 2:
            return None
        factor = 1.0
        for limit, end in ((self.limit_low, self.low), (self.limit_high, self.high)):
            if limit is None:
                continue
            distance = abs(self.value - limit)
            if distance == 0.0 or distance < self.marginal_band:
                return None
            factor = max(factor, (abs(end - self.value) / distance) ** 2)
        return math.ceil(self.n * factor)

    def to_json(self) -> dict[str, object]:
        """The keys of the JSON object, in order; null where there is nothing, never NaN or infinity."""
        return {
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "low": self.low,
            "high": self.high,
            "n": self.n,
            "limit_low": self.limit_low,
            "limit_high": self.limit_high,
            "outcome": self.outcome,
        }


@dataclass(frozen=True)
class Finding:
    """One conclusion with what it stands on.

    where: one of WHERE. what: the fault kind's name as in scenarios, or None. probability: 0..1, or None
    where none can be given. evidence: sentences with numbers and event times. next: what to do now; caution:
    what is dangerous about it. Raises ValueError for a `where` or probability that does not exist.
    """

    where: str
    what: str | None
    probability: float | None
    evidence: list[str] = field(default_factory=list)
    next: str = ""
    caution: str = ""

    def __post_init__(self) -> None:
        if self.where not in WHERE:
            raise ValueError(f"finding.where: {self.where!r}, accepted {', '.join(WHERE)}")
        if self.probability is not None and not 0.0 <= self.probability <= 1.0:
            raise ValueError(f"finding.probability: {self.probability}, accepted 0..1")

    @property
    def is_fault(self) -> bool:
        """True where the finding names a place that is at fault."""
        return self.where not in _NO_FAULT

    def to_json(self) -> dict[str, object]:
        """The keys of the JSON object, in order."""
        return {
            "where": self.where,
            "what": self.what,
            "probability": self.probability,
            "evidence": list(self.evidence),
            "next": self.next,
            "caution": self.caution,
        }


def outcome_of(
    measurements: Iterable[MeasuredValue],
    findings: Iterable[Finding] = (),
    *,
    error: bool = False,
    interrupted: bool = False,
) -> str:
    """The verdict on a run, one of RUN_OUTCOMES.

    error: the run ended with an error of jig, link or record: nothing is said of the machine. Otherwise fail
    where a measurement failed or a finding names a fault; incomplete where the run was interrupted, measured
    nothing, left a measurement unset, or concluded "unknown"; pass where none of that holds (marginal values
    included).
    """
    outcomes = [m.outcome for m in measurements]
    found = list(findings)
    if error:
        return ERROR
    if FAIL in outcomes or any(f.is_fault for f in found):
        return FAIL
    unknown = any(f.where == "unknown" for f in found)
    if interrupted or unknown or not outcomes or NOT_MEASURED in outcomes:
        return INCOMPLETE
    return PASS
