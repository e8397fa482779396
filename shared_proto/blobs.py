"""Sensor profile and wiring as the board keeps them: packed records, same field rows as the message table.

The host builds them from TOML; the board parses them, folds the profile into its lookup and keeps the bytes
on flash.
"""

import struct

# Passed on to family_blobs: the board forgets the table of messages, and must not load it again for this.
from shared_proto.messages import ANGLE_MAX_MDEG as ANGLE_MAX_MDEG

TYPE_CHECKING = False  # MicroPython has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

FAMILY_SWITCH = 1
DRIVE_OPEN_DRAIN = 0
DRIVE_PUSH_PULL = 1
DRIVES = ("open-drain", "push-pull")

BLOB_VERSION = 1
WIRING_VERSION = 2  # 2: bus, meters and tach line

# One output of the switch family. Operated below operate_mdeg and released above release_mdeg when operate <
# release; the other way round when operate > release (operated above operate_mdeg, released below
# release_mdeg).
_OUTPUT_FIELDS = (
    ("drive", "B", 0, 1, "DRIVES"),
    ("active_high", "B", 0, 1, "level while operated"),
    ("operate_mdeg", "i", 0, ANGLE_MAX_MDEG, ""),
    ("release_mdeg", "i", 0, ANGLE_MAX_MDEG, ""),
)

PROFILE_FIELDS = (
    ("version", "B", BLOB_VERSION, BLOB_VERSION, "layout of this record"),
    ("family", "B", 1, 1, "1 = switch"),
    ("outputs", "B", 1, 2, "outputs in use"),
    ("safe_route", "B", 0, 1, "names.ROUTES: open or through"),
    ("update_us", "I", 1000, 1000000, "how often the emulated sensor looks at the angle"),
    ("supply_min_mv", "H", 1000, 5500, "supply window"),
    ("supply_max_mv", "H", 1000, 5500, ""),
    ("angle_min_mdeg", "i", 0, ANGLE_MAX_MDEG, "angles outside are refused"),
    ("angle_max_mdeg", "i", 0, ANGLE_MAX_MDEG, ""),
    ("start_mdeg", "i", 0, ANGLE_MAX_MDEG, "angle after the profile is loaded"),
) + tuple(
    (name + "_" + str(k), code, low, high, doc)
    for k in (1, 2)
    for (name, code, low, high, doc) in _OUTPUT_FIELDS
) + (("name", "*", 1, 32, "ASCII"),)

WIRING_FIELDS = (
    ("version", "B", WIRING_VERSION, WIRING_VERSION, "layout of this record"),
    ("lines_used", "H", 0, 0xFFFF, "bit per names.LINES that is wired on this bench"),
    ("invert", "H", 0, 0xFFFF, "bit per names.LINES whose level is inverted"),
    ("scan", "H", 0, 0xFFFF, "bit per names.CHANNELS that is wired"),
    ("light_pull_up", "B", 0, 1, "reserved for the light input: 1 = divider reversed"),
    ("bus", "B", 0, 1, "1 = power monitors' bus on the pins of observer_3 and observer_4"),
    ("meter_1", "B", 0, 0x77, "7-bit address of the power monitor of the charger supply; 0 = none"),
    ("cal_1", "H", 0, 0x7FFF, "its calibration register"),
    ("meter_2", "B", 0, 0x77, "address of the power monitor of the sensor supply; 0 = none"),
    ("cal_2", "H", 0, 0x7FFF, "its calibration register"),
    ("tach", "B", 0, 16, "1 + number of the line whose rising edges are counted instead of told; 0 = none"),
    ("name", "*", 1, 32, "ASCII"),
)


def pack(fields: "tuple[tuple[str, str, int, int, str], ...]", values: "dict[str, Any]") -> bytes:
    """Packed record. ValueError names the field that is missing or out of its range."""
    out = b""
    for name, code, low, high, _doc in fields:
        if name not in values:
            raise ValueError(name + ": missing")
        value = values[name]
        if code == "*":
            if not low <= len(value) <= high:
                accepted = ", accepted " + str(low) + ".." + str(high)
                raise ValueError(name + ": length " + str(len(value)) + accepted)
            return out + bytes(value)
        # MicroPython's struct truncates silently, so the range is checked here.
        if not low <= value <= high:
            raise ValueError(name + ": " + str(value) + ", accepted " + str(low) + ".." + str(high))
        out += struct.pack("<" + code, value)
    return out


def unpack(
    fields: "tuple[tuple[str, str, int, int, str], ...]", data: bytes
) -> "tuple[dict[str, Any] | None, int]":
    """(values, -1), or (None, position of the first bad field). Never raises on any bytes."""
    values: dict[str, Any] = {}
    at = 0
    for position, (name, code, low, high, _doc) in enumerate(fields):
        if code == "*":
            tail = bytes(data[at:])
            if not low <= len(tail) <= high:
                return None, position
            values[name] = tail
            return values, -1
        size = struct.calcsize("<" + code)
        if at + size > len(data):
            return None, position
        value = struct.unpack("<" + code, bytes(data[at : at + size]))[0]
        if not low <= value <= high:
            return None, position
        values[name] = value
        at += size
    return (values, -1) if at == len(data) else (None, len(fields))
