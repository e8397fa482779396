"""How well a trimmed output's voltage is known, part by part, in volts and in degrees (JCGM 100:2008, the GUM)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lidjig.measure.budget import Floats, combined_u, effective_df, sensitivities
from lidjig.measure.estimate import coverage_factor

COVERAGE = 0.9545  # what k = 2 covers of a normal distribution (table G.2), so that both expanded uncertainties compare
K = 2.0

NORMAL = "normal"
RECTANGULAR = "rectangular"  # anywhere within +/- half width alike (4.3.7)
TRIANGULAR = "triangular"  # the middle more likely than the ends (4.3.9)
ARCSINE = "arcsine"  # a sine of that amplitude, met at any moment (variance a^2 / 2)
DIVISOR = {NORMAL: 1.0, RECTANGULAR: math.sqrt(3.0), TRIANGULAR: math.sqrt(6.0), ARCSINE: math.sqrt(2.0)}


@dataclass(frozen=True)
class Component:
    """One line of a budget. width: half width of the distribution in `unit`, or the standard uncertainty itself where
    it is normal. sensitivity: of the result to this input. df: degrees of freedom, infinite for a width beyond doubt.
    """

    name: str
    distribution: str
    width: float
    sensitivity: float = 1.0
    df: float = math.inf
    unit: str = "V"

    def __post_init__(self) -> None:
        if self.distribution not in DIVISOR:
            raise ValueError(f"{self.name}: distribution {self.distribution!r}, accepted {', '.join(DIVISOR)}")
        if not (self.width >= 0.0 and math.isfinite(self.width) and math.isfinite(self.sensitivity)):
            given = f"width {self.width}, sensitivity {self.sensitivity}"
            raise ValueError(f"{self.name}: {given}, accepted a finite width of 0 or more and a finite sensitivity")
        if not self.df >= 1.0:
            raise ValueError(f"{self.name}: degrees of freedom {self.df}, accepted 1 or more")

    @property
    def u(self) -> float:
        """Standard uncertainty, in the input's unit."""
        return self.width / DIVISOR[self.distribution]

    @property
    def contribution(self) -> float:
        """What it adds to the result's combined uncertainty, in the result's unit (5.1.3)."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True)
class UncertaintyBudget:
    """A result in `unit` with the components of its uncertainty, taken as independent."""

    value: float
    unit: str
    components: tuple[Component, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty (eq. 10)."""
        return combined_u([c.sensitivity for c in self.components], [c.u for c in self.components])

    @property
    def df(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite, eq. G.2b)."""
        df = effective_df([c.contribution for c in self.components], [c.df for c in self.components])
        # Fractions are cut off later (G.4.1): rounding errors must not make 1 of what is 2.
        return round(df, 9) if math.isfinite(df) else df

    @property
    def expanded(self) -> float:
        """U = 2 u."""
        return K * self.u

    def expanded_by_t(self, coverage: float = COVERAGE) -> float:
        """U = t(df) u: what k = 2 would be were the components known from more readings (G.4.1)."""
        return coverage_factor(self.df, coverage) * self.u

    def in_degrees(self, v_per_deg: float, angle_deg: float) -> UncertaintyBudget:
        """The same budget for the angle that stands for this voltage, in deg. Components keep their own units.

        v_per_deg: slope of the transfer function there, either sign; angle_deg: the angle. Raises ValueError for a
        slope of 0: the voltage then says nothing about the angle.
        """
        if v_per_deg == 0.0 or not math.isfinite(v_per_deg):
            raise ValueError(f"slope {v_per_deg} V/deg, accepted any finite number but 0")
        parts = [
            Component(c.name, c.distribution, c.width, c.sensitivity / v_per_deg, c.df, c.unit) for c in self.components
        ]
        return UncertaintyBudget(angle_deg, "deg", tuple(parts))


def df_of_doubt(relative: float) -> float:
    """Degrees of freedom of a standard uncertainty that is itself only known to this part of it (G.4.2, eq. G.3).

    0 gives infinity; never less than 1, below which no interval exists. Raises ValueError below 0.
    """
    if not relative >= 0.0:
        raise ValueError(f"relative doubt {relative}, accepted 0 or more")
    return math.inf if relative == 0.0 else max(1.0, 0.5 / relative**2)


@dataclass(frozen=True)
class OutputInputs:
    """What the budget of one output voltage is made of.

    level_v: the voltage. meter_half_v: the meter's limit of error there, from its specification. resolution_v: one
    step of its display. ripple_pp_v: peak to peak, left by a filter: a triangle, in which any voltage is alike likely,
    unless ripple_shape says ARCSINE (two poles leave nearly a sine). supply_v, u_supply_v: the supply and its standard
    uncertainty; ratiometric: the output moves with it. fit_rms_v, fit_df: readings between the table's points against
    it. step_v: one step of the output itself.
    """

    level_v: float
    supply_v: float
    meter_half_v: float
    resolution_v: float
    ripple_pp_v: float
    u_supply_v: float
    fit_rms_v: float
    fit_df: float
    step_v: float = 0.0
    ripple_shape: str = RECTANGULAR
    supply_df: float = math.inf
    ratiometric: bool = True


def output_budget(given: OutputInputs) -> UncertaintyBudget:
    """The budget of one output voltage, in V. Raises ValueError for inputs that cannot be."""
    if not given.supply_v > 0.0:
        raise ValueError(f"supply {given.supply_v} V, accepted above 0")
    widths = (
        ("supply", NORMAL, given.u_supply_v, given.supply_df),
        ("meter", RECTANGULAR, given.meter_half_v, math.inf),
        ("meter resolution", RECTANGULAR, 0.5 * given.resolution_v, math.inf),
        ("ripple", given.ripple_shape, 0.5 * given.ripple_pp_v, math.inf),
        ("fit", NORMAL, given.fit_rms_v, given.fit_df),
        ("output step", RECTANGULAR, 0.5 * given.step_v, math.inf),
    )
    part = given.level_v / given.supply_v

    def output(x: Floats) -> float:
        # The level as trimmed, and what each of the others adds to it; all but the supply are 0 at best knowledge.
        level = part * float(x[0]) if given.ratiometric else given.level_v
        return level + float(np.sum(x[1:]))

    at = (given.supply_v, *[0.0] * (len(widths) - 1))
    # The model is linear, so any step gives the slope; one of the supply's own size keeps the rounding small.
    slopes = sensitivities(output, at, [given.supply_v] * len(widths))
    components = [
        Component(name, shape, width, float(slope), df)
        for (name, shape, width, df), slope in zip(widths, slopes, strict=True)
    ]
    return UncertaintyBudget(given.level_v, "V", tuple(components))
