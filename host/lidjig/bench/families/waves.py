"""Levels of a conductor made fit for decoding: only changes, in order, and the stretches in which nothing changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lidjig.bench.families.base import SILENT, Floats, Levels, Reading, Wave

# Past this a double no longer tells tenths of a microsecond apart: such a time is garbage.
_LATEST_US = 1e15
_EMPTY = np.zeros(0, dtype=np.float64)


@dataclass(frozen=True)
class Line:
    """A conductor as watched. found: level at begin_us. t_us (n,), ascending: when it changed; level (n,): 0 or 1 from
    then on, alternating. All in us.
    """

    begin_us: float
    end_us: float
    found: int
    t_us: Floats
    level: Levels

    @property
    def level_at_end(self) -> int:
        """Level when the watch ended."""
        return int(self.level[-1]) if self.level.size else self.found

    def times_of(self, level: int) -> Floats:
        """When the conductor changed to this level, us."""
        times: Floats = self.t_us[self.level == level]
        return times

    def level_before(self, t_us: Floats) -> Levels:
        """Levels just before these times: a change at the very moment does not count yet (data is taken as it was set
        up before the clock's edge).
        """
        seen = np.concatenate((np.array([self.found], dtype=np.int8), self.level))
        before: Levels = seen[np.searchsorted(self.t_us, t_us, side="left")]
        return before


def clean(wave: Wave) -> Line:
    """The changes in a wave. Whatever was recorded is taken: what is no time is left out, what is no change too."""
    count = min(np.size(wave.t_us), np.size(wave.level))
    t_us = np.asarray(wave.t_us, dtype=np.float64).ravel()[:count]
    level = (np.asarray(wave.level).ravel()[:count] != 0).astype(np.int8)
    good = np.abs(t_us) < _LATEST_US  # not so for what is no number
    t_us, level = t_us[good], level[good]
    if not t_us.size:
        return Line(0.0, 0.0, 0, _EMPTY, np.zeros(0, dtype=np.int8))
    order = np.argsort(t_us, kind="stable")
    t_us, level = t_us[order], level[order]
    end_us = float(wave.end_us)
    if not float(t_us[-1]) <= end_us < _LATEST_US:
        end_us = float(t_us[-1])
    changed = np.flatnonzero(np.diff(level)) + 1
    return Line(float(t_us[0]), end_us, int(level[0]), t_us[changed], level[changed])


def silences(line: Line, limit_us: float) -> list[Reading]:
    """A reading for every stretch longer than limit_us in which the level stayed, told when it ended."""
    ends = np.concatenate((line.t_us, [line.end_us]))
    begins = np.concatenate(([line.begin_us], line.t_us))
    levels = np.concatenate(([line.found], line.level))
    return [
        Reading(
            t_us=float(ends[i]),
            code=None,
            part=None,
            fault=SILENT,
            detail={"level": "high" if levels[i] else "low", "silent_us": float(ends[i] - begins[i])},
        )
        for i in np.flatnonzero(ends - begins > limit_us)
    ]


def in_order(readings: list[Reading]) -> list[Reading]:
    """Readings by time."""
    return sorted(readings, key=lambda reading: reading.t_us)
