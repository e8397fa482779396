# The profile of a sensor that tells an angle, and the parts that stand in for it. Loaded when such a profile comes: a
# bench with a switch never has them in memory.
import gc
import sys
from array import array

from firmware import profile
from shared_proto import blobs, family_blobs
from shared_proto.blobs import ANGLE_MAX_MDEG

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from firmware.jig import Jig
    from firmware.trim import Trim


# Modules that all families share, and the beginnings of the names of those that one needs. A family in force holds what
# it has of the latter by itself.
_SHARED = (
    "firmware.angle_parts",
    "firmware.curve",
    "firmware.curve_words",
    "firmware.families",
    "firmware.families.base",
    "firmware.following",
    "shared_proto.family_blobs",
)
_OF_ONE = ("firmware.families.", "firmware.dac", "firmware.trim", "boards.i2c_target", "boards.pio_", "boards.pwm_out")


def forget_others(jig: "Jig") -> None:
    # Service loop, after a record has come: what a family brought that is not in force any more, or never was. Free is
    # what nobody holds then.
    kept: tuple = ()
    values = jig.profile.values
    if values is not None and jig.tick.following() is not None:
        kept = _SHARED + ("firmware.families." + family_blobs.FAMILIES[values["family"]],)
    for name in list(sys.modules):
        if name not in kept and (name in _SHARED or [1 for begin in _OF_ONE if name.startswith(begin)]):
            _forget(name)
    gc.collect()


def _forget(name: str) -> None:
    # From the table of modules, and from the package, which knows it as well.
    sys.modules.pop(name)
    package, _, last = name.rpartition(".")
    if package in sys.modules and hasattr(sys.modules[package], last):
        delattr(sys.modules[package], last)


def parse(data: bytes) -> tuple:
    # (values, -1), or (None, position of the first bad field). Layout and family are the ones that it names itself; of
    # one that nobody knows the version is what is wrong.
    known = family_blobs.ANALOG <= data[1] <= family_blobs.SINCOS
    if data[0] != (family_blobs.version(data[1]) if known else family_blobs.VERSION):
        return None, 0
    if not known:
        return None, 1
    return profile.parse_by(family_blobs.fields(data[1]), _contradiction, data)


def _module(family: int) -> "Any":
    return __import__("firmware.families." + family_blobs.FAMILIES[family], None, None, ("Output",))


def _contradiction(values: dict) -> str:
    name = profile.contradiction(values) or _angle_contradiction(values)
    if name:
        return name
    # What only the family can say, and the board behind it.
    try:
        module = _module(values["family"])
    except MemoryError:
        return ""  # for_profile() will say so
    return module.wrong(values) if hasattr(module, "wrong") else ""


def _angle_contradiction(values: dict) -> str:
    if values["operate_mdeg_1"] >= values["release_mdeg_1"]:
        return "release_mdeg_1"
    if values["wrap"]:
        return "" if values["span_mdeg"] == ANGLE_MAX_MDEG else "span_mdeg"
    return "span_mdeg" if values["zero_mdeg"] + values["span_mdeg"] > ANGLE_MAX_MDEG else ""


def parse_trim(data: bytes) -> tuple:
    # As parse(), of a trim; of its points two arrays are kept: "out", or "sin" and "cos" of a trim of two outputs.
    if data and data[0] == family_blobs.TRIM_PAIR_VERSION:
        return _parse_pair(data)
    values, bad = blobs.unpack(family_blobs.trim_fields(), data)
    if values is None:
        return None, bad
    points, bad = _points(values)
    if points is None:
        return None, 2 + bad
    return {"profile_crc": values["profile_crc"], "out": points}, -1


def _parse_pair(data: bytes) -> tuple:
    # One output after the other by the same rows, which take half of the memory that those of the record would.
    if len(data) < 5:
        return None, 1
    kept: dict = {"profile_crc": int.from_bytes(data[1:5], "little")}
    rows = family_blobs.trim_output_fields()
    at, row = 5, 2
    for signal in family_blobs.TRIM_SIGNALS:
        values, bad = blobs.unpack(rows, data[at : at + family_blobs.TRIM_OUTPUT_BYTES])
        if values is None:
            return None, row + bad
        points = None
        if values["points"]:
            bad = _no_trim(values)
            if bad >= 0:
                return None, row + bad
            points, bad = _points(values)
            if points is None:
                return None, row + bad
        kept[signal] = points
        at += family_blobs.TRIM_OUTPUT_BYTES
        row += family_blobs.TRIM_OUTPUT_ROWS
    return (kept, -1) if 1 <= len(data) - at <= 65 else (None, row)


def _no_trim(values: dict) -> int:
    # Position of what an output that is trimmed cannot have, or -1.
    if values["made_utc_s"] == 0:
        return 0
    if values["supply_mv"] < family_blobs.TRIM_SUPPLY_MIN_MV:
        return 1
    return 2 if values["points"] < family_blobs.TRIM_POINTS_MIN else -1


def _points(values: dict) -> tuple:
    # Those of one output: (arrays of commands and outputs, -1), or (None, position of the first bad row of it).
    count = values["points"]
    commands = array("H", [values["command_%d" % k] for k in range(1, count + 1)])
    outputs = array("H", [values["output_%d" % k] for k in range(1, count + 1)])
    for k in range(1, count):
        # Rows 0 to 2 come before the points.
        if commands[k] <= commands[k - 1]:
            return None, 3 + 2 * k
        if outputs[k] < outputs[k - 1]:
            return None, 4 + 2 * k
    if outputs[count - 1] == outputs[0]:
        return None, 4
    return (commands, outputs), -1


def _trim(kept: "dict | None", values: dict) -> "Trim | None":
    if kept is None or "out" not in kept or "low_permyriad" not in values:
        return None
    from firmware.trim import Trim

    return Trim(kept["out"], values)


def _fold_pair(output: "Any", kept: "dict | None") -> None:
    # Sine and cosine are levels already, each with a table of its own.
    if kept is not None and "sin" in kept and hasattr(output, "trim"):
        output.trim(kept["sin"], kept["cos"])


def for_profile(jig: "Jig", values: dict, crc: int) -> bool:
    # crc: of the profile's record. A trim that was made for another is not for this output.
    # True when the jig can stand in for the sensor of a profile. The family before ends here: while nothing is driven.
    gc.collect()
    try:
        from firmware.curve import Curve
        from firmware.following import Following

        module = _module(values["family"])
        kept = jig.trim.values
        if kept is not None and kept["profile_crc"] != crc:
            kept = None
        output = module.Output(jig.board, values)
        _fold_pair(output, kept)
        jig.coming = Following(jig.board, output, Curve(values, _trim(kept, values)))
    except MemoryError as error:
        jig.log_exception(error)  # what was loaded so far is forgotten with all that is not in force
        return False
    gc.collect()
    return True
