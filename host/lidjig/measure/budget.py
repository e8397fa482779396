"""Uncertainty of a computed result from those of its inputs (JCGM 100:2008, the GUM).

First order, with correlation; sensitivities are numerical, so that the formula is written once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def sensitivities(
    model: Callable[[Floats], float], values: Sequence[float], steps: Sequence[float]
) -> Floats:
    """Partial derivatives of model at `values` by central differences over the given steps (GUM 5.1.3).

    A step of the input's own standard uncertainty follows GUM 5.1.3 note 2; a step of 0 gives the derivative
    0.
    """
    at = np.asarray(values, dtype=np.float64)
    out = np.zeros(len(at))
    for index, step in enumerate(steps):
        if step == 0.0:
            continue
        up, down = at.copy(), at.copy()
        up[index] += step
        down[index] -= step
        out[index] = (model(up) - model(down)) / (2.0 * step)
    return out


def combined_u(
    slopes: Sequence[float] | Floats, u: Sequence[float], correlation: Floats | None = None
) -> float:
    """Combined standard uncertainty, GUM eq. 13 (eq. 10 without correlation).

    slopes (k,), u (k,) in the inputs' units; correlation (k, k), ones on its diagonal. Raises ValueError
    where the correlation is not symmetric or gives a negative variance.
    """
    parts = np.asarray(slopes, dtype=np.float64) * np.asarray(u, dtype=np.float64)
    if correlation is None:
        return float(math.sqrt(float(parts @ parts)))
    matrix = np.asarray(correlation, dtype=np.float64)
    if matrix.shape != (len(parts), len(parts)) or not np.allclose(matrix, matrix.T):
        raise ValueError(
            f"correlation of shape {matrix.shape}, accepted a symmetric {len(parts)} x {len(parts)} matrix"
        )
    variance = float(parts @ matrix @ parts)
    if variance < -1e-9 * float(parts @ parts):
        raise ValueError("correlation: not the correlation of anything, the variance would be negative")
    return math.sqrt(max(0.0, variance))


def effective_df(parts: Sequence[float], df: Sequence[float]) -> float:
    """Effective degrees of freedom of a sum of independent contributions: Welch-Satterthwaite, GUM eq. G.2b.

    parts: contributions to the combined u, all in its unit; df: theirs, math.inf for those known otherwise.
    """
    total = sum(p * p for p in parts) ** 2
    below = sum(p**4 / d for p, d in zip(parts, df, strict=True) if not math.isinf(d))
    return math.inf if below == 0.0 else total / below


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within +/- half_width (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)
