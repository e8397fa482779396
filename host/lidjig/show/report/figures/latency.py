"""Latencies drawn: how they are spread, and how they went over the cycles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator

from lidjig.show.report.figures.canvas import (
    NARROW,
    SMALL,
    TEXT,
    WIDE,
    Labels,
    borne,
    boxes,
    figure,
    number,
    page,
    plain,
    render,
    room,
    style,
)
from lidjig.show.report.figures.marks import RunMarks
from lidjig.show.report.figures.palette import colour
from lidjig.show.report.figures.tracks import Floats
from lidjig.show.report.figures.trials import Series

POINTS_MAX = 4000  # more movements than this are thinned, extremes kept
BINS_MAX = 40
LIMIT_NEAR = 1.6  # a limit within this many times the slowest is drawn in the histogram, another one named at its edge
DIGITS = 4
PANEL, BARS = 166.0, 96.0  # height of a panel of the histogram, and of its bars
RUN_PANEL, RUN_DOTS = 182.0, 138.0
HEAD = 46.0  # two lines of words above a panel
LEFT, RIGHT = 44.0, 18.0
WIDE_LEFT = 54.0
RUN_NOTE = 17.0  # height of a line below the run chart
GAPS_NAMED = 6  # gaps with a line of their own; the page lists them all
_HATCHED: dict[str, Any] = {
    "gap": {"facecolor": colour("paper"), "edgecolor": colour("gap"), "linewidth": 0.9, "hatch": "xxxx"},
    "rest": {"facecolor": "none", "edgecolor": colour("grid"), "linewidth": 0.6, "hatch": "//"},
}


def histogram_svg(series: Sequence[Series], labels: Labels, prefix: str) -> str:
    """Spread of the latencies, a panel a kind over one axis: median with its interval, limit, misses in words."""
    shown = [one for one in series if one.latencies_s]
    every = [value for one in shown for value in one.latencies_s]
    height = 14.0 + PANEL * len(shown) if shown else 40.0
    with style():
        fig = figure(NARROW, height)
        over = page(fig, NARROW, height)
        if not every:
            over.text(0.0, height / 2.0, labels["no-reactions"], fontsize=TEXT, color=colour("soft"))
            return render(fig, labels, prefix)
        limit = max(one.limit_s for one in shown)
        low, high = min(every), max(every)
        if high < limit <= high * LIMIT_NEAR:
            high = limit
        air = max((high - low) * 0.06, 0.004)
        edges = _bins(low - air, high + air, len(every))
        for place, one in enumerate(shown):
            top = PANEL * place + HEAD
            axes = _axes(fig, NARROW, height, (LEFT, top, NARROW - LEFT - RIGHT, BARS))
            _panel(axes, one, edges, labels)
            _panel_words(over, top, one, edges, labels)
        over.text(
            LEFT + (NARROW - LEFT - RIGHT) / 2.0, height - 7.0, labels["latency-s"],
            ha="center", va="center", fontsize=TEXT, color=colour("ink"),
        )  # fmt: skip
        return render(fig, labels, prefix)


def _axes(fig: Figure, width: float, height: float, box: tuple[float, float, float, float]) -> Axes:
    """An Axes at (left, top, width, height) in viewBox units."""
    left, top, wide, high = box
    axes = fig.add_axes((left / width, 1.0 - (top + high) / height, wide / width, high / height))
    plain(axes)
    return axes


def _bins(low: float, high: float, n: int) -> Floats:
    """Edges of equal width, about the square root of n of them, on round numbers."""
    wanted = min(BINS_MAX, max(8, round(math.sqrt(n))))
    step = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(step))
    step = min((f * power for f in (1.0, 2.0, 2.5, 5.0, 10.0)), key=lambda s: abs(s - step))
    first, last = math.floor(low / step), math.ceil(high / step)
    return np.asarray(np.arange(first, last + 1) * step, dtype=np.float64)


def _panel(axes: Axes, one: Series, edges: Floats, labels: Labels) -> None:
    counts, _ = np.histogram(one.latencies_s, edges)
    bars = [(edges[i], 0.0, edges[i + 1], float(c)) for i, c in enumerate(counts) if c]
    hatch = None if one.verb == "sleep" else "///"
    patch = PathPatch(boxes(bars), facecolor=colour(one.verb), edgecolor=colour("paper"), linewidth=0.7, hatch=hatch)
    axes.add_patch(patch)
    top = float(max(counts)) * 1.1
    axes.set_xlim(float(edges[0]), float(edges[-1]))
    axes.set_ylim(0.0, top)
    ticks = [t for t in MaxNLocator(nbins=4, integer=True, steps=[1, 2, 5, 10]).tick_values(0, top) if t <= top]
    axes.set_yticks(ticks, [number(float(t), labels, 6) for t in ticks])
    xs = MaxNLocator(nbins=7, steps=[1, 2, 5, 10]).tick_values(edges[0], edges[-1])
    ticks = [t for t in xs if edges[0] <= t <= edges[-1]]
    axes.set_xticks(ticks, [number(float(t), labels) for t in ticks])
    median = one.median
    if median.value is not None:
        if median.low is not None and median.high is not None:
            axes.axvspan(median.low, median.high, facecolor=colour("band"), alpha=0.7, lw=0, zorder=0.5)
        axes.plot([median.value] * 2, [0.0, top], color=colour("ink"), lw=1.5)
        axes.plot([median.value], [top], ls="", marker="v", ms=7, color=colour("ink"), clip_on=False)
    if one.limit_s <= edges[-1]:
        axes.plot([one.limit_s] * 2, [0.0, top], color=colour("limit"), lw=1.6, ls=(0, (5.0, 3.0)))


def _panel_words(over: Axes, top: float, one: Series, edges: Floats, labels: Labels) -> None:
    limit = f"{labels['limit']} {number(one.limit_s, labels)} s"
    if one.limit_s > edges[-1]:
        limit += " \u2192"
    _words(over, 0.0, top - 36.0, labels[one.verb], "ink", bold=True)
    over.text(NARROW - RIGHT, top - 36.0, limit, ha="right", va="center", fontsize=SMALL, color=colour("limit"))
    _words(over, 0.0, top - 19.0, median_text(one, labels), "ink")
    _upright(over, top + BARS / 2.0, labels["count"])


def _words(over: Axes, x: float, y: float, text: str, tone: str, *, bold: bool = False) -> None:
    weight = "bold" if bold else "normal"
    over.text(x, y, text, va="center", fontsize=TEXT if bold else SMALL, color=colour(tone), weight=weight)


def _upright(over: Axes, y: float, text: str) -> None:
    """The name of an upright axis."""
    over.text(8.0, y, text, rotation=90.0, ha="center", va="center", fontsize=SMALL, color=colour("ink"))


def median_text(one: Series, labels: Labels) -> str:
    """Median with its interval, n and misses in one line."""
    median, missed = one.median, labels["misses"].replace("{misses}", str(one.misses))
    missed = missed.replace("{n}", str(len(one.rows)))
    if median.value is None:
        return missed
    text = f"{labels['median']} {number(median.value, labels, DIGITS)} s"
    if median.low is not None and median.high is not None:
        ends = median.low, median.high
        value, low, high = (borne(v, *ends, labels, "s") for v in (median.value, *ends))
        text = f"{labels['median']} {value} s ({labels['range'].replace('{low}', low).replace('{high}', high)})"
    return f"{text}, n {len(one.latencies_s)}; {missed}"


# -- run chart


def run_chart_svg(series: Sequence[Series], labels: Labels, prefix: str, marks: RunMarks | None = None) -> str:
    """Latency against the number of the cycle, a panel a kind: misses and late ones as symbols, median, limit. marks:
    gaps are hatched where they fell; of a run that did less than was ordered the axis goes on to that."""
    marks = marks or RunMarks()
    shown = [one for one in series if one.rows]
    notes = _notes(marks, labels)
    below = RUN_NOTE * len(notes) + (6.0 if notes else 0.0)
    height = 22.0 + RUN_PANEL * max(1, len(shown)) + below
    with style():
        fig = figure(WIDE, height)
        over = page(fig, WIDE, height)
        if not shown:
            over.text(0.0, height / 2.0, labels["no-reactions"], fontsize=TEXT, color=colour("soft"))
            return render(fig, labels, prefix, wide=True)
        first = min(row.number for one in shown for row in one.rows)
        last = max(row.number for one in shown for row in one.rows)
        if marks.ordered is not None:
            last = max(last, marks.ordered.wanted)
        for place, one in enumerate(shown):
            top = RUN_PANEL * place + 24.0
            axes = _axes(fig, WIDE, height, (WIDE_LEFT, top, WIDE - WIDE_LEFT - RIGHT, RUN_DOTS))
            _run_panel(axes, one, labels, (first, last))
            _marked(axes, one, marks, labels)
            _run_words(over, top - 12.0, one, labels)
            _upright(over, top + RUN_DOTS / 2.0, labels["latency-s"])
        x, y = WIDE_LEFT + (WIDE - WIDE_LEFT - RIGHT) / 2.0, height - below - 7.0
        over.text(x, y, labels["cycle"], ha="center", va="center", fontsize=TEXT, color=colour("ink"))
        for place, (text, hatch) in enumerate(notes):
            at = height - below + 10.0 + RUN_NOTE * place
            if hatch:
                swatch = PathPatch(boxes([(WIDE_LEFT, at - 6.0, WIDE_LEFT + 20.0, at + 6.0)]), **_HATCHED[hatch])
                over.add_patch(swatch)
            over.text(WIDE_LEFT + 28.0, at, text, va="center", fontsize=SMALL, color=colour("ink"))
        return render(fig, labels, prefix, wide=True)


def _notes(marks: RunMarks, labels: Labels) -> list[tuple[str, str]]:
    """(text, what its swatch shows) of the lines below the chart."""
    notes = [(f"{labels['gap']}: {text}", "gap") for _number, text in marks.gaps[:GAPS_NAMED]]
    if len(marks.gaps) > GAPS_NAMED:
        notes.append((labels["more"].replace("{n}", str(len(marks.gaps) - GAPS_NAMED)), ""))
    if marks.ordered is not None:
        left = labels["left"].replace("{done}", str(marks.ordered.done))
        notes.append((f"{_end_word(marks, labels)}: {left.replace('{wanted}', str(marks.ordered.wanted))}", "rest"))
    return notes


def _end_word(marks: RunMarks, labels: Labels) -> str:
    return labels["cut" if marks.ordered is not None and marks.ordered.cut else "short"]


def _marked(axes: Axes, one: Series, marks: RunMarks, labels: Labels) -> None:
    """Gaps as hatched bars through the panel; from the last movement to what was ordered the empty rest."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    unit = (right - left) / (WIDE - WIDE_LEFT - RIGHT)
    for at, _text in marks.gaps:
        bar = boxes([(at - 2.5 * unit, low, at + 2.5 * unit, high)])
        axes.add_patch(PathPatch(bar, **_HATCHED["gap"], zorder=2.0))
    if marks.ordered is None:
        return
    end = max(one.rows[-1].number, marks.ordered.done) + 0.5
    if end >= right:
        return
    axes.add_patch(PathPatch(boxes([(end, low, right, high)]), **_HATCHED["rest"], zorder=1.7))
    axes.plot([end, end], [low, high], color=colour("gap"), lw=2.0, zorder=2.1)
    text = _end_word(marks, labels)
    if (right - end) / unit > 1.15 * room(text) + 12.0:
        ground = {"facecolor": colour("paper"), "edgecolor": "none", "pad": 2.5}
        axes.text(
            end + 8.0 * unit, low + 0.5 * (high - low), text, va="center", fontsize=SMALL, weight="bold",
            color=colour("gap"), bbox=ground, zorder=3.0,
        )  # fmt: skip


