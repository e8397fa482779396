# Sensor profile and wiring: parsed and cross-checked when they arrive, never in the tick.
import binascii

from shared_proto import blobs, names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

# Lines that a tachometer may be on: the observers, the last two of which are the wires of the bus.
_TACH_LINES = (names.LINE_OBS1, names.LINE_OBS2, names.LINE_OBS3, names.LINE_OBS4)


def crc32(data: bytes) -> int:
    return binascii.crc32(data) & 0xFFFFFFFF


def _position(fields: tuple, name: str) -> int:
    for position in range(len(fields)):
        if fields[position][0] == name:
            return position
    return len(fields)


def parse(kind: int, data: bytes) -> tuple:
    # (values, -1), or (None, position of the first bad field). Any bytes at all.
    if kind == names.BLOB_WIRING:
        return parse_by(blobs.WIRING_FIELDS, _wiring_contradiction, data)
    if kind == names.BLOB_PROFILE:
        if len(data) > 1 and data[0] != blobs.BLOB_VERSION:
            from firmware import angle_parts

            return angle_parts.parse(data)
        return parse_by(blobs.PROFILE_FIELDS, _contradiction, data)
    if kind == names.BLOB_TRIM:
        from firmware import angle_parts

        return angle_parts.parse_trim(data)
    return None, 0


def parse_by(fields: tuple, contradiction: "Callable[[dict], str]", data: bytes) -> tuple:
    values, bad = blobs.unpack(fields, data)
    if values is None:
        return None, bad
    name = contradiction(values)
    if name:
        return None, _position(fields, name)
    return values, -1


def contradiction(values: dict) -> str:
    # Of what all profiles have: name of a field that does not go with those before it; "" when all is well.
    if values["supply_max_mv"] <= values["supply_min_mv"]:
        return "supply_max_mv"
    if values["angle_max_mdeg"] <= values["angle_min_mdeg"]:
        return "angle_max_mdeg"
    if not values["angle_min_mdeg"] <= values["start_mdeg"] <= values["angle_max_mdeg"]:
        return "start_mdeg"
    return ""


def _contradiction(values: dict) -> str:
    name = contradiction(values)
    if name:
        return name
    for k in range(1, values["outputs"] + 1):
        # Equal would leave open which side of the angle operates.
        if values["operate_mdeg_%d" % k] == values["release_mdeg_%d" % k]:
            return "release_mdeg_%d" % k
    return ""


def _wiring_contradiction(values: dict) -> str:
    for k in (1, 2):
        address = values["meter_%d" % k]
        if address and not values["bus"]:
            return "meter_%d" % k
        if address and not values["cal_%d" % k]:
            return "cal_%d" % k  # its currents would all read 0
    if values["meter_2"] and values["meter_2"] == values["meter_1"]:
        return "meter_2"
    if values["tach"] and values["tach"] - 1 not in _TACH_LINES[: 2 if values["bus"] else 4]:
        return "tach"
    return ""


class Blob:
    # One record in force: its bytes, their CRC and the parsed values; without a record, data is b"" and crc
    # 0.
    def __init__(self, kind: int, file: str) -> None:
        self.kind = kind
        self.file = file
        self.clear()

    def clear(self) -> None:
        self.data = b""
        self.crc = 0
        self.values: dict | None = None

    def take(self, data: bytes, values: dict) -> None:
        self.data = bytes(data)
        self.crc = crc32(self.data)
        self.values = values
