"""Sampled channels thinned to what a drawing can show: of each column first, last, lowest and highest sample are kept.

A line through those four is, to the pixel, the line through all of them (U. Jugel, Z. Jerzak, G. Hackenbroich,
V. Markl: M4, a visualization-oriented time series data aggregation, PVLDB 7(10), 2014), so no spike is lost.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lidjig.record.axis import Boot
from lidjig.record.source import BootOf
from lidjig.show.report.figures.tracks import Floats, Ints

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow, Segment

COLUMNS = 560  # about a unit of the drawing wide each
HELD = 65_536  # points that are thinned at a time

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Window:
    """A part of the axis that is drawn, us."""

    begin_us: int
    end_us: int


@dataclass(frozen=True)
class Trace:
    """A channel over a window. row: what the run holds of all of it. t_us (k,): axis time, ascending; value (k,) in
    the row's unit; broken (k,): not joined to the point before, since samples are missing in between. holes: (begin,
    end) of each such place, axis us.
    """

    row: ChannelRow
    t_us: Ints
    value: Floats
    broken: Bools
    holes: tuple[tuple[int, int], ...]


class _Thinner:
    """Takes the points of one channel as they come and keeps those of one window that a drawing needs."""

    def __init__(self, window: Window) -> None:
        self._window = window
        self._edges_us = np.linspace(window.begin_us, window.end_us, COLUMNS + 1)
        self._new: list[tuple[Ints, Floats, Ints]] = []
        self._count = 0
        self._kept: tuple[Ints, Floats, Ints] = (np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64))

    def add(self, t_us: Ints, value: Floats, stretch: int) -> None:
        """Samples in a row. stretch: another number after each hole."""
        inside = (t_us >= self._window.begin_us) & (t_us <= self._window.end_us)
        if not np.all(inside):
            t_us, value = t_us[inside], value[inside]
        if t_us.size:
            self._new.append((t_us, value, np.full(t_us.size, stretch, np.int64)))
            self._count += t_us.size
        if self._count > HELD:
            self.kept()

    def kept(self) -> tuple[Ints, Floats, Ints]:
        """(t_us, value, stretch) of what is kept, by time."""
        parts = [self._kept, *self._new]
        t_us, value, stretch = (np.concatenate([part[i] for part in parts]) for i in range(3))
        if not t_us.size:
            return self._kept
        order = np.argsort(t_us, kind="stable")
        t_us, value, stretch = t_us[order], value[order], stretch[order]
        keep = _telling(t_us, value, self._edges_us)
        self._kept = (t_us[keep], value[keep], stretch[keep])
        self._new, self._count = [], 0
        return self._kept


def _telling(t_us: Ints, value: Floats, edges_us: Floats) -> Ints:
    """Places of the first, last, lowest and highest point of each column. t_us ascends."""
    column = np.clip(np.searchsorted(edges_us, t_us, side="right") - 1, 0, len(edges_us) - 2)
    firsts = np.flatnonzero(np.diff(column, prepend=-1))
    lasts = np.append(firsts[1:], len(column)) - 1
    by_value = np.lexsort((value, column))  # the same columns in the same order, each by value
    return np.unique(np.concatenate([firsts, lasts, by_value[firsts], by_value[lasts]])).astype(np.int64)


def traces_of(
    row: ChannelRow, segments: Iterable[Segment], boots: tuple[Boot, ...], windows: Iterable[Window]
) -> list[Trace | None]:
    """The channel in each window, read once; None for a window without a sample. segments: as Store.series gives them;
    memory holds a few of them at a time.
    """
    wanted = list(windows)
    thinners = [_Thinner(window) for window in wanted]
    holes: list[tuple[int, int]] = []
    place, stretch, end_us = BootOf(boots), 0, 0
    for segment in segments:
        if segment.t_us.size == 0:
            continue
        t_us = segment.t_us + place.of(int(segment.t_us[0]), int(segment.t_us[-1])).offset_us
        if segment.after_hole:
            stretch += 1
            holes.append((min(end_us, int(t_us[0])), int(t_us[0])))
        end_us = int(t_us[-1])
        for thinner in thinners:
            thinner.add(t_us, segment.values, stretch)
    return [_trace(row, window, thinner, holes) for window, thinner in zip(wanted, thinners, strict=True)]


def _trace(row: ChannelRow, window: Window, thinner: _Thinner, holes: list[tuple[int, int]]) -> Trace | None:
    t_us, value, stretch = thinner.kept()
    if not t_us.size:
        return None
    inside = tuple((b, e) for b, e in holes if e >= window.begin_us and b <= window.end_us)
    return Trace(row, t_us, value, np.diff(stretch, prepend=-1) != 0, inside)
