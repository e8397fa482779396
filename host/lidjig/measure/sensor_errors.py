"""Errors inside an angle sensor: what offset, unequal amplitudes and a phase error of its sine and cosine do to the
angle, and by which harmonics they show.

The part works out atan2(s, c) from

    s = offset_sin + sin(angle)
    c = offset_cos + cos_gain * cos(angle - phase)

amplitudes as parts of the sine's. On the circle that is  c + i s = A e^(i angle) + B e^(-i angle) + C  with A =
(cos_gain e^(-i phase) + 1) / 2, B = (cos_gain e^(i phase) - 1) / 2, C = offset_cos + i offset_sin; the error of the
angle is the argument of that over e^(i angle). For small terms (in rad):

    offset of the sine      offset_sin cos(angle)                       1st harmonic
    offset of the cosine    -offset_cos sin(angle)                      1st harmonic
    unequal amplitudes      (1 - cos_gain) / 2 sin(2 angle)             2nd harmonic, none at 0, 90, 180, 270 deg
    phase                   -phase / 2 (1 - cos(2 angle))               2nd harmonic, a quarter period off, and a mean

Offset alone peaks at asin |C|, the others alone at asin |B / A|. The four causes and the order of their weight: TI
SBAA539A, "Measurement Non-Linearity".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

HIGHEST = 4
# Points of a turn over which a signature is taken. A power of two far above HIGHEST: what is folded back onto the low
# harmonics is of order 1000 and above.
POINTS = 1024
CONDITION_MAX = 1e8


@dataclass(frozen=True)
class Terms:
    """Error terms of the sine and cosine channels; offsets and gain as parts of the sine's amplitude.

    phase_deg: by how much the cosine comes late. Raises ValueError for numbers that are not finite, a gain that is not
    above 0, or terms that leave no angle: the origin on or outside the ellipse of the two signals.
    """

    offset_sin: float = 0.0
    offset_cos: float = 0.0
    cos_gain: float = 1.0
    phase_deg: float = 0.0

    def __post_init__(self) -> None:
        for key in ("offset_sin", "offset_cos", "cos_gain", "phase_deg"):
            if not math.isfinite(getattr(self, key)):
                raise ValueError(f"terms.{key} = {getattr(self, key)}, accepted finite numbers")
        if not self.cos_gain > 0.0:
            raise ValueError(f"terms.cos_gain = {self.cos_gain}, accepted above 0")
        if not abs(self.phase_deg) < 90.0:
            raise ValueError(f"terms.phase_deg = {self.phase_deg}, accepted between -90 and 90")
        # The centre, seen in the coordinates in which the ellipse is the unit circle.
        phase = math.radians(self.phase_deg)
        x = (self.offset_cos / self.cos_gain - self.offset_sin * math.sin(phase)) / math.cos(phase)
        if not math.hypot(x, self.offset_sin) < 1.0:
            raise ValueError("terms: the offsets are as large as the signal, which leaves no angle to work out")


@dataclass(frozen=True)
class Harmonic:
    """amplitude_deg * sin(order * angle + phase_deg) of an angle error; order 0: the mean, phase 90 or -90."""

    order: int
    amplitude_deg: float
    phase_deg: float


def signals(terms: Terms, angle_deg: ArrayLike) -> tuple[Floats, Floats]:
    """(sine, cosine) as the part has them, each (...), at the angles (...) of the field."""
    angle = np.radians(np.asarray(angle_deg, dtype=np.float64))
    cos = terms.offset_cos + terms.cos_gain * np.cos(angle - math.radians(terms.phase_deg))
    return np.asarray(terms.offset_sin + np.sin(angle)), np.asarray(cos)


def angle_error_deg(terms: Terms, angle_deg: ArrayLike) -> Floats:
    """Error (...) of the angle worked out, -180..180 deg, at the angles (...) of the field."""
    sine, cosine = signals(terms, angle_deg)
    error = np.degrees(np.arctan2(sine, cosine)) - np.asarray(angle_deg, dtype=np.float64)
    return np.asarray((error + 180.0) % 360.0 - 180.0)


def harmonics(angle_deg: ArrayLike, error_deg: ArrayLike, highest: int = HIGHEST) -> tuple[Harmonic, ...]:
    """Harmonics 0..highest of an angle error (n,) at the angles (n,), by least squares.

    Over whole turns in even steps that is the Fourier series. Raises ValueError for arrays that differ in length, are
    not finite, or whose angles do not tell the harmonics apart (too few, or too small a part of a turn).
    """
    angle = np.asarray(angle_deg, dtype=np.float64)
    error = np.asarray(error_deg, dtype=np.float64)
    if angle.ndim != 1 or angle.shape != error.shape or not np.all(np.isfinite(angle) & np.isfinite(error)):
        raise ValueError(f"angles {angle.shape}, errors {error.shape}: accepted two finite arrays of one length")
    columns = [np.ones_like(angle)]
    for order in range(1, highest + 1):
        columns += [np.sin(order * np.radians(angle)), np.cos(order * np.radians(angle))]
    design = np.stack(columns, axis=1)
    if len(angle) < design.shape[1] or not np.linalg.cond(design) < CONDITION_MAX:
        raise ValueError(f"{len(angle)} angles do not tell {highest} harmonics apart; take more, over more of a turn")
    solved = np.linalg.lstsq(design, error, rcond=None)[0]
    pairs = [(0.0, float(solved[0])), *((float(s), float(c)) for s, c in solved[1:].reshape(-1, 2))]
    return tuple(of_parts(order, s, c) for order, (s, c) in enumerate(pairs))


def of_parts(order: int, sine: float, cosine: float) -> Harmonic:
    """The harmonic sine * sin(order angle) + cosine * cos(order angle), both in deg."""
    return Harmonic(order, math.hypot(sine, cosine), math.degrees(math.atan2(cosine, sine)))


def signature(terms: Terms, highest: int = HIGHEST) -> tuple[Harmonic, ...]:
    """Harmonics 0..highest that the terms put into the angle error over a turn, large terms included."""
    angle = 360.0 * np.arange(POINTS) / POINTS
    return harmonics(angle, angle_error_deg(terms, angle), highest)


def value_deg(found: Sequence[Harmonic], angle_deg: ArrayLike) -> Floats:
    """Sum (...) of harmonics at the angles (...): a table of errors for the simulated sensor, or a curve to draw."""
    angle = np.asarray(angle_deg, dtype=np.float64)
    total = np.zeros_like(angle)
    for one in found:
        total = total + one.amplitude_deg * np.sin(np.radians(one.order * angle + one.phase_deg))
    return np.asarray(total)
