"""Survey of the connector: supply, and what each line looks into, machine side and sensor side.

Only 10 kohm test loads touch the lines (0.5 mA at most), so a survey is safe on whatever is wired wrongly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.bench.machine import Line, MachineProfile
from lidjig.bench.observers import Scale, scale
from lidjig.bench.sensor import Output, SensorProfile
from lidjig.jig_types import Measurement, Route
from lidjig.measure import adc
from lidjig.measure.budget import rectangular_u
from lidjig.measure.electrical import OPEN, PULLED, SHORT_HIGH, SHORT_LOW, LineSource, Reading, thevenin
from lidjig.measure.estimate import Estimate, symmetric
from lidjig.procedures.base import Bench
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.report import Declared, Sheet

READINGS = 64
SETTLE_UNFED_S = 0.2  # a sensor that has lost its supply
SETTLE_S = 0.02  # lines and their RC settle in far less; the analog switch needs a millisecond
FEED_OHM = 47.0  # in the jig's sensor feed (WIRING.md)
FEED_U_PART = 0.01 / math.sqrt(3.0)  # a 1 % resistor
# A level as part of 3.3 V: the converter's offset (30 mV at the line) and its nonlinearity (two readings), 95 %.
LEVEL_HALF = 0.015
SUPPLY_GONE_MV = 1000.0  # below this nothing that could be called a supply is there
NO_CURRENT_PART = 0.3  # of the lowest typical current: less is "draws nothing"
# A pull-up alone leaves an idle line at the supply; below this part of it something pulls the line down as well.
PULLED_DOWN_PART = 0.9
HELD = ("ground", "supply")  # states of a line that is held hard
CHARGED = "Caution: up to 20 V on the board while the charger is connected. No rings, no loose probes."


def declare_machine_side(machine: MachineProfile) -> list[Declared]:
    """Supply, charger, and for each line its idle level and its pull."""
    supply = machine.supply
    declared = [
        Declared("sensor supply", "V", supply.min_v, supply.max_v, "machine's supply on the sensor connector"),
    ]
    if "charger_v" in machine.analog():
        low, high = machine.charger.window_v()
        declared.append(Declared("charger voltage", "V", low, high, "after the supply contract"))
    for line in sorted(machine.line, key=lambda item: item.number):
        # A pulled-up line idles above 0.7 of the supply, where any CMOS input reads high (common practice, no source).
        idle_low = 0.7 * supply.min_v if line.pull == "up" else None
        declared.append(Declared(f"line {line.number} idle level", "V", idle_low, None, "nothing connected"))
        declared.append(
            Declared(
                f"line {line.number} pull", "kohm", line.pull_min_kohm, line.pull_max_kohm, "by 10 kohm test loads"
            )
        )
    return declared


def declare_current(sensor: SensorProfile) -> Declared:
    """Current of the real sensor."""
    low, high = sensor.supply.current_min_ma, sensor.supply.current_max_ma
    return Declared("sensor current", "mA", low, high, "fed with 3.3 V by the jig", needed=low is not None)


def declare_sensor_side(sensor: SensorProfile) -> list[Declared]:
    """Current and levels of a real sensor that is a switch, fed by the jig. A level is a part of its supply."""
    declared = [declare_current(sensor)]
    for output in sorted(sensor.output, key=lambda item: item.line):
        for lid in ("open", "shut"):
            level_low, level_high = _level_limits(output, lid)
            declared.append(Declared(f"sensor line {output.line}, lid {lid}", "1", level_low, level_high))
    declared.append(Declared("sensor changes, lid at rest", "1", None, 0.0, "edges while nobody moves the lid"))
    return declared


def _level_limits(output: Output, lid: str) -> tuple[float | None, float | None]:
    """Limits of a level as part of the supply: high from 0.7, low up to 0.3 (CMOS input levels)."""
    operated = output.operated_when_shut == (lid == "shut")
    high = operated == (output.active == "high")
    return (0.7, None) if high else (None, 0.3)


@dataclass(frozen=True)
class LineFound:
    """One machine-side line. state: a value of the table's "pull"."""

    number: int
    state: str
    text: str


