"""Collecting what the observers show between two moments, as tracks: samples as they come, lines as they change."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from lidjig.errors import Disturbed
from lidjig.jig_samples import Batch, MeterState
from lidjig.jig_types import Event
from lidjig.measure.power import EventLike
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Track
from lidjig.procedures.base import Bench
from lidjig.procedures.observe import Observer
from lidjig.record.sample_holes import Marks
from shared_proto import names

PERIOD_S = {"light": 0.002, "pulses": 0.1}
SWITCHED_S = 0.005  # channels of the analog switch and power monitors share what there is: 200 readings a second each
HEARD_MIN = 0.5  # of the readings due: with less, what is missing may be what tells the state
LATE_S = 3.0  # the last batch of a stretch has come by then


class Collector:
    """Samples every wired observer of a bench. observer: set up with sampled_periods(); close() when done."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._batches: dict[str, list[Batch]] = {}
        self._edges: dict[str, list[tuple[int, int]]] = {}
        self._lost = 0
        self._silent: set[int] = set()  # power monitors that failed meanwhile
        bench.jig.on_batch.append(self._take)
        bench.jig.on_event.append(self._hear)

    def close(self) -> None:
        """Stop listening."""
        self.bench.jig.on_batch.remove(self._take)
        self.bench.jig.on_event.remove(self._hear)

    def _take(self, batch: Batch) -> None:
        self._lost += batch.lost
        self._batches.setdefault(batch.channel, []).append(batch)

    def _hear(self, event: Event) -> None:
        change = change_of(event)
        if change is not None:
            self._edges.setdefault(change[0], []).append((event.t_us, change[1]))
        elif event.name in ("lost", "boot"):
            self._lost += 1
        elif event.name == "meter" and event.data["state"] != MeterState.OK:
            self._silent.add(event.data["meter"] + 1)

    def record(self, state: str, seconds: float, observer: Observer) -> Recording:
        """What every observer shows for so long. Raises Disturbed where something of it was lost, or where an observer
        that is sampled gave less than HEARD_MIN of its readings or its power monitor failed meanwhile.
        """
        jig = self.bench.jig
        self._batches, self._edges, self._lost = {}, {}, 0
        self._silent.clear()
        status = jig.status()
        begin_us, levels = status.t_us, status.lines
        observer.keep_lines(levels, begin_us)
        self.bench.idle(seconds)
        end_us = jig.status().t_us
        self.bench.wait(lambda: all(self._until_us(channel) >= end_us for channel in observer.periods), LATE_S)
        if self._lost:
            raise Disturbed(f"the machine was recorded in {state}")
        tracks = {
            name: line_track(levels[name], self._edges.get(name, []), begin_us, end_us)
            for name in self.bench.machine.watched_lines()
        }
        for channel in observer.periods:
            name = self.bench.machine.observer_of(channel)
            if name is None:
                continue
            track = self._samples(channel).between(begin_us, end_us)
            meter = self.bench.machine.meter_of(channel)
            failed = meter is not None and meter.number in self._silent
            if failed or not heard_enough(track, end_us - begin_us, observer.periods[channel]):
                raise Disturbed(f"the machine was recorded in {state}", self._who(name, channel))
            tracks[name] = track
        return Recording(state, tracks, begin_us, end_us)

    def _who(self, name: str, channel: str) -> str:
        meter = self.bench.machine.meter_of(channel)
        return f"observer {name}" if meter is None else f"power monitor {meter.number} ({name})"

    def _until_us(self, channel: str) -> int:
        """Board time of the newest sample, or of the moment from which none can be late any more."""
        batches = self._batches.get(channel)
        return batches[-1].t_us + batches[-1].span_us if batches else 0

    def _samples(self, channel: str) -> Track:
        scale = self.bench.machine.scale(channel)
        batches = self._batches.get(channel, [])
        if not batches:
            return Track(np.empty(0, np.int64), np.empty(0))
        # Stamped as the record stamps them: what is learned from it later is learned from the same track.
        rows = [(batch.n, batch.t_us, batch.span_us, batch.number) for batch in batches]
        times = Marks(*np.array(rows, np.int64).T).times_us()
        raw = np.frombuffer(b"".join(batch.data for batch in batches), "<u2").astype(float)
        order = np.argsort(times, kind="stable")
        return Track(times[order], ((raw - scale.offset) * scale.per_raw)[order])


def change_of(event: EventLike) -> tuple[str, int] | None:
    """(line, its new level) of an event that tells a change of a digital line; None of any other."""
    if event.name == "edge" and event.data["line"] < len(names.LINES):
        return names.LINES[event.data["line"]], event.data["level"]
    return ("supply_ok", event.data["present"]) if event.name == "supply" else None


def line_track(level: int, changes: Iterable[tuple[int, int]], begin_us: int, end_us: int) -> Track:
    """A line between two board times. level: at the beginning; changes: (board time in us, level from then on)."""
    inside = [(t_us, now) for t_us, now in changes if begin_us < t_us < end_us]
    times = np.array([begin_us, *(t_us for t_us, _ in inside)])
    return Track(times, np.array([level, *(now for _, now in inside)], float), held=True, until_us=end_us)


def heard_enough(track: Track, length_us: int, period_s: float) -> bool:
    """Whether there are at least HEARD_MIN of the readings that are due in so long."""
    return bool(np.isfinite(track.values).sum() >= HEARD_MIN * length_us / 1e6 / period_s)


def sampled_periods(bench: Bench) -> dict[str, float]:
    """Observer -> period in s at which it is to be sampled, for every analog one that is wired."""
    return {name: PERIOD_S.get(name, SWITCHED_S) for name in bench.machine.analog()}
