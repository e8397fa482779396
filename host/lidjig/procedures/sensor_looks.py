"""Looks at a real sensor which tells an angle: the requests that its format asks for, and what was seen, kept raw.

What is kept is what the board said, so that it can be judged once more from the record; seen_of() turns it into what
the format's decoder takes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lidjig.bench.families.base import (
    Ask,
    ClockWord,
    Count,
    Encoding,
    Floats,
    ReadRegisters,
    ReadVolts,
    Registers,
    Seen,
    Volts,
    WatchLevels,
    Wave,
    Word,
)
from lidjig.bench.families.table import FAMILIES
from lidjig.bench.observers import scale
from lidjig.jig_sensor import CAPTURE_S_MAX, SAMPLES_MAX, SAMPLES_STEP, STEP_NS_MAX, Capture, SensorAnswer
from lidjig.jig_types import Measurement
from lidjig.procedures.base import Bench

SUPPLY_N = 32  # readings of the sensor's supply, where the format does not need it with each look
SUPPLY = "sensor_supply"
Json = dict[str, Any]


@dataclass(frozen=True)
class Looked:
    """What a while of looking came to. supply: the sensor's supply, one reading a look where the format is in
    proportion to it. looks: in order of time, as the board gave them (see _volts, _watch, _registers, _word, _steps).
    """

    supply: list[Json]
    looks: list[Json] = field(default_factory=list)

    def to_json(self) -> Json:
        """For the record."""
        return {"supply": self.supply, "looks": self.looks}

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Looked:
        """From the record. Raises KeyError for what is none."""
        return cls(list(kept["supply"]), list(kept["looks"]))


def look(bench: Bench, n: int) -> Looked:
    """Look until there are n readings, or as often as n readings of a sensor that works would take. Raises Refused,
    TooOld.
    """
    sensor = bench.sensor
    ask = sensor.coded().ask()
    if isinstance(ask, ReadVolts):
        return _volts(bench, ask, n)
    supply = [_kept(bench.jig.measure(SUPPLY, SUPPLY_N))]
    bench.check()
    if isinstance(ask, WatchLevels):
        return Looked(supply, _watch(bench, ask, n))
    if isinstance(ask, ReadRegisters):
        return Looked(supply, _registers(bench, ask, n))
    if isinstance(ask, ClockWord):
        return Looked(supply, _words(bench, ask, n))
    return Looked(supply, [steps_now(bench)])


# -- one way of looking each


def _volts(bench: Bench, ask: ReadVolts, n: int) -> Looked:
    lines = len(FAMILIES[bench.sensor.family].signals)
    done = Looked([])
    for _ in range(n):
        found = {f"sensor_{line}": _kept(bench.jig.measure(f"sensor_{line}", ask.n)) for line in range(1, lines + 1)}
        done.supply.append(_kept(bench.jig.measure(SUPPLY, ask.n)))
        done.looks.append(found)
        bench.check()
    return done


def _kept(measured: Measurement) -> Json:
    return {"t_us": measured.t_us, "n": measured.n, "mean_raw": measured.mean_raw, "sd_raw": measured.sd_raw}


def _watch(bench: Bench, ask: WatchLevels, n: int) -> list[Json]:
    step_us, samples = capture_size(ask, n)
    coded = bench.sensor.coded()
    looks: list[Json] = []
    read = 0
    for _ in range(n):
        looks.append(runs_of(bench.jig.capture(1, step_us / 1e6, samples)))
        bench.check()
        read += len(coded.decode(Seen(0.0, waves={"out": wave_of(looks[-1])})))
        if read >= n:
            break
    return looks


def capture_size(ask: WatchLevels, n: int) -> tuple[float, int]:
    """(step in us, samples) for up to n frames more than the least that shows one whole: as fine as is asked for where
    that fits into the board's memory, else coarser.
    """
    least_us = ask.frames * ask.frame_us
    step_us = min(max(ask.step_us, least_us / (SAMPLES_MAX - SAMPLES_STEP)), STEP_NS_MAX / 1e3)
    most_us = min(SAMPLES_MAX * step_us, CAPTURE_S_MAX * 1e6)
    span_us = min(max(least_us + (n - 1) * ask.frame_us, ask.wish * ask.frame_us), most_us)
    samples = SAMPLES_STEP * math.ceil(span_us / step_us / SAMPLES_STEP)
    return step_us, min(max(samples, SAMPLES_STEP), SAMPLES_MAX)


def runs_of(taken: Capture) -> Json:
    """A capture for the record: first level, and for how many samples it and each one after it stood."""
    bits = np.unpackbits(np.frombuffer(taken.bits, dtype=np.uint8), bitorder="little")
    changes = np.flatnonzero(np.diff(bits)) + 1
    runs = np.diff(np.concatenate(([0], changes, [bits.size])))
    first = int(bits[0]) if bits.size else 0
    return {"t_us": taken.t_us, "step_ps": taken.step_ps, "first": first, "runs": runs.tolist()}


def wave_of(kept: Json) -> Wave:
    """The levels of a capture, in us of board time."""
    step_us = kept["step_ps"] / 1e6
    ends = kept["t_us"] + step_us * np.cumsum(np.asarray(kept["runs"], dtype=np.float64))
    begins: Floats = np.concatenate(([float(kept["t_us"])], ends[:-1]))
    levels = ((np.arange(begins.size) + kept["first"]) % 2).astype(np.int8)
    return Wave(begins, levels, float(ends[-1]) if ends.size else float(kept["t_us"]))


def _registers(bench: Bench, ask: ReadRegisters, n: int) -> list[Json]:
    looks: list[Json] = []
    for place in range(n):
        spans = (*ask.spans, *ask.once) if place == 0 else ask.spans
        read = [(first, bench.jig.registers(ask.address, first, count)) for first, count in spans]
        parts = [{"first": first, "answer": int(one.answer), "data": one.data.hex()} for first, one in read]
        looks.append({"t_us": read[-1][1].t_us, "parts": parts})
        bench.check()
        _until_next_look(bench)
    return looks


def _words(bench: Bench, ask: ClockWord, n: int) -> list[Json]:
    looks: list[Json] = []
    for _ in range(n):
        t_us, word = bench.jig.clock_word(ask.bits, ask.half_us, out_falling=ask.out_falling)
        looks.append({"t_us": t_us, "bits": ask.bits, "word": word})
        bench.check()
        _until_next_look(bench)
    return looks


def _until_next_look(bench: Bench) -> None:
    """A part that is read faster than it looks at its magnet would be heard saying the same thing twice."""
    bench.idle(1.0 / bench.sensor.timing.update_hz)


def steps_now(bench: Bench) -> Json:
    """The count of steps as it stands."""
    read = bench.jig.count("read")
    bench.check()
    a, b = read.levels
    return {"t_us": read.t_us, "steps": read.steps, "skipped": read.skipped, "a": a, "b": b}


# -- what was seen


def seen_of(coded: Encoding, family: str, looked: Looked) -> list[Seen]:
    """What was seen, for decode(): one Seen for every look of a voltage, else one for all."""
    ask: Ask = coded.ask()
    if isinstance(ask, ReadVolts):
        signals = FAMILIES[family].signals
        both = zip(looked.supply, looked.looks, strict=True)
        return [_seen_volts(signals, supply, one) for supply, one in both]
    supply_v = mean_supply_v(looked)
    if isinstance(ask, WatchLevels):
        return [Seen(supply_v, waves={FAMILIES[family].signals[0]: wave_of(one)}) for one in looked.looks]
    if isinstance(ask, ReadRegisters):
        return [Seen(supply_v, registers=tuple(_seen_registers(one) for one in looked.looks))]
    if isinstance(ask, ClockWord):
        words = [Word(float(one["t_us"]), one["bits"], one["word"]) for one in looked.looks]
        return [Seen(supply_v, words=tuple(words))]
    counts = [Count(float(c["t_us"]), c["steps"], c["skipped"], c["a"], c["b"]) for c in looked.looks]
    return [Seen(supply_v, counts=tuple(counts))]


def volts_of(channel: str, kept: Json) -> float:
    """A reading of a channel, in V."""
    return scale(channel).value(kept["mean_raw"]) / 1000.0


def mean_supply_v(looked: Looked) -> float:
    """Mean of the readings of the sensor's supply, in V."""
    return float(np.mean([volts_of(SUPPLY, one) for one in looked.supply])) if looked.supply else 0.0


def _seen_volts(signals: tuple[str, ...], supply: Json, one: Json) -> Seen:
    volts = {}
    for line, signal in enumerate(signals, 1):
        kept = one[f"sensor_{line}"]
        volts[signal] = Volts(np.array([float(kept["t_us"])]), np.array([volts_of(f"sensor_{line}", kept)]))
    return Seen(volts_of(SUPPLY, supply), volts=volts)


def _seen_registers(one: Json) -> Registers:
    value: dict[int, int] = {}
    bus = ""
    for part in one["parts"]:
        answer = SensorAnswer(part["answer"])
        if answer is not SensorAnswer.ANSWERED:
            bus = answer.text
        data = bytes.fromhex(part["data"])
        value.update(zip(range(part["first"], part["first"] + len(data)), data, strict=True))
    return Registers(float(one["t_us"]), value, bus)

