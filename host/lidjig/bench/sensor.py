"""Sensor profile: how a sensor looks electrically, and what the jig must do to pass for it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from lidjig.bench.families.base import Encoding, Limits
from lidjig.bench.families.table import FAMILIES, read_encoding
from lidjig.bench.field import NOT_GIVEN, Field, Pole
from lidjig.bench.lid_told import check_lid_told
from lidjig.bench.magnet import Magnet, Millitesla, check_magnet
from lidjig.bench.transfer import Transfer, check_transfer
from lidjig.errors import BadInput
from shared_proto import blobs, family_blobs, names

Name = Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]*$", min_length=1, max_length=32)]
Title = Annotated[str, Meta(min_length=1, max_length=120)]
Degrees = Annotated[float, Meta(ge=0.0, le=360.0)]
# The jig measures up to 6.6 V on this rail and its line drivers end at 5.5 V (74LVC1G126 data sheet, supply
# range).
SupplyVolts = Annotated[float, Meta(ge=1.0, le=5.5)]

# A push-pull output drives the machine's line up to the sensor supply. Controller inputs are 3.3 V parts, so
# nothing that drives high is let onto a 5 V supply; an open-drain output only ever pulls down and may stand
# there.
PUSH_PULL_MAX_V = 3.6


class SensorSupply(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Supply window in V, and the current drawn at 3.3 V in mA where the jig can resolve it."""

    min_v: SupplyVolts
    max_v: SupplyVolts
    current_min_ma: Annotated[float, Meta(ge=0.0, le=50.0)] | None = None
    current_max_ma: Annotated[float, Meta(ge=0.0, le=50.0)] | None = None


