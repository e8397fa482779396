"""The axis of board time: boots one after another, gaps upon it, and the stretches of record between what is missing.

Board time begins anew when the board restarts, so the axis lays the boots one after another; `Boot.offset_us` is what
is added to a board time to come to the axis. In a run without a restart the axis is board time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from lidjig.record.stored import StoredEvent, StoredGap, StoredRun
from shared_proto import names

# Sample of the record: levels of all digital lines when watching began, bits as names.LINES, and the boot it was in.
LINES_SAMPLE = re.compile(r"lines boot ([0-9a-f]{8})")
_RESTART = re.compile(r"boot ([0-9a-f]{8}) -> ([0-9a-f]{8})")
RESTART_MIN_US = 1_000_000  # least room on the axis between two boots; the time that really passed is not known
RESTART_PART = 0.03


@dataclass(frozen=True)
class Boot:
    """One stretch of board time. first, last: places of its events; begin_us..end_us: board time; number from 1."""

    number: int
    first: int
    last: int
    begin_us: int
    end_us: int
    offset_us: int


@dataclass(frozen=True)
class GapMark:
    """Something is missing from begin to end (axis time; the same twice = one moment). kind as in the record;
    place: of the last event before it, None where there was none."""

    kind: str
    text: str
    begin_us: int
    end_us: int
    place: int | None


def boots_of(run: StoredRun) -> tuple[Boot, ...]:
    """The boots that the run's events belong to, laid one after another on the axis."""
    starts = [0] + [i for i, event in enumerate(run.events) if event.name == "boot" and i > 0]
    if not run.events:
        return (Boot(1, 0, -1, 0, 0, 0),)
    out: list[Boot] = []
    offset = 0
    for number, first in enumerate(starts, start=1):
        last = (starts[number] if number < len(starts) else len(run.events)) - 1
        times = [event.t_us for event in run.events[first : last + 1]]
        begin, end = min(times), max(times)
        if out:
            before = out[-1]
            length = before.offset_us + before.end_us
            room = max(RESTART_MIN_US, round(RESTART_PART * length))
            offset = length + room - begin
        out.append(Boot(number, first, last, begin, end, offset))
    return tuple(out)


@dataclass(frozen=True)
class Levels:
    """Levels of all digital lines at a board time, read when watching began."""

    t_us: int
    mask: int

    def of(self, name: str) -> int:
        """Level of a line of that name."""
        return self.mask >> names.LINES.index(name) & 1


def levels_of(run: StoredRun, boots: tuple[Boot, ...]) -> dict[int, list[Levels]]:
    """Boot number -> readings of all lines in it, in the order of their times."""
    numbers = _boot_numbers(run, boots)
    out: dict[int, list[Levels]] = {boot.number: [] for boot in boots}
    for sample in run.samples:
        named = LINES_SAMPLE.fullmatch(sample.channel)
        if named is None or sample.t_us is None or sample.value is None:
            continue
        number = numbers.get(named.group(1), 1 if len(boots) == 1 else None)
        if number is not None:
            out[number].append(Levels(sample.t_us, int(sample.value)))
    return {number: sorted(read, key=lambda item: item.t_us) for number, read in out.items()}


def _boot_numbers(run: StoredRun, boots: tuple[Boot, ...]) -> dict[str, int]:
    """Boot id -> number of the boot, from the marks of restarts."""

    def holding(place: int) -> int | None:
        return next((boot.number for boot in boots if boot.first <= place <= boot.last), None)

    out: dict[str, int] = {}
    for gap in run.gaps:
        ids = _RESTART.match(gap.text) if gap.kind == "restart" else None
        if ids is not None:
            for name, place in ((ids.group(1), gap.after_event - 1), (ids.group(2), gap.after_event)):
                number = holding(place)
                if number is not None:
                    out.setdefault(name, number)
    return out


@dataclass(frozen=True)
class Piece:
    """Events between which nothing was lost, with the boot's offset on the axis and the readings of all lines."""

    events: list[StoredEvent]
    begin_us: int
    end_us: int
    offset_us: int
    levels: list[Levels]

    def line(self, name: str) -> list[tuple[int, int]]:
        """(axis time, level) of a watched line: as read, and as it changed."""
        read = [(levels.t_us + self.offset_us, levels.of(name)) for levels in self.levels]
        if name == "supply_ok":
            return read + self.of("supply", "", None, "present")
        return read + self.of("edge", "line", names.LINES.index(name), "level")

    def of(self, name: str, key: str, value: int | None, give: str) -> list[tuple[int, int]]:
        """(axis time, field `give`) of the events of that name whose field `key` is `value` (None: all)."""
        return [
            (event.t_us + self.offset_us, event.data[give])
            for event in self.events
            if event.name == name and (value is None or event.data.get(key) == value)
        ]


def pieces_of(run: StoredRun, boots: tuple[Boot, ...]) -> list[Piece]:
    """Cut where the board restarted and where it lost events."""
    out: list[Piece] = []
    read = levels_of(run, boots)
    for boot in boots:
        events = run.events[boot.first : boot.last + 1]
        cuts = [i for i, event in enumerate(events) if event.name == "lost"]
        begins = [0, *cuts]
        ends = [*cuts, len(events)]
        for first, stop in zip(begins, ends, strict=True):
            part = events[first:stop]
            begin = boot.begin_us if first == 0 else events[first].t_us
            end = events[stop].t_us if stop < len(events) else boot.end_us
            last = stop == len(events)
            inside = [item for item in read[boot.number] if begin <= item.t_us and (last or item.t_us < end)]
            out.append(Piece(part, begin + boot.offset_us, max(begin, end) + boot.offset_us, boot.offset_us, inside))
    return out


def gaps_of(run: StoredRun, boots: tuple[Boot, ...]) -> tuple[GapMark, ...]:
    """Gaps on the axis. A lost link lasts until it is back; a restart until the first event of the next boot."""
    out: list[GapMark] = []
    since: GapMark | None = None
    for gap in run.gaps:
        begin, end, place = _where(gap, run, boots)
        if gap.kind == "link-lost":
            since = GapMark(gap.kind, gap.text, begin, end, place)
        elif gap.kind in ("link-back", "link-state"):
            if since is not None and gap.kind == "link-back":
                out.append(replace(since, end_us=max(since.end_us, end)))
                since = None
        else:
            out.append(GapMark(gap.kind, gap.text, begin, end, place))
    if since is not None:
        out.append(replace(since, end_us=max(since.end_us, boots[-1].end_us + boots[-1].offset_us)))
    return tuple(out)


def _where(gap: StoredGap, run: StoredRun, boots: tuple[Boot, ...]) -> tuple[int, int, int | None]:
    """(begin, end, place of the event before): from the event before it to the one after, or its own time."""
    place = gap.after_event - 1
    if not run.events:
        return 0, 0, None
    boot = next((b for b in boots if b.first <= place <= b.last), boots[0])
    after = place + 1
    begin = run.events[max(place, 0)].t_us + boot.offset_us
    if after < len(run.events):
        following = next(b for b in boots if b.first <= after <= b.last)
        end = run.events[after].t_us + following.offset_us
    else:
        end = begin
    if gap.kind in ("restart", "lost-events"):
        return begin, max(begin, end), place if place >= 0 else None
    if gap.t_us is not None:
        begin = end = gap.t_us + (boot.offset_us if gap.kind != "link-back" else boots[-1].offset_us)
    return begin, max(begin, end), place if place >= 0 else None
