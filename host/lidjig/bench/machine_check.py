"""What a machine profile's types cannot say: windows, order of thresholds, states that the wired observers
can tell.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from lidjig.bench import observers
from lidjig.bench.learned import check_learned
from lidjig.bench.machine import MachineProfile, Windows
from lidjig.bench.observers import BUS_LINES, METERED, Analog, Meter, Scale
from lidjig.errors import BadInput


def check_machine(machine: MachineProfile, file: str) -> None:
    """Raises BadInput for the first thing in a profile that contradicts itself. file: named in the error."""
    supply = machine.supply
    if supply.max_v <= supply.min_v:
        raise BadInput(file, "supply.max_v", supply.max_v, f"above supply.min_v = {supply.min_v:g}")
    if not supply.min_v <= supply.nominal_v <= supply.max_v:
        raise BadInput(file, "supply.nominal_v", supply.nominal_v, f"{supply.min_v:g}..{supply.max_v:g}")
    _check_lines(machine, file)
    _check_meters(machine, file)
    _check_tach(machine, file)
    for observer, analog in machine.analog().items():
        channel = machine.channel_of(observer)
        _check_analog(channel, machine.scale(channel), analog, f"observers.{observer}", file)
    _check_windows(machine.windows, file)
    survey = machine.survey
    for index, line in enumerate(machine.line):
        if line.pull_max_kohm is not None and line.pull_max_kohm >= survey.open_min_kohm:
            accepted = f"below survey.open_min_kohm = {survey.open_min_kohm:g}, where a line counts as open"
            raise BadInput(file, f"line[{index}].pull_max_kohm", line.pull_max_kohm, accepted)
        if line.pull_min_kohm is not None and line.pull_min_kohm * 1000.0 <= survey.short_max_ohm:
            accepted = (
                f"above survey.short_max_ohm = {survey.short_max_ohm:g}, where a line counts as shorted"
            )
            raise BadInput(file, f"line[{index}].pull_min_kohm", line.pull_min_kohm, accepted)
    _check_states(machine, file)
    if machine.learned is not None:
        wired = {*machine.analog(), *machine.digital(), "supply_ok"}
        check_learned(machine.learned, wired, machine.signatures(), file)


def _check_lines(machine: MachineProfile, file: str) -> None:
    numbers = [line.number for line in machine.line]
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        raise BadInput(
            file,
            f"line[{len(numbers) - 1}].number",
            numbers[-1],
            "number 1 for a single line, 1 and 2 for two",
        )
    for index, line in enumerate(machine.line):
        key = f"line[{index}]"
        values = {name: getattr(line, name) for name in ("pull_kohm", "pull_min_kohm", "pull_max_kohm")}
        if line.pull == "none":
            for name, value in values.items():
                if value is not None:
                    raise BadInput(file, f"{key}.{name}", value, "no resistance where pull = 'none'")
            continue
        for name, value in values.items():
            if value is None:
                raise BadInput(
                    file, f"{key}.{name}", None, "a resistance in kohm where pull = 'up' (the key is missing)"
                )
        low, nominal, high = values["pull_min_kohm"], values["pull_kohm"], values["pull_max_kohm"]
        if high <= low:
            raise BadInput(file, f"{key}.pull_max_kohm", high, f"above {key}.pull_min_kohm = {low:g}")
        if not low <= nominal <= high:
            raise BadInput(file, f"{key}.pull_kohm", nominal, f"{low:g}..{high:g}")


def _check_meters(machine: MachineProfile, file: str) -> None:
    """Monitors themselves, who needs one, and who is on the pins of their bus."""
    for index, meter in enumerate(machine.meter):
        _check_meter(meter, machine.meter[:index], f"meter[{index}]", file)
    for observer, analog in machine.analog().items():
        by_meter = observer == "sensor_i" or getattr(analog, "by", "tap") == "meter"
        number = METERED[observer][0] if by_meter else 0
        if number and machine.meter_number(number) is None:
            if observer == "sensor_i":
                accepted = "no such observer without a [[meter]] table with number = 2, which measures it"
                raise BadInput(file, f"observers.{observer}", "wired", accepted)
            accepted = "'tap' where no [[meter]] table has number = 1: nothing measures it otherwise"
            raise BadInput(file, f"observers.{observer}.by", "meter", accepted)
    for line in BUS_LINES:
        found = getattr(machine.observers, line)
        if machine.meter and found is not None:
            pins = " and ".join(BUS_LINES)
            accepted = f"no {line} beside [[meter]]: the power monitors' bus is on the pins of {pins}"
            raise BadInput(file, f"observers.{line}", found.signal, accepted)


def _check_meter(meter: Meter, before: list[Meter], key: str, file: str) -> None:
    for other in before:
        if other.number == meter.number:
            accepted = "each number once: 1 in the charger's lead, 2 in the sensor supply"
            raise BadInput(file, f"{key}.number", meter.number, accepted)
        if other.address == meter.address:
            accepted = f"another address than meter {other.number}'s: both are on one bus"
            raise BadInput(file, f"{key}.address", f"0x{meter.address:02x}", accepted)
    low, high = observers.ADDRESSES[0], observers.ADDRESSES[-1]
    if meter.address not in observers.ADDRESSES:
        accepted = f"0x{low:02x}..0x{high:02x}, as the part's address pins are tied"
        raise BadInput(file, f"{key}.address", f"0x{meter.address:02x}", accepted)
    if meter.max_a * meter.shunt_mohm > observers.SHUNT_FULL_MV:
        most = observers.SHUNT_FULL_MV / meter.shunt_mohm
        accepted = (
            f"at most {most:.4g} A with a shunt of {meter.shunt_mohm:g} mohm: "
            f"the monitor's input ends at {observers.SHUNT_FULL_MV:g} mV"
        )
        raise BadInput(file, f"{key}.max_a", meter.max_a, accepted)
    if not 1 <= meter.calibration <= observers.CALIBRATION_MAX:
        least = observers.CALIBRATION_CONSTANT * 2**15 / ((observers.CALIBRATION_MAX + 1) * meter.shunt_ohm)
        accepted = (
            f"above {least:.4g} A with a shunt of {meter.shunt_mohm:g} mohm: "
            f"the calibration register would have to hold {meter.calibration}, and ends at {observers.CALIBRATION_MAX}"
        )
        raise BadInput(file, f"{key}.max_a", meter.max_a, accepted)


def _check_tach(machine: MachineProfile, file: str) -> None:
    tach = machine.tach
    if tach is None:
        if machine.observers.pulses is not None:
            accepted = "no such observer without a [tach] table, which says whose edges are counted"
            raise BadInput(file, "observers.pulses", "wired", accepted)
    elif getattr(machine.observers, tach.line) is None:
        accepted = f"a line that is wired on this bench, with an [observers.{tach.line}] table that names its signal"
        raise BadInput(file, "tach.line", tach.line, accepted)


def _check_analog(channel: str, scale: Scale, analog: Analog, key: str, file: str) -> None:
    unit, full = scale.unit, observers.highest(channel, scale)
    if analog.unit != unit:
        raise BadInput(file, f"{key}.unit", analog.unit, f"{unit!r} on this channel")
    for position, threshold in enumerate(analog.thresholds):
        if threshold >= full:
            raise BadInput(
                file,
                f"{key}.thresholds[{position}]",
                threshold,
                f"below {full:g} {unit}, where the channel ends",
            )
    gaps = [b - a for a, b in itertools.pairwise(analog.thresholds)]
    for position, gap in enumerate(gaps):
        if gap <= 0.0:
            accepted = f"ascending thresholds: above {analog.thresholds[position]:g}"
            raise BadInput(
                file, f"{key}.thresholds[{position + 1}]", analog.thresholds[position + 1], accepted
            )
    room = min([*gaps, 2.0 * analog.thresholds[0], 2.0 * (full - analog.thresholds[-1])])
    if analog.hysteresis >= room:
        accepted = f"below {room:g} {unit}: centred on a threshold, it must not reach the next or the end"
        raise BadInput(file, f"{key}.hysteresis", analog.hysteresis, accepted)
    if analog.hysteresis < scale.per_raw:
        accepted = f"at least {scale.per_raw:.3g} {unit}, one step of the channel"
        raise BadInput(file, f"{key}.hysteresis", analog.hysteresis, accepted)


def _check_windows(windows: Windows, file: str) -> None:
    if windows.close_max_deg <= windows.close_min_deg:
        accepted = f"above windows.close_min_deg = {windows.close_min_deg:g}"
        raise BadInput(file, "windows.close_max_deg", windows.close_max_deg, accepted)
    if windows.open_max_deg <= windows.open_min_deg:
        accepted = f"above windows.open_min_deg = {windows.open_min_deg:g}"
        raise BadInput(file, "windows.open_max_deg", windows.open_max_deg, accepted)
    if windows.open_min_deg < windows.close_max_deg:
        accepted = (
            f"at least windows.close_max_deg = {windows.close_max_deg:g}: where the windows overlap, "
            "the lid could chatter between shut and open"
        )
        raise BadInput(file, "windows.open_min_deg", windows.open_min_deg, accepted)


def _check_states(machine: MachineProfile, file: str) -> None:
    signatures = machine.signatures()
    analog = machine.analog()
    wired = {*analog, *machine.digital(), "supply_ok"}
    for state, signature in signatures.items():
        if not signature:
            raise BadInput(file, f"states.{state}", {}, f"at least one of {', '.join(sorted(wired))}")
        for observer, bands in signature.items():
            if observer not in wired:
                accepted = f"an observer that is wired on this bench: {', '.join(sorted(wired))}"
                raise BadInput(file, f"states.{state}.{observer}", sorted(bands), accepted)
            top = len(analog[observer].thresholds) if observer in analog else 1
            if max(bands) > top:
                raise BadInput(
                    file,
                    f"states.{state}.{observer}",
                    max(bands),
                    f"0..{top}: {observer} has {top} thresholds",
                )
    for first, second in itertools.combinations(signatures, 2):
        if not apart(signatures[first], signatures[second]):
            accepted = (
                f"a signature that no observer can confuse with states.{first}; "
                f"wired here: {', '.join(sorted(wired))}"
            )
            shown = {name: sorted(bands) for name, bands in signatures[second].items()}
            raise BadInput(file, f"states.{second}", shown, accepted)


def apart(first: Mapping[str, frozenset[int]], second: Mapping[str, frozenset[int]]) -> set[str]:
    """The observers that show disjoint bands in the two states; none where the states may look alike."""
    return {name for name in first.keys() & second.keys() if not first[name] & second[name]}
