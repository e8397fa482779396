"""Field of a magnet on the end of a hinge, and the angle that a sensor facing it sees.

The magnet is a cylinder of radius R polarised across its axis, evenly (polarisation J in T, along its own x). Such a
magnet acts as a charge J cos(phi) on its side face alone. Along its height the charge integrates to a logarithm's
derivative, around it there remain integrals over psi, the angle between charge and point; with rho^2 = r^2 + R^2 -
2 r R cos(psi), zeta = height of an end face above the point, d^2 = rho^2 + zeta^2, and [ ] = far minus near end:

    B_r   =  J R cos(phi) / 4 pi  *  [ zeta * integral of cos(psi) (r - R cos(psi)) / (rho^2 d) ]
    B_phi =  J R sin(phi) / 4 pi  *  [ zeta * integral of R sin(psi)^2 / (rho^2 d) ]
    B_z   =  J R cos(phi) / 4 pi  *  [ integral of cos(psi) / d ]

(Furlani, Permanent Magnet and Electromechanical Devices, 2001, ch. 4: charge model.) In terms of rho^2 they are
complete elliptic integrals: the closed form of A. Caciagli et al., J. Magn. Magn. Mater. 456 (2018) 423. Beyond
SERIES_PART of the radius that form is used, with Carlson's integral R_J for the third kind. Near the axis, where a
sensor sits, it is a difference of nearly equal numbers over r^2; there the integrals are taken as sums over points
spread evenly around the turn, which for a periodic analytic integrand errs by less than (r/R)^NODES: nothing. So both
are good to about 1e-13 of J, on both sides of the seam.

Lengths in mm (only their ratios count), angles in deg, fields in T.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipe, ellipkm1, elliprj

Floats = NDArray[np.float64]

SERIES_PART = 0.2  # of the radius: up to here sums, beyond it elliptic integrals
NODES = 32  # 0.2^32 = 4e-23


@dataclass(frozen=True)
class Magnet:
    """A cylinder polarised across its axis. Raises ValueError for what is no cylinder or no magnet."""

    radius_mm: float
    height_mm: float
    polarisation_t: float

    def __post_init__(self) -> None:
        for key in ("radius_mm", "height_mm", "polarisation_t"):
            value = getattr(self, key)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"magnet.{key} = {value}, accepted above 0")


@dataclass(frozen=True)
class Mounting:
    """How magnet and sensor stand to the hinge. z is the axis of rotation, x the polarisation at lid angle 0.

    gap_mm: from the middle of the magnet's near face to the plane of the sensor. sensor_offset_mm: (x, y) of the
    sensor off the axis of rotation; it stands still. magnet_offset_mm: (along, across) its own polarisation, of the
    magnet off the axis of rotation; it turns with the lid. magnet_tilt_deg: turn about its own x, then y, about the
    middle of its near face; turns with the lid. sensor_tilt_deg: of the sensor about its x, then y. Raises ValueError
    for a gap that is not above 0 or numbers that are not finite.
    """

    gap_mm: float
    sensor_offset_mm: tuple[float, float] = (0.0, 0.0)
    magnet_offset_mm: tuple[float, float] = (0.0, 0.0)
    magnet_tilt_deg: tuple[float, float] = (0.0, 0.0)
    sensor_tilt_deg: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gap_mm) and self.gap_mm > 0.0):
            raise ValueError(f"mounting.gap_mm = {self.gap_mm}, accepted above 0")
        for key in ("sensor_offset_mm", "magnet_offset_mm", "magnet_tilt_deg", "sensor_tilt_deg"):
            value = getattr(self, key)
            if len(value) != 2 or not all(math.isfinite(v) for v in value):
                raise ValueError(f"mounting.{key} = {value}, accepted two finite numbers")


def axis_field_t(magnet: Magnet, gap_mm: ArrayLike) -> Floats:
    """Field along the polarisation on the magnet's axis, gap_mm (...) in front of its near face; negative: it points
    against the polarisation.

    Closed form: -J/4 * [z / sqrt(z^2 + R^2)] between the distances of near and far face (the general form above at
    r = 0). Raises ValueError for a gap below 0.
    """
    near = np.asarray(gap_mm, dtype=np.float64)
    if not np.all(near >= 0.0):
        raise ValueError("gap_mm: accepted 0 and above")
    far = near + magnet.height_mm
    part = far / np.hypot(far, magnet.radius_mm) - near / np.hypot(near, magnet.radius_mm)
    return np.asarray(-0.25 * magnet.polarisation_t * part, dtype=np.float64)


def field_t(magnet: Magnet, points_mm: ArrayLike) -> Floats:
    """Flux density (..., 3) at points (..., 3) outside the magnet, whose middle is the origin, its axis z, its
    polarisation along x.

    Raises ValueError for points in or on the magnet, or that are not finite.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.shape[-1:] != (3,) or not np.all(np.isfinite(points)):
        raise ValueError(f"points of shape {points.shape}, accepted (..., 3), finite")
    flat = points.reshape(-1, 3) / magnet.radius_mm
    half = 0.5 * magnet.height_mm / magnet.radius_mm
    r = np.hypot(flat[:, 0], flat[:, 1])
    inside = (r <= 1.0) & (np.abs(flat[:, 2]) <= half)
    if np.any(inside):
        raise ValueError(f"{int(np.count_nonzero(inside))} of {len(r)} points are in or on the magnet")
    ends = half - flat[:, 2], -half - flat[:, 2]
    near = r < SERIES_PART
    radial, around, axial = np.empty_like(r), np.empty_like(r), np.empty_like(r)
    for mask, integrals in ((near, _by_sums), (~near, _by_elliptic)):
        if np.any(mask):
            far_end, near_end = (integrals(r[mask], end[mask]) for end in ends)
            radial[mask], around[mask], axial[mask] = (a - b for a, b in zip(far_end, near_end, strict=True))
    # At r = 0 any direction will do; arctan2 gives 0.
    phi = np.arctan2(flat[:, 1], flat[:, 0])
    cos, sin = np.cos(phi), np.sin(phi)
    b_r, b_phi = cos * radial, sin * around
    parts = (b_r * cos - b_phi * sin, b_r * sin + b_phi * cos, cos * axial)
    field = np.stack(parts, axis=-1) * (magnet.polarisation_t / (4.0 * math.pi))
    return np.asarray(field.reshape(points.shape), dtype=np.float64)


