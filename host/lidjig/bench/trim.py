"""The trim of an output: which command gives which voltage, measured when, with what, at which supply, for whom.

The board keeps it as one packed record, in whole numbers, so that what is read back equals what was stored.
"""

from __future__ import annotations

import binascii
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated

import msgspec
from msgspec import Meta

from lidjig.errors import BadInput
from shared_proto import blobs, family_blobs

TRIM_VERSION = family_blobs.TRIM_VERSION
POINTS_MIN, POINTS_MAX = family_blobs.TRIM_POINTS_MIN, family_blobs.TRIM_POINTS_MAX
FULL = family_blobs.TRIM_FULL  # commands and outputs are kept as parts of the range in 1/65535
METER_MAX = 32
OLD_DAYS = 365  # a meter's calibration and a resistor's drift are stated per year (common practice, no source)
SUPPLY_MIN_MV, SUPPLY_MAX_MV = 1000, 5500  # what a sensor profile may ask for
SUPPLY_PERCENT = 2  # a supply farther from the trim's than this is another supply (common practice, no source)

_TRIM_ANEW = "Run 'lidjig trim' for this sensor profile again; it replaces what the board holds."

TRIM_FIELDS = family_blobs.trim_fields()

Part = Annotated[int, Meta(ge=0, le=FULL)]


class Trim(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One trim. profile, profile_crc: name and CRC-32 of the sensor profile's record; the name is "" where only the
    board's record is known, which has none. made_utc_s: s since 1970 UTC. meter: what read it. points: (command,
    output) in 1/65535 of the range and of the supply; command ascending, output never falling.
    """

    profile: str
    profile_crc: Annotated[int, Meta(ge=0, le=0xFFFFFFFF)]
    made_utc_s: Annotated[int, Meta(ge=1, le=0xFFFFFFFF)]
    meter: Annotated[str, Meta(min_length=1, max_length=METER_MAX)]
    supply_mv: Annotated[int, Meta(ge=SUPPLY_MIN_MV, le=SUPPLY_MAX_MV)]
    points: Annotated[tuple[tuple[Part, Part], ...], Meta(min_length=POINTS_MIN, max_length=POINTS_MAX)]

    @property
    def made_utc(self) -> datetime:
        """When it was made."""
        return datetime.fromtimestamp(self.made_utc_s, UTC)

    def parts(self) -> list[tuple[float, float]]:
        """The points as parts 0..1: (commanded part of the range, output as part of the supply)."""
        return [(command / FULL, output / FULL) for command, output in self.points]

    def to_record(self) -> bytes:
        """The packed record for the board (TRIM_FIELDS). Raises BadInput for what it cannot hold."""
        check_trim(self)
        values: dict[str, object] = {
            "version": TRIM_VERSION,
            "profile_crc": self.profile_crc,
            "made_utc_s": self.made_utc_s,
            "supply_mv": self.supply_mv,
            "points": len(self.points),
            "meter": self.meter.encode("ascii"),
        }
        for k in range(POINTS_MAX):
            command, output = self.points[k] if k < len(self.points) else (0, 0)
            values[f"command_{k + 1}"], values[f"output_{k + 1}"] = command, output
        try:
            return blobs.pack(TRIM_FIELDS, values)
        except ValueError as error:
            key, _colon, rest = str(error).partition(": ")
            value, _comma, accepted = rest.partition(", accepted ")
            raise BadInput("", f"trim.{key}", value, accepted or "a value") from error


def new_trim(
    profile: str,
    profile_crc: int,
    made: datetime,
    meter: str,
    supply_v: float,
    parts: Sequence[tuple[float, float]],
) -> Trim:
    """A trim from a fit. parts: (commanded part of the range, measured part of the supply), ascending; an output a
    little outside 0..1, as a meter's error may put it, is kept as the end. made: with its time zone.

    Raises BadInput for what a trim cannot hold, ValueError for a time without a zone.
    """
    if made.tzinfo is None:
        raise ValueError("time of the trim without a time zone, accepted one in UTC")
    points = tuple((_whole(command), _whole(output)) for command, output in parts)
    trim = Trim(
        profile=profile,
        profile_crc=profile_crc,
        made_utc_s=int(made.timestamp()),
        meter=meter,
        supply_mv=round(supply_v * 1000.0),
        points=points,
    )
    check_trim(trim)
    return trim


def from_record(data: bytes, profile: str = "") -> Trim:
    """A trim from the board's record. profile: its name, where the CRC is that of a profile the caller knows.

    Raises BadInput, which says what is wrong, for bytes that are no trim.
    """
    values, bad = blobs.unpack(TRIM_FIELDS, data)
    if values is None:
        name = TRIM_FIELDS[bad][0] if bad < len(TRIM_FIELDS) else "length"
        raise BadInput("", f"trim.{name}", f"{len(data)} bytes", "a trim record of this version", _TRIM_ANEW)
    count = values["points"]
    points = tuple((values[f"command_{k}"], values[f"output_{k}"]) for k in range(1, count + 1))
    try:
        meter = values["meter"].decode("ascii")
    except UnicodeDecodeError as error:
        raise BadInput("", "trim.meter", bytes(values["meter"]), "printable ASCII", _TRIM_ANEW) from error
    trim = Trim(
        profile=profile,
        profile_crc=values["profile_crc"],
        made_utc_s=values["made_utc_s"],
        meter=meter,
        supply_mv=values["supply_mv"],
        points=points,
    )
    check_trim(trim)
    return trim


def check_trim(trim: Trim) -> None:
    """What a type cannot say. Raises BadInput."""
    if not (trim.meter.isascii() and trim.meter.isprintable() and 1 <= len(trim.meter) <= METER_MAX):
        raise BadInput("", "trim.meter", trim.meter, f"1 to {METER_MAX} printable ASCII characters")
    if not SUPPLY_MIN_MV <= trim.supply_mv <= SUPPLY_MAX_MV:
        raise BadInput("", "trim.supply_mv", trim.supply_mv, f"{SUPPLY_MIN_MV} to {SUPPLY_MAX_MV} mV")
    if not POINTS_MIN <= len(trim.points) <= POINTS_MAX:
        raise BadInput("", "trim.points", len(trim.points), f"{POINTS_MIN} to {POINTS_MAX} points")
    for (low, low_out), (high, high_out) in zip(trim.points, trim.points[1:], strict=False):
        if high <= low:
            raise BadInput("", "trim.points", (low, high), "commands that ascend", _TRIM_ANEW)
        if high_out < low_out:
            raise BadInput("", "trim.points", (low_out, high_out), "outputs that never fall", _TRIM_ANEW)
    if trim.points[-1][1] == trim.points[0][1]:
        raise BadInput("", "trim.points", trim.points[0][1], "an output that changes", _TRIM_ANEW)


def crc_of_record(record: bytes) -> int:
    """CRC-32 (ISO-HDLC) of a sensor profile's packed record, as the board tells it."""
    return binascii.crc32(record) & 0xFFFFFFFF


