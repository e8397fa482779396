"""A switch by the numbers of its data sheet: from the field over the lid's angle, in mT, to the angles at which it
operates and releases.

A Hall switch operates while the field that it sees is above one point and releases while it is below a lower one. A
part for one pole sees that pole alone; an omnipolar one sees either (TI DRV5033 and DRV5032 data sheets). South is
positive here: the field of a magnet's south pole that faces the marked side of the part (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from lidjig.bench.magnet import Magnet
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.bench.sensor import Output, SensorProfile

Floats = npt.NDArray[np.float64]
Pole = Literal["any", "south", "north"]

SignedMillitesla = Annotated[float, Meta(ge=-1000.0, le=1000.0)]
Millimetres = Annotated[float, Meta(gt=0.0, le=500.0)]
Degrees = Annotated[float, Meta(ge=0.0, le=360.0)]
GRID_DEG = 0.1  # of a field that is computed: the board's own step of an angle (firmware/transfer.py)
POLES: dict[Pole, str] = {"any": "either pole", "south": "south pole", "north": "north pole"}
NOT_GIVEN = -1.0  # no angle: it follows from the field


class Field(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Field at the sensor. points: rows of (lid angle in deg, mT; south positive), ascending, linear between. Or a
    magnet in the lid, as in [magnet]: shut_mt at the shut lid, and how the lid carries it away.
    """

    points: Annotated[list[tuple[Degrees, SignedMillitesla]], Meta(max_length=361)] = []
    shut_mt: SignedMillitesla | None = None
    gap_mm: Millimetres | None = None
    radius_mm: Millimetres | None = None

    def over(self, low_deg: float, high_deg: float) -> tuple[Floats, Floats]:
        """(lid angle, mT), (n,) each, ascending, from low_deg to high_deg; linear between the entries."""
        if self.shut_mt is None or self.gap_mm is None or self.radius_mm is None:
            points = np.array(self.points, dtype=np.float64)
            inner = points[(points[:, 0] > low_deg) & (points[:, 0] < high_deg), 0]
            lid = np.concatenate([[low_deg], inner, [high_deg]])
            return lid, np.asarray(np.interp(lid, points[:, 0], points[:, 1]), dtype=np.float64)
        steps = math.ceil((high_deg - low_deg) / GRID_DEG)
        lid = np.linspace(low_deg, high_deg, steps + 1)
        # Operate and release points do not enter the field.
        magnet = Magnet(
            operate_mt=1.0, release_mt=1.0, shut_mt=abs(self.shut_mt), gap_mm=self.gap_mm, radius_mm=self.radius_mm
        )
        field = np.array([magnet.field_mt(angle) for angle in lid.tolist()])
        return lid, np.asarray(math.copysign(1.0, self.shut_mt) * field, dtype=np.float64)

    def turned_over(self) -> Field:
        """The same magnet with its poles changed over."""
        points = [(angle, -field) for angle, field in self.points]
        return msgspec.structs.replace(self, points=points, shut_mt=None if self.shut_mt is None else -self.shut_mt)

    def told(self) -> str:
        """What the profile gives, for people."""
        if self.points:
            (first, at_first), (last, at_last) = self.points[0], self.points[-1]
            return f"{len(self.points)} points, {at_first:+g} mT at {first:g} deg to {at_last:+g} mT at {last:g} deg"
        return f"{self.shut_mt:+g} mT at the shut lid, {self.gap_mm:g} mm away, {self.radius_mm:g} mm from the hinge"


