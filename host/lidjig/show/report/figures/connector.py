"""The survey drawn as the connector: a pin a row, what the machine's side shows left of it, the sensor's side right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.patches import Circle, FancyBboxPatch, PathPatch
from matplotlib.path import Path

from lidjig.bench.machine import MachineProfile
from lidjig.record.model import FAIL, MARGINAL, NOT_MEASURED, PASS, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.numbers import unjudged
from lidjig.show.report.figures.canvas import NARROW, SMALL, TEXT, Labels, borne, figure, number, page, render, style
from lidjig.show.report.figures.palette import colour

LINE = 14.5  # height of a line of text
PAD = 12.0
HEAD = 26.0
CENTRE = NARROW / 2.0
SHELL = 66.0  # width of the connector's body

NO_LIMIT = "no limit"  # measured, with no limit to meet: it passes nothing
WORST = (NO_LIMIT, PASS, NOT_MEASURED, MARGINAL, FAIL)
OUTCOME_COLOURS = {PASS: "pass", MARGINAL: "marginal", FAIL: "fail", NOT_MEASURED: "unset", NO_LIMIT: "angle"}


@dataclass(frozen=True)
class Side:
    """What one side of a pin showed: (key of the quantity in labels, measurement), in order. Empty = not surveyed."""

    readings: tuple[tuple[str, MeasuredValue], ...] = ()

    @property
    def outcome(self) -> str:
        """The worst of its outcomes."""
        outcomes = (NO_LIMIT if unjudged(m) else m.outcome for _key, m in self.readings)
        return max(outcomes, key=WORST.index, default=NOT_MEASURED)


@dataclass(frozen=True)
class Pin:
    """One pin. name: "supply", "line_1", "line_2", "ground"; fitted: the machine has it."""

    name: str
    machine: Side
    sensor: Side
    fitted: bool = True


@dataclass(frozen=True)
class ConnectorData:
    """The four pins; sensor_surveyed: the sensor's side was looked at in this run."""

    pins: tuple[Pin, ...]
    sensor_surveyed: bool


def connector_from(run: StoredRun, machine: MachineProfile | None) -> ConnectorData:
    """What the survey measured, by pin; of a measurement taken twice the last one."""
    latest = {measured.name: measured for measured in run.measurements}

    def side(*wanted: tuple[str, str]) -> Side:
        return Side(tuple((key, latest[name]) for key, name in wanted if name in latest))

    used = machine.line_numbers() if machine else [n for n in (1, 2) if f"line {n} pull" in latest]
    pins = [Pin("supply", side(("voltage", "sensor supply")), side(("current", "sensor current")))]
    for n in (1, 2):
        levels = (("level", f"line {n} idle level"), ("pull", f"line {n} pull"))
        # An angle is told by all lines together.
        told = (f"line {n}", "angle") if n in used else (f"line {n}",)
        lids = tuple((f"lid-{lid}", f"sensor {what}, lid {lid}") for what in told for lid in ("open", "shut"))
        pins.append(Pin(f"line_{n}", side(*levels), side(*lids), fitted=n in used))
    pins.append(Pin("ground", Side(), Side()))
    surveyed = any(pin.sensor.readings for pin in pins)
    return ConnectorData(tuple(pins), surveyed)


def connector_svg(data: ConnectorData, labels: Labels, prefix: str) -> str:
    """Pins from top to bottom as supply, line 1, line 2, ground; symbol and word of the outcome on each side."""
    heights = [_height(pin, data.sensor_surveyed) for pin in data.pins]
    height = HEAD + sum(heights) + 16.0
    with style():
        fig = figure(NARROW, height)
        axes = page(fig, NARROW, height)
        for sign, ha, key in ((-1.0, "right", "machine-side"), (1.0, "left", "sensor-side")):
            x = CENTRE + sign * (SHELL / 2.0 + 14.0)
            axes.text(x, 9.0, labels[key], ha=ha, va="center", fontsize=TEXT, weight="bold", color=colour("ink"))
        _shell(axes, sum(heights))
        y = HEAD
        for place, (pin, own) in enumerate(zip(data.pins, heights, strict=True)):
            if place:
                axes.plot([0.0, CENTRE - SHELL / 2.0], [y, y], color=colour("grid"), lw=0.7)
                axes.plot([CENTRE + SHELL / 2.0, NARROW], [y, y], color=colour("grid"), lw=0.7)
            _pin(axes, pin, y, own, labels, data.sensor_surveyed)
            y += own
        return render(fig, labels, prefix)