@dataclass(frozen=True)
class MachineSide:
    """What the machine side of the connector shows, in the table's words."""

    supply: str
    supply_text: str
    lines: tuple[LineFound, ...]
    charger: str | None
    charger_text: str

    @property
    def shorted(self) -> bool:
        """A line is held hard: nothing may be driven."""
        return any(line.state in HELD for line in self.lines)

    @property
    def may_drive(self) -> bool:
        return self.supply == "right" and not self.shorted

    def seen(self) -> list[Seen]:
        """As observations; of several lines the worst one speaks."""
        seen = [Seen("supply", self.supply, self.supply_text)]
        if self.charger is not None:
            seen.append(Seen("charger", self.charger, self.charger_text))
        if self.lines:
            worst = max(self.lines, key=lambda line: _BADNESS.index(line.state))
            text = worst.text if worst.state != "right" else "; ".join(line.text for line in self.lines)
            seen.append(Seen("pull", worst.state, text))
        return seen


_BADNESS = ("right", "wrong", "leak-supply", "leak-ground", "none", "supply", "ground")


def survey_machine_side(bench: Bench, sheet: Sheet) -> MachineSide:
    """Supply, charger and lines with the route open; leaves the jig armed on the open route."""
    bench.progress.step("Survey of the machine's side of the connector")
    bench.progress.say(CHARGED)
    charger, charger_text = _charger(bench, sheet)
    if (_volts(bench, _mean(bench, "supply")).value or 0.0) > bench.machine.supply.max_v:
        # Looked at before arming: an armed jig would trip on it, and nothing may be driven anyway.
        supply, supply_text = _supply(bench, sheet)
        return MachineSide(supply, supply_text, (), charger, charger_text)
    bench.route(Route.OPEN)
    supply, supply_text = _supply(bench, sheet)
    if supply == "missing" and charger is None:
        # No charger observer tells whether the machine has power at all, so a person must see to it.
        bench.operator.ask(bench, "connect-charger")
        bench.idle(bench.machine.charger.contract_s)
        bench.route(Route.OPEN)
        supply, supply_text = _supply(bench, sheet)
    lines: list[LineFound] = []
    for line in sorted(bench.machine.line, key=lambda item: item.number):
        idle = _mean(bench, f"machine_{line.number}")
        sheet.put(f"line {line.number} idle level", _volts(bench, idle))
        if supply == "right":
            source = _load_line(bench, line.number)
            sheet.put(f"line {line.number} pull", source.resistance.scaled(0.001, "kohm"))
            lines.append(_judge(line, source, bench.machine))
    return MachineSide(supply, supply_text, tuple(lines), charger, charger_text)


def _charger(bench: Bench, sheet: Sheet) -> tuple[str | None, str]:
    if "charger_v" not in bench.machine.analog():
        return None, ""
    low, high = bench.machine.charger.window_v()
    volts = _charger_volts(bench)
    if volts is not None and (volts.high or 0.0) < low:
        bench.operator.ask(bench, "connect-charger")
        bench.idle(bench.machine.charger.contract_s)
        volts = _charger_volts(bench)
    if volts is None:
        return None, ""
    measured = sheet.put("charger voltage", volts)
    value = measured.value or 0.0
    text = f"charger gives {value:.2f} V (contract {bench.machine.charger.contract_v} V)"
    return ("wrong" if measured.outcome == "fail" else "right"), text


def _charger_volts(bench: Bench) -> Estimate | None:
    """Charger voltage in V, by the tap or the power monitor; None, and a note, where the monitor does not answer."""
    trouble = bench.meter_trouble("charger_v")
    found = None if trouble else bench.read("charger_v", READINGS)
    bench.check()
    if found is not None:
        return found.scaled(0.001, "V")
    bench.recorder.note(f"charger voltage not measured. {trouble or bench.meter_trouble('charger_v')}")
    return None


def _supply(bench: Bench, sheet: Sheet) -> tuple[str, str]:
    supply = bench.machine.supply
    estimate = _volts(bench, _mean(bench, "supply"))
    measured = sheet.put("sensor supply", estimate)
    value = measured.value or 0.0
    text = f"sensor supply {value:.3f} V (window {supply.min_v:g} to {supply.max_v:g} V)"
    if value * 1000.0 < SUPPLY_GONE_MV:
        return "missing", text
    if measured.outcome != "fail":
        return "right", text
    return ("low" if value < supply.min_v else "high"), text


def _load_line(bench: Bench, number: int) -> LineSource:
    """Read a line with the test load to ground and to the supply, and what that says about its source."""
    target = f"machine_{number}"
    readings: dict[str, Reading] = {}
    drive: Reading | None = None
    for state in ("low", "high"):
        bench.jig.load(target, state)
        bench.idle(SETTLE_S)
        readings[state] = _reading(bench.measure(target, READINGS))
        if state == "high":
            drive = _reading(bench.measure("supply", READINGS))
    bench.jig.load(target, "off")
    assert drive is not None
    return thevenin(readings["low"], readings["high"], drive)