def _run_panel(axes: Axes, one: Series, labels: Labels, span: tuple[int, int]) -> None:
    numbers = np.array([row.number for row in one.rows], dtype=np.float64)
    values = np.array([np.nan if row.latency_s is None else row.latency_s for row in one.rows], dtype=np.float64)
    late = np.array([row.result == "late" for row in one.rows])
    missed = np.isnan(values)
    slowest = float(np.nanmax(values)) if not np.all(missed) else 0.0
    top = max(one.limit_s, slowest) * 1.06
    air = max(0.5, (span[1] - span[0]) * 0.012)
    ends = [span[0] - air, span[1] + air]
    axes.set_xlim(*ends)
    axes.set_ylim(0.0, top * 1.2)  # misses stand above everything that has a latency
    axes.plot(ends, [one.limit_s] * 2, color=colour("limit"), lw=1.4, ls=(0, (5.0, 3.0)), zorder=1.5)
    median = one.median
    if median.value is not None:
        if median.low is not None and median.high is not None:
            axes.axhspan(median.low, median.high, facecolor=colour("band"), alpha=0.8, lw=0, zorder=0.6)
        axes.plot(ends, [median.value] * 2, color=colour("ink"), lw=0.9, zorder=1.6)
    in_time = ~missed & ~late
    _dots(axes, numbers[in_time], values[in_time], colour(one.verb))
    _symbols(axes, numbers[late], values[late], "^", colour("marginal"))
    _symbols(axes, numbers[missed], np.full(int(np.sum(missed)), top * 1.11), "x", colour("fail"))
    ticks = [t for t in MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(0.0, top) if 0.0 <= t <= top]
    axes.set_yticks(ticks, [number(float(t), labels) for t in ticks])
    near = (span[1] - span[0]) * 0.05
    xs = MaxNLocator(nbins=8, integer=True, steps=[1, 2, 5, 10]).tick_values(*span)
    marks = [span[0], *(int(t) for t in xs if span[0] + near < t <= span[1])]
    axes.set_xticks(marks, [str(t) for t in marks])


