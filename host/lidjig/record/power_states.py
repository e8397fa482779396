"""Power-state timeline of a stored run: its samples and events as tracks, its machine profile as the model."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from lidjig.bench import observers
from lidjig.bench.learned import Learned, LearnedLevel, LearnedOverlap, LearnedScope, LearnedShape
from lidjig.bench.machine import MachineProfile
from lidjig.bench.remaining import Remaining
from lidjig.measure.states import Timeline, joined, timeline
from lidjig.measure.states_bands import from_bands
from lidjig.measure.states_cross import Separability
from lidjig.measure.states_model import Level, Model, Scope, Shape, Track, Tracks
from lidjig.record.axis import Boot, boots_of, levels_of, pieces_of
from lidjig.record.power_signed import Told, told_by
from lidjig.record.source import BootOf, Source
from lidjig.record.stored import StoredRun

if TYPE_CHECKING:
    from lidjig.record.blocks import Segment
    from lidjig.record.store import Store

Series = Mapping[str, Iterable["Segment"]]


def smoothed_timeline(store: Store, run: str, machine: MachineProfile) -> Timeline:
    """The timeline of a run in the store; without samples its digital observers alone speak. machine: the profile that
    the run was made with; of its observers those count that counted at the time. Times are those of the axis
    (record/axis.py): board time in a run without a restart.

    Raises BadInput for a run that is not there, StoreFailed.
    """
    stored = store.run(run)
    series = {row.channel: store.series(stored.id, row.channel) for row in store.channels(stored.id)}
    boots = Source.of(store, stored.id, ()).boots
    told = told_by(stored, machine, boots, levels_of(stored, boots))
    return _by_parts(model_of(machine), tracks_of(stored, series, machine, boots), list(_parts(boots, told)))


def _parts(boots: Sequence[Boot], told: Mapping[int, Told]) -> Iterator[tuple[int | None, Remaining]]:
    """(from which axis time in us on, None for the first; by which signatures), each other than the one before."""
    before: Remaining | None = None
    for boot in boots:
        for since_us, signed in told[boot.number]:
            if before is None or signed.left_out != before.left_out:
                yield None if before is None else since_us + boot.offset_us, signed
            before = signed


def _by_parts(model: Model, tracks: Tracks, parts: Sequence[tuple[int | None, Remaining]]) -> Timeline:
    ends = [*(since_us for since_us, _signed in parts[1:]), None]
    found = []
    for (since_us, signed), end_us in zip(parts, ends, strict=True):
        counting = {name: track for name, track in tracks.items() if name not in signed.left_out}
        found.append(timeline(_without(model, signed), counting, since_us, end_us))
    return joined(found)


def _without(model: Model, signed: Remaining) -> Model:
    """The model without what was left out: observers, and states that were then no longer told."""
    left_out = signed.left_out
    if not left_out:
        return model
    told = signed.signatures().keys()
    return replace(
        model,
        scopes={name: scope for name, scope in model.scopes.items() if name not in left_out},
        signatures={
            state: {name: shape for name, shape in rows.items() if name not in left_out}
            for state, rows in model.signatures.items()
            if state in told
        },
    )


def tracks_of(
    run: StoredRun, series: Series, machine: MachineProfile, boots: tuple[Boot, ...] | None = None
) -> dict[str, Track]:
    """Observer -> track. series: channel -> segments in order (store.series); other channels are passed over. boots:
    with room for samples beyond the last event of each; None where the run has but one.
    """
    boots = boots_of(run) if boots is None else boots
    out: dict[str, Track] = {}
    for channel, segments in series.items():
        observer = machine.observer_of(channel)
        if observer is not None:
            out[observer] = _sampled(segments, boots)
    latest = max((int(track.t_us[-1]) for track in out.values() if track.t_us.size), default=0)
    for line in machine.watched_lines():
        track = _line(run, boots, line, latest)
        if track is not None:
            out[line] = track
    return out


def _sampled(segments: Iterable[Segment], boots: tuple[Boot, ...]) -> Track:
    """Segments one after another; where board time goes back the board had restarted."""
    times, values = [np.zeros(0, np.int64)], [np.zeros(0)]
    place = BootOf(boots)
    for segment in segments:
        if segment.t_us.size == 0:
            continue
        boot = place.of(int(segment.t_us[0]), int(segment.t_us[-1]))
        times.append(segment.t_us + boot.offset_us)
        values.append(segment.values)
    joined = np.concatenate(times)
    order = np.argsort(joined, kind="stable")
    return Track(joined[order], np.concatenate(values)[order])


def _line(run: StoredRun, boots: tuple[Boot, ...], line: str, latest_us: int) -> Track | None:
    """Levels of a line; after lost events nothing is known of it until it is heard again."""
    times: list[int] = []
    levels: list[int] = []
    gaps: list[tuple[int, int]] = []
    pieces = pieces_of(run, boots)
    end_us = latest_us
    for number, piece in enumerate(pieces):
        heard = sorted(piece.line(line))
        last = number + 1 == len(pieces)
        until_us = max(piece.end_us, latest_us) if last else pieces[number + 1].begin_us
        end_us = max(end_us, until_us)
        first_us = heard[0][0] if heard else until_us
        if times and first_us > piece.begin_us:
            gaps.append((piece.begin_us, first_us))
        times += [t for t, _ in heard]
        levels += [level for _, level in heard]
    if not times:
        return None
    order = np.argsort(times, kind="stable")
    return Track(np.array(times)[order], np.array(levels, float)[order], True, end_us, tuple(gaps))


def scopes_of(machine: MachineProfile) -> dict[str, Scope]:
    """Range of every wired observer in its unit."""
    found = {name: Scope(0.0, 1.0, digital=True) for name in machine.watched_lines()}
    for name in machine.analog():
        channel = machine.channel_of(name)
        scale = machine.scale(channel)
        low = min(0.0, scale.value(0))
        found[name] = Scope(low, observers.highest(channel, scale))
    return found


def model_of(machine: MachineProfile) -> Model:
    """What was learned of a machine, or where it was not taught, what its profile's comparator bands say."""
    if machine.learned is not None:
        return from_learned(machine.learned)
    thresholds = {name: analog.thresholds for name, analog in machine.analog().items()}
    return from_bands(machine.signatures(), thresholds, scopes_of(machine))