def check_field(field: Field, low_deg: float, high_deg: float, file: str) -> None:
    """Raises BadInput for a table that gives no field over the angles low_deg to high_deg."""
    geometry = {"shut_mt": field.shut_mt, "gap_mm": field.gap_mm, "radius_mm": field.radius_mm}
    given = [key for key, value in geometry.items() if value is not None]
    if field.points and given:
        accepted = f"either points or {', '.join(geometry)}"
        raise BadInput(file, f"field.{given[0]}", geometry[given[0]], accepted)
    if given and len(given) < len(geometry):
        missing = next(key for key in geometry if key not in given)
        raise BadInput(file, f"field.{missing}", None, f"all of {', '.join(geometry)} (the key is missing)")
    if given:
        return
    if len(field.points) < 2:
        accepted = f"at least two rows [lid angle, mT], or {', '.join(geometry)}"
        raise BadInput(file, "field.points", field.points, accepted)
    for index in range(1, len(field.points)):
        if field.points[index][0] <= field.points[index - 1][0]:
            accepted = f"above {field.points[index - 1][0]:g}, the angle before"
            raise BadInput(file, f"field.points[{index}]", field.points[index][0], accepted)
    first, last = field.points[0][0], field.points[-1][0]
    if first > low_deg or last < high_deg:
        accepted = f"rows from range.angle_min_deg = {low_deg:g} to range.angle_max_deg = {high_deg:g}"
        raise BadInput(file, "field.points", [first, last], accepted)


@dataclass(frozen=True)
class _Seen:
    """What a part sees of a field, over the lid's angle: always above 0 for the pole that operates it."""

    lid_deg: Floats
    mt: Floats

    def spans(self, above: float = -math.inf, below: float = math.inf) -> list[tuple[float, float]]:
        """Angles between which it is above and below so many mT, joined where they touch."""
        middle = 0.5 * (self.mt[1:] + self.mt[:-1])
        inside = (middle > above) & (middle < below)
        found: list[tuple[float, float]] = []
        for index in np.flatnonzero(inside).tolist():
            begin, end = float(self.lid_deg[index]), float(self.lid_deg[index + 1])
            if found and found[-1][1] == begin:
                found[-1] = found[-1][0], end
            else:
                found.append((begin, end))
        return found


def _seen(lid: Floats, field: Floats, pole: Pole, levels: tuple[float, ...]) -> _Seen:
    """With an entry wherever the field passes nothing or one of the levels, so that each piece is on one side."""
    at = [lid]
    for level in (0.0, *levels, *(-level for level in levels)):
        over = field - level
        passed = np.flatnonzero(over[1:] * over[:-1] < 0.0)
        at.append(lid[passed] + (lid[passed + 1] - lid[passed]) * over[passed] / (over[passed] - over[passed + 1]))
    every = np.unique(np.concatenate(at))
    there = np.interp(every, lid, field)
    return _Seen(every, np.abs(there) if pole == "any" else there if pole == "south" else -there)


def angles(
    field: Field, output: Output, index: int, low_deg: float, high_deg: float, file: str
) -> tuple[float, float] | None:
    """(operate_deg, release_deg) of an output that is given in mT; None where no angle operates it. Raises BadInput for
    what two angles cannot say.
    """
    key, operate, release = f"output[{index}]", output.operate_mt, output.release_mt
    assert operate is not None and release is not None  # with_angles has looked
    if release >= operate:
        raise BadInput(file, f"{key}.release_mt", release, f"below operate_mt = {operate:g}")
    lid, mt = field.over(low_deg, high_deg)
    seen = _seen(lid, mt, output.pole, (operate, release))
    operated, released = seen.spans(above=operate), seen.spans(below=release)
    if not operated:
        return None
    if not released:
        between = f"from {low_deg:g} to {high_deg:g} deg"
        accepted = f"above {float(seen.mt.min()):g}, the weakest field {between}: it never releases otherwise"
        raise BadInput(file, f"{key}.release_mt", release, accepted)
    if operated[-1][1] < released[0][0]:
        found = operated[-1][1], released[0][0]
    elif released[-1][1] < operated[0][0]:
        found = operated[0][0], released[-1][1]
    else:
        told = ", ".join(f"{begin:.4g}..{end:.4g}" for begin, end in operated)
        accepted = (
            f"points, and a field, by which it operates on one side of an angle and releases on the other: here it "
            f"operates at {told} deg and releases on both sides or between, which two angles cannot say"
        )
        raise BadInput(file, f"{key}.operate_mt", operate, accepted)
    if not (low_deg < found[0] < high_deg and low_deg < found[1] < high_deg):
        accepted = f"points that the field passes between {low_deg:g} and {high_deg:g} deg, not at an end of the range"
        raise BadInput(file, f"{key}.operate_mt", operate, accepted)
    return round(found[0], 3), round(found[1], 3)


