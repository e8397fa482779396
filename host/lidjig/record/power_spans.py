"""Power states of a stored run as a list of spans: smoothed where there are samples, else from events alone."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, chain, repeat
from typing import TYPE_CHECKING

from lidjig.bench import parse_machine
from lidjig.bench.machine import MachineProfile
from lidjig.errors import BadInput
from lidjig.measure.power import PowerClassifier, Signed, Timeline, spliced
from lidjig.measure.states_model import UNKNOWN
from lidjig.measure.states_why import CONTRADICTION, NOT_HEARD, NOT_TOLD, RESTARTED, Why
from lidjig.record.axis import Boot, Levels, boots_of, levels_of
from lidjig.record.power import walk
from lidjig.record.power_signed import Told, told_by
from lidjig.record.power_states import smoothed_timeline
from lidjig.record.stored import StoredRun

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow
    from lidjig.record.store import Store

LEARNED = "learned"  # samples smoothed by what the profile was taught
BANDS = "bands"  # samples smoothed by the comparator bands of a profile that was not taught
EVENTS = "events"  # what the board's comparators and lines told, without smoothing
QUICK_MAX = 200_000  # samples; more take longer than a glance at a run should


@dataclass(frozen=True)
class StateSpan:
    """A stretch of one power state, us on the run's axis (record/axis.py).

    begin_low_us..begin_high_us: 95 % interval of the beginning, confidence: 0..1; None where the method has none,
    for the first span (there the record begins, not a state) and the confidence of "unknown". why: of an unknown
    stretch, else None.
    """

    state: str
    begin_us: int
    end_us: int
    begin_low_us: int | None
    begin_high_us: int | None
    confidence: float | None
    why: Why | None

    @property
    def seconds(self) -> float:
        return (self.end_us - self.begin_us) / 1e6


@dataclass(frozen=True)
class PowerSpans:
    """method: LEARNED, BANDS or EVENTS. spans: without holes. boots: how often board time began. passed_over: samples
    that were left alone because only a quick answer was wanted.
    """

    method: str
    spans: tuple[StateSpan, ...]
    boots: int = 1
    passed_over: int = 0

    @property
    def changes(self) -> int:
        """From one known state to another; unknown stretches in between are left out."""
        known = [span.state for span in self.spans if span.state != UNKNOWN]
        return sum(before != after for before, after in zip(known, known[1:], strict=False))

    def shares(self) -> dict[str, float]:
        """State -> part of the time, 0..1, greatest first; empty without any time."""
        lasted: Counter[str] = Counter()
        for span in self.spans:
            lasted[span.state] += span.end_us - span.begin_us
        whole = lasted.total()
        return {state: us / whole for state, us in lasted.most_common()} if whole else {}


def power_spans(store: Store, run: StoredRun, channels: Sequence[ChannelRow], *, quick: bool = False) -> PowerSpans:
    """The power states of a run by the machine profile that was kept with it. quick: events alone where the observers
    have more than QUICK_MAX samples.

    Raises BadInput for a run without a machine profile or with one that cannot be read, StoreFailed.
    """
    if "machine" not in run.texts:
        raise BadInput(
            run.id, "RUN", run.id, "a run that kept a machine profile; without one nothing tells its power states"
        )
    machine = parse_machine(run.texts["machine"], f"machine profile of run {run.id}")
    samples = sum(row.n for row in channels if machine.observer_of(row.channel) is not None)
    if samples and not (quick and samples > QUICK_MAX):
        return _smoothed(store, run, machine)
    return event_spans(run, machine, passed_over=samples)


def event_spans(run: StoredRun, machine: MachineProfile, passed_over: int = 0) -> PowerSpans:
    """The power states of a run by its events alone. passed_over: samples that the run has of the observers."""
    boots = boots_of(run)
    return PowerSpans(EVENTS, _from_events(run, boots, machine), len(boots), passed_over)


def _smoothed(store: Store, run: StoredRun, machine: MachineProfile) -> PowerSpans:
    found = smoothed_timeline(store, run.id, machine)
    spans = [
        StateSpan(
            span.state,
            span.begin_us,
            span.end_us,
            None if first else span.begin_low_us,  # where the record begins no state does
            None if first else span.begin_high_us,
            None if span.state == UNKNOWN else span.confidence,
            span.why,
        )
        for first, span in zip(chain([True], repeat(False)), found.spans, strict=False)
    ]
    return PowerSpans(BANDS if machine.learned is None else LEARNED, tuple(spans), len(boots_of(run)))


def _from_events(run: StoredRun, boots: tuple[Boot, ...], machine: MachineProfile) -> tuple[StateSpan, ...]:
    """Boot by boot, with what lies between two boots as unknown."""
    levels = levels_of(run, boots)
    told = told_by(run, machine, boots, levels)
    out: list[StateSpan] = []
    for boot in boots:
        found = _boot(run, boot, levels[boot.number], told[boot.number])
        if found and out:
            out.append(_unknown(out[-1].end_us, found[0].begin_us, Why(RESTARTED)))
        out += found
    return tuple(out)


def _boot(run: StoredRun, boot: Boot, levels: Sequence[Levels], told_by: Told) -> list[StateSpan]:
    """Spans of one boot, from its first event or reading to its last."""
    events = run.events[boot.first : boot.last + 1]
    times = [event.t_us for event in events] + [read.t_us for read in levels]
    if not times:
        return []
    end_us = max(times)
    lacks: list[tuple[int, Why]] = []
    parts: list[tuple[int, Timeline]] = []
    for since_us, signed in told_by:
        mine: list[tuple[int, Why]] = [(min(times), Why(NOT_HEARD, tuple(sorted(_observers(signed)))))]
        timeline: Timeline = []
        for at_us, classifier in walk(events, levels, signed):
            timeline = classifier.timeline
            mine.append((at_us, _lack(classifier)))
        parts.append((since_us, timeline))
        lacks = _go_on(lacks, since_us, mine)
    marks, told = [(min(times), UNKNOWN), *spliced(parts)], _Lacks(lacks, end_us)
    out: list[StateSpan] = []
    for (begin_us, state), until_us in zip(marks, [*(mark[0] for mark in marks[1:]), end_us], strict=True):
        if until_us <= begin_us:
            continue
        begin, end = begin_us + boot.offset_us, until_us + boot.offset_us
        if state == UNKNOWN:
            out.append(_unknown(begin, end, told.longest(begin_us, until_us)))
        else:
            out.append(StateSpan(state, begin, end, None, None, None, None))
    return out


def _go_on(lacks: list[tuple[int, Why]], since_us: int, others: list[tuple[int, Why]]) -> list[tuple[int, Why]]:
    """What was wrong until since_us by the one list, from then on by the other."""
    held = [why for at_us, why in others if at_us <= since_us]
    before = [item for item in lacks if item[0] < since_us]
    if not before:
        return others
    return [*before, (since_us, held[-1] if held else others[0][1]), *(item for item in others if item[0] > since_us)]


def _observers(signed: Signed) -> set[str]:
    return {observer for signature in signed.signatures().values() for observer in signature}


def _lack(classifier: PowerClassifier) -> Why:
    """What would be wrong with the observers if the state were unknown now."""
    showing = classifier.showing()
    silent = tuple(observer for observer, shown in showing.items() if shown is None)
    if len(silent) == len(showing):
        return Why(NOT_HEARD, silent)
    return Why(NOT_TOLD if silent else CONTRADICTION, silent)


class _Lacks:
    """What was wrong with the observers, from each event on. Stamps ascend but for bands that are told late."""

    def __init__(self, lacks: Sequence[tuple[int, Why]], end_us: int) -> None:
        self._lacks = lacks
        self._ends = [*(at_us for at_us, _why in lacks[1:]), end_us]
        # Both ascend, so that a stretch is found without going through all of the run.
        self._latest = list(accumulate(self._ends, max))
        self._earliest = list(accumulate((at_us for at_us, _why in reversed(lacks)), min))[::-1]

    def longest(self, begin_us: int, end_us: int) -> Why:
        """The reason that held longest between two times."""
        first = min(bisect_right(self._latest, begin_us), len(self._lacks) - 1)
        last = max(bisect_left(self._earliest, end_us), first + 1)
        held: Counter[Why] = Counter()
        for (since_us, why), until_us in zip(self._lacks[first:last], self._ends[first:last], strict=True):
            held[why] += max(0, min(until_us, end_us) - max(since_us, begin_us))
        return held.most_common(1)[0][0]


def _unknown(begin_us: int, end_us: int, why: Why) -> StateSpan:
    return StateSpan(UNKNOWN, begin_us, end_us, None, None, None, why)
