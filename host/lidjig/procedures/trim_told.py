"""What a trim keeps and tells of its readings and of its budget: step results and notes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lidjig.bench.meter import MeterReading
from lidjig.measure.trim_budget import UncertaintyBudget
from lidjig.procedures.progress import Progress


@dataclass(frozen=True)
class PointRead:
    """One reading of the output. command: part of the range, 0..1; wanted_v: at the supply by the meter."""

    code: int
    command: float
    found: MeterReading
    wanted_v: float
    trimmed: bool

    @property
    def off_v(self) -> float:
        """Reading minus wanted."""
        return self.found.v - self.wanted_v

    def result(self) -> dict[str, Any]:
        """Of its step."""
        found = self.found
        return {
            "v": found.v, "u_own_v": found.u_own_v, "text": found.text,
            "wanted_v": self.wanted_v, "off_v": self.off_v, "trimmed": self.trimmed,
        }  # fmt: skip

    def tell(self, progress: Progress, residual_v: float | None = None) -> None:
        """While the trim runs. residual_v: of the fit, where it has any."""
        step_v, how = self.found.resolution_v, "the trim in force" if self.trimmed else "untrimmed"
        volts, mv = places_v(step_v), places_mv(step_v)
        more = "" if residual_v is None else f"{1000.0 * residual_v:+.{mv}f}"
        progress.say(
            f"{100.0 * self.command:5.1f} % of the range: {self.found.v:.{volts}f} V, wanted {self.wanted_v:.4f} V, "
            f"off by {self._off_mv():+.{mv}f} mV, {how}" + (f", residual {more} mV" if more else "")
        )

    def _off_mv(self) -> float:
        """Rounded, and 0 without a sign of its own."""
        return round(1000.0 * self.off_v, places_mv(self.found.resolution_v)) + 0.0

    def noted(self) -> str:
        """One of a row of them; without a comma, which parts them."""
        volts, mv = places_v(self.found.resolution_v), places_mv(self.found.resolution_v)
        return (
            f"{100.0 * self.command:.1f} %: {self.found.v:.{volts}f} V for {self.wanted_v:.4f} V "
            f"({self._off_mv():+.{mv}f} mV)"
        )


def places_mv(resolution_v: float) -> int:
    """Decimals of a figure in mV that is no finer than the meter's step."""
    return min(6, max(0, math.ceil(-math.log10(1000.0 * resolution_v) - 1e-9)))


def places_v(resolution_v: float) -> int:
    """The same in V."""
    return min(9, max(0, math.ceil(-math.log10(resolution_v) - 1e-9)))


def points_note(read: Sequence[PointRead]) -> str:
    """All readings of a kind in one note."""
    how = "with the trim in force" if read[0].trimmed else "untrimmed"
    row = ", ".join(one.noted() for one in read)
    return f"output read {how} (part of its range: by the meter for what is wanted at this supply): {row}"


def budget_result(budget: UncertaintyBudget, angle: UncertaintyBudget) -> dict[str, Any]:
    """Of the budget's step. df None: infinite."""
    parts = [
        {
            "name": part.name, "distribution": part.distribution, "u_v": part.contribution,
            "u_deg": turned.contribution, "df": _finite(part.df),
        }
        for part, turned in zip(budget.components, angle.components, strict=True)
    ]  # fmt: skip
    return {
        "level_v": budget.value,
        "parts": parts,
        "expanded_v": budget.expanded,
        "expanded_deg": angle.expanded,
        "expanded_by_t_v": budget.expanded_by_t(),
        "df": _finite(budget.df),
    }


def told_parts(result: Any) -> dict[str, str]:
    """A budget's parts in words, by name."""
    return {
        f"uncertainty by {part['name']}": f"{part['distribution']}, standard uncertainty "
        f"{1000.0 * part['u_v']:.3f} mV or {part['u_deg']:.4f} deg, degrees of freedom {_df(part['df'])}"
        for part in result["parts"]
    }


def budget_notes(result: dict[str, Any]) -> list[str]:
    """One a part, and how sure the whole is."""
    notes = [f"{name}: {told}" for name, told in told_parts(result).items()]
    return [*notes, f"effective degrees of freedom of the whole (Welch-Satterthwaite): {_df(result['df'])}"]


def _df(df: float | None) -> str:
    """Fractions are cut off (JCGM 100:2008, G.4.1)."""
    return "infinite" if df is None else f"{math.floor(df)}"


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
