"""A magnet that was put in turned over: what the outputs of a switch that is given in mT make of it."""

from __future__ import annotations

import msgspec

from lidjig.bench.field import angles
from lidjig.bench.sensor import Output, SensorProfile
from lidjig.errors import BadInput

_KEY = "sensor.magnet.turned_over"


def outputs_turned(profile: SensorProfile, file: str) -> dict[int, Output | None]:
    """By line: the output with the angles at which it operates and releases now; None where it never operates.

    Raises BadInput for a sensor whose field is not known, and for one that two angles cannot describe any more.
    """
    if profile.field is None:
        accepted = f"false with sensor {profile.name}: only a profile with operate_mt and [field] says what a pole does"
        raise BadInput(file, _KEY, True, accepted)
    field, low, high = profile.field.turned_over(), profile.range.angle_min_deg, profile.range.angle_max_deg
    found: dict[int, Output | None] = {}
    for index, output in enumerate(profile.output):
        found[output.line] = output
        if output.operate_mt is None:
            continue
        try:
            pair = angles(field, output, index, low, high, file)
        except BadInput as error:
            accepted = f"false with sensor {profile.name}: {error.key} would have to be {error.accepted}"
            raise BadInput(file, _KEY, True, accepted) from error
        if pair is None:
            found[output.line] = None
        else:
            found[output.line] = msgspec.structs.replace(output, operate_deg=pair[0], release_deg=pair[1])
    return found
