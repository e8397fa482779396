"""A number with its footing: value, standard uncertainty, 95 % interval, n, unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import chdtri, stdtrit

COVERAGE = 0.95


@dataclass(frozen=True)
class Estimate:
    """An estimate in `unit`; no field is ever NaN or infinite.

    value: None where nothing can be said. u: standard uncertainty, None where only an interval or a bound is
    known. low..high: 95 % interval; one end None = unbounded there, the value then stands on the bound; both
    None = no interval. n: readings or trials behind it. Raises ValueError for a number that is not finite or
    an inverted interval.
    """

    value: float | None
    u: float | None
    low: float | None
    high: float | None
    n: int
    unit: str

    def __post_init__(self) -> None:
        for key in ("value", "u", "low", "high"):
            number = getattr(self, key)
            if number is not None and not math.isfinite(number):
                raise ValueError(f"estimate.{key} = {number}: use None for what is not known")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"estimate interval {self.low}..{self.high} is inverted")

    @property
    def bound(self) -> str:
        """ "at least" or "at most" where one end is unbounded, else ""."""
        if self.low is not None and self.high is None:
            return "at least"
        if self.high is not None and self.low is None:
            return "at most"
        return ""

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same estimate in another unit; factor is positive."""
        if not factor > 0.0:
            raise ValueError(f"scale factor {factor}, accepted above 0")

        def times(number: float | None) -> float | None:
            return None if number is None else number * factor

        return Estimate(times(self.value), times(self.u), times(self.low), times(self.high), self.n, unit)


def nothing(unit: str) -> Estimate:
    """What was not measured."""
    return Estimate(None, None, None, None, 0, unit)


def exactly(value: float, unit: str, n: int = 1) -> Estimate:
    """What was counted: no spread."""
    return Estimate(value, 0.0, value, value, n, unit)


def at_least(bound: float, unit: str, n: int) -> Estimate:
    """Only a lower bound is known."""
    return Estimate(bound, None, bound, None, n, unit)


def at_most(bound: float, unit: str, n: int) -> Estimate:
    """Only an upper bound is known."""
    return Estimate(bound, None, None, bound, n, unit)


def coverage_factor(df: float, coverage: float = COVERAGE) -> float:
    """Student's t for a two-sided interval of the given coverage.

    df: effective degrees of freedom, fractions cut off (JCGM 100:2008 G.4.1); infinite df gives the normal
    factor. Raises ValueError for df below 1 or a coverage outside 0..1.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage {coverage}, accepted between 0 and 1")
    if not df >= 1.0:
        raise ValueError(f"degrees of freedom {df}, accepted 1 or more")
    whole = math.inf if math.isinf(df) else math.floor(df)
    return float(stdtrit(whole, 0.5 * (1.0 + coverage)))


def symmetric(value: float, u: float, n: int, unit: str, df: float = math.inf) -> Estimate:
    """Value with the interval value +/- t(df) * u."""
    half = coverage_factor(df) * u
    return Estimate(value, u, value - half, value + half, n, unit)


def spread(sd: float, df: int, n: int, unit: str) -> Estimate:
    """A standard deviation of df degrees of freedom with its interval by the chi-squared distribution. Raises
    ValueError for df below 1.
    """
    if df < 1:
        raise ValueError(f"degrees of freedom {df}, accepted 1 or more")
    tail = 0.5 * (1.0 - COVERAGE)
    low, high = (sd * math.sqrt(df / float(chdtri(df, part))) for part in (tail, 1.0 - tail))
    return Estimate(sd, sd / math.sqrt(2.0 * df), low, high, n, unit)
