"""Rows of the timeline: angle, levels, bands, ribbons and marks, each drawn at its height over the common axis."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from lidjig.show.report.figures.canvas import SMALL, TEXT, WIDE, Labels, boxes, number, room
from lidjig.show.report.figures.data import Bands
from lidjig.show.report.figures.palette import colour
from lidjig.show.report.figures.tracks import UNKNOWN, AngleTrack, Floats, StepTrack, runs_of

LEFT, RIGHT = 138.0, 14.0  # gutters: names of the rows, and air
SPAN = WIDE - LEFT - RIGHT
COLUMNS = int(SPAN)
MOST_CHANGES = SPAN / 2  # more changes than this in a row, and it is drawn by the column
NARROW_BAR, NARROW_BARS = 3.0, 8  # so many blocks of one value narrower than this: outlines would hide their colour
WIDE_BAR = 24.0  # a block as wide as this stands for itself, among whatever narrow ones
BLOCKS_A_SHARE = 6  # blocks that one share sums up: three cycles of shutting and opening
MOVE_POINTS = 12  # of the angle, a movement

Rect = tuple[float, float, float, float]

# Ribbon -> value -> (fill, hatch, colour of the text upon it)
LOOKS: dict[str, dict[str, tuple[str, str, str]]] = {
    "power": {
        "S0": ("s0", "", "on_light"),
        "S3": ("s3", "///", "on_light"),
        "S5": ("s5", "", "on_dark"),
        "G3": ("g3", "xxx", "on_dark"),
    },
    "route": {
        "open": ("quiet", "", "ink"),
        "through": ("linked", "---", "on_light"),
        "standin": ("driving", "///", "on_light"),
        "shifted": ("driving", "...", "on_light"),
    },
    "lock": {
        "disarmed": ("quiet", "", "ink"),
        "armed": ("driving", "///", "on_light"),
        "tripped": ("tripped", "xxx", "on_dark"),
    },
}


@dataclass(frozen=True)
class Place:
    """Where things go: axis us to viewBox units, and the columns for what is drawn by the column."""

    axes: Axes
    labels: Labels
    begin_us: float
    end_us: float

    def x(self, t_us: float) -> float:
        """Viewbox unit of an axis time."""
        return LEFT + SPAN * (t_us - self.begin_us) / (self.end_us - self.begin_us)

    @property
    def edges_us(self) -> Floats:
        """Edges of the columns, a unit wide each."""
        return np.linspace(self.begin_us, self.end_us, COLUMNS + 1)


@dataclass(frozen=True)
class Row:
    """One row. by_column: it has too many changes to draw each; share_us: the longest time over which shares of values
    are drawn in it, 0.0 = none; draw(place, y) draws it from y downwards.
    """

    height: float
    by_column: bool
    draw: Callable[[Place, float], None]
    share_us: float = 0.0


def _name(place: Place, y: float, name: str, sub: str = "", right: float = LEFT - 8.0) -> None:
    """The row's name in the left gutter, one line or two, centred on y."""
    up, down = (y - 6.5, y + 6.5) if sub else (y, y)
    place.axes.text(right, up, name, ha="right", va="center", fontsize=TEXT, color=colour("ink"))
    if sub:
        place.axes.text(right, down, sub, ha="right", va="center", fontsize=SMALL, color=colour("soft"))


def _rule(place: Place, y: float) -> None:
    """A faint line across."""
    place.axes.plot([LEFT, LEFT + SPAN], [y, y], color=colour("grid"), lw=0.6, zorder=0.5)


def patch(
    axes: Axes, path: Path, fill: str | None, line: str | None = None, width: float = 0.0, hatch: str = ""
) -> None:
    """A path in colours of the palette."""
    axes.add_patch(
        PathPatch(
            path,
            facecolor=colour(fill) if fill else "none",
            edgecolor=colour(line) if line else "none",
            linewidth=width,
            hatch=hatch or None,
            clip_on=False,
        )
    )


def _polyline(place: Place, points: list[tuple[float, float]], breaks: set[int], line: str, width: float) -> None:
    if points:
        codes = [Path.MOVETO if i == 0 or i in breaks else Path.LINETO for i in range(len(points))]
        patch(place.axes, Path(points, codes), None, line, width)


