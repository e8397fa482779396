"""Invented runs for the tests of the figures: made event by event, without a jig."""

from __future__ import annotations

import json
from typing import Any

from lidjig.bench.machine import MachineProfile
from lidjig.bench.profiles import load_machine
from lidjig.record.model import MeasuredValue
from lidjig.record.power_spans import event_spans
from lidjig.record.stored import StoredEvent, StoredGap, StoredRun, StoredSample, StoredStep
from lidjig.show.report.figures.data import TimelineData, timeline_from

LABELS = {
    "title": "A <title> & more",
    "desc": 'What is "drawn"',
    "decimal": ".",
}


def labels(**more: str) -> dict[str, str]:
    """Every text of the English catalogue that a figure may want, and a title with markup in it."""
    from lidjig.show.report.words import Words

    words = Words("en")
    out = dict(LABELS)
    for table in ("timeline", "latency", "connector", "causes", "compare"):
        out |= words.table(f"figure.{table}")
    out |= {f"channel-{name}": text for name, text in words.table("channel").items()}
    out |= {name.replace("_", " "): text for name, text in words.table("outcome").items()}
    return out | more


def alder() -> MachineProfile:
    """The shipped machine with every observer wired."""
    return load_machine("alder-14")[0]


def timeline_of(run: StoredRun, machine: MachineProfile | None) -> TimelineData:
    """What the timeline draws of a run without samples."""
    return timeline_from(run, machine, None if machine is None else event_spans(run, machine))


class Made:
    """A run under construction; times in s of board time."""

    def __init__(self, command: str = "cycle") -> None:
        self.command = command
        self.events: list[StoredEvent] = []
        self.gaps: list[StoredGap] = []
        self.steps: list[StoredStep] = []
        self.samples: list[StoredSample] = []
        self.measurements: list[MeasuredValue] = []
        self.counter = 0

    def event(self, name: str, t_s: float, **data: int) -> None:
        """The next event."""
        if name == "boot":
            self.counter = 0
        self.counter += 1
        self.events.append(StoredEvent(self.counter, name, round(t_s * 1e6), data))

    def begin(self, t_s: float = 0.0) -> None:
        """The board started, the machine is asleep to nobody: S0, lid open, stand-in connected."""
        self.event("boot", t_s, cause=0)
        for channel, band in ((6, 3), (7, 2), (9, 1)):
            self.event("band", t_s + 0.01, channel=channel, band=band, raw=0)
        self.event("lock", t_s + 0.2, state=1, reason=1, detail=0)
        self.event("routed", t_s + 0.21, route=2, reason=1)

    def move(self, t_s: float, *, shut: bool, latency_s: float | None) -> None:
        """Turn the lid within 0.4 s; the machine follows after latency_s, or not at all."""
        here, there = (100000, 4000) if shut else (4000, 100000)
        self.event("departed", t_s, segment=1, angle_mdeg=here)
        self.event("output", t_s + 0.3, output=0, operated=int(shut), angle_mdeg=8000 if shut else 14000)
        self.event("arrived", t_s + 0.4, segment=1, angle_mdeg=there)
        if latency_s is not None:
            at = t_s + 0.3 + latency_s
            self.event("band", at - 0.2, channel=9, band=int(not shut), raw=0)
            self.event("edge", at - 0.1, line=6, level=int(not shut))
            self.event("band", at, channel=7, band=1 if shut else 2, raw=0)

    def cycle(self, number: int, t_s: float, sleep_s: float | None = 0.9, wake_s: float | None = 0.7) -> None:
        """One cycle of 4 s with its step."""
        self.move(t_s, shut=True, latency_s=sleep_s)
        result: list[dict[str, Any]] = [_trial("S3", t_s + 0.3, sleep_s)]
        self.move(t_s + 2.0, shut=False, latency_s=wake_s if sleep_s is not None else None)
        if sleep_s is not None:
            result.append(_trial("S0", t_s + 2.3, wake_s))
        self.steps.append(
            StoredStep(
                len(self.steps) + 1, None, 0, "cycle", {"number": number}, None, None, None, None, "done", result, None
            )
        )

    def run(self, *, closed: bool = True) -> StoredRun:
        """The whole of it as it would be read back."""
        return StoredRun(
            id="r-000001", number=1, job=None, command=self.command, arguments={}, argv=[], seed=None,
            host_version="0", firmware_version="0", board_id="0", link_details={}, resumes=None,
            started_utc="2031-02-03T04:05:06Z", ended_utc="2031-02-03T04:06:06Z" if closed else None,
            outcome="pass" if closed else "incomplete", texts={}, events=self.events, samples=self.samples,
            steps=self.steps, measurements=self.measurements, findings=[], gaps=self.gaps, notes=[], frames=[],
        )  # fmt: skip


def _trial(state: str, stimulus_s: float, latency_s: float | None) -> dict[str, Any]:
    stimulus = round(stimulus_s * 1e6)
    reaction = None if latency_s is None else round((stimulus_s + latency_s) * 1e6)
    return json.loads(json.dumps({"state": state, "stimulus_us": stimulus, "reaction_us": reaction, "limit_s": 3.0}))  # type: ignore[no-any-return]


def cycles(count: int, miss_every: int = 0) -> Made:
    """A run of so many cycles, every so many of them missed."""
    made = Made()
    made.begin()
    for number in range(1, count + 1):
        missed = miss_every and number % miss_every == 0
        spread = (number * 37 % 100) / 250.0
        made.cycle(number, 1.0 + 4.0 * (number - 1), None if missed else 0.7 + spread, 0.6 + spread / 2)
    return made


def survey() -> list[MeasuredValue]:
    """A connector's survey with something of every outcome."""
    return [
        MeasuredValue("sensor supply", 3.301, "V", 3.25, 3.352, 64, 3.0, 3.6),
        MeasuredValue("line 1 idle level", 2.12, "V", 2.07, 2.17, 64, 2.1, None),
        MeasuredValue("line 1 pull", 740.6, "kohm", 740.6, None, 64, 35.0, 60.0),
        MeasuredValue("sensor current", None, "mA", None, None, 0, 1.5, 4.0),
        MeasuredValue("sensor line 1, lid open", 0.9932, "1", 0.978, 1.0, 64, 0.7, None),
        MeasuredValue("sensor line 1, lid shut", 0.0042, "1", 0.0, 0.019, 64, None, 0.3),
    ]
