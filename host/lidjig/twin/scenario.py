"""Scenarios: a simulated bench in one TOML file, read and checked here. Every key stands in SCENARIOS.md."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from lidjig.bench import reader
from lidjig.bench.actions import ACTIONS, words_of
from lidjig.bench.field import with_angles
from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.bench.profiles import shipped as shipped_profiles
from lidjig.bench.sensor import SensorProfile, check_sensor
from lidjig.errors import BadInput
from lidjig.twin import catalogue
from lidjig.twin.model import Latency, MachineModel, Milliseconds
from lidjig.twin.mounting import InsidePart, MountingPart, check_mounting
from lidjig.twin.turned import outputs_turned

SEED_MAX = 0xFFFFFFFF

Degrees = Annotated[float, Meta(ge=0.0, le=360.0)]


class MachinePart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Which model machine, how its parameters differ, and how it stands at the start."""

    model: str | None = None
    parameters: dict[str, Any] = {}
    start_state: Literal["S5", "S0", "S3"] = "S5"
    charger: bool = True


class Magnet(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Field angle = gain x lid angle + offset_deg. turned_over: north and south changed over."""

    gain: Annotated[float, Meta(ge=0.1, le=10.0)] = 1.0
    offset_deg: Annotated[float, Meta(ge=-90.0, le=90.0)] = 0.0
    turned_over: bool = False


class SensorPart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Which sensor is on the hinge, its magnet, and what its profile does not say."""

    profile: str | None = None
    parameters: dict[str, Any] = {}
    magnet: Magnet = Magnet()
    mounting: MountingPart | None = None
    inside: InsidePart | None = None
    current_ma: Annotated[float, Meta(ge=0.0, le=50.0)] | None = None
    on_ohm: Annotated[float, Meta(ge=0.1, le=10000.0)] = 30.0
    off_mohm: Annotated[float, Meta(ge=0.01, le=1000.0)] = 20.0
    start_ms: Milliseconds = 1.0


class JigPart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where the jig sits, and what kind of board it is."""

    fitted: Literal["between", "selftest-plug"] = "between"
    sensor_fitted: bool = True
    board_id: Annotated[str, Meta(pattern=r"^[0-9a-f]{16}$")] = "4c4a000000000042"
    adc_noise_lsb: Annotated[float, Meta(ge=0.0, le=64.0)] = 2.0
    adc_offset_mv: Annotated[float, Meta(ge=-100.0, le=100.0)] = 1.0
    adc_spikes: bool = True
    heap_free: Annotated[int, Meta(ge=0, le=1048576)] = 120000
    ticks_start_s: Annotated[float, Meta(ge=0.0, le=1073.7)] = 0.4
    boot_ms: Milliseconds = 600.0
    usb_ms: Milliseconds = 0.5
    kept: bool | str = False
    stage_gain_percent: Annotated[float, Meta(ge=-20.0, le=20.0)] = 0.0
    stage_offset_mv: Annotated[float, Meta(ge=-200.0, le=200.0)] = 0.0
    stage_bend_percent: Annotated[float, Meta(ge=-5.0, le=5.0)] = 0.0
    stage_2_gain_percent: Annotated[float, Meta(ge=-20.0, le=20.0)] = 0.0
    stage_2_offset_mv: Annotated[float, Meta(ge=-200.0, le=200.0)] = 0.0
    stage_2_bend_percent: Annotated[float, Meta(ge=-5.0, le=5.0)] = 0.0


class OperatorPart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The person at the bench and the real lid."""

    reaction_min_s: Annotated[float, Meta(ge=0.0, le=60.0)] = 1.0
    reaction_max_s: Annotated[float, Meta(ge=0.0, le=60.0)] = 2.5
    lid_s: Annotated[float, Meta(ge=0.01, le=60.0)] = 0.7
    mark_after_s: Annotated[float, Meta(ge=0.0, le=60.0)] = 0.4
    lid_deg: Degrees = 110.0
    open_deg: Degrees = 110.0
    shut_deg: Degrees = 0.0
    meter_percent: Annotated[float, Meta(ge=0.0, le=5.0)] = 0.05
    meter_counts: Annotated[float, Meta(ge=1.0, le=100.0)] = 2.0
    meter_step_mv: Annotated[float, Meta(ge=0.001, le=100.0)] = 0.1


class EventPart(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Something that happens by itself at a given time."""

    at_s: Annotated[float, Meta(ge=0.0, le=1e6)]
    do: str
    volts: Annotated[float, Meta(ge=0.0, le=6.5)] | None = None


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    title: Annotated[str, Meta(max_length=200)] = ""
    seed: Annotated[int, Meta(ge=0, le=SEED_MAX)] = 1
    machine: MachinePart = MachinePart()
    sensor: SensorPart = SensorPart()
    jig: JigPart = JigPart()
    operator: OperatorPart = OperatorPart()
    fault: list[dict[str, Any]] = []
    event: Annotated[list[EventPart], Meta(max_length=100)] = []


@dataclass(frozen=True)
class Fault:
    """One fault, its parameters complete."""

    where: str
    kind: str
    parameters: dict[str, float | str]

    def number(self, name: str) -> float:
        """A numeric parameter."""
        return float(self.parameters[name])


@dataclass(frozen=True)
class Scenario:
    """A simulated bench, checked and complete. file: as errors and records name it; text: for the record."""

    file: str
    text: str
    title: str
    seed: int
    machine: MachineModel
    start_state: str
    charger: bool
    profile: SensorProfile
    sensor: SensorPart
    jig: JigPart
    operator: OperatorPart
    faults: tuple[Fault, ...]
    events: tuple[EventPart, ...]
    expected: SensorProfile  # the sensor that the machine was built for
    kept: tuple[bytes, bytes] | None = None  # sensor profile and wiring on the jig's flash; None = a fresh jig


def faults_of(faults: tuple[Fault, ...], where: str, kind: str) -> list[Fault]:
    """Those of one kind."""
    return [fault for fault in faults if fault.where == where and fault.kind == kind]


def shipped() -> list[str]:
    """Names of the example scenarios, sorted."""
    folder = resources.files("lidjig.twin") / "scenarios"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def models() -> list[str]:
    """Names of the model machines, sorted."""
    folder = resources.files("lidjig.twin") / "machines"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load_scenario(name_or_path: str | Path) -> Scenario:
    """A scenario by the name of a shipped one, or by path. Raises BadInput for whatever is wrong with it."""
    given = str(name_or_path)
    if isinstance(name_or_path, str) and given in shipped():
        entry = resources.files("lidjig.twin") / "scenarios" / f"{given}.toml"
        return parse_scenario(entry.read_text(encoding="utf-8"), f"{given}.toml", None)
    path = Path(name_or_path)
    if path.suffix != ".toml" and not any(c in given for c in "/\\") and not path.is_file():
        near = difflib.get_close_matches(given, shipped(), n=3, cutoff=0.5)
        near += [one for one in shipped() if given and given in one and one not in near][: 3 - len(near)]
        told = f" (near to it: {', '.join(near)})" if near else ""
        accepted = f"the name of a shipped scenario{told}, or the path of a TOML file"
        raise BadInput("", "scenario", given, accepted, "List the scenarios with 'lidjig profiles'; or --link twin.")
    return parse_scenario(reader.read_text(path, "scenario"), given, path.parent)


def default_scenario() -> Scenario:
    """The healthy demo bench."""
    return load_scenario("healthy-alder-14")


def operator_knows(action: str) -> bool:
    """Whether the simulated operator has a way to do what this prompt asks."""
    return words_of(action) is not None


def parse_scenario(text: str, file: str, folder: Path | None = None) -> Scenario:
    """A scenario from its text. folder: where relative profile paths start. Raises BadInput."""
    read = reader.read_toml(text, _File, file)
    machine = _machine(read.machine, file)
    profile = _profile(read.sensor, machine, file, folder)
    check_mounting(profile, read.sensor.mounting, read.sensor.inside, file)
    if read.sensor.magnet.turned_over:
        outputs_turned(profile, file)
    _check_dac(profile, machine, file)
    _check_stage(read.jig, profile, file)
    faults = tuple(_fault(row, index, machine, profile, file) for index, row in enumerate(read.fault))
    _check_repeats(faults, file)
    for index, event in enumerate(read.event):
        _check_event(event, f"event[{index}]", file)
    if read.operator.reaction_max_s < read.operator.reaction_min_s:
        accepted = f"at least operator.reaction_min_s = {read.operator.reaction_min_s:g}"
        raise BadInput(file, "operator.reaction_max_s", read.operator.reaction_max_s, accepted)
    return Scenario(
        file=file, text=text, title=read.title, seed=read.seed, machine=machine,
        start_state=read.machine.start_state, charger=read.machine.charger, profile=profile, sensor=read.sensor,
        jig=read.jig, operator=read.operator, faults=faults, events=tuple(read.event),
        expected=_expected(read.sensor, machine, profile),
        kept=_kept(read.jig.kept, machine, profile, file, folder),
    )  # fmt: skip


def _machine(part: MachinePart, file: str) -> MachineModel:
    table: dict[str, Any] = {}
    name = part.model or ("alder-14" if not part.parameters else None)
    if name is not None:
        if name not in models():
            accepted = f"one of {', '.join(models())}{reader.nearest(name, models())}"
            raise BadInput(file, "machine.model", name, accepted)
        entry = resources.files("lidjig.twin") / "machines" / f"{name}.toml"
        table = reader.parse_toml(entry.read_text(encoding="utf-8"), f"{name}.toml")
    table = _merged(table, part.parameters)
    try:
        model = reader.convert(table, MachineModel, file)
    except BadInput as error:
        raise BadInput(file, f"machine.parameters.{error.key}", error.value, error.accepted) from error
    for name in ("start", "sleep", "wake"):
        _check_latency(getattr(model.latency, name), f"machine.parameters.latency.{name}", file)
    numbers = [line.number for line in model.line]
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        key = f"machine.parameters.line[{len(numbers) - 1}].number"
        raise BadInput(file, key, numbers[-1], "1 for a single line, 1 and 2 for two")
    _check_observers(model, file)
    return model


def _check_observers(model: MachineModel, file: str) -> None:
    """Pins are used once, parts told apart, and habits do not contradict each other."""
    at = "machine.parameters"
    for index, meter in enumerate(model.meter):
        for other in model.meter[:index]:
            if meter.number == other.number:
                raise BadInput(file, f"{at}.meter[{index}].number", meter.number, "each power monitor once")
            if meter.address == other.address:
                raise BadInput(file, f"{at}.meter[{index}].address", meter.address, "an address of its own")
    for number in (3, 4):
        signal = model.wired.signals()[number - 1]
        if model.meter and signal != "none":
            accepted = "'none' where there are power monitors: their bus has the pins of observers 3 and 4"
            raise BadInput(file, f"{at}.wired.observer_{number}", signal, accepted)
    if model.charging.ma and model.battery.share_percent:
        accepted = "0 where charging.ma is not: a battery that charges carries no load"
        raise BadInput(file, f"{at}.battery.share_percent", model.battery.share_percent, accepted)
    light = model.power_light
    if light.period_ms and light.on_ms >= light.period_ms:
        raise BadInput(file, f"{at}.power_light.on_ms", light.on_ms, f"below period_ms = {light.period_ms:g}")


def _check_dac(profile: SensorProfile, model: MachineModel, file: str) -> None:
    """A DAC that the jig stands in with is on the bus, too."""
    for number in (3, 4) if profile.uses_bus else ():
        signal = model.wired.signals()[number - 1]
        if signal != "none":
            accepted = f"'none' with sensor {profile.name}: the bus of the jig's DAC has the pins of observers 3 and 4"
            raise BadInput(file, f"machine.parameters.wired.observer_{number}", signal, accepted)


def _check_stage(jig: JigPart, profile: SensorProfile, file: str) -> None:
    """Only the module of a line that carries a voltage has an output stage."""
    for line, families in (("stage", ("analog", "sincos")), ("stage_2", ("sincos",))):
        for key in (f"{line}_gain_percent", f"{line}_offset_mv", f"{line}_bend_percent"):
            if getattr(jig, key) and profile.family not in families:
                of = " or ".join(families)
                accepted = f"0 with sensor {profile.name}: only a sensor of family {of} has a stage of the jig there"
                raise BadInput(file, f"jig.{key}", getattr(jig, key), accepted)


def _check_latency(latency: Latency, key: str, file: str) -> None:
    """The median lies between the bounds, or every latency would be clipped to one of them."""
    if latency.max_ms < latency.min_ms:
        raise BadInput(file, f"{key}.max_ms", latency.max_ms, f"at least min_ms = {latency.min_ms:g}")
    if not latency.min_ms <= latency.median_ms <= latency.max_ms:
        accepted = f"min_ms to max_ms, {latency.min_ms:g} to {latency.max_ms:g}"
        raise BadInput(file, f"{key}.median_ms", latency.median_ms, accepted)


def _merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in over.items():
        if isinstance(value, dict) and isinstance(out.get(key), dict):
            out[key] = _merged(out[key], value)
        else:
            out[key] = value
    return out


def _profile(part: SensorPart, machine: MachineModel, file: str, folder: Path | None) -> SensorProfile:
    if part.parameters:
        if part.profile is not None:
            raise BadInput(file, "sensor.profile", part.profile, "either sensor.profile or sensor.parameters")
        try:
            profile = with_angles(reader.convert(part.parameters, SensorProfile, file), file)
            check_sensor(profile, file)
        except BadInput as error:
            raise BadInput(file, f"sensor.parameters.{error.key}", error.value, error.accepted) from error
        return profile
    name = part.profile or machine.sensor
    if folder is not None and name.endswith(".toml") and not Path(name).is_absolute():
        return load_sensor(folder / name)[0]
    try:
        return load_sensor(name)[0]
    except BadInput as error:
        if error.file:  # the profile itself is at fault, and says where
            raise
        raise BadInput(file, "sensor.profile", name, error.accepted) from error


def _expected(part: SensorPart, machine: MachineModel, profile: SensorProfile) -> SensorProfile:
    """What the machine was built for: its own sensor, or the one on the hinge where the scenario describes that."""
    if part.parameters or part.profile is None or part.profile == machine.sensor:
        return profile
    try:
        return load_sensor(machine.sensor)[0]
    except BadInput:  # named by a path that only this scenario's folder knows
        return profile


def _fault(row: dict[str, Any], index: int, machine: MachineModel, profile: SensorProfile, file: str) -> Fault:
    at = f"fault[{index}]"
    where, kind = row.get("where"), row.get("kind")
    if where not in catalogue.WHERE:
        near = reader.nearest(str(where), catalogue.WHERE)
        raise BadInput(file, f"{at}.where", where, f"one of {', '.join(catalogue.WHERE)}{near}")
    known = catalogue.kinds(str(where))
    entry = catalogue.find(str(where), str(kind))
    if entry is None:
        near = reader.nearest(str(kind), known)
        raise BadInput(file, f"{at}.kind", kind, f"one of {', '.join(known)} for where = {where!r}{near}")
    allowed = ["where", "kind", *(parameter.name for parameter in entry.parameters)]
    for key in row:
        if key not in allowed:
            near = reader.nearest(key, allowed)
            raise BadInput(file, f"{at}.{key}", row[key], f"the keys {', '.join(allowed)} for kind {kind!r}{near}")
    values = {p.name: _parameter(p, row.get(p.name, p.default), f"{at}.{p.name}", file) for p in entry.parameters}
    _check_line(entry, values, at, machine, profile, file)
    _check_of_angle(str(kind), at, profile, file)
    if where == "bus":
        _check_meter(str(kind), values, at, machine, file)
    return Fault(str(where), str(kind), values)


def _kept(
    kept: bool | str, machine: MachineModel, profile: SensorProfile, file: str, folder: Path | None
) -> tuple[bytes, bytes] | None:
    """What an earlier command has left on the jig's flash: the profile of the sensor on the hinge, and the wiring of a
    machine profile, the machine's own where none is named.
    """
    if kept is False:
        return None
    if kept is True:
        if machine.name not in shipped_profiles("machines"):
            accepted = f"the name or path of a machine profile: there is none by the name of {machine.name}"
            raise BadInput(file, "jig.kept", True, accepted)
        kept = machine.name
    try:
        named = folder / kept if folder is not None and kept.endswith(".toml") else kept
        return profile.to_blob(), load_machine(named)[0].wiring_blob()
    except BadInput as error:
        if error.file:  # the profile itself is at fault, and says where
            raise
        raise BadInput(file, "jig.kept", kept, f"true, false, {error.accepted}") from error


def _check_repeats(faults: tuple[Fault, ...], file: str) -> None:
    seen: set[tuple[str, str, object]] = set()
    for index, fault in enumerate(faults):
        which = fault.parameters.get("line", fault.parameters.get("meter"))
        key = (fault.where, fault.kind, which)
        if key in seen:
            raise BadInput(file, f"fault[{index}].kind", fault.kind, "each fault once, or on another line or meter")
        seen.add(key)


def _parameter(parameter: catalogue.Parameter, value: object, key: str, file: str) -> float | str:
    if parameter.choices:
        if value not in parameter.choices:
            raise BadInput(file, key, value, f"one of {', '.join(parameter.choices)}")
        return str(value)
    unit = f" {parameter.unit}" if parameter.unit else ""
    accepted = f"{parameter.low:g}..{parameter.high:g}{unit}"
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise BadInput(file, key, value, f"a number, {accepted}")
    if not parameter.low <= value <= parameter.high:
        raise BadInput(file, key, value, accepted)
    if parameter.name in catalogue.WHOLE and value != int(value):
        raise BadInput(file, key, value, f"a whole number, {accepted}")
    return value


def _check_line(
    entry: catalogue.FaultKind,
    values: dict[str, float | str],
    at: str,
    machine: MachineModel,
    profile: SensorProfile,
    file: str,
) -> None:
    if "line" not in values or not values["line"]:
        return
    present = [o.line for o in profile.output] if entry.where == "sensor" else [row.number for row in machine.line]
    if values["line"] not in present:
        owner = f"sensor {profile.name}" if entry.where == "sensor" else f"machine {machine.name}"
        lines = ", ".join(str(number) for number in sorted(present))
        raise BadInput(file, f"{at}.line", values["line"], f"a line that {owner} has: {lines}")


def _check_of_angle(kind: str, at: str, profile: SensorProfile, file: str) -> None:
    """Faults that only a sensor which tells an angle can have."""
    if kind == "zero-off" and profile.is_switch:
        accepted = f"a fault of a sensor that tells an angle: {profile.name} is a switch"
        raise BadInput(file, f"{at}.kind", kind, accepted)
    tells = profile.family in ("ssi", "sincos") or (
        profile.family == "i2c" and profile.encoding.get("layout", "12-bit") == "12-bit"
    )
    if kind == "magnet-missing" and not tells:
        accepted = f"with a sensor that tells of its magnet (12-bit I2C, SSI, sine and cosine): {profile.name} does not"
        raise BadInput(file, f"{at}.kind", kind, accepted)


def _check_meter(kind: str, values: dict[str, float | str], at: str, machine: MachineModel, file: str) -> None:
    """The bus fault hits something that is there."""
    present = sorted(meter.number for meter in machine.meter)
    if not present:
        accepted = f"a bus fault with a machine that has power monitors; {machine.name} has none"
        raise BadInput(file, f"{at}.kind", kind, accepted)
    if values.get("meter", 0) and values["meter"] not in present:
        numbers = ", ".join(str(number) for number in present)
        raise BadInput(file, f"{at}.meter", values["meter"], f"a power monitor that {machine.name} has: {numbers}")


def _check_event(event: EventPart, at: str, file: str) -> None:
    known = [*ACTIONS, "set-rail"]
    if event.do not in known:
        raise BadInput(file, f"{at}.do", event.do, f"one of {', '.join(known)}{reader.nearest(event.do, known)}")
    if (event.do == "set-rail") != (event.volts is not None):
        raise BadInput(file, f"{at}.volts", event.volts, "a voltage for do = 'set-rail', and only there")
