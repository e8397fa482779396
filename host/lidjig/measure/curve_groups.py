"""Readings of a transfer curve sorted by lid angle and side, and the columns of its linear models."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

SAME_ANGLE_DEG = 0.05  # lid angles no further apart are one angle of the curve


@dataclass(frozen=True)
class Groups:
    """Readings of one angle from one side. of (n,): group of a reading; node, lid (mean angle, deg), up, mean (error,
    deg), count (g,); within_ss: sum of squares of the readings about the mean of their group.
    """

    of: Ints
    node: Ints
    lid: Floats
    up: Bools
    mean: Floats
    count: Ints
    within_ss: float

    @property
    def df(self) -> int:
        """Degrees of freedom of within_ss."""
        return int(np.sum(self.count - 1))


def nodes_of(lid_deg: Floats) -> Ints:
    """Number (n,) of the angle that a reading belongs to, by rising angle."""
    order = np.argsort(lid_deg, kind="stable")
    node = np.empty(len(lid_deg), dtype=np.int64)
    number, first = -1, -math.inf
    for index in order:
        # From the first of them, not from the one before: a slow sweep would be one angle.
        if lid_deg[index] - first > SAME_ANGLE_DEG:
            number, first = number + 1, float(lid_deg[index])
        node[index] = number
    return node


def grouped(lid_deg: Floats, up: Bools, node: Ints, error: Floats) -> Groups:
    """Readings (n,) by the angle (nodes_of) and the side that they belong to."""
    keys, of = np.unique(2 * node + up, return_inverse=True)
    count = np.bincount(of)
    mean = np.bincount(of, error) / count
    lid = np.bincount(of, lid_deg) / count
    ss = float(np.sum((error - mean[of]) ** 2))
    return Groups(np.asarray(of, dtype=np.int64), keys // 2, lid, keys % 2 == 1, mean, count, ss)


def columns_before(up: Bools, gain_known: bool) -> int:
    """Columns of design_of() before the sine of the first harmonic."""
    return 1 + (not gain_known) + (len(np.unique(up)) == 2)


def design_of(lid_deg: Floats, up: Bools, highest: int, gain_known: bool) -> Floats:
    """Columns: mean, gain unless known, side where there are both, sine and cosine of each harmonic."""
    angle = np.radians(lid_deg)
    columns = [np.ones_like(angle)]
    if not gain_known:
        columns.append(angle - float(np.mean(angle)))
    if len(np.unique(up)) == 2:
        columns.append(np.where(up, 0.5, -0.5))
    for order in range(1, highest + 1):
        columns += [np.sin(order * angle), np.cos(order * angle)]
    return np.stack(columns, axis=1)


def curve_of(groups: Groups) -> tuple[Floats, Floats, Floats]:
    """Angle, error and variance part (of one reading) per angle, the mean of its sides; only angles that have them."""
    sides = len(np.unique(groups.up))
    held = np.bincount(groups.node)
    whole = np.flatnonzero(held == sides)
    lid = np.bincount(groups.node, groups.lid)[whole] / sides
    mean = np.bincount(groups.node, groups.mean)[whole] / sides
    part = np.bincount(groups.node, 1.0 / groups.count)[whole] / sides**2
    return lid, mean, part
