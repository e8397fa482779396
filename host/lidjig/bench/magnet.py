"""From the millitesla of a data sheet to the degrees of a profile: where a lid magnet makes a switch operate.

Far from a magnet its field falls with the cube of the distance (dipole; common practice, no source). The
magnet sits in the lid, radius_mm from the hinge axis, gap_mm from the sensor when the lid is shut; opened by
an angle it has moved by the chord 2 r sin(angle / 2), taken as square to the gap. Its turning with the lid is
left out.
"""

from __future__ import annotations

import math
from typing import Annotated

import msgspec
from msgspec import Meta

from lidjig.errors import BadInput

Millitesla = Annotated[float, Meta(gt=0.0, le=1000.0)]
Millimetres = Annotated[float, Meta(gt=0.0, le=500.0)]

TOLERANCE_DEG = 0.5  # rounding of the angles in a profile


class Magnet(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Operate and release point of the switch in mT, the field at the shut lid, and where the magnet sits."""

    operate_mt: Millitesla
    release_mt: Millitesla
    shut_mt: Millitesla
    gap_mm: Millimetres
    radius_mm: Millimetres

    def field_mt(self, angle_deg: float) -> float:
        """Field at the sensor in mT with the lid opened by angle_deg."""
        chord_mm = 2.0 * self.radius_mm * math.sin(math.radians(angle_deg) / 2.0)
        return self.shut_mt * (self.gap_mm / math.hypot(self.gap_mm, chord_mm)) ** 3

    def angle_deg(self, field_mt: float) -> float | None:
        """Opening angle in deg at which the field has fallen to field_mt; None where it never does or never
        was.
        """
        if not 0.0 < field_mt <= self.shut_mt:
            return None
        distance_mm = self.gap_mm * (self.shut_mt / field_mt) ** (1.0 / 3.0)
        part = math.sqrt(distance_mm**2 - self.gap_mm**2) / (2.0 * self.radius_mm)
        return None if part > 1.0 else math.degrees(2.0 * math.asin(part))


def check_magnet(magnet: Magnet, operate_deg: float, release_deg: float, file: str) -> None:
    """Raises BadInput where the magnet does not give the angles that the profile states."""
    if magnet.release_mt >= magnet.operate_mt:
        raise BadInput(
            file, "magnet.release_mt", magnet.release_mt, f"below magnet.operate_mt = {magnet.operate_mt:g}"
        )
    if magnet.shut_mt <= magnet.operate_mt:
        accepted = f"above magnet.operate_mt = {magnet.operate_mt:g}, or the lid is never seen shut"
        raise BadInput(file, "magnet.shut_mt", magnet.shut_mt, accepted)
    stated = (("operate_mt", operate_deg), ("release_mt", release_deg))
    for key, stated_deg in stated:
        field_mt = getattr(magnet, key)
        angle_deg = magnet.angle_deg(field_mt)
        if angle_deg is None or abs(angle_deg - stated_deg) > TOLERANCE_DEG:
            fitting = magnet.field_mt(stated_deg)
            accepted = (
                f"the field at {stated_deg:g} deg, as output[0] states: {fitting:.3g} mT by gap and radius"
            )
            raise BadInput(file, f"magnet.{key}", field_mt, accepted)
