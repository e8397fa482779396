"""Which rows of the timeline have more changes than room, how they are thinned, and the notes that say so.

Nothing here draws: a report as data has the same notes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lidjig.show.numbers import figure as figure_text
from lidjig.show.report.figures.data import TimelineData
from lidjig.show.report.figures.samples import COLUMNS as SAMPLED_COLUMNS
from lidjig.show.report.figures.tracks import AngleTrack, StepTrack

WIDE = 720.0  # viewBox width of the figure
LEFT, RIGHT = 138.0, 14.0  # gutters: names of the rows, and air
SPAN = WIDE - LEFT - RIGHT
COLUMNS = int(SPAN)
MOST_CHANGES = SPAN / 2  # more changes than this in a row, and it is drawn by the share
NARROW_BAR, NARROW_BARS = 3.0, 8  # so many blocks of one value narrower than this: outlines would hide their colour
WIDE_BAR = 24.0  # a block as wide as this stands for itself, among whatever narrow ones
BLOCKS_A_SHARE = 6  # blocks that one share sums up: three cycles of shutting and opening
MOVE_POINTS = 12  # of the angle, a movement


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


def is_dense(track: StepTrack | AngleTrack) -> bool:
    """Whether a line, a band or the angle has more changes than the figure has room for."""
    changes = track.changes if isinstance(track, StepTrack) else len(track.deg) / MOVE_POINTS
    return changes > MOST_CHANGES


def columns_of(track: StepTrack | AngleTrack) -> int:
    """Stretches of equal time that a dense track is thinned to: so many that each holds several movements."""
    changes = track.changes if isinstance(track, StepTrack) else len(track.deg) // MOVE_POINTS
    return max(1, min(COLUMNS // 4, changes // BLOCKS_A_SHARE))


def timeline_notes(data: TimelineData, labels: Mapping[str, str]) -> list[str]:
    """What the reader must know of how the timeline is drawn. labels: "decimal" and the notes of figure.timeline."""
    seconds, scale = (data.end_us - data.begin_us) / 1e6, SPAN / (data.end_us - data.begin_us)

    def told(key: str, part_s: float) -> str:
        return labels[key].replace("{seconds}", figure_text(part_s, 2).replace(".", labels["decimal"]))

    levels = (*data.outputs, *data.lines, *data.observers)
    notes = [labels["inferred"]] if any(_shows_inferred(track, scale) for track in levels) else []
    if len(data.angle.deg) and is_dense(data.angle):
        notes.append(told("angle-dense", seconds / columns_of(data.angle)))
    dense = [track for track in (*levels, *(band.track for band in data.bands)) if is_dense(track)]
    if dense:
        notes.append(told("by-column", max(seconds / columns_of(track) for track in dense)))
    if data.traces:
        notes.append(told("sampled-note", seconds / SAMPLED_COLUMNS))
    crowds = [crowd for track in (data.power, data.route, data.lock) for crowd in crowds_of(track, scale)]
    if crowds:
        notes.append(told("by-share", max(crowd.share_us for crowd in crowds) / 1e6))
    return notes


def _shows_inferred(track: StepTrack, scale: float) -> bool:
    """Whether an inferred stretch is drawn long enough to be seen as dashed."""
    spans = track.spans()
    return not is_dense(track) and any(guessed and (end - begin) * scale > 3.0 for begin, end, _v, guessed in spans)
