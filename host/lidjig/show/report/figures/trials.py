"""Latencies of a run: from its recorded cycles, or from its events where it kept no cycles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.bench.machine import MachineProfile
from lidjig.measure.estimate import Estimate
from lidjig.measure.latency import median_interval
from lidjig.record.stored import StoredRun
from lidjig.show.report.figures.axis import Boot, Levels, boots_of, levels_of
from lidjig.show.report.figures.states import classify
from shared_proto import names

VERBS = {"S3": "sleep", "S0": "wake"}


@dataclass(frozen=True)
class TrialRow:
    """One movement of the emulated lid. number: of its cycle, from 1. Board time in us within a boot; reaction None =
    none came. place: of the stimulus among the run's events, None where it is not there."""

    number: int
    verb: str
    stimulus_us: int
    reaction_us: int | None
    limit_s: float
    boot: int = 1
    place: int | None = None

    @property
    def latency_s(self) -> float | None:
        """Stimulus to reaction in s, or None."""
        return None if self.reaction_us is None else (self.reaction_us - self.stimulus_us) / 1e6

    @property
    def result(self) -> str:
        """ "hit" within the limit, "late" beyond it, "miss"."""
        latency = self.latency_s
        if latency is None:
            return "miss"
        return "hit" if latency <= self.limit_s else "late"


@dataclass(frozen=True)
class Series:
    """All movements of one kind ("sleep" or "wake"), with the median of the answered ones and its 95 % interval."""

    verb: str
    rows: tuple[TrialRow, ...]
    median: Estimate

    @property
    def latencies_s(self) -> list[float]:
        """Of the answered ones."""
        return [row.latency_s for row in self.rows if row.latency_s is not None]

    @property
    def misses(self) -> int:
        """Movements without a reaction."""
        return sum(row.result == "miss" for row in self.rows)

    @property
    def limit_s(self) -> float:
        """The limit that held last."""
        return self.rows[-1].limit_s


def series_of(rows: Sequence[TrialRow]) -> list[Series]:
    """By kind, sleep first; a kind without movements is left out."""
    out: list[Series] = []
    for verb in VERBS.values():
        mine = tuple(row for row in rows if row.verb == verb)
        if mine:
            found = [row.latency_s for row in mine if row.latency_s is not None]
            out.append(Series(verb, mine, median_interval(found, unit="s")))
    return out


def trials_from(run: StoredRun, machine: MachineProfile | None) -> list[TrialRow]:
    """Movements with what came of them: of the recorded cycles, else paired from outputs and power states."""
    boots = boots_of(run)
    kept = [step for step in run.steps if step.name == "cycle" and isinstance(step.result, list)]
    if kept:
        places = {(boot.number, run.events[i].t_us): i for boot in boots for i in _outputs(run, boot)}
        rows: list[TrialRow] = []
        boot = 1
        for step in kept:
            if rows and step.result and step.result[0]["stimulus_us"] < rows[-1].stimulus_us:
                boot += 1  # board time began anew
            for trial in step.result:
                if trial.get("found"):
                    continue  # the machine had left its state by itself: nothing is said of its reaction
                place = places.get((boot, trial["stimulus_us"]))
                rows.append(
                    TrialRow(
                        int(step.arguments.get("number", 0)), VERBS.get(trial["state"], trial["state"]),
                        trial["stimulus_us"], trial["reaction_us"], trial["limit_s"], boot, place,
                    )
                )  # fmt: skip
        return rows
    if machine is None:
        return []
    read = levels_of(run, boots)
    return [row for boot in boots for row in _paired(run, boot, machine, read[boot.number])]


def _outputs(run: StoredRun, boot: Boot) -> list[int]:
    return [i for i in range(boot.first, boot.last + 1) if run.events[i].name == "output"]


def _paired(run: StoredRun, boot: Boot, machine: MachineProfile, levels: list[Levels]) -> list[TrialRow]:
    """A stimulus is the last change of an output, with the stand-in connected and the machine in the other state,
    before the machine reached the state; without a reaction before the next movement it is a miss."""
    events = run.events[boot.first : boot.last + 1]
    timeline = classify(events, machine, levels).timeline
    limits = {"S3": machine.limits.sleep_s, "S0": machine.limits.wake_s}
    moves = [e.t_us for e in events if e.name == "departed"] + [boot.end_us]
    routed = [(e.t_us, e.data["route"]) for e in events if e.name == "routed"]
    rows: list[TrialRow] = []
    number = 0
    for begin, end in zip(moves[:-1], moves[1:], strict=True):
        on_way = [
            i for i in _outputs(run, boot)
            if begin <= run.events[i].t_us < end and _at(routed, run.events[i].t_us) == names.ROUTE_STANDIN
        ]  # fmt: skip
        if not on_way:
            continue
        operated = run.events[on_way[-1]].data["operated"]
        state, other = ("S3", "S0") if operated else ("S0", "S3")
        on_way = [i for i in on_way if run.events[i].data["operated"] == operated]
        first_us = run.events[on_way[0]].t_us
        # The lid turned while nothing was connected is no movement that the machine saw.
        if _at(routed, begin) != names.ROUTE_STANDIN or _state_at(timeline, first_us) != other:
            continue
        reached = next((t for t, s in timeline if s == state and first_us <= t < end), None)
        if reached is None and end == boot.end_us and end - first_us < round(limits[state] * 1e6):
            continue  # the record broke off before the limit had passed, so nothing is known of it
        before = [i for i in on_way if reached is None or run.events[i].t_us <= reached] or on_way[:1]
        number += state == "S3" or not rows
        stimulus = run.events[before[-1]].t_us
        rows.append(TrialRow(number, VERBS[state], stimulus, reached, limits[state], boot.number, before[-1]))
    return rows


def _at(changes: list[tuple[int, int]], t_us: int) -> int | None:
    return next((value for t, value in reversed(changes) if t <= t_us), None)


def _state_at(timeline: list[tuple[int, str]], t_us: int) -> str | None:
    """The state that held last, unknown stretches left out: between two states observers change one by one."""
    return next((state for t, state in reversed(timeline) if t <= t_us and state != "unknown"), None)
