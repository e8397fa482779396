"""Characteristic of a sensor: what its output is at each lid angle, while the lid opens and while it closes.

As the profile says it and as the board sends it: rounded to codes, with the hysteresis, without noise and lag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from lidjig.bench.families.base import Encoding
from lidjig.bench.field import POLES
from lidjig.bench.sensor import Output, SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG, Transfer

Floats = npt.NDArray[np.float64]

CODE, LEVEL, PERCENT = "code", "level", "% of the supply"
STEP_DEG = 0.25  # between two points of a line: 0.5 px of the widest picture
_EDGE_DEG = 10.0  # the axis goes so far beyond the angles that the jig accepts, that their ends are seen


@runtime_checkable
class Levels(Protocol):
    """An encoding whose codes are voltages."""

    def output_percent(self, part: Floats) -> dict[str, Floats]:
        """Signal -> level in percent of the supply, at positions in the span (n,)."""


@runtime_checkable
class FirstCode(Protocol):
    """An encoding whose span does not begin at code 0."""

    @property
    def first_code(self) -> int:
        """Code on the wire at the start of the span."""


@dataclass(frozen=True)
class Line:
    """A line of the drawing: lid_deg (n,) ascending, twice the same where it steps; value (n,), nan where it breaks."""

    lid_deg: Floats
    value: Floats


@dataclass(frozen=True)
class Trace:
    """One output. marks: (lid angle in deg, what begins there)."""

    name: str
    opening: Line
    closing: Line
    marks: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Rest:
    """Lid angles, in deg, at which the output tells no angle, opening or closing. word: low, high or error."""

    begin_deg: float
    end_deg: float
    word: str


@dataclass(frozen=True)
class Characteristic:
    """All that is to be drawn. quantity: CODE, LEVEL or PERCENT; low, high: ends of its scale. axis_deg, accepted_deg:
    lid angles drawn, and those that the jig accepts. loop: whether opening and closing differ. error: what the output
    does where a rest is an error.
    """

    quantity: str
    low: float
    high: float
    axis_deg: tuple[float, float]
    accepted_deg: tuple[float, float]
    traces: tuple[Trace, ...]
    rests: tuple[Rest, ...] = ()
    loop: bool = True
    error: str = ""


def characteristic(sensor: SensorProfile) -> Characteristic:
    """What a checked profile says of its output. Raises BadInput for an [encoding] that is not its family's."""
    accepted = (sensor.range.angle_min_deg, sensor.range.angle_max_deg)
    axis = _axis(*accepted)
    if sensor.is_switch:
        outputs = sorted(sensor.output, key=lambda o: o.line)
        return Characteristic(LEVEL, 0.0, 1.0, axis, accepted, tuple(_switch(o, axis) for o in outputs))
    return _coded(sensor, axis, accepted)


def codes_at(transfer: Transfer, codes: int, lid_deg: Floats, way: int) -> Floats:
    """Code at lid angles in deg (n,), ascending, counted from the start of the span; nan where the span does not reach.

    way: +1 while the lid opens, -1 while it closes, 0 without hysteresis. The output follows half the hysteresis late;
    at the end that it turned at, it stays until the whole is passed.
    """
    steps = codes if transfer.wrap else codes - 1
    rises = 1 if transfer.direction == "up" else -1
    along = rises * np.unwrap(transfer.part(lid_deg), period=1.0) if transfer.wrap else rises * transfer.part(lid_deg)
    play = 0.5 * transfer.hysteresis_deg / transfer.span_deg
    if way > 0:
        along = np.maximum(along - play, along[0] + play)
    elif way < 0:
        along = np.minimum(along + play, along[-1] - play)
    at = np.floor(rises * along * steps + 0.5)
    if transfer.wrap:
        return np.asarray(np.mod(at, codes), dtype=np.float64)
    return np.asarray(np.where((at < 0) | (at > steps), np.nan, at), dtype=np.float64)


def _axis(low: float, high: float) -> tuple[float, float]:
    begin = _EDGE_DEG * math.floor((low - _EDGE_DEG) / _EDGE_DEG)
    end = _EDGE_DEG * math.ceil((high + _EDGE_DEG) / _EDGE_DEG)
    return max(0.0, begin), min(FULL_TURN_DEG, end)


