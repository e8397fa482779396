"""Before and after: each figure on a scale of its own, both intervals, the limits, and what the difference says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from lidjig.record.model import MeasuredValue
from lidjig.show.report.figures.canvas import SMALL, TEXT, Labels, figure, number, page, render, room, style
from lidjig.show.report.figures.palette import colour

WIDTH = 360.0  # of a row: two stand side by side where there is room, with letters as large as those of a wide figure
ROW, LEGEND = 96.0, 20.0
LEFT, RIGHT = 58.0, 8.0
SPAN = WIDTH - LEFT - RIGHT
DASH = (0, (4.0, 2.5))
TONES = {"before": ("sleep", "o"), "after": ("wake", "s")}
UNITS = {"kohm": "k\u03a9", "deg": "\u00b0", "1": ""}


@dataclass(frozen=True)
class CompareRow:
    """One figure before and after. label and says (what the difference amounts to) are in the reader's language."""

    label: str
    before: MeasuredValue | None
    after: MeasuredValue | None
    says: str = ""


def compare_svg(rows: Sequence[CompareRow], labels: Labels, prefix: str) -> str:
    """A legend, then a row each in the order given: before as a ring, after as a filled square, intervals as bars,
    limits dashed. Each is a drawing of its own inside one element, so that the page can set them in columns. labels:
    "title" and "desc" name the whole, a row is named by its own label and what it says.
    """
    with style():
        fig = figure(WIDTH, LEGEND)
        _legend(page(fig, WIDTH, LEGEND), labels)
        parts = [render(fig, labels, prefix)]
        for place, row in enumerate(rows, start=1):
            fig = figure(WIDTH, ROW)
            _row(page(fig, WIDTH, ROW), 1.0, row, labels)
            named = {**labels, "title": row.label, "desc": row.says}
            parts.append(render(fig, named, f"{prefix}-{place}"))
    return f'<div class="fig-rows">\n{"".join(parts)}</div>\n'


def _legend(axes: Axes, labels: Labels) -> None:
    x = 6.0
    for key in ("before", "after"):
        _mark(axes, x, 10.0, key)
        axes.text(x + 10.0, 10.0, labels[key], va="center", fontsize=TEXT, color=colour("ink"))
        x += 10.0 + room(labels[key]) + 20.0
    axes.plot([x, x], [2.0, 18.0], color=colour("limit"), lw=1.6, ls=DASH)
    axes.text(x + 7.0, 10.0, labels["limit"], va="center", fontsize=TEXT, color=colour("ink"))


def _mark(axes: Axes, x: float, y: float, key: str) -> None:
    """Before: a ring. After: a filled square."""
    tone, marker = TONES[key]
    face = colour("paper") if key == "before" else colour(tone)
    axes.plot([x], [y], ls="", marker=marker, ms=7.5, mfc=face, mec=colour(tone), mew=1.8, zorder=4)


def _row(axes: Axes, y: float, row: CompareRow, labels: Labels) -> None:
    axes.plot([0.0, WIDTH], [y, y], color=colour("grid"), lw=0.7)
    axes.text(0.0, y + 12.0, row.label, fontsize=TEXT, weight="bold", color=colour("ink"), va="center")
    axes.text(0.0, y + 27.0, row.says, fontsize=SMALL, color=colour("ink"), va="center")
    numbers = _numbers(row)
    if not numbers:
        axes.text(0.0, y + 56.0, labels["not-measured"], fontsize=SMALL, color=colour("soft"), va="center")
        return
    low, high = min(numbers), max(numbers)
    air = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    scale = _Scale(low - air, high + air)
    bottom = y + 76.0
    axes.plot([LEFT, LEFT + SPAN], [bottom] * 2, color=colour("frame"), lw=0.8)
    _ticks(axes, bottom, scale, row, labels)
    for limit in _limits(row):
        axes.plot([scale.at(limit)] * 2, [y + 37.0, bottom], color=colour("limit"), lw=1.6, ls=DASH)
    for one, level, key in ((row.before, y + 46.0, "before"), (row.after, y + 64.0, "after")):
        axes.text(0.0, level, labels[key], fontsize=SMALL, color=colour("soft"), va="center")
        if one is None or one.value is None:
            text = labels["not-measured"]
            wide = room(text, SMALL) + 8.0  # cleared of what stands behind it
            axes.add_patch(Rectangle((LEFT + 10.0, level - 8.0), wide, 16.0, color=colour("paper"), lw=0, zorder=3))
            axes.text(LEFT + 14.0, level, text, fontsize=SMALL, color=colour("soft"), va="center", zorder=4)
            continue
        _interval(axes, one, level, colour(TONES[key][0]), scale)
        _mark(axes, scale.at(one.value), level, key)


@dataclass(frozen=True)
class _Scale:
    """The row's own scale, in the row's unit."""

    low: float
    high: float

    def at(self, value: float) -> float:
        return LEFT + SPAN * (value - self.low) / (self.high - self.low)


def _interval(axes: Axes, one: MeasuredValue, level: float, tone: str, scale: _Scale) -> None:
    """A bar over the interval, with end strokes; an open end is an arrow to the edge."""
    if one.low is None and one.high is None:
        return
    x0 = LEFT if one.low is None else scale.at(one.low)
    x1 = LEFT + SPAN if one.high is None else scale.at(one.high)
    axes.plot([x0, x1], [level, level], color=tone, lw=3.5, alpha=0.6, solid_capstyle="butt", zorder=2)
    for x, is_open, marker in ((x0, one.low is None, "<"), (x1, one.high is None, ">")):
        if is_open:
            axes.plot([x], [level], ls="", marker=marker, ms=7, color=tone)
        else:
            axes.plot([x, x], [level - 5.0, level + 5.0], color=tone, lw=1.5)


def _ticks(axes: Axes, y: float, scale: _Scale, row: CompareRow, labels: Labels) -> None:
    one = row.after or row.before
    unit = "" if one is None else UNITS.get(one.unit, one.unit)
    found = MaxNLocator(nbins=4, steps=[1, 2, 5, 10]).tick_values(scale.low, scale.high)
    ticks = [tick for tick in found if scale.low <= tick <= scale.high]
    for place, tick in enumerate(ticks):
        x = scale.at(tick)
        axes.plot([x, x], [y, y + 3.0], color=colour("frame"), lw=0.8)
        text = number(float(tick), labels, 4) + (f" {unit}" if place == len(ticks) - 1 and unit else "")
        x = min(x, WIDTH - room(text, SMALL) / 2.0)
        axes.text(x, y + 11.0, text, fontsize=SMALL, color=colour("soft"), va="center", ha="center")


def _limits(row: CompareRow) -> list[float]:
    found = [x for one in (row.before, row.after) if one is not None for x in (one.limit_low, one.limit_high)]
    return sorted({x for x in found if x is not None})


def _numbers(row: CompareRow) -> list[float]:
    found = [x for one in (row.before, row.after) if one is not None for x in (one.value, one.low, one.high)]
    numbers = [x for x in found if x is not None]
    return numbers + _limits(row) if numbers else []
