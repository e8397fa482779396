"""Tracks: how something went over time, and what is left of it where many changes fall into one pixel column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNKNOWN = -1


@dataclass(frozen=True)
class StepTrack:
    """Something that holds a value until it takes another.

    name: of the line, channel or ribbon. words: the values' wire names, by value. t_us (n,): axis time from which
    value (n,) holds, ascending; UNKNOWN = nothing is known from there on. inferred (n,): the value was not told but
    follows from the change after it. The last entry is an end: UNKNOWN at the end of the record.
    """

    name: str
    words: tuple[str, ...]
    t_us: Ints
    value: Ints
    inferred: NDArray[np.bool_]
    signal: str = ""

    @property
    def changes(self) -> int:
        """Spans of known value."""
        return int(np.count_nonzero(self.value != UNKNOWN))

    @property
    def heard(self) -> bool:
        """True where anything is known at all."""
        return self.changes > 0

    def spans(self) -> list[tuple[int, int, int, bool]]:
        """(begin, end, value, inferred) of each span of known value, in us."""
        return [
            (int(self.t_us[i]), int(self.t_us[i + 1]), int(self.value[i]), bool(self.inferred[i]))
            for i in range(len(self.t_us) - 1)
            if self.value[i] != UNKNOWN
        ]

    def shares(self, edges_us: Floats) -> Floats:
        """(values, columns): the part of each column's time in which each value held. edges_us (columns + 1,)."""
        out = np.zeros((len(self.words), len(edges_us) - 1))
        width = np.diff(edges_us)
        durations = np.diff(self.t_us).astype(np.float64)
        for value in range(len(self.words)):
            held = np.append(0.0, np.cumsum(np.where(self.value[:-1] == value, durations, 0.0)))
            out[value] = np.diff(np.interp(edges_us, self.t_us, held)) / width
        return out

    def extremes(self, edges_us: Floats) -> tuple[Ints, Ints]:
        """(lowest, highest) value that held at any moment of each column, UNKNOWN where nothing is known.

        However short a span is, it counts in every column that it touches.
        """
        columns = len(edges_us) - 1
        low = np.full(columns, len(self.words), dtype=np.int64)
        high = np.full(columns, UNKNOWN, dtype=np.int64)
        begin, end = self.t_us[:-1], np.maximum(self.t_us[1:], self.t_us[:-1] + 1)
        known = self.value[:-1] != UNKNOWN
        for value in range(len(self.words)):
            mine = known & (self.value[:-1] == value)
            first = np.clip(np.searchsorted(edges_us, begin[mine], side="right") - 1, 0, columns - 1)
            last = np.clip(np.searchsorted(edges_us, end[mine], side="left") - 1, 0, columns - 1)
            steps = np.zeros(columns + 1, dtype=np.int64)
            np.add.at(steps, first, 1)
            np.add.at(steps, np.maximum(last, first) + 1, -1)
            there = np.cumsum(steps)[:columns] > 0
            low[there] = np.minimum(low[there], value)
            high[there] = np.maximum(high[there], value)
        low[high == UNKNOWN] = UNKNOWN
        return low, high

    def between(self, begin_us: int, end_us: int) -> StepTrack:
        """The part of the track in a window."""
        last = np.searchsorted(self.t_us, begin_us, side="right") - 1
        inside = np.flatnonzero((self.t_us > begin_us) & (self.t_us < end_us))
        keep = np.concatenate([[last] if last >= 0 else [], inside]).astype(np.int64)
        times = np.append(np.maximum(self.t_us[keep], begin_us), end_us)
        values = np.append(self.value[keep], UNKNOWN)
        guessed = np.append(self.inferred[keep], False)
        return StepTrack(self.name, self.words, times, values, guessed, self.signal)


