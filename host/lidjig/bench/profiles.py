"""Profiles by name or by file: the shipped ones in bench/data, or the user's own."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import TypeVar

from lidjig.bench import reader
from lidjig.bench.field import with_angles
from lidjig.bench.machine import MachineProfile
from lidjig.bench.machine_check import check_machine
from lidjig.bench.sensor import SensorProfile, check_sensor
from lidjig.errors import BadInput

DEMO_SENSOR = "hinge-a1"
DEMO_MACHINE = "alder-14"

T = TypeVar("T")


def shipped(kind: str) -> list[str]:
    """Names of the shipped profiles, sorted. kind: "sensors" or "machines"."""
    folder = resources.files("lidjig.bench") / "data" / kind
    return sorted(
        entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")
    )


def load_sensor(name_or_path: str | Path) -> tuple[SensorProfile, str]:
    """(profile, its full text for the record). Raises BadInput for whatever is wrong with it."""
    file, text = _text(name_or_path, "sensors", "sensor")
    return parse_sensor(text, file), text


def load_sensor_of(machine: MachineProfile, file: str) -> tuple[SensorProfile, str]:
    """The sensor that a machine profile names, as load_sensor() gives it. file: the machine profile's, for errors."""
    try:
        return load_sensor(machine.sensor)
    except BadInput as error:
        if error.file:  # the sensor profile itself is at fault, and says where
            raise
        raise BadInput(file, "sensor", machine.sensor, error.accepted) from error


def check_family(sensor: SensorProfile, machine: MachineProfile) -> None:
    """Raises BadInput where a sensor that was named speaks otherwise than the machine's own: such a machine hears
    nothing, which would look like a fault of its board. Where the machine's own cannot be had nothing is compared.
    """
    try:
        own = load_sensor(machine.sensor)[0]
    except BadInput:
        return
    if own.family != sensor.family:
        accepted = f"one of family {own.family!r}, as {own.name} is, which machine {machine.name} has"
        raise BadInput("", "--sensor", f"{sensor.name} (family {sensor.family})", accepted)


def load_machine(name_or_path: str | Path) -> tuple[MachineProfile, str]:
    """(profile, its full text for the record). Raises BadInput for whatever is wrong with it."""
    file, text = _text(name_or_path, "machines", "machine")
    return parse_machine(text, file), text


def parse_sensor(text: str, file: str) -> SensorProfile:
    """A sensor profile from its text, checked. file: the name that errors give."""
    sensor = with_angles(reader.read_toml(text, SensorProfile, file), file)
    check_sensor(sensor, file)
    return sensor


def parse_machine(text: str, file: str) -> MachineProfile:
    """A machine profile from its text, checked. file: the name that errors give."""
    machine = reader.read_toml(text, MachineProfile, file)
    check_machine(machine, file)
    return machine


def _text(name_or_path: str | Path, kind: str, what: str) -> tuple[str, str]:
    """(file as errors name it, text) of a shipped profile or a file."""
    given = str(name_or_path)
    names = shipped(kind)
    if isinstance(name_or_path, str) and given in names:
        entry = resources.files("lidjig.bench") / "data" / kind / f"{given}.toml"
        return f"{given}.toml", entry.read_text(encoding="utf-8")
    path = Path(name_or_path)
    looks_like_path = (
        isinstance(name_or_path, Path) or given.endswith(".toml") or any(c in given for c in "/\\")
    )
    if looks_like_path or _exists(path):
        return given, reader.read_text(path, what)
    accepted = f"one of {', '.join(names)}, or the path of a TOML file{reader.nearest(given, names)}"
    raise BadInput("", what, given, accepted)


def _exists(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name too long or with a NUL is no file
        return False