def _switch(output: Output, axis: tuple[float, float]) -> Trace:
    shut, opened = output.operated_level, 1 - output.operated_level
    if not output.operated_when_shut:
        shut, opened = opened, shut
    low, high = sorted((output.operate_deg, output.release_deg))

    def step(at: float) -> Line:
        value = np.array([shut, shut, opened, opened], dtype=np.float64)
        return Line(np.array([axis[0], at, at, axis[1]], dtype=np.float64), value)

    marks = ((output.operate_deg, "operates"), (output.release_deg, "releases"))
    name = f"line {output.line}"
    if output.operate_mt is not None:
        name += f" ({POLES[output.pole]}, {output.operate_mt:g} and {output.release_mt:g} mT)"
    return Trace(name, step(high), step(low), tuple(sorted(marks)))


def _coded(sensor: SensorProfile, axis: tuple[float, float], accepted: tuple[float, float]) -> Characteristic:
    transfer, coded = sensor.curve(), sensor.coded()
    ends = [transfer.zero_deg, transfer.zero_deg + transfer.span_deg]
    grid = np.arange(axis[0], axis[1] + 0.5 * STEP_DEG, STEP_DEG)
    lid = np.unique(np.append(grid, [end for end in ends if axis[0] <= end <= axis[1]]))
    loop = transfer.hysteresis_deg > 0.0
    opening, closing = (_held(transfer, coded.codes, lid, way) for way in ((1, -1) if loop else (0, 0)))
    lid_told = () if sensor.lid is None else ((sensor.lid.shut_deg, "shut"), (sensor.lid.open_deg, "open"))
    first = coded.first_code if isinstance(coded, FirstCode) else 0
    low, high, quantity = float(first), float(first + coded.codes - 1), CODE
    if isinstance(coded, Levels):
        low, high, quantity = 0.0, 100.0, PERCENT
    both = zip(_values(transfer, coded, opening), _values(transfer, coded, closing), strict=True)
    traces = tuple(
        Trace(name, _line(lid, up, transfer, coded.codes), _line(lid, down, transfer, coded.codes), lid_told)
        for (name, up), (_, down) in both
    )
    rests = _rests(transfer, lid, np.isnan(opening) & np.isnan(closing))
    return Characteristic(quantity, low, high, axis, accepted, traces, rests, loop, coded.error_told())


def _held(transfer: Transfer, codes: int, lid: Floats, way: int) -> Floats:
    """Codes, with the end of the span where the output holds it outside."""
    at = codes_at(transfer, codes, lid, way)
    if transfer.wrap:
        return at
    first, last = (0.0, codes - 1.0) if transfer.direction == "up" else (codes - 1.0, 0.0)
    middle = transfer.zero_deg + 0.5 * transfer.span_deg
    for outside, word, end in ((lid < middle, transfer.below, first), (lid > middle, transfer.above, last)):
        if word == "hold":
            at = np.where(outside & np.isnan(at), end, at)
    return at


def _values(transfer: Transfer, coded: Encoding, codes: Floats) -> list[tuple[str, Floats]]:
    """(signal, what is drawn of it)."""
    if isinstance(coded, Levels):
        part = codes / (coded.codes if transfer.wrap else coded.codes - 1)
        return list(coded.output_percent(part).items())
    first = coded.first_code if isinstance(coded, FirstCode) else 0
    return [("out", codes + first)]


def _line(lid: Floats, value: Floats, transfer: Transfer, codes: int) -> Line:
    """The line, broken where a code begins anew."""
    jumps = np.flatnonzero(np.abs(np.diff(value)) > 0.5 * codes) + 1 if transfer.wrap else np.array([], dtype=np.int64)
    return Line(np.insert(lid, jumps, lid[jumps]), np.insert(value, jumps, np.nan))


def _rests(transfer: Transfer, lid: Floats, without: npt.NDArray[np.bool_]) -> tuple[Rest, ...]:
    """without (n,): where the output tells no angle, whichever way the lid goes."""
    silent = np.flatnonzero(without)
    if not silent.size:
        return ()
    middle = transfer.zero_deg + 0.5 * transfer.span_deg
    rests = []
    for part, word in ((silent[lid[silent] < middle], transfer.below), (silent[lid[silent] > middle], transfer.above)):
        if part.size:
            rests.append(Rest(float(lid[part[0]]), float(lid[part[-1]]), word))
    return tuple(rests)
