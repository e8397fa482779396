"""Latencies of a run: its recorded trials, which the procedure paired and judged; nothing is paired here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lidjig.measure.estimate import Estimate
from lidjig.measure.latency import median_interval
from lidjig.record.axis import boots_of
from lidjig.record.model import TRIAL_STEPS
from lidjig.record.stored import StoredRun

VERBS = {"S3": "sleep", "S0": "wake"}


@dataclass(frozen=True)
class TrialRow:
    """One movement of the emulated lid. number: of its cycle or round, from 1. Board time in us within a boot; reaction
    None = none came. place: of the stimulus among the run's events, None where it is not there."""

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


def trials_from(run: StoredRun) -> list[TrialRow]:
    """The movements of the run's cycles or rounds with what came of them; none where the run recorded no trials."""
    placing = _Placing(run)
    rows: list[TrialRow] = []
    for step in run.steps:
        if step.name not in TRIAL_STEPS or not isinstance(step.result, list):
            continue
        number = int(step.arguments.get("number", 0))
        for trial in step.result:
            boot, place = placing.of(trial["stimulus_us"])
            if trial.get("found"):
                continue  # the machine had left its state by itself: nothing is said of its reaction
            verb = VERBS.get(trial["state"], trial["state"])
            times = trial["stimulus_us"], trial["reaction_us"], trial["limit_s"]
            rows.append(TrialRow(number, verb, *times, boot, place))
    return rows


class _Placing:
    """Finds the boot of each stimulus and its place among the run's events; asked in the order of the record."""

    def __init__(self, run: StoredRun) -> None:
        boots = boots_of(run)
        self._last = boots[-1].number
        self._outputs = {
            (boot.number, run.events[i].t_us): i
            for boot in boots
            for i in range(boot.first, boot.last + 1)
            if run.events[i].name == "output"
        }
        self._boot, self._before_us = 1, -1

    def of(self, t_us: int) -> tuple[int, int | None]:
        """(number of the boot, place of the output's event or None where the record has none at that time)."""
        if t_us <= self._before_us and self._boot < self._last:
            self._boot += 1  # board time began anew: the same time of the boot before is another moment
        self._before_us = t_us
        for boot in range(self._boot, self._last + 1):
            if (boot, t_us) in self._outputs:
                self._boot = boot
                return boot, self._outputs[boot, t_us]
        return self._boot, None
