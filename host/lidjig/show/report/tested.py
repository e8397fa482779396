"""What was tested and what was not, in plain sentences: each claim stands on a measured value."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lidjig.record.model import NOT_MEASURED, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.customer import progress_of
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.rows import still_to_measure
from lidjig.show.report.words import Said, Words

_SKIPPED = "not tested: "
# A test and its parts, by the names of the measurements that tell it. Where parts differ, each is told by itself.
_GROUPS: dict[str, dict[str, str]] = {
    "supply": {"": r"sensor supply"},
    "charger": {"": r"charger voltage"},
    "lines": {"level": r"line \d+ idle level", "pull": r"line \d+ pull"},
    "sensor": {"current": r"sensor current", "levels": r"sensor (line|angle|travel).*",
               "rest": r"sensor (changes|spread|readings).*"},
    "sensor_curve": {"": r"angles read|zero .*|gain error|INL, .*|DNL|hysteresis|repeatability|(1st|2nd) harmonic"},
    "start_open": {"": r"start, lines open"},
    "start_standin": {"": r"start, stand-in open"},
    "start_real": {"": r"start, real sensor"},
    "lid_standin": {"sleep": r"sleep misses", "wake": r"wake misses"},
    "proof": {"": r"reliability shown"},
    "lid_open": {"": r"lines open, lid shut: .*"},
    "lid_real": {"sleep": r"real sensor, lid shut: .*", "wake": r"real sensor, lid opened: .*"},
    "angle": {"": r"angle held"},
    "outputs": {"": r"output \d+ changes"},
    "told": {"": r"machine is told .*"},
    "reaction": {"": r"(sleep|wake) latency"},
}
# What each test is about, in the order in which it is told; and what never has a part in it.
_SURVEY = ("supply", "charger", "lines")
_ABOUT = {
    "confirm": (*_SURVEY, "start_open", "start_standin", "lid_standin"),
    "isolate": (*_SURVEY, "sensor", "start_open", "start_standin", "start_real", "lid_standin", "lid_open", "lid_real"),
    "sense": ("sensor", "sensor_curve"),
    "cycle": (*_SURVEY, "lid_standin", "proof"),
    "hold": (*_SURVEY, "angle"),
    "sweep": (*_SURVEY, "outputs", "told", "reaction"),
    "trim": _SURVEY,
}
_NO_PART = {
    "confirm": ("sensor_standin",),
    "sense": ("supply", "lines", "start", "lid_standin"),
    "cycle": ("start", "sensor_standin"),
    "hold": ("start", "lid_standin", "sensor_standin"),
    "sweep": ("start", "sensor_standin"),
    "trim": ("start", "lid_standin", "sensor_standin"),
}

_TEST_NOTHING = ("teach", "watch")  # their figures tell nothing of how the machine is


@dataclass(frozen=True)
class _Part:
    """One part of a test in this run: the measurements that tell it, with and without a value. n: movements counted."""

    name: str
    measured: tuple[MeasuredValue, ...]
    missing: tuple[MeasuredValue, ...]
    n: int

    @property
    def whole(self) -> bool:
        """Whether all of it was measured."""
        return not self.missing and (bool(self.measured) or self.n > 0)

    @property
    def none(self) -> bool:
        """Whether nothing of it was measured."""
        return not self.measured and self.n == 0


class Tested:
    """What a run tested. trials: its recorded movements, which count where the run broke off before it counted them."""

    def __init__(self, run: StoredRun, words: Words, trials: Sequence[TrialRow]) -> None:
        self._run, self._words = run, words
        self._values = [*latest(run.measurements), *still_to_measure(run)]
        self._moved = {verb: sum(trial.verb == verb for trial in trials) for verb in ("sleep", "wake")}

    def tested(self) -> Iterable[str]:
        """What has a measured value."""
        for group in _ABOUT.get(self._run.command, ()):
            parts = self._parts(group)
            if all(part.whole for part in parts):
                yield self._say(group, parts)
                continue
            for part in parts:
                if part.whole:
                    yield self._say(f"{group}_{part.name}", parts)
                else:
                    yield from (self._named(measured) for measured in part.measured)
        if self._run.command not in (*_ABOUT, *_TEST_NOTHING):
            yield from (self._named(m) for m in self._values if m.outcome != NOT_MEASURED)

    def untested(self) -> Iterable[Said]:
        """What this kind of test is about and has no value for, what never had a part in it, and what was skipped."""
        words = self._words
        for group in _ABOUT.get(self._run.command, ()):
            parts = self._parts(group)
            if group == "charger" and not (parts[0].measured or parts[0].missing):
                continue  # nobody watches it on this machine
            if group == "proof" and "reliability" not in self._run.arguments:
                continue
            if all(part.none for part in parts):
                yield Said(words(f"untested.{group}"))
                continue
            for part in parts:
                if part.none:
                    yield Said(words(f"untested.{group}_{part.name}"))
                elif part.missing:
                    yield from (Said(self._named(measured)) for measured in part.missing)
        for name in _NO_PART.get(self._run.command, ()):
            yield Said(words(f"untested.{name}"))
        for note in self._run.notes:
            if note.startswith(_SKIPPED):
                said = words.sentence(note)
                yield Said(said.text[:1].upper() + said.text[1:], said.lang)
        named = bool(_ABOUT.get(self._run.command))
        yield Said(words("untested.rest" if named else "untested.all"))

    def _parts(self, group: str) -> list[_Part]:
        return [self._part(group, name, pattern) for name, pattern in _GROUPS[group].items()]

    def _part(self, group: str, name: str, pattern: str) -> _Part:
        mine = [m for m in self._values if re.fullmatch(pattern, m.name)]
        measured = tuple(m for m in mine if m.outcome != NOT_MEASURED)
        missing = tuple(m for m in mine if m.outcome == NOT_MEASURED)
        if group != "lid_standin":
            return _Part(name, measured, missing, 0)
        n = measured[0].n if measured else self._moved[name]
        return _Part(name, measured, () if n else missing, n)

    def _say(self, key: str, parts: list[_Part]) -> str:
        words = self._words
        counts = {part.name: words.times(part.n) for part in parts}
        slots = {"shut": counts.get("sleep", ""), "opened": counts.get("wake", "")}
        progress = progress_of(self._run)
        if key == "lid_standin" and self._run.command == "cycle" and progress is not None and progress.done:
            return words("tested.cycle_one" if progress.done == 1 else "tested.cycles", n=progress.done)
        return words(f"tested.{key}", **slots)

    def _named(self, measured: MeasuredValue) -> str:
        name = self._words.sentence(measured.name).text
        return name[:1].upper() + name[1:]
