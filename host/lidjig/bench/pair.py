"""Does this sensor fit this machine? Checked before anything is driven."""

from __future__ import annotations

from lidjig.bench.machine import MachineProfile
from lidjig.bench.observers import BUS_LINES
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput

# Observers whose pins a family has for itself (device/WIRING.md).
_PINS_OF = {"quadrature": ("observer_3", "observer_4"), "ssi": ("observer_1",)}


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
    _check_dac(sensor, machine, file)
    _check_target(sensor, machine, file)
    _check_pins(sensor, machine, file)
    used = sensor.lines()
    for index, number in enumerate(used):
        key = f"output[{index}].line" if sensor.is_switch else f"family {sensor.family!r}, line"
        line = machine.line_number(number)
        if line is None:
            accepted = (
                f"line {', '.join(map(str, machine.line_numbers()))}: machine {machine.name} has no other"
            )
            raise BadInput(file, key, number, accepted)
        if not sensor.is_switch:
            continue
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
            raise BadInput(file, "output" if sensor.is_switch else "family", [f"line {n}" for n in used], accepted)
    _check_angles(sensor, machine, file)


def check_readable(sensor: SensorProfile, machine: MachineProfile) -> None:
    """Raises BadInput where the jig cannot read the real sensor of this machine: it selects one on SSI with the pin of
    observer 2 (device/WIRING.md).
    """
    observer = machine.observers.observer_2
    if sensor.family == "ssi" and observer is not None:
        accepted = "none: the jig selects a real sensor with that pin; wire the signal to observer 3 or 4"
        raise BadInput(f"machine {machine.name}", "observers.observer_2.signal", observer.signal, accepted)


def _check_target(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    """The jig answers on an I2C bus with the pins of observers 1 and 2."""
    for line in ("observer_1", "observer_2") if sensor.family == "i2c" else ():
        if getattr(machine.observers, line) is not None:
            accepted = f"a machine profile without {line}, whose pin carries the sensor's bus ({machine.name} has it)"
            raise BadInput(file, "family", "i2c", accepted)


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


def _check_dac(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    """The jig's DAC is on its bus, whose pins two observers may have."""
    for line in BUS_LINES if sensor.uses_bus else ():
        if getattr(machine.observers, line) is not None:
            accepted = f"'filtered-pwm': machine {machine.name} has {line} on a pin of the bus that the DAC would be on"
            raise BadInput(file, "encoding.via", "dac", accepted)


def _check_pins(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    """Some families have the pins of observers for themselves, or those of the bus, which are observers' too."""
    pins = _PINS_OF.get(sensor.family, ())
    for observer in pins:
        if getattr(machine.observers, observer) is not None:
            accepted = f"another family, or no observers.{observer}: machine {machine.name} has it on a pin of this one"
            raise BadInput(file, "family", sensor.family, accepted)
    if machine.meter and set(pins) & set(BUS_LINES):
        accepted = f"another family, or no [[meter]]: machine {machine.name} has the bus on pins of this family"
        raise BadInput(file, "family", sensor.family, accepted)


def _check_angles(sensor: SensorProfile, machine: MachineProfile, file: str) -> None:
    windows = machine.windows
    shut = closing_angle_deg(sensor, machine.lid_rule)
    if not windows.close_min_deg <= shut <= windows.close_max_deg:
        window = f"{windows.close_min_deg:g}..{windows.close_max_deg:g}"
        accepted = f"{window}, the closing window of machine {machine.name}"
        raise BadInput(file, "output.operate_deg" if sensor.is_switch else "lid.shut_deg", shut, accepted)
    opened = opening_angle_deg(sensor, machine.lid_rule)
    if not windows.open_min_deg <= opened <= windows.open_max_deg:
        window = f"{windows.open_min_deg:g}..{windows.open_max_deg:g}"
        accepted = f"{window}, the opening window of machine {machine.name}"
        raise BadInput(file, "output.release_deg" if sensor.is_switch else "lid.open_deg", opened, accepted)
