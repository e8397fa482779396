"""The straight line through readings, with its uncertainty (least squares; JCGM 100:2008, H.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """y = offset + slope * x. u_offset, u_slope: standard uncertainties, covariance between the two; None where two
    points say nothing of their scatter. residual (n,): y minus line, in y's unit; residual_sd: their standard
    deviation over df = n - 2 degrees of freedom, None at df 0; weighted to mean weight 1.
    """

    offset: float
    slope: float
    u_offset: float | None
    u_slope: float | None
    covariance: float | None
    residual: Floats
    residual_sd: float | None
    df: int

    def at(self, x: float) -> float:
        """The line at x."""
        return self.offset + self.slope * x

    def u_at(self, x: float) -> float | None:
        """Standard uncertainty of the line at x (H.3.4, eq. H.15): not that of a further reading there."""
        if self.u_offset is None or self.u_slope is None or self.covariance is None:
            return None
        variance = self.u_offset**2 + (x * self.u_slope) ** 2 + 2.0 * x * self.covariance
        return math.sqrt(max(0.0, variance))


def straight_line(x: Floats, y: Floats, u: Floats | None = None) -> Line:
    """Least squares through (x, y), (n,) each, n >= 2.

    u (n,): standard uncertainties of each y by itself. Without them, or with any of them 0, all count alike and the
    scatter about the line says how uncertain it is. With them each counts by 1 / u^2, and where the scatter is larger
    than they allow, it decides. Raises ValueError for fewer than two different x, or arrays that do not match.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or (u is not None and u.shape != x.shape):
        raise ValueError(f"line through x {x.shape}, y {y.shape}: accepted arrays of one length")
    if len(np.unique(x)) < 2:
        raise ValueError("line through readings at one place, accepted at least two different ones")
    known = u is not None and bool((u > 0.0).all())
    weight = np.asarray(u, dtype=np.float64) ** -2.0 if known else np.ones(len(x))
    total = float(weight.sum())
    x_mean, y_mean = float(weight @ x) / total, float(weight @ y) / total
    away = x - x_mean  # about the mean, so that nothing is lost where x is large against its spread
    sxx = float(weight @ away**2)
    slope = float(weight @ (away * (y - y_mean))) / sxx
    residual = (y - y_mean) - slope * away
    df = len(x) - 2
    scatter = float(weight @ residual**2) / df if df else None
    sd = None if scatter is None else math.sqrt(scatter * len(x) / total)
    # Known uncertainties: never less than they say, more where the readings scatter more (Birge's ratio).
    scale = scatter if not known else max(1.0, scatter or 0.0)
    offset = y_mean - slope * x_mean
    if scale is None:
        return Line(offset, slope, None, None, None, residual, sd, df)
    u_slope = math.sqrt(scale / sxx)
    u_offset = math.sqrt(scale * (1.0 / total + x_mean**2 / sxx))
    return Line(offset, slope, u_offset, u_slope, -x_mean * scale / sxx, residual, sd, df)