def _refuse_never(field: Field, output: Output, index: int, low_deg: float, high_deg: float, file: str) -> NoReturn:
    """Why no angle operates it."""
    key, operate, between = f"output[{index}]", output.operate_mt, f"from {low_deg:g} to {high_deg:g} deg"
    assert operate is not None
    lid, mt = field.over(low_deg, high_deg)
    strongest, most = float(np.max(np.abs(mt))), float(_seen(lid, mt, output.pole, ()).mt.max())
    if output.pole != "any" and strongest > operate:
        other = "north" if output.pole == "south" else "south"
        accepted = (
            f"'any' or '{other}': the field {between} is strong enough ({strongest:g} mT) at the {other} pole only, "
            "which this part does not see, so it never operates; turn the magnet over or fit an omnipolar part"
        )
        raise BadInput(file, f"{key}.pole", output.pole, accepted)
    strongest_of = f"the strongest field of {POLES[output.pole]} {between}"
    accepted = f"below {max(0.0, most):g}, {strongest_of}: it never operates otherwise"
    raise BadInput(file, f"{key}.operate_mt", operate, accepted)


def with_angles(sensor: SensorProfile, file: str) -> SensorProfile:
    """The profile with the angles of every output that is given in mT. Raises BadInput."""
    for index, output in enumerate(sensor.output):
        _check_given(output, f"output[{index}]", sensor.field is not None, file)
    by_field = [output for output in sensor.output if output.operate_mt is not None]
    if sensor.field is not None and sensor.is_switch and not by_field:
        accepted = "no such table: no output has operate_mt, release_mt"
        raise BadInput(file, "field", "a table", accepted)
    low, high = sensor.range.angle_min_deg, sensor.range.angle_max_deg
    if sensor.field is None or not by_field or high <= low:
        return sensor  # check_sensor() says what is wrong with the range
    if sensor.magnet is not None:
        accepted = "no such table: with operate_mt the angles follow from [field]"
        raise BadInput(file, "magnet", "a table", accepted)
    check_field(sensor.field, low, high, file)
    found = []
    for index, output in enumerate(sensor.output):
        if output.operate_mt is not None:
            pair = angles(sensor.field, output, index, low, high, file)
            if pair is None:
                _refuse_never(sensor.field, output, index, low, high, file)
            output = msgspec.structs.replace(output, operate_deg=pair[0], release_deg=pair[1])
        found.append(output)
    return msgspec.structs.replace(sensor, output=found)


def _check_given(output: Output, key: str, field: bool, file: str) -> None:
    """Either both angles, or both points in mT and a field."""
    in_deg = {"operate_deg": output.operate_deg, "release_deg": output.release_deg}
    in_mt = {"operate_mt": output.operate_mt, "release_mt": output.release_mt}
    degrees = [name for name, value in in_deg.items() if value != NOT_GIVEN]
    teslas = [name for name, value in in_mt.items() if value is not None]
    ways = "operate_deg and release_deg, or operate_mt and release_mt with a table [field]"
    if degrees and teslas:
        raise BadInput(file, f"{key}.{teslas[0]}", in_mt[teslas[0]], f"either {ways}")
    wanted = in_mt if teslas else in_deg
    missing = [name for name in wanted if name not in (*degrees, *teslas)]
    if missing:
        raise BadInput(file, f"{key}.{missing[0]}", None, f"{ways} (the key is missing)")
    if teslas and not field:
        raise BadInput(file, "field", None, f"a table [field] (the key is missing): {key} is given in mT")
    if degrees and output.pole != "any":
        raise BadInput(file, f"{key}.pole", output.pole, "only with operate_mt and release_mt: an angle has no pole")