@dataclass(frozen=True)
class AngleTrack:
    """The emulated angle: t_us (n,) axis time, deg (n,); NaN separates stretches between which nothing is known."""

    t_us: Ints
    deg: Floats

    def extremes(self, edges_us: Floats) -> tuple[Floats, Floats]:
        """(lowest, highest) angle in each column, NaN where nothing is known; the track is linear between points."""
        columns = len(edges_us) - 1
        low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
        for part in self.parts():
            times, angles = self.t_us[part].astype(np.float64), self.deg[part]
            inside = edges_us[(edges_us >= times[0]) & (edges_us <= times[-1])]
            for points_t, points_a in ((times, angles), (inside, np.interp(inside, times, angles))):
                # A point on an edge belongs to both of its columns.
                for side in ("left", "right"):
                    at = np.searchsorted(edges_us, points_t, side=side) - 1
                    good = (at >= 0) & (at < columns)
                    np.minimum.at(low, at[good], points_a[good])
                    np.maximum.at(high, at[good], points_a[good])
        nothing = ~np.isfinite(high)
        low[nothing] = np.nan
        high[nothing] = np.nan
        return low, high

    def means(self, edges_us: Floats) -> Floats:
        """Mean over the known time of each column, NaN where nothing is known; the track is linear between points."""
        area, known = np.zeros(len(edges_us) - 1), np.zeros(len(edges_us) - 1)
        for part in self.parts():
            times, angles = self.t_us[part].astype(np.float64), self.deg[part]
            inside = edges_us[(edges_us > times[0]) & (edges_us < times[-1])]
            at = np.union1d(times, inside)
            deg, width = np.interp(at, times, angles), np.diff(at)
            column = np.searchsorted(edges_us, (at[:-1] + at[1:]) / 2.0, side="right") - 1
            good = (column >= 0) & (column < len(area))
            np.add.at(area, column[good], (width * (deg[:-1] + deg[1:]) / 2.0)[good])
            np.add.at(known, column[good], width[good])
        return np.where(known > 0.0, area / np.where(known > 0.0, known, 1.0), np.nan)

    def parts(self) -> list[slice]:
        """The unbroken stretches of two points or more."""
        out: list[slice] = []
        begin = 0
        for stop in [*np.flatnonzero(np.isnan(self.deg)).tolist(), len(self.deg)]:
            if stop - begin > 1:
                out.append(slice(begin, stop))
            begin = stop + 1
        return out

    def between(self, begin_us: int, end_us: int) -> AngleTrack:
        """The part of the track in a window, with the angles at its ends."""
        times: list[float] = []
        angles: list[float] = []
        for part in self.parts():
            t, a = self.t_us[part].astype(np.float64), self.deg[part]
            first, last = max(float(begin_us), float(t[0])), min(float(end_us), float(t[-1]))
            if last <= first:
                continue
            inside = (t > first) & (t < last)
            times += [first, *t[inside].tolist(), last, last]
            angles += [float(np.interp(first, t, a)), *a[inside].tolist(), float(np.interp(last, t, a)), np.nan]
        return AngleTrack(np.array(times, dtype=np.int64), np.array(angles, dtype=np.float64))


def steps(
    name: str,
    words: Sequence[str],
    pieces: Iterable[tuple[int, int, list[tuple[int, int]], bool]],
    *,
    signal: str = "",
) -> StepTrack:
    """A step track from pieces (begin, end, [(time, value)...], infer), each an unbroken stretch of record, axis time.

    infer: values are two levels told only when they change, so that the one before the first change is the other one.
    """
    times: list[int] = []
    values: list[int] = []
    guessed: list[bool] = []

    def add(t_us: int, value: int, inferred: bool) -> None:
        times.append(t_us)
        values.append(value if 0 <= value < len(words) or value == UNKNOWN else UNKNOWN)
        guessed.append(inferred)

    for begin, end, told, infer in pieces:
        ordered = sorted(told, key=lambda item: item[0])
        if ordered and infer:
            add(begin, 1 - ordered[0][1], True)
        elif not ordered or ordered[0][0] > begin:
            add(begin, UNKNOWN, False)
        for t_us, value in ordered:
            add(max(begin, t_us), value, False)
        add(max(end, times[-1]), UNKNOWN, False)
    if not times:
        add(0, UNKNOWN, False)
    flags = np.array(guessed, dtype=np.bool_)
    at, held = np.array(times, dtype=np.int64), np.array(values, dtype=np.int64)
    return StepTrack(name, tuple(words), at, held, flags, signal)


def runs_of(codes: Sequence[int] | Ints) -> list[tuple[int, int, int]]:
    """(first, past last, code) of each run of equal codes."""
    data = np.asarray(codes)
    if data.size == 0:
        return []
    cuts = np.flatnonzero(np.diff(data)) + 1
    begins = np.append(0, cuts)
    ends = np.append(cuts, data.size)
    return [(int(b), int(e), int(data[b])) for b, e in zip(begins, ends, strict=True)]