def _height(pin: Pin, sensor_surveyed: bool) -> float:
    most = max(_lines(pin.machine), _lines(pin.sensor) if sensor_surveyed else 1)
    return max(58.0, LINE * most + PAD)


def _lines(side: Side) -> int:
    return 1 + sum(1 + _has_second_line(m) for _key, m in side.readings) if side.readings else 1


def _has_second_line(measured: MeasuredValue) -> bool:
    return measured.low is not None and measured.high is not None and measured.low != measured.high


def _shell(axes: Axes, height: float) -> None:
    axes.add_patch(
        FancyBboxPatch(
            (CENTRE - SHELL / 2.0, HEAD - 6.0), SHELL, height + 12.0, boxstyle="round,pad=0,rounding_size=9",
            facecolor=colour("shell"), edgecolor=colour("frame"), lw=1.2,
        )
    )  # fmt: skip
    # The key of the housing, so that it reads as a connector with an upper end.
    axes.add_patch(
        FancyBboxPatch(
            (CENTRE - 11.0, HEAD - 12.0), 22.0, 6.0, boxstyle="round,pad=0,rounding_size=2",
            facecolor=colour("shell"), edgecolor=colour("frame"), lw=1.2,
        )
    )  # fmt: skip


def _pin(axes: Axes, pin: Pin, y: float, height: float, labels: Labels, sensor_surveyed: bool) -> None:
    middle = y + height / 2.0
    name, ink = labels[f"pin-{pin.name}"], colour("ink")
    axes.text(CENTRE, middle + 15.0, name, ha="center", va="center", fontsize=SMALL, color=ink)
    face = colour("pin" if pin.fitted else "paper")
    axes.add_patch(Circle((CENTRE, middle - 4.0), 8.0, facecolor=face, edgecolor=ink, lw=1.2))
    if not pin.fitted:
        axes.plot([CENTRE - 5.0, CENTRE + 5.0], [middle - 9.0, middle + 1.0], color=ink, lw=1.2)
    for side, at_left in ((pin.machine, True), (pin.sensor, False)):
        if pin.fitted and side.readings:
            _side(axes, side, y, height, at_left, labels)
            _wire(axes, middle - 4.0, at_left, side.outcome)
            continue
        key = "not-measured" if at_left or sensor_surveyed else "not-surveyed"
        key = "reference" if pin.name == "ground" else key if pin.fitted else "not-used"
        _text(axes, y, height, at_left, [(labels[key], "soft", False)])


def _wire(axes: Axes, y: float, at_left: bool, outcome: str) -> None:
    """From pin to text: whole for what passed, broken for what failed, dotted for what was not measured or judged."""
    sign = -1.0 if at_left else 1.0
    dash = {PASS: "-", MARGINAL: "-", FAIL: (0, (3.0, 2.0))}.get(outcome, (0, (1.0, 2.0)))
    ends = [CENTRE + sign * 9.0, CENTRE + sign * (SHELL / 2.0 + 9.0)]
    axes.plot(ends, [y, y], color=colour(OUTCOME_COLOURS[outcome]), lw=2.6, ls=dash, solid_capstyle="butt")