def _judge(line: Line, source: LineSource, machine: MachineProfile) -> LineFound:
    """A line's source in the table's words, against what the profile expects of it."""
    survey = machine.survey
    kind = source.kind(short_max_ohm=survey.short_max_ohm, open_min_ohm=survey.open_min_kohm * 1000.0)
    ohm = source.resistance
    volts = "" if source.voltage.value is None else f" behind {source.voltage.value / 1000:.2f} V"
    shown = "at least" if ohm.high is None else "about"
    figure = "nothing measurable" if ohm.value is None else f"{shown} {ohm.value / 1000:.3g} kohm{volts}"
    name = f"line {line.number}"
    if kind == SHORT_LOW:
        return LineFound(line.number, "ground", f"{name} is held at ground ({figure})")
    if kind == SHORT_HIGH:
        return LineFound(line.number, "supply", f"{name} is held at the sensor supply ({figure})")
    if line.pull == "none":
        expected = kind == OPEN or ohm.high is None
        return LineFound(
            line.number, "right" if expected else "wrong", f"{name} looks into {figure}; no pull is expected"
        )
    wanted = f"{line.pull_min_kohm:g} to {line.pull_max_kohm:g} kohm expected"
    if kind == OPEN or (kind != PULLED and ohm.high is None):
        return LineFound(line.number, "none", f"{name} shows no pull ({figure}; {wanted})")
    leak = _leak(line, source)
    if leak is not None:
        state, path = leak
        return LineFound(line.number, state, f"{name} looks into {figure}: {path} ({wanted})")
    low, high = (line.pull_min_kohm or 0.0) * 1000.0, (line.pull_max_kohm or math.inf) * 1000.0
    right = ohm.value is not None and low <= ohm.value <= high
    return LineFound(line.number, "right" if right else "wrong", f"{name} is pulled by {figure} ({wanted})")


def _leak(line: Line, source: LineSource) -> tuple[str, str] | None:
    """A path beside the line's pull-up, by the source's voltage and resistance; None where there is none for certain.

    To ground, the voltage behind the line is surely less than the supply: a pull of Rp and a leak of Rl look like
    their parallel resistance R behind V, with Rl = R / (1 - V / supply). To the supply, the resistance is surely less
    than the pull's lowest.
    """
    ohm, volts = source.resistance, source.voltage
    if ohm.value is None or ohm.high is None or volts.value is None or volts.high is None:
        return None
    part = volts.value / source.drive_mv
    if volts.high < PULLED_DOWN_PART * source.drive_mv:
        return "leak-ground", f"about {ohm.value / (1.0 - part) / 1000.0:.3g} kohm to ground beside its pull"
    if ohm.high < (line.pull_min_kohm or 0.0) * 1000.0:
        return "leak-supply", "more than its pull holds it at the supply"
    return None


@dataclass(frozen=True)
class SensorAt:
    """The real sensor with the lid in one position. levels: part of its supply, by line."""

    levels: dict[int, float]
    current: Estimate


def feed_sensor(bench: Bench) -> None:
    """Feed the real sensor from the jig, pull up the lines that it only pulls low, and let it start."""
    bench.route(Route.OPEN)
    bench.jig.sensor_power(True)
    pull_sensor(bench)
    # Two looks at its magnet after it has its supply.
    bench.idle(0.1 + 2.0 / bench.sensor.timing.update_hz)


def pull_sensor(bench: Bench) -> None:
    """Pull the sensor's lines up (open drain) so that both levels can be told; push-pull outputs need none."""
    for line in bench.sensor.pulled_lines():
        bench.jig.load(f"sensor_{line}", "high")


def release_sensor(bench: Bench, lines: Sequence[int] | None = None) -> None:
    """Take feed and pulls off again. lines: those that were pulled, by default by feed_sensor()."""
    bench.jig.sensor_power(False)
    sensor = bench.sensor
    pulled = [output.line for output in sensor.output] if sensor.is_switch else sensor.pulled_lines()
    for line in pulled if lines is None else lines:
        bench.jig.load(f"sensor_{line}", "off")


def read_sensor(bench: Bench, lines: Sequence[int] | None = None, *, fed: bool = True) -> SensorAt:
    """Levels and current now. lines: by default the outputs of a switch. Unfed, levels are parts of the jig's own
    3.3 V.
    """
    jig_mv = _mean(bench, "jig_3v3")
    feed_mv = _mean(bench, "sensor_supply")
    rail = bench.estimate(feed_mv if fed else jig_mv).value or 1.0
    levels: dict[int, float] = {}
    for line in sorted([output.line for output in bench.sensor.output] if lines is None else lines):
        level = bench.estimate(_mean(bench, f"sensor_{line}"))
        levels[line] = (level.value or 0.0) / max(rail, 1.0)
    return SensorAt(levels, sensor_current(jig_mv, feed_mv))