def _by_sums(r: Floats, zeta: Floats) -> tuple[Floats, Floats, Floats]:
    """The three integrals for one end face, zeta included, radius 1, as sums over even steps of the turn."""
    psi = 2.0 * math.pi * (np.arange(NODES) + 0.5) / NODES
    cos, square = np.cos(psi), np.sin(psi) ** 2
    rho2 = r[:, None] ** 2 + 1.0 - 2.0 * r[:, None] * cos
    d = np.sqrt(rho2 + zeta[:, None] ** 2)
    step = 2.0 * math.pi / NODES
    weight = zeta[:, None] / (rho2 * d)
    radial = step * np.sum(cos * (r[:, None] - cos) * weight, axis=1)
    around = step * np.sum(square * weight, axis=1)
    return radial, around, step * np.sum(cos / d, axis=1)


def _by_elliptic(r: Floats, zeta: Floats) -> tuple[Floats, Floats, Floats]:
    """The same by complete elliptic integrals, with x = rho^2 for cos(psi) = (r^2 + 1 - x) / 2r:

    cos(psi) (r - cos(psi)) / x = [ s t / x + 2 - x ] / 4 r^2,   s = r^2 + 1, t = r^2 - 1
    sin(psi)^2 / x = [ -t^2 / x + 2 s - x ] / 4 r^2,             cos(psi) = (s - x) / 2r
    """
    s, t = r * r + 1.0, (r - 1.0) * (r + 1.0)
    a2, square = (r + 1.0) ** 2 + zeta**2, zeta**2
    a = np.sqrt(a2)
    rest = ((r - 1.0) ** 2 + square) / a2  # 1 - m, without the subtraction
    first = ellipkm1(rest)
    one_over_d = 4.0 * first / a
    d_itself = 4.0 * a * ellipe(4.0 * r / a2)
    x_over_d = d_itself - square * one_over_d
    # t / (x d): at r = 1 the integral grows as 1 / |r - 1|, and its product with t jumps there from one side to the
    # other. The two end faces of a point outside jump alike, so that the middle, 0, is as good as either.
    away = r != 1.0
    gap = np.where(away, (r - 1.0) / (r + 1.0), 1.0)
    third = first + (1.0 - gap**2) / 3.0 * elliprj(0.0, rest, 1.0, gap**2)
    t_over_xd = np.where(away, 4.0 * gap * third / a, 0.0)
    scale = 4.0 * r * r
    radial = zeta * (s * t_over_xd + 2.0 * one_over_d - x_over_d) / scale
    around = zeta * (-t * t_over_xd + 2.0 * s * one_over_d - x_over_d) / scale
    return radial, around, (s * one_over_d - x_over_d) / (2.0 * r)


