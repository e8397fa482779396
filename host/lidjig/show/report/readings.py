"""Readings of the survey: samples of the record with their board times, and which of them a figure was taken from."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from lidjig.record.model import MeasuredValue
from lidjig.record.stored import StoredRun, StoredSample
from lidjig.show.report.anchors import Ref
from lidjig.show.report.words import Words
from shared_proto import names

FEED_OHM = 47.0  # in the jig's sensor feed (device/WIRING.md)
_LOADED = 2  # readings of a line under test load that follow the one at rest: what its pull is computed from


@dataclass(frozen=True)
class ReadingRow:
    """One reading for people. t_us: board time of its last sample."""

    anchor: str
    t_us: int
    time: str
    channel: str
    value: str
    n: int


class Readings:
    """The readings of a run in their order; a reading is found by the number that was made of it."""

    def __init__(self, run: StoredRun, words: Words) -> None:
        self._words = words
        kept = [s for s in run.samples if s.t_us is not None and s.value is not None and s.channel in names.CHANNELS]
        self._samples: list[StoredSample] = kept

    def rows(self) -> list[ReadingRow]:
        """All of them."""
        return [self._row(place) for place in range(len(self._samples))]

    def _row(self, place: int) -> ReadingRow:
        sample, words = self._samples[place], self._words
        value, t_us = sample.value or 0.0, sample.t_us or 0
        half = 1.96 * (sample.u or 0.0)  # 95 %, as all intervals of the page
        number = words.rounded(value, value - half, value + half)
        text = words.with_unit(number, sample.unit)
        if half:
            text = words("value.plus_minus", value=number, half=words.with_unit(words.figure(half, 2), sample.unit))
        ref = self.ref(place)
        return ReadingRow(ref.anchor, t_us, ref.time, words(f"channel.{sample.channel}"), text, sample.n)

    def ref(self, place: int) -> Ref:
        """A link to a reading."""
        return Ref(f"s-{place + 1}", self._words.seconds(self._samples[place].t_us))

    def of(self, measured: MeasuredValue, sensor_levels: Iterable[MeasuredValue] = ()) -> tuple[Ref, ...]:
        """Links to the readings that a figure of the survey was taken from; none where the record does not tell.

        sensor_levels: the levels of the sensor's lines, which were read together with its current.
        """
        if measured.value is None:
            return ()
        return tuple(self.ref(place) for place in self._places(measured, tuple(sensor_levels)))

    def _places(self, measured: MeasuredValue, sensor_levels: tuple[MeasuredValue, ...]) -> list[int]:
        name, value = measured.name, measured.value or 0.0
        simple = {"sensor supply": "supply", "charger voltage": "charger_v"}.get(name)
        line = re.fullmatch(r"line (\d) (idle level|pull)", name)
        if simple is not None:
            return self._equal(simple, value * 1000.0)
        if line is not None and line.group(2) == "pull":
            # Each survey reads a line at rest and then under both loads: the last survey counts.
            mine = [p for p, s in enumerate(self._samples) if s.channel == f"machine_{line.group(1)}"]
            return mine[-_LOADED:] if len(mine) > _LOADED else []
        if line is not None:
            return self._equal(f"machine_{line.group(1)}", value * 1000.0)
        level = re.fullmatch(r"sensor line (\d), lid (open|shut)", name)
        if level is not None:
            return self._of_level(f"sensor_{level.group(1)}", value)
        if name == "sensor current":
            opened = next((m for m in sensor_levels if m.name.endswith("lid open") and m.value is not None), None)
            if opened is None:
                return self._of_current(value)
            together = self._places(opened, ())
            feed = [place for place in together if self._samples[place].channel == "sensor_supply"]
            return [place for at in feed for place in (at - 1, at) if place >= 0]
        return []

    def _of_current(self, value: float) -> list[int]:
        """Both ends of the resistor in the sensor's feed, read one after the other, that this current was made of."""
        for at in range(1, len(self._samples)):
            before, after = self._samples[at - 1], self._samples[at]
            if (before.channel, after.channel) == ("jig_3v3", "sensor_supply"):
                if _same(((before.value or 0.0) - (after.value or 0.0)) / FEED_OHM, value):
                    return [at - 1, at]
        return []

    def unfed(self) -> tuple[Ref, ...]:
        """Links to the last reading of the sensor's lines, and the jig's own supply that their parts are told of."""
        places = [place for place, sample in enumerate(self._samples) if sample.channel == "jig_3v3"]
        mine = range(places[-1], len(self._samples)) if places else ()
        wanted = [place for place in mine if self._samples[place].channel.startswith(("jig", "sensor"))]
        return tuple(self.ref(place) for place in wanted)

    def _equal(self, channel: str, value: float) -> list[int]:
        """The last reading of a channel that gave just this number."""
        found = [p for p, s in enumerate(self._samples) if s.channel == channel and _same(s.value, value)]
        return found[-1:]

    def _of_level(self, channel: str, part: float) -> list[int]:
        """A level is a part of the sensor's supply, which is read just before the lines."""
        feed: int | None = None
        found: list[int] = []
        for place, sample in enumerate(self._samples):
            if sample.channel == "sensor_supply":
                feed = place
            elif sample.channel == channel and feed is not None:
                rail = max(self._samples[feed].value or 0.0, 1.0)
                if _same((sample.value or 0.0) / rail, part):
                    found = [feed, place]
        return found


def _same(a: float | None, b: float) -> bool:
    return a is not None and math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)