def angle_row(track: AngleTrack) -> Row:
    """The emulated angle over a scale in degrees."""
    by_column = len(track.deg) / MOVE_POINTS > MOST_CHANGES
    known = track.deg[~np.isnan(track.deg)]
    low, top = (min(0.0, float(np.min(known))), max(10.0, float(np.max(known)))) if known.size else (0.0, 90.0)

    def draw(place: Place, y: float) -> None:
        def at(deg: float) -> float:
            return y + 57.0 - 51.0 * (deg - low) / (top - low)

        step = nice(top / 4.0)
        _name(place, y + 31.5, place.labels["angle"], place.labels["angle-unit"], right=LEFT - 32.0)
        for k in range(math.ceil(low / step), math.floor(top / step) + 1):
            _rule(place, at(k * step))
            text, grey = number(k * step, place.labels), colour("soft")
            place.axes.text(LEFT - 6.0, at(k * step), text, ha="right", va="center", fontsize=SMALL, color=grey)
        if by_column:
            lows, highs = track.extremes(place.edges_us)
            rects = [
                (LEFT + i, at(highs[i]) - 0.5, LEFT + j, at(lows[i]) + 0.5)
                for i, j in _equal(lows, highs)
                if not np.isnan(highs[i])
            ]
            patch(place.axes, boxes(rects), "angle")
            return
        points: list[tuple[float, float]] = []
        breaks: set[int] = set()
        for part in track.parts():
            breaks.add(len(points))
            points += [(place.x(t), at(a)) for t, a in zip(track.t_us[part], track.deg[part], strict=True)]
        _polyline(place, points, breaks, "angle", 1.5)

    return Row(65.0, by_column, draw)


def nice(step: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(step, 1e-6)))
    return next(f * power for f in (1.0, 2.0, 5.0, 10.0) if f * power >= step * 0.999999)


def _equal(lows: Floats, highs: Floats) -> Iterable[tuple[int, int]]:
    """(first, past last) of each run of columns that show the same to a tenth."""
    pair = np.nan_to_num(np.round(lows, 1), nan=-1e6) * 1e5 + np.nan_to_num(np.round(highs, 1), nan=-1e6)
    cuts = np.flatnonzero(np.diff(pair)) + 1
    return zip(np.append(0, cuts).tolist(), np.append(cuts, len(lows)).tolist(), strict=True)


def digital_row(track: StepTrack, labels: Labels) -> Row:
    """A line with two levels; under the machine's own name for it where it has one."""
    height = 28.0 if track.signal else 17.0

    def draw(place: Place, y: float) -> None:
        if track.signal:
            _name(place, y + 14.0, track.signal, labels[track.name])
        else:
            _name(place, y + 8.5, labels[track.name])
        _levels(place, y + (height - 17.0) / 2.0, 17.0, track, 1)

    return Row(height, track.changes > MOST_CHANGES, draw)


def band_row(band: Bands, labels: Labels) -> Row:
    """The band of an analog observer, with the thresholds between the bands in the gutter."""
    top = len(band.thresholds) or 3
    height = max(27.0, 17.0 + 6.0 * top)  # two lines of words

    def draw(place: Place, y: float) -> None:
        sub = " | ".join(_threshold(value, band.unit, labels) for value in band.thresholds)
        _name(place, y + height / 2.0, labels[band.track.name], sub)
        for level in range(1, top + 1):
            _rule(place, y + height - 1.0 - (height - 2.0) * level / top)
        _levels(place, y, height, band.track, top)

    return Row(height, band.track.changes > MOST_CHANGES, draw)


def _threshold(value: float, unit: str, labels: Labels) -> str:
    scale, sign = {"mV": (1e-3, "V"), "mA": (1.0, "mA"), "permille": (0.1, "%")}[unit]
    return f"{number(value * scale, labels)} {sign}"


def _levels(place: Place, y: float, height: float, track: StepTrack, top: int) -> None:
    """A step line; by the column a column with several levels is filled from the lowest to the highest."""

    def at(value: int) -> float:
        return y + height - 1.0 - (height - 2.0) * value / top

    _rule(place, at(0))
    if not track.heard:
        text = place.labels["no-change"]
        place.axes.text(LEFT + 4.0, y + height / 2.0, text, va="center", fontsize=SMALL, color=colour("soft"))
        return
    if track.changes > MOST_CHANGES:
        lows, highs = track.extremes(place.edges_us)
        rects = [
            (LEFT + begin, at(int(highs[begin])) - 0.65, LEFT + end, at(int(lows[begin])) + 0.65)
            for begin, end, _code in runs_of(lows * 16 + highs)
            if highs[begin] != UNKNOWN
        ]
        patch(place.axes, boxes(rects), "signal")
        return
    points: list[tuple[float, float]] = []
    breaks: set[int] = set()
    before: int | None = None
    for begin, end, value, inferred in track.spans():
        ends = [(place.x(begin), at(value)), (place.x(end), at(value))]
        if inferred:
            xs, ys = [ends[0][0], ends[1][0]], [ends[0][1], ends[1][1]]
            place.axes.plot(xs, ys, color=colour("signal"), lw=1.2, ls=(0, (2.5, 2.5)), clip_on=False)
            breaks.add(len(points))
            points.append(ends[1])
        else:
            if before != begin:
                breaks.add(len(points))
            points += ends
        before = end
    _polyline(place, points, breaks, "signal", 1.3)


@dataclass(frozen=True)
class Crowd:
    """A stretch of axis time in which blocks follow each other too closely to be seen: its shares are drawn instead."""

    begin_us: int
    end_us: int
    shares: int

    @property
    def share_us(self) -> float:
        """Time that one share sums up."""
        return (self.end_us - self.begin_us) / self.shares


