"""Learning what power states look like from labelled recordings: levels, spread, rhythm of every observer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lidjig.measure.states_frames import cut, explain_all, weigh
from lidjig.measure.states_model import FRAME_US, Floats, Ints, Level, Model, Scope, Shape, Track, Tracks

LEVELS_MAX = 4
LEVEL_SHARE_MIN = 0.02  # what a state shows for less of the time is no level of it
WINDOW_SPREADS, WINDOW_SCOPE = 8.0, 0.02  # width of a level: in spreads of one frame, and at least of the whole range
SPREAD_SCOPE = 0.005  # no spread is believed to be smaller than this part of the range, nor than SPREAD_LEVEL of its
SPREAD_LEVEL = 0.01  # level: supplies and lamps drift over minutes, and nobody teaches for so long
BATCH_US = 500_000
RANGE_MARGIN = 0.25  # beyond what was seen while learning, on either side
REGULAR = 1.6  # a hold is regular where the longest is at most so many times the shortest
CYCLES_MIN = 3
SURPRISE_MIN, SURPRISE_MAX = 3.0, 6.0  # nats per frame; a single misfitting reading is worth 5 to 10


@dataclass(frozen=True)
class Recording:
    """Tracks of observers while the machine was in one state, from begin_us to end_us."""

    state: str
    tracks: Tracks
    begin_us: int
    end_us: int

    def part(self, begin_us: int, end_us: int) -> Recording:
        """The same between two times."""
        cuts = {name: track.between(begin_us, end_us) for name, track in self.tracks.items()}
        return Recording(self.state, cuts, begin_us, end_us)


def learn(recordings: Sequence[Recording], scopes: Mapping[str, Scope] | None = None) -> Model:
    """A model from labelled recordings; several of one state are laid together.

    scopes: range and kind of observers as the bench knows them, else from the readings (held tracks are digital).
    Raises ValueError without a recording. An observer that was silent in a state is left out of its signature.
    """
    if not recordings:
        raise ValueError("nothing was recorded")
    known = {**_scopes(recordings), **(scopes or {})}
    by_state: dict[str, list[Recording]] = {}
    for recording in recordings:
        by_state.setdefault(recording.state, []).append(recording)
    signatures: dict[str, dict[str, Shape]] = {}
    for state, mine in by_state.items():
        signatures[state] = {}
        for name, scope in known.items():
            shape = learn_shape([r.tracks[name] for r in mine if name in r.tracks], scope, mine)
            if shape is not None:
                signatures[state][name] = shape
    return with_evidence(Model(known, signatures), recordings)


def _scopes(recordings: Iterable[Recording]) -> dict[str, Scope]:
    seen: dict[str, list[Track]] = {}
    for recording in recordings:
        for name, track in recording.tracks.items():
            seen.setdefault(name, []).append(track)
    found: dict[str, Scope] = {}
    for name, tracks in seen.items():
        values = np.concatenate([track.values for track in tracks])
        values = values[np.isfinite(values)]
        if values.size == 0:
            continue
        if all(track.held for track in tracks):
            found[name] = Scope(0.0, 1.0, digital=True)
            continue
        low, high = np.quantile(values, [0.001, 0.999])
        margin = RANGE_MARGIN * max(float(high - low), 1e-3 * max(abs(float(low)), abs(float(high)), 1.0))
        found[name] = Scope(float(low) - margin, float(high) + margin)
    return found


def learn_shape(tracks: Sequence[Track], scope: Scope, spans: Sequence[Recording]) -> Shape | None:
    """One observer in one state; None where there is no reading. tracks and spans belong together in order."""
    values = [_readings(track) for track in tracks]
    everything = np.concatenate(values) if values else np.zeros(0)
    if everything.size == 0:
        return None
    pairs = list(zip(tracks, spans, strict=False))
    levels = _digital_levels(pairs) if scope.digital else _levels(pairs, scope)
    rate = 1e6 / FRAME_US if scope.digital else _independent_per_s(tracks, levels)
    shape = Shape(tuple(levels), rate, None, int(everything.size))
    return _with_rhythm(shape, scope, pairs) if len(levels) > 1 else shape


def _readings(track: Track) -> Floats:
    return np.asarray(track.values[np.isfinite(track.values)])


def _digital_levels(pairs: Sequence[tuple[Track, Recording]]) -> list[Level]:
    """Levels of a line with their share of time."""
    time_us: dict[float, float] = {}
    for track, span in pairs:
        ends = np.r_[track.t_us[1:], track.end_us]
        for begin, end, value in zip(track.t_us, ends, track.values, strict=True):
            lasting = min(int(end), span.end_us) - max(int(begin), span.begin_us)
            time_us[float(value)] = time_us.get(float(value), 0.0) + max(0.0, float(lasting))
    total = sum(time_us.values()) or 1.0
    kept = [Level(v, 1.0, t / total) for v, t in sorted(time_us.items()) if t / total >= 0.5 * LEVEL_SHARE_MIN]
    return kept or [Level(max(time_us, key=lambda v: time_us[v]), 1.0)]


def _levels(pairs: Sequence[tuple[Track, Recording]], scope: Scope) -> list[Level]:
    """Levels of an analog observer: the densest windows of frame medians, one after the other; neighbours that touch
    are one. What is left over (slopes between levels, stray readings) belongs to none.
    """
    frames = _by_frame(pairs)
    medians = frames.medians
    whole = scope.high - scope.low
    width = max(WINDOW_SPREADS * frames.inner, WINDOW_SCOPE * whole)
    least = max(1.0, LEVEL_SHARE_MIN * medians.size)
    windows: list[tuple[float, float]] = []
    left = np.sort(medians)
    while left.size >= least and len(windows) < 2 * LEVELS_MAX:
        ends = np.searchsorted(left, left + width, side="right")
        at = int((ends - np.arange(left.size)).argmax())
        low, high = float(left[at]), float(left[ends[at] - 1])
        if ends[at] - at < least:
            break
        windows.append((low, high))
        left = left[(left < low) | (left > high)]
    merged = _merged(sorted(windows), 0.5 * width)
    levels = [_level(frames, low, high, whole) for low, high in merged]
    if left.size > 0.1 * medians.size:
        # Too much is in no window: a wide one over all of it.
        levels.append(_level(frames, float(left[0]), float(left[-1]), whole))
    return _strongest(levels)


@dataclass(frozen=True)
class _Frames:
    """Readings (n,), the number of the frame of each (n,), median of each frame (frames,), usual spread within one."""

    values: Floats
    frame: Ints
    medians: Floats
    inner: float


def _by_frame(pairs: Sequence[tuple[Track, Recording]]) -> _Frames:
    """Readings sorted into frames, empty ones left out."""
    values, numbers, first = [], [], 0
    for track, span in pairs:
        good = np.isfinite(track.values)
        index = (track.t_us[good] - span.begin_us) // FRAME_US
        _, index = np.unique(index, return_inverse=True)
        values.append(track.values[good])
        numbers.append(index + first)
        first += int(index.max()) + 1 if index.size else 0
    value, frame = np.concatenate(values), np.concatenate(numbers)
    medians = _medians(value, frame)
    # A normal distribution's standard deviation is 1.4826 times its median absolute deviation.
    return _Frames(value, frame, medians, 1.4826 * float(np.median(_medians(np.abs(value - medians[frame]), frame))))


def _medians(values: Floats, frame: Ints) -> Floats:
    """Median of the readings of each frame; frames are numbered without a hole."""
    ordered = values[np.lexsort((values, frame))]
    count = np.bincount(frame)
    first = np.cumsum(count) - count
    return np.asarray(0.5 * (ordered[first + (count - 1) // 2] + ordered[first + count // 2]))


def _merged(windows: Sequence[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for low, high in windows:
        if out and low - out[-1][1] <= gap:
            out[-1] = (out[-1][0], max(high, out[-1][1]))
        else:
            out.append((low, high))
    return out


def _level(frames: _Frames, low: float, high: float, whole: float) -> Level:
    mine = (frames.medians >= low) & (frames.medians <= high)
    values = frames.values[mine[frames.frame]]
    spread = max(_spread(values, values), SPREAD_SCOPE * whole, SPREAD_LEVEL * abs(float(np.median(values))))
    # A level that wanders is a plateau: its frames lie evenly between low and high.
    half = 0.5 * (high - low)
    half = half if half > 4.0 * spread else 0.0
    return Level(float(np.median(values)) if half == 0.0 else 0.5 * (low + high), spread, float(mine.mean()), half)


def _spread(values: Floats, about: Floats) -> float:
    """Robust standard deviation: 1.4826 times the median absolute deviation (exact for a normal distribution), or what
    the 5 and 95 % quantiles say (3.29 standard deviations apart) where that is more.
    """
    centre = np.median(about)
    low, high = np.quantile(values, [0.05, 0.95])
    return max(1.4826 * float(np.median(np.abs(values - centre))), float(high - low) / 3.29)


def _strongest(levels: Sequence[Level]) -> list[Level]:
    kept = sorted(levels, key=lambda level: -level.share)[:LEVELS_MAX]
    total = sum(level.share for level in kept)
    return [replace(level, share=level.share / total) for level in sorted(kept, key=lambda level: level.centre)]


def _independent_per_s(tracks: Sequence[Track], levels: Sequence[Level]) -> float:
    """Readings per second that say something new about their level, by batch means (R. W. Conway, Management Science 10
    (1963) 47): the mean over a batch scatters by the variance of a reading over the number of independent ones in it.
    Slow wander counts as well as noise that repeats itself.
    """
    centres = np.array([level.centre for level in levels])
    rates, sizes = [], []
    for track in tracks:
        good = np.isfinite(track.values)
        times, values = track.t_us[good], track.values[good]
        if values.size < 3 or times[-1] - times[0] < 4 * BATCH_US:
            continue
        off = values - centres[np.abs(values[:, None] - centres).argmin(axis=1)]
        limit = 5.0 * max(_spread(off, off), 1e-12)
        off = np.clip(off - np.median(off), -limit, limit)
        batch = (times - times[0]) // BATCH_US
        count = np.bincount(batch)
        means = np.bincount(batch, weights=off)[count > 1] / count[count > 1]
        scatter = float(np.var(means, ddof=1)) if means.size > 1 else 0.0
        most = float(np.mean(count)) * 1e6 / BATCH_US
        if scatter > 0.0:
            rates.append(min(most, float(np.var(off)) / scatter * 1e6 / BATCH_US))
            sizes.append(values.size)
    return float(np.average(rates, weights=sizes)) if rates else 1e6 / FRAME_US


def _with_rhythm(shape: Shape, scope: Scope, pairs: Sequence[tuple[Track, Recording]]) -> Shape:
    """The shape with how long each level holds, and the period where the rarest comes back regularly."""
    holds: list[list[float]] = [[] for _ in shape.levels]
    left, time_s = np.zeros(len(shape.levels)), np.zeros(len(shape.levels))
    cycles: list[float] = []
    rarest = int(np.argmin([level.share for level in shape.levels]))
    for track, span in pairs:
        runs = _level_runs(shape, scope, track, span)
        entries = [begin for begin, _, k in runs[1:] if k == rarest]
        cycles += list(np.diff(entries))
        for place, (begin, end, k) in enumerate(runs):
            time_s[k] += end - begin
            left[k] += place + 1 < len(runs)
            if 0 < place < len(runs) - 1:  # the first and the last are cut off
                holds[k].append(end - begin)
    levels = []
    for k, level in enumerate(shape.levels):
        regular = len(holds[k]) >= CYCLES_MIN and max(holds[k]) <= REGULAR * min(holds[k]) + 2 * FRAME_US / 1e6
        hold = (float(min(holds[k])), float(max(holds[k]))) if regular else None
        levels.append(replace(level, rate_per_s=float((left[k] + 0.5) / (time_s[k] + 1.0)), hold_s=hold))
    even = len(cycles) >= CYCLES_MIN and float(np.std(cycles)) < 0.2 * float(np.mean(cycles))
    return replace(shape, levels=tuple(levels), period_s=float(np.mean(cycles)) if even else None)


def _level_runs(shape: Shape, scope: Scope, track: Track, span: Recording) -> list[tuple[float, float, int]]:
    """(begin s, end s, number of the level) of each stay, by frames; from the recording's beginning."""
    frames = max(1, (span.end_us - span.begin_us) // FRAME_US)
    pieces = cut(track, span.begin_us, frames, FRAME_US)
    centres = np.array([level.centre for level in shape.levels])
    has = np.flatnonzero(pieces.weights() > 0.0)
    value = pieces.mean(pieces.value)[has]
    level: Ints = np.abs(value[:, None] - centres).argmin(axis=1)
    if level.size == 0:
        return []
    cuts = [0, *(np.flatnonzero(np.diff(level)) + 1).tolist(), level.size]
    frame_s = FRAME_US / 1e6
    ends = [*(has[c] for c in cuts[1:-1]), has[-1] + 1]
    begins = [has[c] for c in cuts[:-1]]
    return [(b * frame_s, e * frame_s, int(level[c])) for b, e, c in zip(begins, ends, cuts[:-1], strict=True)]


def with_evidence(model: Model, recordings: Iterable[Recording]) -> Model:
    """The model with what tells its states apart, and how much contradiction is ordinary, from recordings."""
    totals: dict[tuple[str, str], dict[str, float]] = {}
    frames: dict[str, int] = {}
    surprises: list[Floats] = []
    for recording in recordings:
        if recording.state not in model.signatures:
            continue
        length = max(1, (recording.end_us - recording.begin_us) // model.frame_us)
        frames[recording.state] = frames.get(recording.state, 0) + length
        mine = model.states.index(recording.state)
        for name in model.scopes:
            if name not in recording.tracks:
                continue
            pieces = cut(recording.tracks[name], recording.begin_us, length, model.frame_us)
            sums = explain_all(model, name, pieces)[0].sum(axis=1)
            for place, other in enumerate(model.states):
                if place != mine:
                    row = totals.setdefault((recording.state, other), {})
                    row[name] = row.get(name, 0.0) + float(sums[mine] - sums[place])
        weighed = weigh(model, recording.tracks, recording.begin_us, recording.begin_us + length * model.frame_us)
        surprises.append(weighed.unknown + model.surprise - weighed.state[mine])
    evidence = {
        (state, other): {name: nats / frames[state] for name, nats in row.items()}
        for (state, other), row in totals.items()
    }
    return replace(model, evidence=evidence, surprise=_surprise(surprises))


def _surprise(surprises: Sequence[Floats]) -> float:
    """What contradiction must exceed: what 99 % of half-second means of the recordings stay below, and a margin."""
    length = 25
    means = [np.convolve(row, np.ones(length) / length, "valid") for row in surprises if row.size >= length]
    usual = float(np.quantile(np.concatenate(means), 0.99)) if means else 0.0
    return min(max(SURPRISE_MIN, usual + 2.0), SURPRISE_MAX)
