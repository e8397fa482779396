"""Events on the page: the name of each one's place, its text, and which one a recorded time belongs to."""

from __future__ import annotations

import bisect
import re
from collections import Counter
from dataclasses import dataclass

from lidjig.record.axis import boots_of
from lidjig.record.clock import run_clock
from lidjig.record.stored import StoredEvent, StoredGap, StoredRun
from lidjig.show.report.words import Words
from shared_proto import names

ENDS_KEPT = 12  # first and last events of a long run that stay on the page
WHOLE_UP_TO = 400  # events of a run that are all listed
_BOARD_TIME = re.compile(r"board time ([\d., ]+?)(?: and more)? s\b")


@dataclass(frozen=True)
class Ref:
    """A link to an event: its anchor and the board time that is shown."""

    anchor: str
    time: str


@dataclass(frozen=True)
class EventRow:
    """One line of the events table. gap: what is missing before the next one, or "". number: as a reader finds it, with
    the boot where the run has several. run_time: since the start of the run, where several boots have clocks of their
    own and the record tells it, else ""."""

    anchor: str
    counter: int
    t_us: int
    time: str
    text: str
    gap: str
    boot: int
    number: str
    run_time: str


def anchors(run: StoredRun) -> list[str]:
    """An id for each event in order: e-COUNTER, with the boot behind it where the board restarted and counted anew."""
    seen: Counter[int] = Counter()
    out = []
    for event in run.events:
        seen[event.counter] += 1
        again = seen[event.counter]
        out.append(f"e-{event.counter}" if again == 1 else f"e-{event.counter}-{again}")
    return out


class EventIndex:
    """Finds events by time, and keeps count of those that something on the page stands on."""

    def __init__(self, run: StoredRun, words: Words) -> None:
        self.run, self._words = run, words
        self.anchors = anchors(run)
        self._boots = boots_of(run)
        self._clock = run_clock(run, self._boots) if len(self._boots) > 1 else {}
        self._boot_at = [boot.number for boot in self._boots for _place in range(boot.first, boot.last + 1)]
        self._by_time: dict[int, int] = {}
        self._in_boot: dict[tuple[int, int], int] = {}
        for place, event in enumerate(run.events):
            self._by_time.setdefault(event.t_us, place)
            self._in_boot.setdefault((self._boot_at[place], event.t_us), place)
        self._times = sorted(self._by_time)
        self.used: set[int] = set()

    def ref(self, place: int) -> Ref:
        """A link to the event at that place, which from now on is on the page."""
        self.used.add(place)
        return Ref(self.anchors[place], self.time(self.boot(place), self.run.events[place].t_us))

    @property
    def boots(self) -> int:
        """How often the board started in the run, the first start included."""
        return len(self._boots)

    def boot(self, place: int) -> int:
        """Number of the boot that the event at that place belongs to, from 1."""
        return self._boot_at[place]

    def time(self, boot: int, t_us: int) -> str:
        """A board time, with the boot whose clock told it where the run has several."""
        told = self._words.seconds(t_us)
        return told if len(self._boots) == 1 else self._words("form.boot_time", boot=boot, time=told)

    def number(self, place: int) -> str:
        """The number of an event: with its boot where the board counted anew."""
        counter = self.run.events[place].counter
        if len(self._boots) == 1:
            return str(counter)
        return self._words("form.boot_number", boot=self.boot(place), number=counter)

    def run_time(self, boot: int, t_us: int) -> str:
        """Since the start of the run, by the computer's clock; "" where board time says the same or none is known."""
        offset_s = self._clock.get(boot)
        return "" if offset_s is None else self._words.seconds(round(t_us + offset_s * 1e6), 1)

    def stamped(self, gap: StoredGap) -> tuple[int, int] | None:
        """(boot, board time in us) of a gap: its own, else of the event before it; None before the first event."""
        place = gap.after_event - 1
        if not 0 <= place < len(self.run.events):
            return None
        boot, t_us = self.boot(place), self.run.events[place].t_us
        if gap.t_us is None:
            return boot, t_us
        # A time before that of the event is one of the next boot's clock, which had begun anew.
        follows = gap.t_us < t_us and boot < len(self._boots) and self._boots[boot - 1].last == place
        return boot + follows, gap.t_us

    def place_at(self, t_us: int, boot: int | None = None) -> int | None:
        """Place of the first event with exactly that board time, of that boot where one is given."""
        return self._by_time.get(t_us) if boot is None else self._in_boot.get((boot, t_us))

    def at(self, t_us: int, boot: int | None = None) -> Ref | None:
        """A link to the event with exactly that board time, of that boot where one is given."""
        place = self.place_at(t_us, boot)
        return None if place is None else self.ref(place)

    def before(self, t_us: int) -> Ref | None:
        """A link to the last event at or before a board time."""
        at = bisect.bisect_right(self._times, t_us)
        return self.at(self._times[at - 1]) if at else None

    def near(self, seconds: float, within_us: int = 600) -> Ref | None:
        """A link to the event nearest to a time that was recorded to a millisecond."""
        wanted = round(seconds * 1e6)
        at = bisect.bisect_left(self._times, wanted - within_us)
        close = [t for t in self._times[at : at + 8] if abs(t - wanted) <= within_us]
        return self.at(min(close, key=lambda t: abs(t - wanted))) if close else None

    def in_sentence(self, recorded: str) -> tuple[Ref, ...]:
        """Links to the events whose board times a recorded sentence names."""
        found = [part for times in _BOARD_TIME.findall(recorded) for part in times.split(", ")]
        refs = [self.near(float(part)) for part in found if part]
        return tuple(ref for ref in refs if ref is not None)

    def pairs(self, seconds: float, begins: str) -> tuple[Ref, ...]:
        """Links to an event of that name and to one exactly so much later: the two that a latency was taken from.

        Both stamps are whole microseconds, so the difference names its pair.
        """
        after_us = round(seconds * 1e6)
        for place, event in enumerate(self.run.events):
            if event.name == begins:
                other = self.place_at(event.t_us + after_us, self.boot(place))
                if other is not None and other > place:
                    return self.ref(place), self.ref(other)
        return ()

    def rows(self) -> list[EventRow]:
        """Events for the page: all of a short run; of a long one those that are used, the first and the last."""
        total = len(self.run.events)
        gaps: dict[int, list[str]] = {}
        for gap in self.run.gaps:
            gaps.setdefault(gap.after_event, []).append(gap_kind(gap.kind, self._words))
        wanted = range(total)
        if total > WHOLE_UP_TO:
            ends = {*range(ENDS_KEPT), *range(total - ENDS_KEPT, total)}
            around = {place - 1 for place in gaps if place > 0}
            wanted = sorted(p for p in ends | around | self.used if 0 <= p < total)  # type: ignore[assignment]
        out = []
        for place in wanted:
            event = self.run.events[place]
            missing = "; ".join(dict.fromkeys(gaps.get(place + 1, ())))
            time = self._words.seconds(event.t_us, 6)
            text = event_text(event, self._words)
            boot = self.boot(place)
            told = self.number(place), self.run_time(boot, event.t_us)
            out.append(EventRow(self.anchors[place], event.counter, event.t_us, time, text, missing, boot, *told))
        return out