def _side(axes: Axes, side: Side, y: float, height: float, at_left: bool, labels: Labels) -> None:
    rows: list[tuple[str, str, bool]] = []
    for key, measured in side.readings:
        rows.append((f"{labels[key]} {_value(measured, labels)}", "ink", False))
        if _has_second_line(measured):
            rows.append((_interval(measured, labels), "soft", False))
    outcome = side.outcome
    rows.append((labels[outcome], OUTCOME_COLOURS[outcome], True))
    _text(axes, y, height, at_left, rows, symbol=outcome)


def _text(
    axes: Axes, y: float, height: float, at_left: bool, rows: Sequence[tuple[str, str, bool]], symbol: str | None = None
) -> None:
    top = y + height / 2.0 - LINE * (len(rows) - 1) / 2.0
    sign = -1.0 if at_left else 1.0
    x, ha = CENTRE + sign * (SHELL / 2.0 + 14.0), "right" if at_left else "left"
    for place, (text, tone, strong) in enumerate(rows):
        at = top + LINE * place
        start = x
        if strong and symbol is not None:
            draw_symbol(axes, x + sign * 6.0, at, symbol)
            start = x + sign * 17.0
        size, weight = TEXT if strong or tone == "ink" else SMALL, "bold" if strong else "normal"
        axes.text(start, at, text, ha=ha, va="center", fontsize=size, color=colour(tone), weight=weight)


def _unit(measured: MeasuredValue) -> str:
    return {"kohm": " k\u03a9", "deg": "\u00b0", "1": "", "": ""}.get(measured.unit, f" {measured.unit}")


def _value(measured: MeasuredValue, labels: Labels) -> str:
    if measured.value is None:
        return labels[NOT_MEASURED]
    unit = _unit(measured)
    if measured.low is not None and measured.high is None:
        return f"\u2265 {number(measured.low, labels)}{unit}"
    if measured.high is not None and measured.low is None:
        return f"\u2264 {number(measured.high, labels)}{unit}"
    return f"{_rounded(measured, measured.value, labels)}{unit}"


def _interval(measured: MeasuredValue, labels: Labels) -> str:
    assert measured.low is not None and measured.high is not None
    low, high = (_rounded(measured, end, labels) for end in (measured.low, measured.high))
    return f"({labels['range'].replace('{low}', low).replace('{high}', high)})"


def _rounded(measured: MeasuredValue, value: float, labels: Labels) -> str:
    """With no more places than the interval bears."""
    if measured.low is None or measured.high is None:
        return number(value, labels, 4)
    return borne(value, measured.low, measured.high, labels, measured.unit)


def draw_symbol(axes: Axes, x: float, y: float, outcome: str) -> None:
    """Tick, warning triangle, cross, dash or lozenge, 11 units across, drawn and not set from a font."""
    tone = colour(OUTCOME_COLOURS[outcome])
    shapes: dict[str, tuple[list[tuple[float, float]], bool]] = {
        PASS: ([(-5.0, 0.0), (-1.5, 4.0), (5.0, -4.5)], False),
        MARGINAL: ([(0.0, -5.5), (5.5, 4.5), (-5.5, 4.5), (0.0, -5.5)], True),
        FAIL: ([(-4.5, -4.5), (4.5, 4.5), (4.5, -4.5), (-4.5, 4.5)], False),
        NOT_MEASURED: ([(-5.0, 0.0), (5.0, 0.0)], False),
        NO_LIMIT: ([(0.0, -5.5), (5.5, 0.0), (0.0, 5.5), (-5.5, 0.0), (0.0, -5.5)], True),
    }
    points, closed = shapes[outcome]
    codes = [Path.MOVETO] + [Path.LINETO] * (len(points) - 1)
    if outcome == FAIL:
        codes = [Path.MOVETO, Path.LINETO, Path.MOVETO, Path.LINETO]
    path = Path([(x + dx, y + dy) for dx, dy in points], codes)
    axes.add_patch(PathPatch(path, facecolor="none", edgecolor=tone, lw=2.2 if not closed else 1.8, capstyle="round"))
    if outcome == MARGINAL:
        axes.plot([x, x], [y - 1.5, y + 2.2], color=tone, lw=1.6)