def from_learned(learned: Learned) -> Model:
    """The model that a profile's [learned] part holds."""
    signatures = {
        state: {
            name: Shape(tuple(_level(row) for row in shape.levels), shape.independent_per_s, shape.period_s, shape.n)
            for name, shape in rows.items()
        }
        for state, rows in learned.states.items()
    }
    scopes = {name: Scope(scope.low, scope.high, scope.digital) for name, scope in learned.scopes.items()}
    evidence = {(state, other): dict(row) for state, rows in learned.evidence.items() for other, row in rows.items()}
    return Model(scopes, signatures, evidence, learned.surprise)


def _level(row: LearnedLevel) -> Level:
    hold = None if row.hold_s is None else (row.hold_s[0], row.hold_s[1])
    return Level(row.centre, row.spread, row.share, row.half, row.rate_per_s, hold)


def to_learned(model: Model, found: Separability, made: Mapping[str, str], recorded_s: Mapping[str, float]) -> Learned:
    """The [learned] part of a profile. made: when_utc, how, board_id, run, base, host_version, seed."""
    states = {state: {n: _shape(shape) for n, shape in rows.items()} for state, rows in model.signatures.items()}
    evidence: dict[str, dict[str, dict[str, float]]] = {}
    for (state, other), row in model.evidence.items():
        evidence.setdefault(state, {})[other] = {name: _short(nats) for name, nats in row.items()}
    errors = found.errors
    return Learned(
        **made,
        recorded_s={state: round(seconds, 3) for state, seconds in recorded_s.items()},
        estimate=LearnedOverlap(
            blocks=errors.n,
            block_s=found.block_s,
            misclassified=_short(errors.value or 0.0),
            misclassified_low=_short(errors.low or 0.0),
            misclassified_high=_short(1.0 if errors.high is None else errors.high),
        ),
        surprise=_short(model.surprise),
        scopes={n: LearnedScope(low=s.low, high=s.high, digital=s.digital) for n, s in model.scopes.items()},
        states=states,
        evidence=evidence,
    )


def _shape(shape: Shape) -> LearnedShape:
    levels = [
        LearnedLevel(
            centre=_short(level.centre),
            spread=_short(level.spread),
            share=_short(level.share),
            half=_short(level.half),
            rate_per_s=_short(level.rate_per_s),
            hold_s=None if level.hold_s is None else [_short(part) for part in level.hold_s],
        )
        for level in shape.levels
    ]
    period = None if shape.period_s is None else _short(shape.period_s)
    return LearnedShape(levels=levels, independent_per_s=_short(shape.independent_per_s), period_s=period, n=shape.n)


def _short(value: float) -> float:
    """Six digits: more than any observer has, and a file that can be read."""
    return float(f"{value:.6g}")
