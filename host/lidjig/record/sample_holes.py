"""Where samples are missing between the batches of a channel: one rule for everybody who reads samples back.

A gap is a place at which at least one sample is missing, and a reading that is late is none. Known by:

- the numbers of the batches, which count from 1 since sampling was set: one that does not follow the one before tells
  of batches that never came. Number 1 is the first since sampling was set anew: between the two nothing was due.
- time that goes back: the board restarted.
- time in which a sample was due and none came. The jig reads on a beat, never early, and late by less than a period:
  a beat that it meets later than that is passed over. So among samples that are on the beat or late, a missing one
  shifts all that follow by a whole period, and a late one shifts itself alone. How far a batch and the ones after it
  are shifted is the least of their delays behind the beat, which the batches before give.

A batch from a record of schema 3 or before has no number, and times alone tell.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
import numpy.typing as npt

# What lies between a batch and the one before it.
GOES_ON = 0
SET_ANEW = 1  # sampling was set: not in a row, but nothing is known to be missing
HOLE = 2

# Shifted by so much of a period: a sample is missing. The jig keeps a batch to a quarter of its spacing.
MISSING_PERIODS = 0.75
EVEN_PERIODS = 1.25  # spacings that differ by more are not the same
BEHIND = 8  # batches that give the beat
AHEAD = 2  # batches that may still show that the one in question was only late
FEW = 4  # spaces: with fewer, the beat is not known well

Int64Array = npt.NDArray[np.int64]
Kinds = npt.NDArray[np.uint8]
Item = TypeVar("Item")


@dataclass(frozen=True)
class Marks:
    """The stamps of batches in a row, an entry for each: samples, board time of the first, us from first to last, and
    number (0 where it is not known).
    """

    n: Int64Array
    t_us: Int64Array
    span_us: Int64Array
    number: Int64Array

    @property
    def end_us(self) -> Int64Array:
        return self.t_us + self.span_us

    def times_us(self) -> Int64Array:
        """Board time of every sample, us; exact at both ends of each batch."""
        within = np.arange(int(self.n.sum()), dtype=np.int64) - np.repeat(np.cumsum(self.n) - self.n, self.n)
        steps = np.repeat(np.maximum(self.n - 1, 1), self.n)
        along: Int64Array = (np.repeat(self.span_us, self.n) * within + steps // 2) // steps
        return np.repeat(self.t_us, self.n) + along

    def periods_us(self) -> npt.NDArray[np.float64]:
        """us between the samples of each batch; 0 for a single sample."""
        return np.where(self.n > 1, self.span_us / np.maximum(self.n - 1, 1), 0.0)

    def part(self, begin: int, end: int | None = None) -> Marks:
        """The batches from begin to before end."""
        return Marks(*(getattr(self, field.name)[begin:end] for field in fields(self)))


def joined(parts: Iterable[Marks]) -> Marks:
    """Marks one after another. parts: at least one."""
    listed = list(parts)
    return Marks(*(np.concatenate([getattr(part, field.name) for part in listed]) for field in fields(Marks)))


def with_kinds(blocks: Iterable[tuple[Item, Marks]]) -> Iterator[tuple[Item, Marks, Kinds]]:
    """Blocks of a channel in order, with what lies before each of their batches (GOES_ON, SET_ANEW, HOLE). Nothing is
    before the first batch of all. However batches are put into blocks, the answer is the same.

    A block comes when AHEAD batches after it are known, or none is left.
    """
    waiting: deque[tuple[Item, Marks]] = deque()
    behind: Marks | None = None
    ended = False
    coming = iter(blocks)
    while True:
        while not ended and sum(len(marks.n) for _item, marks in list(waiting)[1:]) < AHEAD:
            following = next(coming, None)
            if following is None:
                ended = True
            else:
                waiting.append(following)
        if not waiting:
            return
        item, marks = waiting.popleft()
        parts = [marks, *(later for _item, later in waiting)]
        before = 0 if behind is None else len(behind.n)
        whole = joined(parts if behind is None else [behind, *parts])
        kinds, since = _kinds(whole, before, before + len(marks.n))
        yield item, marks, kinds
        end = before + len(marks.n)
        behind = whole.part(max(since, end - BEHIND), end)


def _kinds(marks: Marks, begin: int, end: int) -> tuple[Kinds, int]:
    """(what lies before each batch from begin to before end, from which batch on the last of them are on one beat)."""
    periods = marks.periods_us()
    apart = marks.t_us[1:] - marks.end_us[:-1]
    told = (marks.number[1:] > 0) & (marks.number[:-1] > 0)
    anew = told & (marks.number[1:] == 1)
    kinds = np.full(len(marks.n), GOES_ON, dtype=np.uint8)
    kinds[1:][anew] = SET_ANEW
    kinds[1:][(apart < 0) | (told & ~anew & (marks.number[1:] != marks.number[:-1] + 1))] = HOLE
    certain = kinds != GOES_ON
    # The least and the most of the spacings on both sides; that of a single sample is not known.
    least, most = np.minimum(periods[1:], periods[:-1]), np.maximum(periods[1:], periods[:-1])
    other = np.append(False, (np.minimum(marks.n[1:], marks.n[:-1]) > 2) & (most > EVEN_PERIODS * least))
    doubtful = np.append(False, (least == 0) | (apart > EVEN_PERIODS * most)) & ~certain
    since = 0
    for at in np.flatnonzero(certain | other | doubtful).tolist():
        if at >= end:
            break
        if doubtful[at] and at >= begin:
            high = at + 1
            while high < min(at + 1 + AHEAD, len(certain)) and not certain[high]:
                high += 1
            if _is_missing(marks, periods, (max(since, at - BEHIND), at, high)):
                kinds[at] = HOLE
        if other[at] or kinds[at] != GOES_ON:
            since = at
    return kinds[begin:end], since


def _is_missing(marks: Marks, periods: npt.NDArray[np.float64], window: tuple[int, int, int]) -> bool:
    """Whether a sample is missing before batch `at`. window: (low, at, high): low to at are on one beat, and so are at
    to high.
    """
    low, at, high = window
    some, at = marks.part(low, high), at - low
    periods, ends = periods[low:high], some.end_us
    apart = some.t_us[1 : at + 1] - ends[:at]
    if int(some.n[: at + 1].max()) == 1 and int(apart[-2:].max()) <= EVEN_PERIODS * int(apart.min()):
        return False  # single readings all along, and evenly spaced: the quick answer for a slow channel
    last = np.cumsum(some.n) - 1
    place = np.concatenate((last - some.n + 1, last))
    stamp = np.concatenate((some.t_us, ends))
    behind = np.tile(np.arange(high - low) < at, 2)
    period_us = _period_us(place[behind], stamp[behind])
    if int(some.n[:at].sum()) <= FEW:
        period_us = max(period_us, float(periods.max()))
    if periods[at] > EVEN_PERIODS * period_us:
        period_us = float(periods[at])  # more widely spaced from here on
    late = stamp - place * period_us
    return bool(period_us > 0 and late[~behind].min() - late[behind].min() >= MISSING_PERIODS * period_us)


def _period_us(place: Int64Array, stamp: Int64Array) -> float:
    """The spacing of samples by their places and stamps; 0 for a single sample.

    No reading is early, so the beat is the highest of the lines with no stamp below them: the side of the lower hull
    over the mean place. A median of slopes fails where as many stamps are late as are on the beat.
    """
    first, second = np.nonzero(place - place[:, np.newaxis] > 0)
    if not len(first):
        return 0.0
    slope = (stamp[second] - stamp[first]) / (place[second] - place[first])
    start = stamp[first] - slope * place[first]
    below = (stamp - start[:, np.newaxis] - slope[:, np.newaxis] * place).min(axis=1) >= -1.0  # us, of rounding
    return float(slope[below][np.argmax((start + slope * place.mean())[below])])
