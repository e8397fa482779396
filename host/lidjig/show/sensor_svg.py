"""Characteristic of a sensor as a picture that stands alone: an SVG that any viewer shows alike, without a date."""

from __future__ import annotations

import math
import re
import textwrap
import warnings

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from lidjig.bench.characteristic import LEVEL, PERCENT, Characteristic, Line, Trace
from lidjig.show.report.figures.canvas import SMALL, TEXT, WIDE, boxes, figure, page, plain, render, room, style
from lidjig.show.report.figures.palette import COLOURS, colour

LEFT, RIGHT = 62.0, 18.0
HEAD, LINE = 30.0, 17.0  # the title, and a line of words
TITLE_LETTERS, TITLE_LINE = 76, 18.0
AXIS, FOOT = 40.0, 24.0  # below a panel: its figures and their name; the legend
CURVE, LEVELS = 270.0, 70.0  # height of a panel of a curve, and of a switch's output
REST_WORDS = {"low": "rests low", "high": "rests high", "error": "error"}
DASHES = {"opening": "-", "closing": (0, (5.0, 3.0))}
TONES = ("sleep", "wake")
PREFIX = "sensor"


def picture(curve: Characteristic, title: str) -> str:
    """The whole SVG file. title: of the sensor, as its profile has it."""
    title = "".join(letter if letter.isprintable() else "?" for letter in title)
    lines = textwrap.wrap(title, TITLE_LETTERS)
    above = HEAD + TITLE_LINE * (len(lines) - 1)
    panels = [[trace] for trace in curve.traces] if curve.quantity == LEVEL else [list(curve.traces)]
    heads = [LINE * (len(panel[0].marks) + 1) for panel in panels]
    body = LEVELS if curve.quantity == LEVEL else CURVE
    height = above + sum(heads) + len(panels) * (body + AXIS) + FOOT
    with style(), warnings.catch_warnings():
        # A letter that this font lacks stays text, and is the viewer's business.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        fig = figure(WIDE, height)
        over = page(fig, WIDE, height)
        for place, line in enumerate(lines):
            over.text(
                LEFT, 16.0 + TITLE_LINE * place, line, va="center", fontsize=TEXT + 1.0, weight="bold",
                color=colour("ink"), parse_math=False,
            )  # fmt: skip
        top = above
        for panel, head in zip(panels, heads, strict=True):
            _head(over, curve, panel, top)
            top += head
            _panel(_axes(fig, height, top, body), over, curve, panel, top)
            top += body + AXIS
        _legend(over, curve, height - FOOT + 6.0)
        return standing_alone(render(fig, {"title": title, "desc": description(curve)}, PREFIX, wide=True))


def description(curve: Characteristic) -> str:
    """What the picture shows, for those who do not see it."""
    words = [f"Output ({curve.quantity}) against the angle of the lid, {_span(curve.axis_deg)}."]
    words.append(f"The jig accepts {_span(curve.accepted_deg)}.")
    for trace in curve.traces:
        lines = [("opening", trace.opening), ("closing", trace.closing)] if curve.loop else [("", trace.opening)]
        for way, line in lines:
            told = np.flatnonzero(~np.isnan(line.value))
            if told.size:
                ends = (_at(curve, line, int(told[0])), _at(curve, line, int(told[-1])))
                words.append(f"{trace.name}{' ' + way if way else ''}: {ends[0]}, {ends[1]}.")
        words += [f"{word.capitalize()} at {at:g} deg." for at, word in trace.marks]
    for rest in curve.rests:
        does = curve.error if rest.word == "error" else REST_WORDS[rest.word]
        words.append(f"No angle from {_span((rest.begin_deg, rest.end_deg))}: {does}.")
    return " ".join(words)


def standing_alone(svg: str) -> str:
    """An SVG made for our pages with their colours, font and paper put in: viewers other than browsers have neither
    variables nor style sheets, and none has ours.
    """
    svg = re.sub(r"var\(--f-([a-z0-9-]+)\)", lambda hit: COLOURS[hit.group(1).replace("-", "_")][0], svg)
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    assert box is not None
    size = f'width="{box.group(1)}" height="{box.group(2)}" font-family="DejaVu Sans, sans-serif" '
    svg = re.sub(r'class="fig fig-wide" ', size, svg, count=1)
    paper = f'<rect width="{box.group(1)}" height="{box.group(2)}" fill="{COLOURS["paper"][0]}"/>\n'
    svg = svg.replace("</desc>\n", f"</desc>\n{paper}", 1)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + svg


def _span(ends: tuple[float, float]) -> str:
    return f"{ends[0]:g} to {ends[1]:g} deg"


def _at(curve: Characteristic, line: Line, place: int) -> str:
    value = line.value[place]
    shown = ("high" if value else "low") if curve.quantity == LEVEL else f"{value:.4g}"
    return f"{shown} at {line.lid_deg[place]:g} deg"


def _axes(fig: Figure, height: float, top: float, body: float) -> Axes:
    wide = WIDE - LEFT - RIGHT
    axes = fig.add_axes((LEFT / WIDE, 1.0 - (top + body) / height, wide / WIDE, body / height))
    plain(axes)
    return axes


