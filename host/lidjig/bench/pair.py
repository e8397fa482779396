"""Does this sensor fit this machine? Checked before anything is driven."""

from __future__ import annotations

from lidjig.bench.machine import MachineProfile
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput


def closing_angle_deg(sensor: SensorProfile, lid_rule: str) -> float:
    """Angle on the way down at which the lid outputs together say shut. lid_rule: "all" or "any" output
    operated.
    """
    angles = [o.operate_deg for o in sensor.lid_outputs()]
    return min(angles) if lid_rule == "all" else max(angles)


def opening_angle_deg(sensor: SensorProfile, lid_rule: str) -> float:
    """Angle on the way up at which the lid outputs together stop saying shut."""
    angles = [o.release_deg for o in sensor.lid_outputs()]
    return min(angles) if lid_rule == "all" else max(angles)


def check_pair(sensor: SensorProfile, machine: MachineProfile, file: str = "") -> None:
    """Raises BadInput where the sensor profile cannot stand for the sensor of this machine.

    file: named in the error; by default the sensor profile's name.
    """
    file = file or f"sensor {sensor.name}"
    _check_supply(sensor, machine, file)
    used = [o.line for o in sensor.output]
    for index, number in enumerate(used):
        line = machine.line_number(number)
        if line is None:
            accepted = (
                f"line {', '.join(map(str, machine.line_numbers()))}: machine {machine.name} has no other"
            )
            raise BadInput(file, f"output[{index}].line", number, accepted)
        if line.pull == "none" and sensor.output[index].drive == "open-drain":
            accepted = (
                f"'push-pull': line {number} of machine {machine.name} has no pull to give the high level"
            )
            raise BadInput(file, f"output[{index}].drive", "open-drain", accepted)
        _check_level(sensor, machine, file, index)
    for number in machine.line_numbers():
        if number not in used:
            lines = ", ".join(map(str, machine.line_numbers()))
            accepted = f"an output for each line of machine {machine.name}: {lines}"
            raise BadInput(file, "output", [f"line {n}" for n in used], accepted)
    _check_angles(sensor, machine, file)


def _check_level(sensor: SensorProfile, machine: MachineProfile, file: str, index: int) -> None:
    """A sensor that says shut by the other level would be taken as open, and a healthy machine as broken."""
    output = sensor.output[index]
    line = machine.line_number(output.line)
    if line is not None and output.active != line.active:
        at = machine.line.index(line)
        accepted = f"{line.active!r}: machine {machine.name} has line[{at}].active = {line.active!r} there"
        raise BadInput(file, f"output[{index}].active", output.active, accepted)


def _check_supply(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    given = f"machine {machine.name} gives {machine.supply.min_v:g}..{machine.supply.max_v:g} V"
    if sensor.supply.min_v > machine.supply.min_v:
        raise BadInput(
            file, "supply.min_v", sensor.supply.min_v, f"at most {machine.supply.min_v:g}: {given}"
        )
    if sensor.supply.max_v < machine.supply.max_v:
        raise BadInput(
            file, "supply.max_v", sensor.supply.max_v, f"at least {machine.supply.max_v:g}: {given}"
        )


def _check_angles(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    windows = machine.windows
    shut = closing_angle_deg(sensor, machine.lid_rule)
    if not windows.close_min_deg <= shut <= windows.close_max_deg:
        window = f"{windows.close_min_deg:g}..{windows.close_max_deg:g}"
        accepted = f"{window}, the closing window of machine {machine.name}"
        raise BadInput(file, "output.operate_deg", shut, accepted)
    opened = opening_angle_deg(sensor, machine.lid_rule)
    if not windows.open_min_deg <= opened <= windows.open_max_deg:
        window = f"{windows.open_min_deg:g}..{windows.open_max_deg:g}"
        accepted = f"{window}, the opening window of machine {machine.name}"
        raise BadInput(file, "output.release_deg", opened, accepted)