def look_unfed(bench: Bench, lines: Sequence[int]) -> Seen:
    """The sensor's lines without its supply, pulled up by the jig: a live output that pulls lets go, a corroded one
    holds on.
    """
    bench.route(Route.OPEN)
    for line in lines:
        bench.jig.load(f"sensor_{line}", "high")
    bench.idle(SETTLE_UNFED_S)
    levels = read_sensor(bench, lines, fed=False).levels
    release_sensor(bench, lines)
    return judge_unfed(levels)


def judge_unfed(levels: dict[int, float]) -> Seen:
    """Lines of a sensor without its supply in the table's words."""
    held = any(level < 0.5 for level in levels.values())
    figures = ", ".join(f"line {line} at {level:.2f} of 3.3 V" for line, level in levels.items())
    does = "still holds its line" if held else "lets its line go"
    return Seen("sensor_unfed", "operated" if held else "released", f"without supply the sensor {does} ({figures})")


def sensor_current(jig: Measurement, feed: Measurement) -> Estimate:
    """Current through the feed resistor in mA: the drop across it over 47 ohm.

    Offset and reference errors are common to both readings and cancel; the gains of the two dividers do not.
    """
    before, after = adc.budget(*_scaled(jig)), adc.budget(*_scaled(feed))
    drop_mv = before.value - after.value
    gain_mv = rectangular_u(adc.DIVIDER_HALF_PART) * math.hypot(before.value, after.value)
    u_mv = math.sqrt(before.u_difference**2 + after.u_difference**2 + gain_mv**2)
    value = drop_mv / FEED_OHM
    return symmetric(value, math.hypot(u_mv / FEED_OHM, value * FEED_U_PART), min(jig.n, feed.n), "mA")


def judge_current(sensor: SensorProfile, current: Estimate) -> Seen | None:
    """The current in the table's words; None where the jig cannot resolve this sensor's current."""
    low, high = sensor.supply.current_min_ma, sensor.supply.current_max_ma
    if low is None or high is None or current.value is None:
        return None
    # Around nothing the jig's zero is off either way: no "-0.00".
    text = f"the sensor draws {round(current.value, 2) + 0.0:.2f} mA from the jig ({low:g} to {high:g} mA is typical)"
    if current.value < NO_CURRENT_PART * low:
        return Seen("sensor_current", "none", text)
    return Seen("sensor_current", "right" if low <= current.value <= high else "wrong", text)


def judge_levels(sensor: SensorProfile, levels: dict[int, float], lid: str) -> Seen:
    """The lid outputs in the table's words; where two outputs disagree, the wrong one speaks."""
    right = "operated" if lid == "shut" else "released"
    states: dict[int, str] = {}
    for output in sensor.lid_outputs():
        high = levels[output.line] > 0.5
        states[output.line] = "operated" if high == (output.active == "high") else "released"
    wrong = [line for line, state in states.items() if state != right]
    said = states[wrong[0]] if wrong else right
    figures = ", ".join(f"line {line} at {level:.2f} of its supply" for line, level in levels.items())
    # Of several outputs the one that is wrong is named.
    who = f"the sensor on line {wrong[0]}" if len(wrong) == 1 and len(states) > 1 else "the sensor"
    return Seen(f"sensor_{lid}", said, f"lid {lid}: {who} says {said} ({figures})")


def enter_levels(sheet: Sheet, levels: dict[int, float], lid: str) -> None:
    """Levels into the sheet, with the uncertainty of a ratio of two readings."""
    for line, level in levels.items():
        low, high = max(0.0, level - LEVEL_HALF), level + LEVEL_HALF
        sheet.set(f"sensor line {line}, lid {lid}", level, low, high, READINGS)


def _mean(bench: Bench, channel: str) -> Measurement:
    measurement = bench.measure(channel, READINGS)
    bench.check()
    return measurement


def _scaled(measurement: Measurement) -> tuple[str, Scale, float, float, int]:
    channel = measurement.channel
    return channel, scale(channel), measurement.mean_raw, measurement.sd_raw, measurement.n


def _reading(measurement: Measurement) -> Reading:
    return Reading.of_raw(*_scaled(measurement))


def _volts(bench: Bench, measurement: Measurement) -> Estimate:
    return bench.estimate(measurement).scaled(0.001, "V")
