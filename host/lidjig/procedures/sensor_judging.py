"""Readings of a real sensor in the table's words: whether it speaks, and what it says of itself beside the angle."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

from lidjig.bench.families.base import NO_MAGNET, SILENT, STRONG, WEAK, Reading, ReadVolts
from lidjig.bench.sensor import SensorProfile
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.sensor_looks import SUPPLY, Looked, volts_of
from lidjig.procedures.sensor_reading import SensorSaid
from lidjig.record.model import Finding

GOOD = "yes"
WRONG, MAGNET = "wrong", "no-magnet"
STUCK_OPEN = "stuck-open"
# Outputs this near to ground are held there: a dead part, or none (common practice, no source).
AT_GROUND_SHARE = 0.03
_MAGNET = (NO_MAGNET, WEAK, STRONG)
_SAID = {SILENT: "silent", WRONG: "format or check wrong", MAGNET: "no magnet or not the right one"}
# Of how a reading was taken, not of the sensor.
_OF_SILENCE = ("level", "bus", "conductor")
_NOT_TOLD = ("samples", "noise_percent", "angle_deg", "word", "pulses", "crc")


def words_of(sensor: SensorProfile, looked: Looked, said: SensorSaid) -> list[str]:
    """Of each reading "yes", or why it is none: a value of the table's sensor_speaks. A look in which nothing came at
    all counts as silent.
    """
    volts = isinstance(sensor.coded().ask(), ReadVolts)
    held = [volts and _at_ground(looked, place) for place in range(len(looked.looks))]
    words = [_word(one, at_ground=volts and held[place]) for place, one in enumerate(said.readings)]
    return words + [SILENT] * (len(looked.looks) - len(words))


def _word(reading: Reading, *, at_ground: bool) -> str:
    if reading.fault == SILENT or (at_ground and reading.fault):
        return SILENT
    if reading.fault in _MAGNET:
        return MAGNET
    return WRONG if reading.fault else GOOD


def _at_ground(looked: Looked, place: int) -> bool:
    """Whether every output that is a voltage was at ground."""
    supply_v = volts_of(SUPPLY, looked.supply[place])
    lines = looked.looks[place].items()
    return all(volts_of(channel, kept) < AT_GROUND_SHARE * supply_v for channel, kept in lines)


def judge_words(words: Sequence[str]) -> Seen:
    """Whether it speaks, for the table."""
    n, good = len(words), list(words).count(GOOD)
    bad = [word for word, _count in Counter(word for word in words if word != GOOD).most_common()]
    why = ", ".join(_SAID[word] for word in bad)
    text = f"the sensor gave {good} good readings of {n}"
    if good and bad:
        text += f" (else: {why})"
    elif bad:
        text = f"the sensor gave no good reading of {n}: {why}"
    return Seen("sensor_speaks", GOOD if n and 2 * good >= n else bad[0] if bad else SILENT, text)


def details_of(readings: Sequence[Reading]) -> list[str]:
    """What the format carries beside the angle, each as "name value" or "name lowest to highest"."""
    return _summed([one for one in readings if one.code is not None], lambda name: name not in _NOT_TOLD)


def silence_of(readings: Sequence[Reading]) -> list[str]:
    """What was found where nothing came: the level of the line, the bus."""
    return _summed([one for one in readings if one.fault == SILENT], lambda name: name in _OF_SILENCE)


def _summed(readings: Sequence[Reading], wanted: Callable[[str], bool]) -> list[str]:
    found: dict[str, list[int | float | str]] = {}
    for reading in readings:
        for name, value in reading.detail.items():
            if wanted(name):
                found.setdefault(name, []).append(value)
    return [f"{name.replace('_', ' ')} {_range(values)}" for name, values in sorted(found.items())]


def _range(values: list[int | float | str]) -> str:
    numbers = [one for one in values if not isinstance(one, str) and math.isfinite(one)]
    if len(numbers) < len(values):
        return " or ".join(dict.fromkeys(str(one) for one in values))
    low, high = f"{min(numbers):.5g}", f"{max(numbers):.5g}"
    return low if low == high else f"{low} to {high}"


def asked_of_pole(sensor: SensorProfile, findings: Sequence[Finding]) -> list[Finding]:
    """The findings; where a switch that sees one pole alone stays open, its magnet may be in turned over."""
    pole = next((one.pole for one in sensor.lid_outputs() if one.pole != "any"), None) if sensor.is_switch else None
    if pole is None:
        return list(findings)
    todo = (
        "Check that the magnet is in the lid, not displaced and not put in turned over: this sensor sees the "
        f"{pole} pole alone; then replace the sensor."
    )
    return [replace(one, next=todo) if (one.where, one.what) == ("sensor", STUCK_OPEN) else one for one in findings]


__all__ = ["GOOD", "asked_of_pole", "details_of", "judge_words", "silence_of", "words_of"]
