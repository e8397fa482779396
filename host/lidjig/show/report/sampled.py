"""Sampled channels and power states of a run: read for the figures, and told in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from lidjig.bench.machine import MachineProfile
from lidjig.record.axis import Boot, boots_of
from lidjig.record.power_spans import PowerSpans, StateSpan, event_spans, power_spans
from lidjig.record.source import Source
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import WHOLE_UP_TO, EventIndex, Ref
from lidjig.show.report.figures.samples import Trace
from lidjig.show.report.figures.units import readable
from lidjig.show.report.words import Words
from lidjig.show.states import states_object

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow, Segment
    from lidjig.record.store import Store

LISTED_MAX = 120  # spans on the page; the data has all
USUAL_MIN = 6  # spans that are unknown for one reason, from which on it is said once for all


@dataclass(frozen=True)
class Kept:
    """What the record of a run has beside its events. boots: with room for samples beyond their events. power: None
    where no machine profile tells the states. series: the samples of a channel by its name, in order, while the record
    is open.
    """

    boots: tuple[Boot, ...]
    channels: tuple[ChannelRow, ...] = ()
    power: PowerSpans | None = None
    series: Callable[[str], Iterable[Segment]] = lambda _channel: ()


def kept_of(run: StoredRun, machine: MachineProfile | None, store: Store | None) -> Kept:
    """From the record, which stays open for `series`; without one, what the events alone tell. machine: that of the
    run, None where it has none that can be read.
    """
    if store is None:
        return Kept(boots_of(run), power=None if machine is None else event_spans(run, machine))
    channels = tuple(store.channels(run.id))
    boots = Source.of(store, run.id, ()).boots if channels else boots_of(run)
    power = None if machine is None else power_spans(store, run, channels)
    return Kept(boots, channels, power, lambda channel: store.series(run.id, channel))


# -- channels


@dataclass(frozen=True)
class ChannelPart:
    """One sampled channel for people, with the recorded numbers beside it (raw: low and high in the recorded unit)."""

    channel: str
    name: str
    samples: str
    rate: str
    time: str
    range: str
    gaps: str
    raw: dict[str, Any]


def channel_part(trace: Trace, words: Words) -> ChannelPart:
    """Of a channel over the whole run."""
    row = trace.row
    factor, unit = readable(row.unit)
    low, high = float(trace.value.min()), float(trace.value.max())
    ends = words.between(words.figure(low * factor), words.with_unit(words.figure(high * factor), unit))
    rate = words.figure(None) if row.rate_hz is None else words.with_unit(words.figure(row.rate_hz), "Hz")
    raw = {
        "unit": row.unit, "n": row.n, "rate_hz": row.rate_hz, "begin_us": row.begin_us, "end_us": row.end_us,
        "gaps": row.gaps, "low": low, "high": high,
    }  # fmt: skip
    time = words.between(words.seconds(row.begin_us), words.seconds(row.end_us))
    name = words(f"channel.{row.channel}") if words.has(f"channel.{row.channel}") else row.channel
    return ChannelPart(row.channel, name, str(row.n), rate, time, ends, str(row.gaps), raw)


# -- power states


@dataclass(frozen=True)
class StateRow:
    """One span for people. begin, end: board times. interval: 95 % of the begin, sure: the confidence of the model; ""
    where the method has none. event: the one that it begins with, where that is on the page."""

    state: str
    word: str
    begin: str
    event: Ref | None
    interval: str
    end: str
    lasted: str
    sure: str
    why: str


@dataclass(frozen=True)
class StatesPart:
    """method: how they were told; shares: of the time; left: how many spans the page leaves out. raw: all of it as
    `lidjig show --states --json` has it. usual: why those spans are unknown that give no reason of their own."""

    method: str
    shares: str
    usual: str
    left: str
    rows: tuple[StateRow, ...]
    raw: dict[str, Any]


def states_part(run: StoredRun, kept: Kept, index: EventIndex, words: Words) -> StatesPart | None:
    """The power states in words; None without any time in which they could be told."""
    found = kept.power
    if found is None or not found.spans:
        return None
    shares = (words("power.share", state=_state(s, words), part=words.share(p)) for s, p in found.shares().items())
    shown = _Spans(kept.boots, index, words, link=len(run.events) <= WHOLE_UP_TO)
    rows = tuple(shown.row(span) for span in found.spans[:LISTED_MAX])
    left = len(found.spans) - len(rows)
    usual, times = (Counter(row.why for row in rows if row.why).most_common(1) or [("", 0)])[0]
    if times >= USUAL_MIN:
        rows = tuple(replace(row, why="") if row.why == usual else row for row in rows)
    return StatesPart(
        method=words(f"power.method_{found.method}"),
        shares=words("power.shares", list=words("form.list").join(shares)),
        usual=words("power.usual", why=usual) if times >= USUAL_MIN else "",
        left=words("power.left", n=left, total=len(found.spans), run=run.id) if left else "",
        rows=rows,
        raw=states_object(found),
    )


def _state(state: str, words: Words) -> str:
    return words(f"state.{state}") if words.has(f"state.{state}") else state


class _Spans:
    """Writes spans. link: whether every event is on the page, so that a span may lead to the one it begins with."""

    def __init__(self, boots: Sequence[Boot], index: EventIndex, words: Words, *, link: bool) -> None:
        self._boots, self._index, self._words, self._link = boots, index, words, link

    def row(self, span: StateSpan) -> StateRow:
        """One span."""
        words, low, high = self._words, span.begin_low_us, span.begin_high_us
        boot, t_us = self._board(span.begin_us)
        # Rounded down: 99.97 % is not certain.
        sure = None if span.confidence is None else words.fixed(int(1000 * span.confidence) / 10, 1)
        return StateRow(
            state=span.state,
            word=_state(span.state, words),
            begin=self._time(span.begin_us),
            event=self._index.at(t_us, boot) if self._link else None,
            interval="" if low is None or high is None else words.between(self._time(low), self._time(high)),
            end=self._time(span.end_us),
            lasted=words.seconds(round(span.seconds * 1e6)) if span.seconds < 60 else words.length(span.seconds),
            sure="" if sure is None else words.with_unit(sure, "%"),
            why="" if span.why is None else self._why(span.why.cause, span.why.without),
        )

    def _why(self, cause: str, without: Sequence[str]) -> str:
        words = self._words
        text = words(f"why.{cause.replace(' ', '_')}")
        if not without:
            return text
        names = words("form.list").join(words(f"figure.timeline.{observer}") for observer in without)
        return words("power.without", why=text, list=names)

    def _board(self, axis_us: int) -> tuple[int, int]:
        """(boot, board time in us) of a time on the axis."""
        begun = [boot for boot in self._boots if boot.begin_us + boot.offset_us <= axis_us]
        boot = begun[-1] if begun else self._boots[0]
        return boot.number, axis_us - boot.offset_us

    def _time(self, axis_us: int) -> str:
        return self._index.time(*self._board(axis_us))