def _head(over: Axes, curve: Characteristic, panel: list[Trace], top: float) -> None:
    """What the scale is, and a line of words for each mark, at its angle."""
    name = f"{panel[0].name}: level" if curve.quantity == LEVEL else f"output, {curve.quantity}"
    over.text(LEFT, top + 0.4 * LINE, name, va="center", fontsize=SMALL, color=colour("ink"))
    for place, (at, word) in enumerate(panel[0].marks):
        x, y = _x(curve, at), top + LINE * (place + 1.4)
        text = f"{word}, {at:g} deg"
        right = x + 6.0 + room(text, SMALL) < WIDE - RIGHT
        over.plot([x, x], [y, top + LINE * (len(panel[0].marks) + 1)], color=colour("limit"), lw=1.0)
        over.text(
            x + 6.0 if right else x - 6.0, y, text, ha="left" if right else "right", va="center", fontsize=SMALL,
            color=colour("limit"),
        )  # fmt: skip


def _x(curve: Characteristic, lid_deg: float) -> float:
    begin, end = curve.axis_deg
    return LEFT + (lid_deg - begin) / (end - begin) * (WIDE - LEFT - RIGHT)


def _panel(axes: Axes, over: Axes, curve: Characteristic, panel: list[Trace], top: float) -> None:
    air = (curve.high - curve.low) * (0.18 if curve.quantity == LEVEL else 0.05)
    low, high = curve.low - air, curve.high + air
    axes.set_xlim(*curve.axis_deg)
    axes.set_ylim(low, high)
    _ticks(axes, curve)
    _refused(axes, curve, low, high)
    for rest in curve.rests:
        axes.axvspan(rest.begin_deg, rest.end_deg, facecolor=colour("band"), alpha=0.55, lw=0, zorder=0.7)
        _rest_words(axes, curve, rest.begin_deg, rest.end_deg, REST_WORDS[rest.word])
    for at, _ in panel[0].marks:
        axes.plot([at, at], [low, high], color=colour("limit"), lw=1.0, zorder=1.5)
    for place, trace in enumerate(panel):
        ways = [("opening", trace.opening), ("closing", trace.closing)] if curve.loop else [("opening", trace.opening)]
        for way, line in ways:
            tone = colour(TONES[place] if len(panel) > 1 else TONES[way == "closing"])
            axes.plot(line.lid_deg, line.value, color=tone, lw=1.8, ls=DASHES[way], zorder=2.0)
    bottom = top + (LEVELS if curve.quantity == LEVEL else CURVE)
    middle = LEFT + (WIDE - LEFT - RIGHT) / 2.0
    over.text(middle, bottom + 28.0, "lid angle, deg", ha="center", va="center", fontsize=SMALL, color=colour("ink"))


def _ticks(axes: Axes, curve: Characteristic) -> None:
    begin, end = curve.axis_deg
    step = 15.0 if end - begin <= 200.0 else 30.0
    axes.set_xticks(np.arange(math.ceil(begin / step) * step, end + 0.5, step).tolist())
    if curve.quantity == LEVEL:
        axes.set_yticks([0.0, 1.0], ["low", "high"])
        return
    values = sorted({round(value) for value in np.linspace(curve.low, curve.high, 5).tolist()})
    unit = " %" if curve.quantity == PERCENT else ""
    axes.set_yticks(values, [f"{value}{unit}" for value in values])


def _refused(axes: Axes, curve: Characteristic, low: float, high: float) -> None:
    """Angles that the jig refuses are hatched."""
    ends = [(curve.axis_deg[0], curve.accepted_deg[0]), (curve.accepted_deg[1], curve.axis_deg[1])]
    rects = [(begin, low, end, high) for begin, end in ends if end > begin]
    if rects:
        hatched = PathPatch(boxes(rects), facecolor="none", edgecolor=colour("frame"), lw=0.6, hatch="//", zorder=0.8)
        axes.add_patch(hatched)


def _rest_words(axes: Axes, curve: Characteristic, begin: float, end: float, text: str) -> None:
    """Along the range where there is room for it, else upright."""
    wide = _x(curve, end) - _x(curve, begin)
    if wide < SMALL:
        return
    upright = wide < room(text, SMALL) + 8.0
    axes.text(
        0.5 * (begin + end), 0.5 * (curve.low + curve.high), text, rotation=90.0 if upright else 0.0, ha="center",
        va="center", fontsize=SMALL, color=colour("ink"), zorder=3.0,
        bbox={"facecolor": colour("paper"), "edgecolor": "none", "pad": 2.0},
    )  # fmt: skip


def _legend(over: Axes, curve: Characteristic, y: float) -> None:
    """What the lines and areas are, from left to right."""
    x = LEFT
    ways = ["opening", "closing"] if curve.loop else ["opening"]
    names = {"opening": "while the lid opens", "closing": "while it closes"} if curve.loop else {}
    if len(curve.traces) > 1 and curve.quantity != LEVEL:
        samples = [(trace.name, TONES[k], "opening") for k, trace in enumerate(curve.traces)]
        samples += [(names[way], "ink", way) for way in ways if names]
    else:
        samples = [(names.get(way, "opening and closing alike"), TONES[way == "closing"], way) for way in ways]
    for text, tone, way in samples:
        over.plot([x, x + 24.0], [y, y], color=colour(tone), lw=1.8, ls=DASHES[way])
        over.text(x + 30.0, y, text, va="center", fontsize=SMALL, color=colour("ink"))
        x += 30.0 + 1.1 * room(text, SMALL) + 14.0
    box = boxes([(x, y - 6.0, x + 20.0, y + 6.0)])
    swatch = PathPatch(box, facecolor="none", edgecolor=colour("frame"), hatch="//")
    over.add_patch(swatch)
    over.text(x + 26.0, y, "the jig refuses", va="center", fontsize=SMALL, color=colour("ink"))
