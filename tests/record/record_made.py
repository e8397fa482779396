"""What the tests of the record write: events, batches of samples, runs with something of everything."""

from __future__ import annotations

from dataclasses import dataclass, field
from weakref import WeakKeyDictionary

import numpy as np
from lidjig.record import Finding, MeasuredValue
from lidjig.record.recorder import RunRecorder


@dataclass(frozen=True)
class Event:
    name: str
    counter: int
    t_us: int
    data: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Batch:
    """As the jig gives it: jig.Batch."""

    channel: str
    number: int
    t_us: int
    span_us: int
    data: bytes


class Clock:
    """A clock that is told what time it is."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def now_s(self) -> float:
        return self.time_s


def batch(channel: str, number: int, t_us: int, values: list[int], period_us: int = 1000) -> Batch:
    """Samples `period_us` apart, the first at t_us."""
    return Batch(channel, number, t_us, period_us * (len(values) - 1), np.array(values, dtype="<u2").tobytes())


_numbers: WeakKeyDictionary[RunRecorder, dict[str, int]] = WeakKeyDictionary()  # of the last batch that was fed


def feed(run: RunRecorder, channel: str, seconds: float, *, begin_us: int = 0, seed: int = 0, size: int = 80) -> int:
    """Batches at 1 kS/s in a row, numbered on from what was fed before; how many samples."""
    rng = np.random.default_rng(seed)
    n = round(seconds * 1000)
    raw = (30000 + np.cumsum(rng.integers(-40, 41, n))).astype("<u2")
    numbers = _numbers.setdefault(run, {})
    for at in range(0, n, size):
        part = raw[at : at + size]
        number = numbers[channel] = numbers.get(channel, 0) + 1
        run.batch(Batch(channel, number, begin_us + 1000 * at, 1000 * (len(part) - 1), part.tobytes()))
    return n


def write_all(run: RunRecorder, seed: int = 0, *, finish: bool = True) -> None:
    """A run with a row in every table of a run."""
    run.events([Event("boot", 1, 0, {"cause": 0}), Event("edge", 2, 10 + seed, {"line": 6, "level": 1})])
    run.gap("link-lost", "no frame came", 5)
    with run.step("close", n=seed):
        run.events([Event("edge", 3, 20 + seed, {"line": 6, "level": 0})])
    run.channel("meter_1_v", "V", 0.00125)
    feed(run, "meter_1_v", 2.5, seed=seed)
    feed(run, "light", 0.5, seed=seed + 1)
    run.measurement(MeasuredValue("supply", 3.3, "V", 3.2, 3.4, 64, 3.0, 3.6, 0.05))
    run.finding(Finding("sensor", "dead", 0.9, [f"0 mA, seed {seed}"], "Replace it.", "ESD strap."))
    run.note(f"note {seed}")
    run.frames(["> hello seq=1"])
    run.sample("supply", "mV", 3300.5, 12.0, 64, 99)
    run.series("curve", "deg", np.arange(5.0))
    run.observation("supply", "right", "sensor supply 3.302 V")
    run.text("plan", "one = 1\n")
    if finish:
        run.finish("fail")
    else:
        run.flush()
