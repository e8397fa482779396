"""From a recorded run to what the timeline draws: tracks on one axis of board time (see record/axis.py)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lidjig.bench.machine import MachineProfile
from lidjig.record.axis import Boot, GapMark, Piece, boots_of, gaps_of, pieces_of
from lidjig.record.power_spans import PowerSpans
from lidjig.record.stored import StoredRun
from lidjig.show.report.figures.samples import Trace
from lidjig.show.report.figures.states import power_track
from lidjig.show.report.figures.tracks import AngleTrack, Floats, StepTrack, steps
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow

LEVELS = ("low", "high")
SMOOTH_POINTS = 13  # of a minimum-jerk segment: a straight line between two is off by less than 0.6 % of the way


@dataclass(frozen=True)
class Bands:
    """An analog observer: its band over time; thresholds ascending, in unit. None and "" without a profile."""

    track: StepTrack
    thresholds: tuple[float, ...]
    unit: str


@dataclass(frozen=True)
class Miss:
    """A movement of the lid that was missed ("miss") or answered too late ("late"); axis time of its stimulus."""

    t_us: int
    kind: str


@dataclass(frozen=True)
class TimelineData:
    """All that the timeline draws; times on the axis in us. closed: the run came to its end. traces: the sampled
    channels, thinned to this stretch of the axis. misses: timed movements that were missed or late."""

    boots: tuple[Boot, ...]
    begin_us: int
    end_us: int
    angle: AngleTrack
    outputs: tuple[StepTrack, ...]
    lines: tuple[StepTrack, ...]
    route: StepTrack
    lock: StepTrack
    observers: tuple[StepTrack, ...]
    bands: tuple[Bands, ...]
    power: StepTrack
    marks_us: tuple[int, ...]
    gaps: tuple[GapMark, ...]
    closed: bool
    traces: tuple[Trace, ...] = ()
    misses: tuple[Miss, ...] = ()

    def between(self, begin_us: int, end_us: int) -> TimelineData:
        """A window of it: the same rows but for the traces, which are thinned anew (traces_of), on a part of the axis.
        Raises ValueError for an empty window.
        """
        if end_us <= begin_us:
            raise ValueError(f"window {begin_us}..{end_us} us, accepted an end after the begin")

        def cut(tracks: tuple[StepTrack, ...]) -> tuple[StepTrack, ...]:
            return tuple(track.between(begin_us, end_us) for track in tracks)

        return replace(
            self,
            begin_us=begin_us,
            end_us=end_us,
            angle=self.angle.between(begin_us, end_us),
            outputs=cut(self.outputs),
            lines=cut(self.lines),
            route=self.route.between(begin_us, end_us),
            lock=self.lock.between(begin_us, end_us),
            observers=cut(self.observers),
            bands=tuple(replace(band, track=band.track.between(begin_us, end_us)) for band in self.bands),
            power=self.power.between(begin_us, end_us),
            marks_us=tuple(t for t in self.marks_us if begin_us <= t <= end_us),
            gaps=tuple(gap for gap in self.gaps if gap.end_us >= begin_us and gap.begin_us <= end_us),
            closed=self.closed or end_us < self.end_us,
            traces=(),
            misses=tuple(miss for miss in self.misses if begin_us <= miss.t_us <= end_us),
        )

    def only(self, traces: tuple[Trace, ...]) -> TimelineData:
        """The same stretch of the axis with these channels and the power state alone."""
        bare = AngleTrack(np.zeros(0, np.int64), np.zeros(0))
        none = StepTrack("", (), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, np.bool_))
        return replace(
            self, angle=bare, outputs=(), lines=(), route=none, lock=none, observers=(), bands=(), marks_us=(),
            traces=traces, misses=(),
        )  # fmt: skip


def reaching(boots: tuple[Boot, ...], sampled: Sequence[ChannelRow]) -> tuple[Boot, ...]:
    """The boots, the first from where samples begin and the last to where they end: a quiet machine tells no events."""
    if not sampled:
        return boots
    begin_us, end_us = min(row.begin_us for row in sampled), max(row.end_us for row in sampled)
    first = replace(boots[0], begin_us=min(boots[0].begin_us, begin_us))
    boots = (first, *boots[1:])
    return (*boots[:-1], replace(boots[-1], end_us=max(boots[-1].end_us, end_us)))


def timeline_from(
    run: StoredRun,
    machine: MachineProfile | None,
    power: PowerSpans | None = None,
    sampled: Sequence[ChannelRow] = (),
    boots: tuple[Boot, ...] | None = None,
) -> TimelineData:
    """What the run's events and gaps show over time, still without traces. machine: names and thresholds of what was
    wired; None = unknown. power: its power states. sampled: the channels that the axis must have room for.
    boots: as they lie on the axis; None where no samples reach beyond their events.

    A line is told only when it changes: its level before its first change is inferred and marked so, and a line that
    never changed stays unknown.
    """
    boots = reaching(boots_of(run) if boots is None else boots, sampled)
    pieces = pieces_of(run, boots)

    def track(name: str, words: tuple[str, ...], event: str, give: str) -> StepTrack:
        return steps(name, words, [(p.begin_us, p.end_us, p.of(event, "", None, give), False) for p in pieces])

    def watched(name: str, signal: str = "") -> StepTrack:
        told = [(p.begin_us, p.end_us, p.line(name), not p.levels) for p in pieces]
        return steps(name, LEVELS, told, signal=signal)

    def told_by(name: str, words: tuple[str, ...], event: str, key: str, value: int, give: str) -> StepTrack:
        told = [(p.begin_us, p.end_us, p.of(event, key, value, give), True) for p in pieces]
        return steps(name, words, told)

    digital = {name: observer.signal for name, observer in machine.digital().items()} if machine else {}
    wired = list(digital) if machine else ["observer_1", "observer_2"]
    lines = [
        told_by(name, LEVELS, "edge", "line", names.LINES.index(name), "level")
        for name in ("machine_1", "machine_2", "sensor_1", "sensor_2")
    ]
    observers = [*(watched(name, digital.get(name, "")) for name in wired), watched("supply_ok")]
    outputs = [told_by(f"output_{n + 1}", ("released", "operated"), "output", "output", n, "operated") for n in (0, 1)]
    return TimelineData(
        boots=boots,
        begin_us=boots[0].begin_us + boots[0].offset_us,
        end_us=max(boots[-1].end_us + boots[-1].offset_us, boots[0].begin_us + 1),
        angle=_angle(run, pieces),
        outputs=tuple(t for t in outputs if t.heard),
        lines=tuple(t for t in lines if t.heard),
        route=track("route", names.ROUTES, "routed", "route"),
        lock=track("lock", names.LOCK_STATES, "lock", "state"),
        observers=tuple(t for t in observers if t.heard or t.name in digital),
        bands=_bands(pieces, machine),
        power=power_track(power),
        marks_us=tuple(t for p in pieces for t, pressed in p.of("mark", "", None, "pressed") if pressed),
        gaps=tuple(_after_samples(gap, boots) for gap in gaps_of(run, boots)),
        closed=run.closed,
    )


def _after_samples(gap: GapMark, boots: tuple[Boot, ...]) -> GapMark:
    """A gap to the next boot from where this one was heard last: by its samples, where they go on after its events."""
    ends = [boot.end_us + boot.offset_us for boot in boots[:-1]]
    begin_us = max((end for end in ends if gap.begin_us < end < gap.end_us), default=gap.begin_us)
    return replace(gap, begin_us=begin_us)


def _bands(pieces: list[Piece], machine: MachineProfile | None) -> tuple[Bands, ...]:
    wired = machine.analog() if machine else {}
    out: list[Bands] = []
    for name in wired or ("charger_v", "charger_i", "light"):
        channel = names.CHANNELS.index(machine.channel_of(name) if machine else name)
        told = [(p.begin_us, p.end_us, p.of("band", "channel", channel, "band"), False) for p in pieces]
        found = steps(name, ("0", "1", "2", "3"), told)
        if name in wired or found.heard:
            analog = wired.get(name)
            out.append(Bands(found, tuple(analog.thresholds) if analog else (), analog.unit if analog else ""))
    return tuple(out)


def _smooth(u: Floats) -> Floats:
    """Minimum jerk from 0 to 1: 10 u^3 - 15 u^4 + 6 u^5 (T. Flash and N. Hogan, J. Neurosci. 5(7), 1985)."""
    return np.asarray(u**3 * (10.0 - 15.0 * u + 6.0 * u * u), dtype=np.float64)


def _angle(run: StoredRun, pieces: list[Piece]) -> AngleTrack:
    """From departed and arrived, the shape between them by the outputs that changed on the way, else by the command."""
    times: list[float] = []
    angles: list[float] = []
    for piece in pieces:
        open_at: tuple[int, float] | None = None
        on_way: list[tuple[int, float]] = []
        for event in sorted(piece.events, key=lambda item: item.t_us):
            if event.name not in ("departed", "arrived", "output"):
                continue
            t, deg = event.t_us + piece.offset_us, event.data["angle_mdeg"] / 1000.0
            if event.name == "departed":
                if open_at is not None:  # it was stopped on its way: where and when is not told
                    times.append(float(open_at[0]))
                    angles.append(np.nan)
                open_at, on_way = (t, deg), []
                times.append(t)
                angles.append(deg)
            elif event.name == "output" and open_at is not None:
                on_way.append((t, deg))
            elif event.name == "arrived" and open_at is not None:
                u = np.linspace(0.0, 1.0, SMOOTH_POINTS)[1:]
                shape = u if _is_linear(open_at, (t, deg), on_way, run.command) else _smooth(u)
                times += (open_at[0] + u * (t - open_at[0])).tolist()
                angles += (open_at[1] + shape * (deg - open_at[1])).tolist()
                open_at = None
        if angles and not np.isnan(angles[-1]):
            if open_at is None:
                times.append(piece.end_us)
                angles.append(angles[-1])
            times.append(piece.end_us)
            angles.append(np.nan)
    return AngleTrack(np.array(times, dtype=np.int64), np.array(angles, dtype=np.float64))


def _is_linear(begin: tuple[int, float], end: tuple[int, float], on_way: list[tuple[int, float]], command: str) -> bool:
    """Whether the outputs that changed on the way fit a linear segment better than a smooth one."""
    if end[0] == begin[0] or end[1] == begin[1]:
        return True
    errors = np.zeros(2)
    for t, deg in on_way:
        u = (t - begin[0]) / (end[0] - begin[0])
        part = (deg - begin[1]) / (end[1] - begin[1])
        errors += np.abs([u - part, float(_smooth(np.array(u))) - part])
    if np.max(errors) < 0.02:
        return command == "sweep"
    return bool(errors[0] < errors[1])