def _run_words(over: Axes, y: float, one: Series, labels: Labels) -> None:
    """Name and median on the left; what the symbols mean on the right, from the right edge leftwards."""
    _words(over, 0.0, y, labels[one.verb], "ink", bold=True)
    _words(over, 1.12 * room(labels[one.verb]) + 12.0, y, median_text(one, labels), "ink")
    x = WIDE - RIGHT
    limit = f"{labels['limit']} {number(one.limit_s, labels)} s"
    entries = [(limit, "limit", "")]
    entries += [(labels["missed"], "fail", "x")] if one.misses else []
    entries += [(labels["late"], "marginal", "^")] if any(row.result == "late" for row in one.rows) else []
    for text, tone, marker in entries:
        over.text(x, y, text, ha="right", va="center", fontsize=SMALL, color=colour(tone))
        x -= room(text, SMALL) + 11.0
        if marker:
            over.plot([x], [y], ls="", marker=marker, ms=6.0, mew=1.6, color=colour(tone))
        else:
            over.plot([x - 14.0, x + 5.0], [y, y], color=colour(tone), lw=1.4, ls=(0, (5.0, 3.0)))
        x -= 28.0


def _dots(axes: Axes, x: Floats, y: Floats, tone: str) -> None:
    """All dots in one path: strokes of no length with round ends."""
    if len(x) == 0:
        return
    size = 5.0 if len(x) <= 100 else (3.6 if len(x) <= 400 else 2.6)
    x, y = thinned(x, y)
    points = np.repeat(np.column_stack([x, y]), 2, axis=0)
    codes = np.tile([Path.MOVETO, Path.LINETO], len(x))
    dots = PathPatch(Path(points, codes), facecolor="none", edgecolor=tone, lw=size, capstyle="round", zorder=2.5)
    axes.add_patch(dots)


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """No more than POINTS_MAX points: lowest and highest of each column stay. x ascends."""
    if len(x) <= POINTS_MAX:
        return x, y
    columns = POINTS_MAX // 2
    at = np.minimum(((x - x[0]) / max(x[-1] - x[0], 1e-9) * columns).astype(np.int64), columns - 1)
    order = np.lexsort((y, at))
    firsts = order[np.flatnonzero(np.diff(np.append(-1, at[order])))]
    lasts = order[np.flatnonzero(np.diff(np.append(at[order], columns)))]
    keep = np.unique(np.concatenate([firsts, lasts]))
    return x[keep], y[keep]


def _symbols(axes: Axes, x: Floats, y: Floats, marker: str, tone: str) -> None:
    x, y = thinned(x, y)
    if len(x):
        axes.plot(x, y, ls="", marker=marker, ms=6.0, mew=1.5, color=tone, clip_on=False, zorder=4)
