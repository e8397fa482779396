"""The trim of a sensor with two outputs, sine and cosine, each made by itself: one record, in which one of them may be
missing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import msgspec

from lidjig.bench.trim import METER_MAX, Trim, check_trim, doubts
from lidjig.errors import BadInput
from shared_proto import blobs, family_blobs

SIGNALS = family_blobs.TRIM_SIGNALS
WORDS = {"sin": "sine output", "cos": "cosine output"}
PAIR_FIELDS = family_blobs.trim_pair_fields()
_BETWEEN = "\n"  # no meter's name has it
_ABSENT = (
    "Neither output is trimmed: how far their voltages are from those wanted is unknown. Run 'lidjig trim' for both."
)
_TRIM_ANEW = "Run 'lidjig trim' for both outputs of this sensor profile again; it replaces what the board holds."


class TrimPair(msgspec.Struct, frozen=True, kw_only=True):
    """profile_crc: CRC-32 of the sensor profile's record. outputs: signal -> its trim, in which commands are parts of
    the supply; a signal that is not there is not trimmed.
    """

    profile_crc: int
    outputs: Mapping[str, Trim]

    def to_record(self) -> bytes:
        """The packed record for the board (PAIR_FIELDS). Raises BadInput for what it cannot hold."""
        values: dict[str, Any] = {"version": family_blobs.TRIM_PAIR_VERSION, "profile_crc": self.profile_crc}
        meters = []
        for signal in SIGNALS:
            trim = self.outputs.get(signal)
            if trim is not None:
                check_trim(trim)
            points = () if trim is None else trim.points
            values[f"{signal}_made_utc_s"] = 0 if trim is None else trim.made_utc_s
            values[f"{signal}_supply_mv"] = 0 if trim is None else trim.supply_mv
            values[f"{signal}_points"] = len(points)
            for k in range(family_blobs.TRIM_POINTS_MAX):
                command, output = points[k] if k < len(points) else (0, 0)
                values[f"{signal}_command_{k + 1}"], values[f"{signal}_output_{k + 1}"] = command, output
            meters.append("" if trim is None else trim.meter)
        values["meters"] = _BETWEEN.join(meters).encode("ascii")
        try:
            return blobs.pack(PAIR_FIELDS, values)
        except ValueError as error:
            key, _colon, rest = str(error).partition(": ")
            value, _comma, accepted = rest.partition(", accepted ")
            raise BadInput("", f"trim.{key}", value, accepted or "a value") from error

    def doubts(self, profile_crc: int, supply_mv: float | None, now: datetime) -> list[str]:
        """As lidjig.bench.trim.doubts, of both outputs."""
        for trim in self.outputs.values():
            if self.profile_crc != profile_crc:
                return doubts(trim, profile_crc, supply_mv, now)[:1]  # what it says of the rest is another output's
        if not self.outputs:
            return absent()
        found = []
        for signal in SIGNALS:
            told = doubts(self.outputs.get(signal), profile_crc, supply_mv, now)
            found += [f"{WORDS[signal]}: {doubt}" for doubt in told]
        return found


def absent() -> list[str]:
    """What there is to say where neither output is trimmed."""
    return [_ABSENT]


def pair_from_record(data: bytes) -> TrimPair:
    """Both trims from the board's record. Raises BadInput, which says what is wrong, for bytes that are none."""
    values, bad = blobs.unpack(PAIR_FIELDS, data)
    if values is None:
        name = PAIR_FIELDS[bad][0] if bad < len(PAIR_FIELDS) else "length"
        raise BadInput("", f"trim.{name}", f"{len(data)} bytes", "a trim record of two outputs", _TRIM_ANEW)
    meters = bytes(values["meters"]).split(_BETWEEN.encode("ascii"))
    if len(meters) != len(SIGNALS) or not all(re.fullmatch(rb"[ -~]{0,%d}" % METER_MAX, meter) for meter in meters):
        raise BadInput("", "trim.meters", bytes(values["meters"]), "two names in printable ASCII", _TRIM_ANEW)
    outputs = {}
    for signal, meter in zip(SIGNALS, meters, strict=True):
        count = values[f"{signal}_points"]
        if not count:
            continue
        command, output = f"{signal}_command_", f"{signal}_output_"
        outputs[signal] = trim = Trim(
            profile="",
            profile_crc=values["profile_crc"],
            made_utc_s=values[f"{signal}_made_utc_s"],
            meter=meter.decode("ascii"),
            supply_mv=values[f"{signal}_supply_mv"],
            points=tuple((values[f"{command}{k}"], values[f"{output}{k}"]) for k in range(1, count + 1)),
        )
        check_trim(trim)
        if trim.made_utc_s < 1:
            raise BadInput("", f"trim.{signal}_made_utc_s", 0, "1 or more", _TRIM_ANEW)
    return TrimPair(profile_crc=values["profile_crc"], outputs=outputs)
