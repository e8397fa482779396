"""What a procedure declares before it measures, and what it hands back when it is done."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from lidjig.record.model import NOT_MEASURED, EstimateLike, Finding, MeasuredValue, outcome_of


@dataclass(frozen=True)
class Declared:
    """One measurement, before it is taken: nothing passes by being forgotten.

    `needed`: without it the run is incomplete. What only helps to tell causes apart is not needed.
    A figure without limits is information.
    """

    name: str
    unit: str
    limit_low: float | None = None
    limit_high: float | None = None
    doc: str = ""
    needed: bool = True
    marginal_band: float = 0.0  # nearer to a limit than this is marginal


class Sheet:
    """The declared measurements of one run and what came of them, in the order of declaration."""

    def __init__(self, declared: Iterable[Declared], taken: Callable[[MeasuredValue], None]) -> None:
        self._declared = {item.name: item for item in declared}
        self._values: dict[str, MeasuredValue] = {}
        self._taken = taken

    def set(
        self, name: str, value: float, low: float | None = None, high: float | None = None, n: int = 1
    ) -> MeasuredValue:
        """Enter a value with its 95 % interval. Without low and high the value is exact (a count).

        Raises KeyError for a measurement that was not declared, ValueError for one that is not a number.
        """
        low = value if low is None else low
        high = value if high is None else high
        if not all(math.isfinite(figure) for figure in (value, low, high)):
            raise ValueError(f"{name}: {value}, {low}, {high}: a measured value is a finite number")
        item = self._declared[name]
        limits = (item.limit_low, item.limit_high, item.marginal_band)
        return self._enter(MeasuredValue(name, value, item.unit, low, high, n, *limits))

    def put(self, name: str, estimate: EstimateLike) -> MeasuredValue:
        """Enter an estimate, which may be one-sided or nothing. Raises KeyError for what was not declared."""
        item = self._declared[name]
        return self._enter(
            MeasuredValue.of(
                name,
                estimate,
                unit=item.unit,
                limit_low=item.limit_low,
                limit_high=item.limit_high,
                marginal_band=item.marginal_band,
            )
        )

    def again(self, measured: MeasuredValue) -> MeasuredValue:
        """Enter a recorded value against the limits that are declared now. Raises KeyError for what is not declared."""
        return self.put(measured.name, measured)

    def _enter(self, measured: MeasuredValue) -> MeasuredValue:
        if measured.unit != self._declared[measured.name].unit:
            raise ValueError(f"{measured.name}: in {measured.unit}, declared in {self._declared[measured.name].unit}")
        self._values[measured.name] = measured
        self._taken(measured)
        return measured

    def get(self, name: str) -> MeasuredValue | None:
        """What was entered, or None."""
        return self._values.get(name)

    def all(self) -> list[MeasuredValue]:
        """Every declared measurement; those not taken have no value and read "not measured"."""
        return [self._values.get(item.name) or _unset(item) for item in self._declared.values()]

    def unset(self) -> list[MeasuredValue]:
        """Those declared and not taken."""
        return [_unset(item) for item in self._declared.values() if item.name not in self._values]

    def taken(self) -> list[MeasuredValue]:
        """Those that have a value."""
        return list(self._values.values())

    def needed(self, name: str) -> bool:
        """Whether the run is incomplete without it. Raises KeyError for what was not declared."""
        return self._declared[name].needed

    def missing(self) -> list[MeasuredValue]:
        """Needed measurements that were not taken, or came to nothing."""
        return [m for m in self.all() if self.needed(m.name) and m.outcome == NOT_MEASURED]


def _unset(item: Declared) -> MeasuredValue:
    return MeasuredValue(item.name, None, item.unit, None, None, 0, item.limit_low, item.limit_high)


@dataclass
class Report:
    """A finished procedure: the verdict and all that it stands on. said: those of the notes that the operator was told
    of when they came up.
    """

    command: str
    run: str | None
    outcome: str
    findings: list[Finding] = field(default_factory=list)
    measurements: list[MeasuredValue] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    error: str = ""
    error_next: str = ""
    said: list[str] = field(default_factory=list)


def verdict(findings: Sequence[Finding], sheet: Sheet, *, stopped: bool) -> str:
    """The outcome of a run that met no error: `outcome_of`, in which only needed measurements may not be missing."""
    counted = [measured for measured in sheet.all() if sheet.needed(measured.name) or measured.outcome != NOT_MEASURED]
    return outcome_of(counted, findings, interrupted=stopped)


def agreeing(findings: list[Finding], outcome: str, sheet: Sheet, *, stopped: bool = False) -> list[Finding]:
    """The findings; "none" beside a failed or missing figure becomes "unknown": nothing is called good unseen.

    stopped: what was seen until then weighs nothing against what was not, so that only what was done is told.
    """
    if stopped and findings and not findings[0].is_fault:
        return [_so_far(sheet)]
    if outcome not in ("fail", "incomplete") or not findings or findings[0].where != "none":
        return findings
    failed = [measured for measured in sheet.taken() if measured.outcome == "fail"]
    evidence = [f"{measured.name} is outside its limits" for measured in failed]
    evidence += [f"{measured.name} was not measured" for measured in sheet.missing()]
    if not evidence:
        evidence = ["the run ended before its time; what was seen until then was in order"]
    return [Finding("unknown", None, None, evidence, "Repeat the run to its end; look at the figures named first.")]


def _so_far(sheet: Sheet) -> Finding:
    taken = sheet.taken()
    failed = [measured.name for measured in taken if measured.outcome == "fail"]
    evidence = [f"stopped before the end: {len(taken)} of {len(sheet.all())} figures were measured"]
    evidence += [f"{name} is outside its limits" for name in failed] or ["none of them is outside its limits"]
    evidence += [f"{measured.name} was not measured" for measured in sheet.missing()]
    return Finding("unknown", None, None, evidence, "Repeat the run to its end.")


def times(count: int) -> str:
    """ "once", "2 times"."""
    return "once" if count == 1 else f"{count} times"


def counted(count: int) -> str:
    """ "1 time", "2 times": after a negation, where "once" would read as "even once"."""
    return "1 time" if count == 1 else f"{count} times"
