"""The run that the exporters are tried on: everything a run can hold, at full length, with a hole and a lost event."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from lidjig.bench import load_machine, load_sensor
from lidjig.record import Finding, MeasuredValue
from lidjig.record.recorder import RunRecorder
from lidjig.record.store import open_store

from shared_proto import names

SECONDS = 30
PERIOD_US = 1000  # 1 kS/s, what the board samples at most
BATCH = 80
BEGIN_US = 1_000_000
HOLE = ("light", 12_000, 12_160)  # samples that never came, two batches
SLP, SUPPLY = names.LINES.index("observer_1"), names.LINES.index("supply_ok")
LOST_US = 20_500_000
# Channel -> (unit, value of one raw step, raw at 0): of every kind that the jig has.
CHANNELS: dict[str, tuple[str, float, float]] = {
    "charger_v": ("mV", 36300.0 / 65535.0, 0.0),
    "charger_i": ("mA", 5000.0 / 65535.0, 0.0),
    "light": ("permille", 1000.0 / 65535.0, 0.0),
    "supply": ("mV", 6600.0 / 65535.0, 0.0),
    "machine_1": ("mV", 6600.0 / 65535.0, 0.0),
    "meter_1_v": ("mV", 1.25, 0.0),
    "meter_1_i": ("mA", 0.1, 32768.0),
    "pulses": ("", 1.0, 0.0),
}
NOTE = 'she said "shut, then open", \x07 twice;\nnaïve café, 20 V'


@dataclass
class Ran:
    """What a command came to."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        return json.loads(self.out, parse_constant=no_constant)  # type: ignore[no-any-return]


def no_constant(name: str) -> float:
    raise AssertionError(f"{name} in a JSON object")


Run = Callable[..., Ran]


@dataclass(frozen=True)
class Event:
    name: str
    counter: int
    t_us: int
    data: dict[str, int]


@dataclass(frozen=True)
class Batch:
    channel: str
    number: int
    t_us: int
    span_us: int
    data: bytes


@dataclass
class Made:
    """What was written. samples: channel -> (board time in us, value), the missing ones left out."""

    store: Path
    run: str = ""
    events: list[Event] = field(default_factory=list)
    samples: dict[str, tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]] = field(default_factory=dict)
    slp: list[tuple[int, int]] = field(default_factory=list)  # (board time, level) of SLP_S3#, as it changed


def make(path: Path, seconds: int = SECONDS) -> Made:
    """One run of `seconds`, with 8 channels at 1 kS/s."""
    made = Made(path)
    machine, sensor = load_machine("alder-14")[1], load_sensor("hinge-a1")[1]
    with open_store(path) as store:
        run = store.start_run(
            "confirm", job="bench-7", seed=3, argv=["confirm", "--link", "twin"], board_id="4c4a000000000042",
            firmware="0.1.0", texts={"machine": machine, "sensor": sensor}, arguments={"repeat": 2},
        )  # fmt: skip
        made.run = run.id
        _events(run, made, seconds)
        _samples(run, made, seconds)
        _rest(run)
        run.finish("fail")
    return made


def _events(run: RunRecorder, made: Made, seconds: int) -> None:
    """A lid shut and opened every two seconds; the machine follows 0.3 s later."""

    def add(name: str, t_us: int, **data: int) -> None:
        made.events.append(Event(name, len(made.events) + 1, t_us, data))

    add("boot", 0, cause=0)
    add("lock", 500_000, state=1, reason=1, detail=0)
    add("routed", 600_000, route=2, reason=1)
    run.sample("lines boot 0000002a", "mask", float(1 << SUPPLY | 1 << SLP), t_us=700_000)
    for number in range(seconds // 2 - 1):
        at = 2_000_000 * (number + 1)
        for shut, moment in ((1, at), (0, at + 1_000_000)):
            add("departed", moment, angle_mdeg=100_000 if shut else 4_000, segment=number)
            add("output", moment + 123_457, output=0, operated=shut, angle_mdeg=7_316 if shut else 14_193)
            add("edge", moment + 423_789, line=SLP, level=1 - shut)
            made.slp.append((moment + 423_789, 1 - shut))
            if at == 20_000_000 and shut:
                add("lost", LOST_US, count=3)
    run.events(made.events[:10])
    run.gap("lost-samples", "2 batches of light are missing", BEGIN_US + 1000 * HOLE[1])
    run.events(made.events[10:])
    run.gap("lost-events", "3 events were lost")


def _samples(run: RunRecorder, made: Made, seconds: int) -> None:
    rng = np.random.default_rng(11)
    n = seconds * 1000 - 2000
    for channel, (unit, per_raw, offset) in CHANNELS.items():
        run.channel(channel, unit, per_raw, offset)
        raw = (30000 + np.cumsum(rng.integers(-40, 41, n))).clip(0, 65535).astype("<u2")
        times = BEGIN_US + PERIOD_US * np.arange(n, dtype=np.int64)
        there = np.ones(n, dtype=bool)
        if channel == HOLE[0]:
            there[HOLE[1] : HOLE[2]] = False
        for number, at in enumerate(range(0, n, BATCH), start=1):
            part = raw[at : at + BATCH]
            if there[at]:
                span = PERIOD_US * (len(part) - 1)
                run.batch(Batch(channel, number, int(times[at]), span, part.tobytes()))
        made.samples[channel] = (times[there], (raw[there] - offset) * per_raw)
    run.flush()


def _rest(run: RunRecorder) -> None:
    with run.step("round", number=1) as step:
        step.result = [{"state": "S3", "stimulus_us": 2_123_457, "reaction_us": 2_423_789, "limit_s": 3.0}]
    with run.step("round", number=2) as step:
        step.result = [{"state": "S0", "stimulus_us": 5_123_457, "reaction_us": None, "limit_s": 3.0}]
    try:
        with run.step("let go"):
            raise ValueError("not <heard> & seen")
    except ValueError:
        pass
    run.sample("supply", "mV", 3301.25, 26.0, 64, 900_000)
    run.series("curve", "deg", np.array([[1.5, 2.5], [3.5, np.nan]]), t_us=950_000)
    run.observation("supply", "right", "sensor supply 3.301 V")
    run.measurement(MeasuredValue("supply", 3.3, "V", 3.2, 3.4, 64, 3.0, 3.6, 0.05))
    run.measurement(MeasuredValue("near", 3.55, "V", 3.5, 3.61, 64, 3.0, 3.6))
    run.measurement(MeasuredValue("wake misses", 1.0, "1", 1.0, 1.0, 2, None, 0.0))
    run.measurement(MeasuredValue("start", None, "s", limit_high=6.0))
    run.finding(Finding("board", "never-wakes", 0.91, ["woke 0 of 1 times"], "Check the wake signal.", "20 V on it."))
    run.note(NOTE)
    run.frames(["> hello seq=1"])
