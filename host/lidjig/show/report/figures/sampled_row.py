"""Rows of the timeline that show sampled channels: all of them lie between the lines that are drawn."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from matplotlib.path import Path

from lidjig.show.report.figures.canvas import SMALL, Labels, boxes, number, room
from lidjig.show.report.figures.crowds import LEFT, SPAN
from lidjig.show.report.figures.palette import colour
from lidjig.show.report.figures.rows import Place, Row, nice, patch, rule
from lidjig.show.report.figures.samples import Trace
from lidjig.show.report.figures.units import readable

TITLE, PLOT = 19.0, 46.0  # heights of the line with the name, and of the scale
SPAN_PART_MIN = 0.05  # the scale spans at least this part of the largest value, so that noise does not look like change
HOLE_MIN = 3.0  # width of the mark of a hole, however short that is


def sampled_row(trace: Trace, name: str, labels: Labels) -> Row:
    """A channel over a scale in its unit, its name and what it holds above; where samples are missing it is hatched."""
    factor, unit = readable(trace.row.unit)
    values = trace.value * factor
    low, high = _ends(float(np.min(values)), float(np.max(values)))

    def draw(place: Place, y: float) -> None:
        def at(value: float) -> float:
            return y + TITLE + PLOT - 1.0 - (PLOT - 2.0) * (value - low) / (high - low)

        _title(place, y, name, _held(trace, labels))
        _scale(place, y, unit, low, high, at)
        xs = [place.x(t) for t in trace.t_us.tolist()]
        ys = [at(v) for v in values.tolist()]
        patch(place.axes, _strokes(xs, ys, trace.broken.tolist()), None, "signal", 1.0)
        spans = _joined([(place.x(b), place.x(e)) for b, e in trace.holes])
        if spans:
            bars = [(a, y + TITLE, b, y + TITLE + PLOT) for a, b in spans]
            patch(place.axes, boxes(bars), "paper", "gap", 0.8, "xxxx")

    return Row(TITLE + PLOT, draw)


def _ends(low: float, high: float) -> tuple[float, float]:
    """Both ends of the scale for values from low to high."""
    least = max(SPAN_PART_MIN * max(abs(low), abs(high)), 1e-9)
    if high - low >= least:
        return low, high
    middle = (low + high) / 2.0
    return middle - least / 2.0, middle + least / 2.0


def _held(trace: Trace, labels: Labels) -> str:
    """How many samples the run has of the channel, how fast, and in how many places some are missing."""
    row = trace.row
    key = "sampled-holes" if row.gaps else "sampled"
    rate = "\u2013" if row.rate_hz is None else number(row.rate_hz, labels, 4)
    return labels[key].replace("{n}", str(row.n)).replace("{rate}", rate).replace("{gaps}", str(row.gaps))


def _title(place: Place, y: float, name: str, held: str) -> None:
    # On a clean patch: the mark of a gap may run across.
    ground = {"facecolor": colour("paper"), "edgecolor": "none", "pad": 1.0}
    x = LEFT + 1.12 * room(name, SMALL) + 8.0
    for at, text, tone, weight in ((LEFT, name, "ink", "bold"), (x, held, "soft", "normal")):
        place.axes.text(at, y + 9.0, text, va="center", fontsize=SMALL, color=colour(tone), weight=weight, bbox=ground)


def _scale(place: Place, y: float, unit: str, low: float, high: float, at: Callable[[float], float]) -> None:
    step = nice((high - low) / 3.0)
    digits = max(3, 1 + math.ceil(math.log10(max(abs(low), abs(high), step) / step)))
    for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        height = at(k * step)
        rule(place, height)
        text = number(round(k * step, 9), place.labels, digits)
        place.axes.text(LEFT - 6.0, height, text, ha="right", va="center", fontsize=SMALL, color=colour("soft"))
    place.axes.text(
        LEFT - 52.0, y + TITLE + PLOT / 2.0, unit, ha="right", va="center", fontsize=SMALL, color=colour("ink")
    )


def _strokes(xs: list[float], ys: list[float], broken: list[bool]) -> Path:
    """A line through the points, broken where it is to be; a point that stands alone is a short stroke."""
    points: list[tuple[float, float]] = []
    codes: list[object] = []
    for i, (x, y) in enumerate(zip(xs, ys, strict=True)):
        if not broken[i]:
            points.append((x, y))
            codes.append(Path.LINETO)
            continue
        alone = i + 1 == len(xs) or broken[i + 1]
        points += [(x, y - 0.6), (x, y + 0.6)] if alone else [(x, y)]
        codes += [Path.MOVETO, Path.LINETO] if alone else [Path.MOVETO]
    return Path(np.array(points), codes)  # type: ignore[arg-type]


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The marks of the holes, each wide enough to be seen; those that touch are one. spans ascend."""
    out: list[tuple[float, float]] = []
    for a, b in spans:
        air = max(0.0, HOLE_MIN - (b - a)) / 2.0
        a, b = max(LEFT, a - air), min(LEFT + SPAN, b + air)
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out
