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
    if data[0] != family_blobs.VERSION:
        return None, 0
    if not family_blobs.ANALOG <= data[1] <= family_blobs.SINCOS:
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
    # As parse(), of a trim; of its points two arrays are kept.
    fields = family_blobs.trim_fields()
    values, bad = blobs.unpack(fields, data)
    if values is None:
        return None, bad
    count = values["points"]
    commands = array("H", [values["command_%d" % k] for k in range(1, count + 1)])
    outputs = array("H", [values["output_%d" % k] for k in range(1, count + 1)])
    for k in range(1, count):
        # Rows 0 to 4 come before the points.
        if commands[k] <= commands[k - 1]:
            return None, 5 + 2 * k
        if outputs[k] < outputs[k - 1]:
            return None, 6 + 2 * k
    if outputs[count - 1] == outputs[0]:
        return None, 6
    return {"profile_crc": values["profile_crc"], "commands": commands, "outputs": outputs}, -1


def _trim(jig: "Jig", values: dict, crc: int) -> "Trim | None":
    kept = jig.trim.values
    if kept is None or kept["profile_crc"] != crc or "low_permyriad" not in values:
        return None
    from firmware.trim import Trim

    return Trim(kept, values)


def for_profile(jig: "Jig", values: dict, crc: int) -> bool:
    # crc: of the profile's record. A trim that was made for another is not for this output.
    # True when the jig can stand in for the sensor of a profile. The family before ends here: while nothing is driven.
    gc.collect()
    try:
        from firmware.curve import Curve
        from firmware.following import Following

        module = _module(values["family"])
        jig.coming = Following(jig.board, module.Output(jig.board, values), Curve(values, _trim(jig, values, crc)))
    except MemoryError as error:
        jig.log_exception(error)  # what was loaded so far is forgotten with all that is not in force
        return False
    gc.collect()
    return True
