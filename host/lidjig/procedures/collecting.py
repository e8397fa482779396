"""Collecting what the observers show between two moments, as tracks: samples as they come, lines as they change."""

from __future__ import annotations

import numpy as np

from lidjig.jig_samples import Batch, MeterState
from lidjig.jig_types import Event
from lidjig.measure.states_learn import Recording
from lidjig.measure.states_model import Track
from lidjig.procedures.base import Bench, Disturbed
from lidjig.procedures.observe import Observer
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
        if event.name == "edge" and event.data["line"] < len(names.LINES):
            self._edges.setdefault(names.LINES[event.data["line"]], []).append((event.t_us, event.data["level"]))
        elif event.name == "supply":
            self._edges.setdefault("supply_ok", []).append((event.t_us, event.data["present"]))
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
        self.bench.idle(seconds)
        end_us = jig.status().t_us
        self.bench.wait(lambda: all(self._until_us(channel) >= end_us for channel in observer.periods), LATE_S)
        if self._lost:
            raise Disturbed(f"the machine was recorded in {state}")
        tracks = {name: self._line(name, levels[name], begin_us, end_us) for name in self._lines()}
        for channel in observer.periods:
            name = self.bench.machine.observer_of(channel)
            if name is None:
                continue
            track = self._samples(channel).between(begin_us, end_us)
            due = (end_us - begin_us) / 1e6 / observer.periods[channel]
            meter = self.bench.machine.meter_of(channel)
            failed = meter is not None and meter.number in self._silent
            if failed or np.isfinite(track.values).sum() < HEARD_MIN * due:
                raise Disturbed(f"the machine was recorded in {state}", self._who(name, channel))
            tracks[name] = track
        return Recording(state, tracks, begin_us, end_us)

    def _lines(self) -> list[str]:
        return self.bench.machine.watched_lines()

    def _who(self, name: str, channel: str) -> str:
        meter = self.bench.machine.meter_of(channel)
        return f"observer {name}" if meter is None else f"power monitor {meter.number} ({name})"

    def _until_us(self, channel: str) -> int:
        """Board time of the newest sample, or of the moment from which none can be late any more."""
        batches = self._batches.get(channel)
        return batches[-1].t_us + batches[-1].span_us if batches else 0

    def _line(self, name: str, level: int, begin_us: int, end_us: int) -> Track:
        changes = [(t, v) for t, v in self._edges.get(name, []) if begin_us < t < end_us]
        times = np.array([begin_us, *(t for t, _ in changes)])
        return Track(times, np.array([level, *(v for _, v in changes)], float), held=True, until_us=end_us)

    def _samples(self, channel: str) -> Track:
        scale = self.bench.machine.scale(channel)
        times, values = [], []
        for batch in self._batches.get(channel, []):
            raw = np.frombuffer(batch.data, "<u2").astype(float)
            times.append(batch.t_us + np.rint(np.linspace(0.0, batch.span_us, batch.n)).astype(np.int64))
            values.append((raw - scale.offset) * scale.per_raw)
        if not times:
            return Track(np.empty(0, np.int64), np.empty(0))
        joined = np.concatenate(times)
        order = np.argsort(joined, kind="stable")
        return Track(joined[order], np.concatenate(values)[order])


def sampled_periods(bench: Bench) -> dict[str, float]:
    """Observer -> period in s at which it is to be sampled, for every analog one that is wired."""
    return {name: PERIOD_S.get(name, SWITCHED_S) for name in bench.machine.analog()}