def gap_kind(kind: str, words: Words) -> str:
    """A kind of gap in the reader's language."""
    return words(f"gap.{kind}") if words.has(f"gap.{kind}") else f"{words('gap.other')}: {kind}"


# Field of an event -> (prefix in the catalogue, wire names by number).
_NAMED = {
    "cause": ("reset", names.RESETS),
    "state": ("lock", names.LOCK_STATES),
    "reason": ("reason", names.REASONS),
    "route": ("route", names.ROUTES),
    "line": ("line", names.LINES),
    "channel": ("channel", names.CHANNELS),
}
# Field by whose value an event has a text of its own.
_BY_VALUE = {"output": "operated", "edge": "level", "mark": "pressed", "supply": "present", "meter": "state"}


def event_text(event: StoredEvent, words: Words) -> str:
    """An event in the reader's words; one of newer firmware with its fields as they are."""
    slots: dict[str, str] = {}
    for key, value in event.data.items():
        slots[key] = _field(key, value, words)
    if "angle_mdeg" in event.data:
        slots["angle"] = words.quantity(event.data["angle_mdeg"] / 1000.0, "deg", 6)
    if "supply_mv" in event.data:
        slots["volts"] = words.quantity(event.data["supply_mv"] / 1000.0, "V")
    if "output" in event.data:
        slots["output"] = str(event.data["output"] + 1)
    if "meter" in event.data:
        slots["meter"] = str(event.data["meter"] + 1)
    chosen = _BY_VALUE.get(event.name)
    key = f"event.{event.name}" + (f"_{event.data.get(chosen)}" if chosen else "")
    try:
        return words(key, **slots)
    except KeyError:
        return " ".join([event.name, *(f"{k} {v}" for k, v in event.data.items())])


def _field(key: str, value: int, words: Words) -> str:
    prefix, listed = _NAMED.get(key, ("", ()))
    if 0 <= value < len(listed):
        return words(f"{prefix}.{listed[value]}")
    return str(value)