def crowds_of(track: StepTrack, scale: float) -> list[Crowd]:
    """Stretches without a wide block in which most blocks of some value are narrow. scale: units a us."""
    out: list[Crowd] = []
    group: list[tuple[int, int, int, bool]] = []
    for span in [*track.spans(), None]:
        if span is not None and (span[1] - span[0]) * scale < WIDE_BAR:
            group.append(span)
            continue
        if _too_narrow(group, scale):
            out.append(Crowd(group[0][0], group[-1][1], max(1, min(COLUMNS, len(group) // BLOCKS_A_SHARE))))
        group = []
    return out


def _too_narrow(spans: list[tuple[int, int, int, bool]], scale: float) -> bool:
    widths: dict[int, list[float]] = {}
    for begin, end, value, _inferred in spans:
        widths.setdefault(value, []).append((end - begin) * scale)
    return any(len(mine) >= NARROW_BARS and float(np.median(mine)) < NARROW_BAR for mine in widths.values())


def ribbon_row(track: StepTrack, labels: Labels, scale: float, height: float = 21.0) -> Row:
    """Values as blocks with hatch and name; where they crowd, stretches of time split by shares. scale: units a us."""
    crowds = crowds_of(track, scale)

    def draw(place: Place, y: float) -> None:
        _name(place, y + height / 2.0, labels[track.name])
        patch(place.axes, boxes([(LEFT, y, LEFT + SPAN, y + height)]), None, "grid", 0.6)
        if not track.heard:
            text = labels["power-unknown"]
            place.axes.text(LEFT + 4.0, y + height / 2.0, text, va="center", fontsize=SMALL, color=colour("soft"))
            return
        _blocks(place, y, height, track, crowds)
        for crowd in crowds:
            _stacked(place, y, height, track, crowd)

    return Row(height, False, draw, max((crowd.share_us for crowd in crowds), default=0.0))


def name_in(word: str, width: float, labels: Labels) -> str:
    """The name of a value that fits into a block of that width: the reader's, its first word, or ""."""
    whole = labels.get(word, word)
    for text in (whole, whole.split()[0]):
        if room(text, SMALL) + 4.0 <= width:
            return text
    return ""


def _blocks(place: Place, y: float, height: float, track: StepTrack, crowds: list[Crowd]) -> None:
    rects: dict[str, list[Rect]] = {}
    for begin, end, value, _inferred in track.spans():
        if any(crowd.begin_us <= begin < crowd.end_us for crowd in crowds):
            continue
        x0, x1 = place.x(begin), place.x(end)
        rects.setdefault(track.words[value], []).append((x0, y, max(x1, x0 + 0.4), y + height))
    looks = LOOKS[track.name]
    for word, mine in rects.items():
        fill, hatch, _on = looks[word]
        patch(place.axes, boxes(mine), fill, "frame", 0.6, hatch)
    for word, mine in rects.items():
        for x0, _y0, x1, _y1 in mine:
            text = name_in(word, x1 - x0, place.labels)
            if text:
                _on_block(place, (x0 + x1) / 2.0, y + height / 2.0, text, looks[word])


def _on_block(place: Place, x: float, y: float, name: str, look: tuple[str, str, str]) -> None:
    """A name upon a block, on a clean patch of the block's colour and not on its hatch."""
    half = room(name, SMALL) / 2.0 + 2.0
    if look[1]:
        place.axes.add_patch(
            Rectangle((x - half, y - 7.0), 2 * half, 14.0, facecolor=colour(look[0]), edgecolor="none", clip_on=False)
        )
    place.axes.text(x, y, name, ha="center", va="center", fontsize=SMALL, color=colour(look[2]), clip_on=False)


def _stacked(place: Place, y: float, height: float, track: StepTrack, crowd: Crowd) -> None:
    shares = track.shares(np.linspace(crowd.begin_us, crowd.end_us, crowd.shares + 1))
    # Cumulated before rounding, so that the parts of a column fill it without a seam.
    tops = np.round(height * np.cumsum(shares, axis=0), 1)
    base, left = np.zeros(crowd.shares), place.x(crowd.begin_us)
    wide = (place.x(crowd.end_us) - left) / crowd.shares
    for value, word in enumerate(track.words):
        top = tops[value]
        rects = [
            (left + wide * b, y + height - top[b], left + wide * e, y + height - base[b])
            for b, e in _equal(base, top)
            if top[b] > base[b]
        ]
        if rects:
            fill, hatch, _on = LOOKS[track.name][word]
            patch(place.axes, boxes(rects), fill, "frame" if hatch else None, 0.0, hatch)  # the hatch, no outline
        base = top


def marks_row(marks_us: tuple[int, ...], labels: Labels) -> Row:
    """When the operator pressed the mark switch."""

    def draw(place: Place, y: float) -> None:
        _name(place, y + 8.0, labels["mark"])
        xs = [place.x(t) for t in marks_us]
        place.axes.plot(xs, [y + 8.0] * len(xs), ls="", marker="v", ms=6.0, color=colour("ink"), clip_on=False)

    return Row(16.0, False, draw)
