"""How magnet and sensor are mounted, and what the sensor's own signals do to its angle: from the scenario's millimetres
to the table of angle errors that the simulated bench is handed.

Lid angle -> field angle (measure/magnet_field.py) -> angle that the part works out (measure/sensor_errors.py); on top
of it what the sensor's profile says of its error.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from lidjig.bench.sensor import SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG
from lidjig.errors import BadInput

Floats = npt.NDArray[np.float64]

# Between two entries the bench goes straight: of a harmonic n of A deg that leaves up to A (n step)^2 / 8, at this step
# 0.04 n^2 thousandths of A. The profile's own steps of 10 deg would leave 15 thousandths of a 2nd harmonic.
STEP_DEG = 1.0

Millimetres = Annotated[float, Meta(ge=0.1, le=50.0)]
OffsetMm = Annotated[float, Meta(ge=-20.0, le=20.0)]
TiltDeg = Annotated[float, Meta(ge=-60.0, le=60.0)]
Part = Annotated[float, Meta(ge=-1.0, le=1.0)]


class MountingPart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The magnet, a cylinder polarised across its axis, and how it and the sensor stand to the hinge: magnet_field's
    Magnet and Mounting.
    """

    gap_mm: Millimetres = 1.5
    sensor_offset_mm: tuple[OffsetMm, OffsetMm] = (0.0, 0.0)
    magnet_offset_mm: tuple[OffsetMm, OffsetMm] = (0.0, 0.0)
    sensor_tilt_deg: tuple[TiltDeg, TiltDeg] = (0.0, 0.0)
    magnet_tilt_deg: tuple[TiltDeg, TiltDeg] = (0.0, 0.0)
    radius_mm: Millimetres = 3.0
    height_mm: Millimetres = 2.5
    polarisation_t: Annotated[float, Meta(ge=0.01, le=2.0)] = 1.2


class InsidePart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Errors of the sensor's own sine and cosine: sensor_errors' Terms."""

    offset_sin: Part = 0.0
    offset_cos: Part = 0.0
    cos_gain: Annotated[float, Meta(ge=0.1, le=10.0)] = 1.0
    phase_deg: Annotated[float, Meta(gt=-90.0, lt=90.0)] = 0.0


def table_deg(profile: SensorProfile, mounting: MountingPart | None, inside: InsidePart | None, file: str) -> Floats:
    """Error of the angle told, in deg, every STEP_DEG from 0 to 360 deg of the magnet, (361,); what the profile says of
    its error included. Raises BadInput for a mounting or a sensor that leaves no angle to tell.
    """
    magnet_deg = np.linspace(0.0, FULL_TURN_DEG, round(FULL_TURN_DEG / STEP_DEG) + 1)
    error = np.zeros(len(magnet_deg))
    key = ""
    if mounting is not None:
        key = "sensor.mounting"
        error = _checked(_mounted(mounting, file), magnet_deg, key, file)
    if inside is not None:
        key = "sensor.inside"
        error = error + _checked(_worked_out(inside, file), magnet_deg + error, key, file)
    error = error + profile.curve().error_at(magnet_deg)
    _check_rising(magnet_deg, magnet_deg + error, key, file)
    return error


def check_mounting(profile: SensorProfile, mounting: MountingPart | None, inside: InsidePart | None, file: str) -> None:
    """Raises BadInput for tables that the sensor has no use for, or that cannot be."""
    given = {"mounting": mounting, "inside": inside}
    for key, part in given.items():
        if part is not None and profile.is_switch:
            accepted = f"only with a sensor that tells an angle: {profile.name} is a switch"
            raise BadInput(file, f"sensor.{key}", "a table", accepted)
    if any(part is not None for part in given.values()):
        table_deg(profile, mounting, inside, file)


def _mounted(part: MountingPart, file: str) -> Callable[[Floats], Floats]:
    """The field's error at lid angles."""
    # scipy, for the elliptic integrals: most scenarios do without.
    from lidjig.measure import magnet_field as mf

    magnet = mf.Magnet(part.radius_mm, part.height_mm, part.polarisation_t)
    mounting = mf.Mounting(
        part.gap_mm, part.sensor_offset_mm, part.magnet_offset_mm, part.magnet_tilt_deg, part.sensor_tilt_deg
    )

    def error(lid_deg: Floats) -> Floats:
        try:
            return mf.angle_error_deg(magnet, mounting, lid_deg)
        except ValueError as why:
            accepted = f"a sensor outside the magnet at every angle, with its offset and tilt ({why})"
            raise BadInput(file, "sensor.mounting.gap_mm", part.gap_mm, accepted) from why

    return error


def _worked_out(part: InsidePart, file: str) -> Callable[[Floats], Floats]:
    """The part's own error at field angles."""
    from lidjig.measure import sensor_errors as se

    try:
        terms = se.Terms(part.offset_sin, part.offset_cos, part.cos_gain, part.phase_deg)
    except ValueError as why:
        key = "offset_sin" if abs(part.offset_sin) >= abs(part.offset_cos) else "offset_cos"
        accepted = f"offsets smaller than the signal: {why}"
        raise BadInput(file, f"sensor.inside.{key}", getattr(part, key), accepted) from why
    return lambda field_deg: se.angle_error_deg(terms, field_deg)


def _checked(error_of: Callable[[Floats], Floats], at_deg: Floats, key: str, file: str) -> Floats:
    """The error without jumps of a turn, where the angle goes round once as the lid does, and never back."""
    error = np.asarray(np.unwrap(error_of(at_deg), period=FULL_TURN_DEG), dtype=np.float64)
    _check_rising(at_deg, at_deg + error, key, file)
    return error


def _check_rising(from_deg: Floats, told_deg: Floats, key: str, file: str) -> None:
    steps = np.diff(told_deg)
    turns = round(float(told_deg[-1] - told_deg[0]) / FULL_TURN_DEG)
    if float(steps.min()) <= 0.0 or turns != 1:
        at = float(from_deg[int(np.argmin(steps))])
        accepted = f"what leaves an angle that grows with the lid's: past {at:.0f} deg it would turn back"
        raise BadInput(file, key, "a table", accepted)