def _turned(tilt_deg: tuple[float, float]) -> Floats:
    """Matrix (3, 3) of a turn about x, then about y."""
    x, y = (math.radians(v) for v in tilt_deg)
    about_x = np.array([[1, 0, 0], [0, math.cos(x), -math.sin(x)], [0, math.sin(x), math.cos(x)]])
    about_y = np.array([[math.cos(y), 0, math.sin(y)], [0, 1, 0], [-math.sin(y), 0, math.cos(y)]])
    return np.asarray(about_y @ about_x, dtype=np.float64)


def sensor_field_t(magnet: Magnet, mounting: Mounting, lid_deg: ArrayLike) -> Floats:
    """Field (..., 3) along the sensor's own x, y, z at the lid angles (...).

    Raises ValueError where sensor and magnet would meet.
    """
    lid = np.radians(np.asarray(lid_deg, dtype=np.float64))
    cos, sin = np.cos(lid), np.sin(lid)
    x, y = mounting.sensor_offset_mm
    # The sensor as the turning magnet sees it: the lid's turn undone, then its own place and tilt.
    along, across = mounting.magnet_offset_mm
    relative = np.stack([cos * x + sin * y - along, cos * y - sin * x - across, np.full_like(lid, mounting.gap_mm)], -1)
    tilt = _turned(mounting.magnet_tilt_deg)
    own = relative @ tilt + np.array([0.0, 0.0, 0.5 * magnet.height_mm])
    field = field_t(magnet, own) @ tilt.T
    fixed = np.stack([cos * field[..., 0] - sin * field[..., 1], sin * field[..., 0] + cos * field[..., 1]], -1)
    fixed = np.concatenate([fixed, field[..., 2:]], -1)
    return np.asarray(fixed @ _turned(mounting.sensor_tilt_deg), dtype=np.float64)


def angle_error_deg(magnet: Magnet, mounting: Mounting, lid_deg: ArrayLike) -> Floats:
    """Field angle less lid angle, -180..180, at the lid angles (...): 0 for a centred and square mounting.

    The angle is atan2(-B_y, -B_x): the field in front of the face points against the polarisation. It counts
    counter-clockwise as seen from the sensor's side; a sensor looked at from the other side counts down, which is the
    slope of its transfer function and not dealt with here.
    """
    field = sensor_field_t(magnet, mounting, lid_deg)
    seen = np.degrees(np.arctan2(-field[..., 1], -field[..., 0]))
    lid = np.asarray(lid_deg, dtype=np.float64)
    return np.asarray((seen - lid + 180.0) % 360.0 - 180.0, dtype=np.float64)


def field_angle_deg(magnet: Magnet, mounting: Mounting, lid_deg: ArrayLike) -> Floats:
    """Angle (...) of the field in the sensor's plane, lid angle and error together, so that it does not jump at 180."""
    return np.asarray(np.asarray(lid_deg, dtype=np.float64) + angle_error_deg(magnet, mounting, lid_deg))
