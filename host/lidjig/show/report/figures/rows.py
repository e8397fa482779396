"""Rows of the timeline: angle, levels, bands, ribbons and marks, each drawn at its height over the common axis."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from lidjig.show.report.figures.canvas import SMALL, TEXT, Labels, boxes, number, room
from lidjig.show.report.figures.crowds import LEFT, SPAN, Crowd, columns_of, crowds_of, is_dense
from lidjig.show.report.figures.data import Bands, Miss
from lidjig.show.report.figures.palette import colour
from lidjig.show.report.figures.tracks import AngleTrack, Floats, StepTrack
from lidjig.show.report.figures.units import readable

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

    def edges_us(self, columns: int) -> Floats:
        """Edges of so many stretches of equal time."""
        return np.linspace(self.begin_us, self.end_us, columns + 1)


@dataclass(frozen=True)
class Row:
    """One row. draw(place, y) draws it from y downwards."""

    height: float
    draw: Callable[[Place, float], None]


def _name(place: Place, y: float, name: str, sub: str = "", right: float = LEFT - 8.0) -> None:
    """The row's name in the left gutter, one line or two, centred on y."""
    up, down = (y - 6.5, y + 6.5) if sub else (y, y)
    place.axes.text(right, up, name, ha="right", va="center", fontsize=TEXT, color=colour("ink"))
    if sub:
        place.axes.text(right, down, sub, ha="right", va="center", fontsize=SMALL, color=colour("soft"))


def rule(place: Place, y: float) -> None:
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
    known = track.deg[~np.isnan(track.deg)]
    low, top = (min(0.0, float(np.min(known))), max(10.0, float(np.max(known)))) if known.size else (0.0, 90.0)

    def draw(place: Place, y: float) -> None:
        def at(deg: float) -> float:
            return y + 57.0 - 51.0 * (deg - low) / (top - low)

        step = nice(top / 4.0)
        _name(place, y + 31.5, place.labels["angle"], place.labels["angle-unit"], right=LEFT - 32.0)
        for k in range(math.ceil(low / step), math.floor(top / step) + 1):
            rule(place, at(k * step))
            text, grey = number(k * step, place.labels), colour("soft")
            place.axes.text(LEFT - 6.0, at(k * step), text, ha="right", va="center", fontsize=SMALL, color=grey)
        if is_dense(track):
            _dense_angle(place, track, at)
            return
        points: list[tuple[float, float]] = []
        breaks: set[int] = set()
        for part in track.parts():
            breaks.add(len(points))
            points += [(place.x(t), at(a)) for t, a in zip(track.t_us[part], track.deg[part], strict=True)]
        _polyline(place, points, breaks, "angle", 1.5)

    return Row(65.0, draw)


def _dense_angle(place: Place, track: AngleTrack, at: Callable[[float], float]) -> None:
    """From the lowest to the highest angle of each stretch, and the mean as a line."""
    columns = columns_of(track)
    edges, wide = place.edges_us(columns), SPAN / columns
    lows, highs = track.extremes(edges)
    rects = [
        (LEFT + wide * i, at(highs[i]) - 0.5, LEFT + wide * j, at(lows[i]) + 0.5)
        for i, j in _equal(lows, highs)
        if not np.isnan(highs[i])
    ]
    patch(place.axes, boxes(rects), "band")
    points: list[tuple[float, float]] = []
    breaks: set[int] = set()
    for i, mean in enumerate(track.means(edges).tolist()):
        if np.isnan(mean):
            breaks.add(len(points))
            continue
        points += [(LEFT + wide * i, at(mean)), (LEFT + wide * (i + 1), at(mean))]
    _polyline(place, points, breaks, "angle", 1.5)


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

    return Row(height, draw)


def band_row(band: Bands, labels: Labels) -> Row:
    """The band of an analog observer, with the thresholds between the bands in the gutter."""
    top = len(band.thresholds) or 3
    height = max(27.0, 17.0 + 6.0 * top)  # two lines of words

    def draw(place: Place, y: float) -> None:
        sub = " | ".join(_threshold(value, band.unit, labels) for value in band.thresholds)
        _name(place, y + height / 2.0, labels[band.track.name], sub)
        for level in range(1, top + 1):
            rule(place, y + height - 1.0 - (height - 2.0) * level / top)
        _levels(place, y, height, band.track, top)

    return Row(height, draw)


def _threshold(value: float, unit: str, labels: Labels) -> str:
    factor, told = readable(unit)
    return f"{number(value * factor, labels)} {told}".rstrip()


def _levels(place: Place, y: float, height: float, track: StepTrack, top: int) -> None:
    """A step line; where there are too many steps, each stretch is filled by the part of the time in which the level
    was reached."""

    def at(value: int) -> float:
        return y + height - 1.0 - (height - 2.0) * value / top

    rule(place, at(0))
    if not track.heard:
        text = place.labels["no-change"]
        place.axes.text(LEFT + 4.0, y + height / 2.0, text, va="center", fontsize=SMALL, color=colour("soft"))
        return
    if is_dense(track):
        _dense_levels(place, track, top, at)
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


def _dense_levels(place: Place, track: StepTrack, top: int, at: Callable[[int], float]) -> None:
    """Between a level and the next one below, from below as high as its part of the known time, that and above."""
    columns = columns_of(track)
    shares, wide = track.shares(place.edges_us(columns)), SPAN / columns
    known = np.sum(shares, axis=0)
    for level in range(1, top + 1):
        reached = np.sum(shares[level:], axis=0) / np.where(known > 0.0, known, 1.0)
        low, high = at(level - 1), at(level)
        rects = [
            (LEFT + wide * i, low + (high - low) * float(part), LEFT + wide * (i + 1), low)
            for i, part in enumerate(np.round(reached, 3))
            if part > 0.0
        ]
        patch(place.axes, boxes(rects), "signal")


def ribbon_row(
    track: StepTrack, labels: Labels, scale: float, height: float = 21.0, crowded: float | None = None
) -> Row:
    """Values as blocks with hatch and name; where they crowd, stretches of time split by shares. scale: units a us.
    crowded: height of a row that shows shares.
    """
    crowds = crowds_of(track, scale)
    height = crowded if crowded is not None and crowds else height

    def draw(place: Place, y: float) -> None:
        _name(place, y + height / 2.0, labels[track.name], labels["share-of-time"] if crowds and height > 40.0 else "")
        patch(place.axes, boxes([(LEFT, y, LEFT + SPAN, y + height)]), None, "grid", 0.6)
        if not track.heard:
            text = labels["power-unknown"]
            place.axes.text(LEFT + 4.0, y + height / 2.0, text, va="center", fontsize=SMALL, color=colour("soft"))
            return
        _blocks(place, y, height, track, crowds)
        for crowd in crowds:
            _stacked(place, y, height, track, crowd)

    return Row(height, draw)


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

    return Row(16.0, draw)


def misses_row(misses: Sequence[Miss], labels: Labels) -> Row:
    """Movements that were missed as crosses, late ones as triangles."""

    def draw(place: Place, y: float) -> None:
        _name(place, y + 8.0, labels["misses"])
        rule(place, y + 8.0)
        for kind, marker, tone in (("late", "^", "marginal"), ("miss", "x", "fail")):
            xs = [place.x(miss.t_us) for miss in misses if miss.kind == kind]
            place.axes.plot(
                xs, [y + 8.0] * len(xs), ls="", marker=marker, ms=6.5, mew=1.7, color=colour(tone), clip_on=False
            )

    return Row(17.0, draw)