def doubts(trim: Trim | None, profile_crc: int, supply_mv: float | None, now: datetime) -> list[str]:
    """Why a trim may not be relied on, a sentence each; none where all is well.

    trim: the one on the board, or None. profile_crc: of the sensor profile in force. supply_mv: measured now, None
    where it is not known. now: with its time zone. Raises ValueError for a time without one.
    """
    if now.tzinfo is None:
        raise ValueError("present time without a time zone, accepted one in UTC")
    if trim is None:
        return ["The output is not trimmed: how far its voltage is from the one wanted is unknown. Run 'lidjig trim'."]
    found: list[str] = []
    if trim.profile_crc != profile_crc:
        whose = f"sensor profile {trim.profile!r}" if trim.profile else "another sensor profile"
        found.append(
            f"The trim was made for {whose} (CRC {trim.profile_crc:08x}, the one in force has {profile_crc:08x}). "
            "Trim for this one."
        )
    made, age_days = trim.made_utc, (now - trim.made_utc).total_seconds() / 86400.0
    if age_days > OLD_DAYS:
        found.append(f"The trim is of {made:%Y-%m-%d}, {age_days:.0f} days ago and so over a year old. Trim anew.")
    elif age_days < -1.0:  # a day: the clocks of two computers in two time zones may be set wrongly by hours
        found.append(
            f"The trim is dated {made:%Y-%m-%d}, which is still to come: the clock of this computer or of the one that "
            "made it is wrong, so its age is not known. Set the clock, then trim anew if in doubt."
        )
    if supply_mv is None:
        found.append(f"The supply is not known, and the trim was made at {trim.supply_mv / 1000:.3f} V.")
    elif abs(supply_mv - trim.supply_mv) * 100.0 > SUPPLY_PERCENT * trim.supply_mv:
        off = 100.0 * (supply_mv - trim.supply_mv) / trim.supply_mv
        found.append(
            f"The trim was made at a supply of {trim.supply_mv / 1000:.3f} V; it is {supply_mv / 1000:.3f} V now "
            f"({off:+.1f} %). Trim at this supply."
        )
    return found


def _whole(part: float) -> int:
    return min(FULL, max(0, round(part * FULL)))