class Output(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One switch output: operated below operate_deg and released above release_deg when operate < release,
    else mirrored. Or by the points of its data sheet, and the pole that it sees: the angles then follow from the
    profile's field (field.with_angles).
    """

    line: Annotated[int, Meta(ge=1, le=2)]
    drive: Literal["open-drain", "push-pull"]
    active: Literal["low", "high"]
    operate_deg: Degrees = NOT_GIVEN
    release_deg: Degrees = NOT_GIVEN
    operate_mt: Millitesla | None = None
    release_mt: Millitesla | None = None
    pole: Pole = "any"

    @property
    def operated_when_shut(self) -> bool:
        """True for an output that reports a shut lid, False for one that reports a lid folded far open."""
        return self.operate_deg < self.release_deg

    @property
    def operated_level(self) -> int:
        """Level of the line while operated: 0 low, 1 high."""
        return 1 if self.active == "high" else 0


class Timing(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How often the sensor looks at its magnet, in Hz."""

    update_hz: Annotated[float, Meta(ge=1.0, le=1000.0)]


class AngleRange(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Angles the jig accepts, the one it starts at, in deg; and the route it falls back to."""

    angle_min_deg: Degrees
    angle_max_deg: Degrees
    start_deg: Degrees
    safe_route: Literal["open", "through"]


class LidAngles(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where the lid counts as shut and as open for a sensor that tells an angle: the machine's business, but the jig
    stamps the moment at which what it sends passes these.
    """

    shut_deg: Degrees
    open_deg: Degrees


class SensorProfile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A sensor profile as read from TOML and checked by load_sensor."""

    name: Name
    title: Title
    family: Literal["switch", "analog", "pwm", "sent", "i2c", "ssi", "quadrature", "sincos"]
    supply: SensorSupply
    output: Annotated[list[Output], Meta(max_length=2)] = []
    timing: Timing
    range: AngleRange
    magnet: Magnet | None = None
    field: Field | None = None
    transfer: Transfer | None = None
    lid: LidAngles | None = None
    encoding: dict[str, Any] = {}

    @property
    def is_switch(self) -> bool:
        """Whether it says shut or open, and no angle."""
        return self.family == "switch"

    @property
    def uses_bus(self) -> bool:
        """Whether the jig needs its bus to stand in for it: for a DAC."""
        return self.family == "analog" and self.encoding.get("via") == "dac"

    def coded(self) -> Encoding:
        """How it codes its angle. Raises BadInput for a table that is not its family's, ValueError for a switch."""
        return read_encoding(self.family, self.encoding, f"sensor {self.name}")

    def curve(self) -> Transfer:
        """Its transfer function. Raises ValueError for a switch."""
        if self.transfer is None:
            raise ValueError(f"sensor {self.name} is a switch: it tells no angle")
        return self.transfer

    def lines(self) -> list[int]:
        """Lines of the connector that it uses, ascending."""
        if self.is_switch:
            return sorted(o.line for o in self.output)
        return list(range(1, min(len(FAMILIES[self.family].signals), 2) + 1))

    def pulled_lines(self) -> list[int]:
        """Lines that whoever reads the sensor pulls up: those that it only ever pulls low; and the data of SSI, which
        low all along would read as angle 0 with a good check where no sensor is plugged in.
        """
        if self.is_switch:
            return [output.line for output in self.output if output.drive == "open-drain"]
        if self.family == "ssi":
            return [1]
        return self.lines() if self.family == "i2c" or self.encoding.get("drive") == "open-drain" else []

    @property
    def update_us(self) -> int:
        """Time between two looks at the angle, in us: the longest delay that the sensor adds to an edge."""
        return round(1e6 / self.timing.update_hz)

    def output_on(self, line: int) -> Output | None:
        """The output on line 1 or 2, or None."""
        return next((o for o in self.told() if o.line == line), None)

    def told(self) -> list[Output]:
        """What the jig tells changes of: the outputs of a switch; of a sensor that tells an angle, shut and open."""
        if self.lid is None:
            return self.output
        shut, opened = self.lid.shut_deg, self.lid.open_deg
        return [Output(line=1, drive="push-pull", active="low", operate_deg=shut, release_deg=opened)]

    def lid_outputs(self) -> list[Output]:
        """Outputs that report a shut lid, by line."""
        return [o for o in sorted(self.told(), key=lambda o: o.line) if o.operated_when_shut]

    def shut_deg(self) -> float:
        """An angle at which every lid output is operated for certain: halfway from shut to the first release
        of hold.
        """
        lowest = min(o.operate_deg for o in self.lid_outputs())
        return max(self.range.angle_min_deg, 0.5 * (self.range.angle_min_deg + lowest))

    def open_deg(self) -> float:
        """An angle at which every lid output is released for certain and no fold output is operated."""
        released = max(o.release_deg for o in self.lid_outputs())
        folds = [o.release_deg for o in self.told() if not o.operated_when_shut]
        top = min([self.range.angle_max_deg, *folds])
        return min(max(self.range.start_deg, released + 0.5 * (top - released)), top)

    def to_blob(self) -> bytes:
        """The packed record for the board: shared_proto.blobs.PROFILE_FIELDS, or family_blobs of its family."""
        if not self.is_switch:
            return self._curve_blob()
        values: dict[str, object] = {
            "version": blobs.BLOB_VERSION,
            "family": blobs.FAMILY_SWITCH,
            "outputs": max(o.line for o in self.output),
            **self._common_fields(),
        }
        for line in (1, 2):
            # A record always has room for two; with one output in use the board ignores the second.
            output = self.output_on(line) or self.output[0]
            values[f"drive_{line}"] = blobs.DRIVES.index(output.drive)
            values[f"active_high_{line}"] = output.operated_level
            values[f"operate_mdeg_{line}"] = _milli(output.operate_deg)
            values[f"release_mdeg_{line}"] = _milli(output.release_deg)
        return blobs.pack(blobs.PROFILE_FIELDS, values)

    def _common_fields(self) -> dict[str, object]:
        return {
            "safe_route": names.ROUTES.index(self.range.safe_route),
            "update_us": self.update_us,
            "supply_min_mv": _milli(self.supply.min_v),
            "supply_max_mv": _milli(self.supply.max_v),
            "angle_min_mdeg": _milli(self.range.angle_min_deg),
            "angle_max_mdeg": _milli(self.range.angle_max_deg),
            "start_mdeg": _milli(self.range.start_deg),
            "name": self.name.encode("ascii"),
        }

    def _curve_blob(self) -> bytes:
        transfer, coded, output = self.curve(), self.coded(), self.told()[0]
        values: dict[str, object] = {
            "version": family_blobs.version(FAMILIES[self.family].number),
            "family": FAMILIES[self.family].number,
            **self._common_fields(),
            "operate_mdeg_1": _milli(output.operate_deg),
            "release_mdeg_1": _milli(output.release_deg),
            **transfer.board_fields(),
            "codes": coded.codes,
            **coded.board_fields(),
        }
        return blobs.pack(family_blobs.fields(FAMILIES[self.family].number), values)


def _milli(value: float) -> int:
    return round(value * 1000.0)


def check_sensor(sensor: SensorProfile, file: str) -> None:
    """What a type cannot say: windows the right way round, angles in range and apart. Raises BadInput."""
    supply, angles = sensor.supply, sensor.range
    _check_tables(sensor, file)
    if supply.max_v <= supply.min_v:
        raise BadInput(file, "supply.max_v", supply.max_v, f"above supply.min_v = {supply.min_v:g}")
    _check_current(supply, file)
    if angles.angle_max_deg <= angles.angle_min_deg:
        raise BadInput(
            file,
            "range.angle_max_deg",
            angles.angle_max_deg,
            f"above range.angle_min_deg = {angles.angle_min_deg:g}",
        )
    if not angles.angle_min_deg <= angles.start_deg <= angles.angle_max_deg:
        raise BadInput(
            file, "range.start_deg", angles.start_deg, f"{angles.angle_min_deg:g}..{angles.angle_max_deg:g}"
        )
    if not sensor.is_switch:
        _check_coded(sensor, file)
        return
    lines = [o.line for o in sensor.output]
    if not lines:
        raise BadInput(file, "output", None, "one or two tables [[output]]: a switch has them")
    if sorted(lines) != list(range(1, len(lines) + 1)):
        accepted = "line 1 for a single output, lines 1 and 2 for two"
        raise BadInput(file, f"output[{len(lines) - 1}].line", lines[-1], accepted)
    for index, output in enumerate(sensor.output):
        _check_output(sensor, output, f"output[{index}]", file)
    if not sensor.lid_outputs():
        raise BadInput(
            file,
            "output",
            [o.operate_deg for o in sensor.output],
            "at least one with operate_deg below release_deg",
        )
    _check_room(sensor, file)
    if sensor.magnet is not None:
        if len(sensor.output) != 1:
            raise BadInput(file, "magnet", "a table", "only in a profile with a single output")
        check_magnet(sensor.magnet, sensor.output[0].operate_deg, sensor.output[0].release_deg, file)


def _check_tables(sensor: SensorProfile, file: str) -> None:
    """Each family its own tables: what would be read by nobody is a mistake."""
    given: dict[str, object] = {"output": sensor.output, "magnet": sensor.magnet, "transfer": sensor.transfer}
    given |= {"field": sensor.field, "lid": sensor.lid, "encoding": sensor.encoding}
    mine = ("output", "magnet", "field") if sensor.is_switch else ("transfer", "lid", "encoding")
    for key, value in given.items():
        if key not in mine and value:
            raise BadInput(file, key, "a table", f"no such table: family {sensor.family!r} has {', '.join(mine)}")
    for key in mine if not sensor.is_switch else ():
        if key != "encoding" and given[key] is None:
            raise BadInput(file, key, None, f"a table [{key}] (the key is missing): family {sensor.family!r} has one")


def _check_coded(sensor: SensorProfile, file: str) -> None:
    """A sensor that tells an angle."""
    transfer, lid, angles = sensor.curve(), sensor.lid, sensor.range
    check_transfer(transfer, file)
    if lid is not None:
        for key in ("shut_deg", "open_deg"):
            value = getattr(lid, key)
            if not angles.angle_min_deg < value < angles.angle_max_deg:
                accepted = f"between range.angle_min_deg = {angles.angle_min_deg:g} and range.angle_max_deg = "
                raise BadInput(file, f"lid.{key}", value, accepted + f"{angles.angle_max_deg:g}")
        if lid.open_deg <= lid.shut_deg:
            raise BadInput(file, "lid.open_deg", lid.open_deg, f"above lid.shut_deg = {lid.shut_deg:g}")
    coded = read_encoding(sensor.family, sensor.encoding, file)
    supply = sensor.supply
    limits = Limits(
        supply.min_v, supply.max_v, sensor.timing.update_hz, transfer.span_deg, wrap=transfer.wrap, file=file
    )
    coded.check(limits)
    if lid is not None:
        check_lid_told(transfer, coded, (lid.shut_deg, lid.open_deg), file)


def _check_current(supply: SensorSupply, file: str) -> None:
    low, high = supply.current_min_ma, supply.current_max_ma
    if (low is None) != (high is None):
        missing = "supply.current_min_ma" if low is None else "supply.current_max_ma"
        raise BadInput(file, missing, None, "both current limits or neither")
    if low is not None and high is not None and high <= low:
        raise BadInput(file, "supply.current_max_ma", high, f"above supply.current_min_ma = {low:g}")


def _check_output(sensor: SensorProfile, output: Output, key: str, file: str) -> None:
    angles = sensor.range
    for name in ("operate_deg", "release_deg"):
        value = getattr(output, name)
        if not angles.angle_min_deg < value < angles.angle_max_deg:
            accepted = (
                f"between range.angle_min_deg = {angles.angle_min_deg:g} "
                f"and range.angle_max_deg = {angles.angle_max_deg:g}"
            )
            raise BadInput(file, f"{key}.{name}", value, accepted)
    if output.operate_deg == output.release_deg:
        accepted = "another angle than operate_deg: above it for a shut lid, below it for a folded one"
        raise BadInput(file, f"{key}.release_deg", output.release_deg, accepted)
    if output.drive == "push-pull" and sensor.supply.max_v > PUSH_PULL_MAX_V:
        accepted = (
            f"'open-drain' where supply.max_v is above {PUSH_PULL_MAX_V:g} V "
            f"(it is {sensor.supply.max_v:g} V): a push-pull output would drive the machine's line that high"
        )
        raise BadInput(file, f"{key}.drive", output.drive, accepted)


def _check_room(sensor: SensorProfile, file: str) -> None:
    released = max(o.release_deg for o in sensor.lid_outputs())
    for index, output in enumerate(sensor.output):
        if not output.operated_when_shut and output.release_deg <= released:
            accepted = (
                f"above {released:g}, where the lid outputs have released: no angle would count as open"
            )
            raise BadInput(file, f"output[{index}].release_deg", output.release_deg, accepted)
