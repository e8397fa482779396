"""Power states of the last minute, a cell a second, whatever became of observers and board in between."""

from __future__ import annotations

from collections.abc import Sequence

from lidjig.measure.power import UNKNOWN

CELLS = 60
CELL_US = 1_000_000
NOT_HEARD = ""  # nothing is known of the state, because nobody listened or nothing was told

Timeline = Sequence[tuple[int, str]]


class Ribbon:
    """Keeps timelines of power states (board time in us, state) one after another.

    An observer that is set up anew begins a new timeline, and a board that restarts a new time: what was known before
    either is kept here.
    """

    def __init__(self) -> None:
        self._past: list[tuple[int, str]] = []
        self._now: list[tuple[int, str]] = []
        self._owner: object = None
        self._taken_us: int | None = None

    def take(self, owner: object, timeline: Timeline, now_us: int) -> None:
        """The timeline as it is at a board time. owner: who keeps it; another one has begun a new timeline."""
        if owner is not self._owner:
            self._past += self._now
            # Until the new one says something, nothing fits; before it began listening, nobody knows.
            since_us = self._taken_us if self._taken_us is not None else now_us
            self._past.append((since_us, UNKNOWN))
            self._owner = owner
        self._taken_us = now_us
        self._now = _since(timeline, now_us - (CELLS + 1) * CELL_US)
        self._past = _since(self._past, now_us - (CELLS + 1) * CELL_US)

    def restarted(self, by_us: int, now_us: int) -> None:
        """The board restarted: its time began anew, and what was before lies so much later on it. Nothing was heard
        from the last take() until now.
        """
        heard_us = self._taken_us if self._taken_us is not None else now_us - by_us
        self._past = [(t + by_us, state) for t, state in [*self._past, *self._now, (heard_us, NOT_HEARD)]]
        self._now, self._owner, self._taken_us = [], None, now_us

    def cells(self, now_us: int, heard_us: int | None = None) -> tuple[str, ...]:
        """State that held longest in each of the last CELLS whole seconds of board time, the running one last.

        heard_us: board time of the last word, where that is over since; nothing was heard from then on.
        """
        entries = [*self._past, *self._now]
        if heard_us is not None:
            entries = [*(entry for entry in entries if entry[0] < heard_us), (heard_us, NOT_HEARD)]
        first = now_us // CELL_US - CELLS + 1
        held: list[dict[str, int]] = [{} for _ in range(CELLS)]
        begin_us, state = first * CELL_US, NOT_HEARD
        for at_us, after in [*entries, (now_us + 1, NOT_HEARD)]:
            if at_us > begin_us:
                _add(held, first, begin_us, at_us, state)
                begin_us = at_us
            state = after
        return tuple(max(cell, key=lambda name: cell[name]) if cell else NOT_HEARD for cell in held)


def _since(timeline: Timeline, begin_us: int) -> list[tuple[int, str]]:
    """Entries that hold at or after a time."""
    out: list[tuple[int, str]] = []
    for entry in reversed(timeline):
        out.append(entry)
        if entry[0] <= begin_us:
            break
    return out[::-1]


def _add(held: list[dict[str, int]], first: int, begin_us: int, end_us: int, state: str) -> None:
    """A state held from begin to end: put into its cells."""
    for number in range(max(first, begin_us // CELL_US), min(first + len(held), -(-end_us // CELL_US))):
        span_us = min(end_us, (number + 1) * CELL_US) - max(begin_us, number * CELL_US)
        cell = held[number - first]
        cell[state] = cell.get(state, 0) + span_us
