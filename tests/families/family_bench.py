"""What the tests of the families share: a jig that stands in on a simulated bench, swept, and what the machine gets."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from lidjig.bench.families.base import Reading, Seen, Volts, Wave
from lidjig.bench.profiles import load_sensor, parse_sensor
from lidjig.bench.sensor import SensorProfile
from lidjig.jig import Jig
from lidjig.jig_types import Route
from lidjig.link.twin import TwinLink
from lidjig.twin.scenario import load_scenario

from shared_proto import names

CLK_PER_US = 125.0
SUPPLY_V = 3.3


@dataclass
class Standing:
    """A jig that stands in for the sensor of a profile."""

    link: TwinLink
    jig: Jig
    sensor: SensorProfile

    def to(self, angle_deg: float, settle_s: float = 0.02) -> None:
        """The angle at once, and time for the output to follow."""
        self.jig.move(angle_deg, 0.0)
        self.jig.idle(settle_s)

    def ask(self, what: str, seconds: float) -> None:
        """The simulated operator is asked for something, and has so long for it."""
        self.link.tell_operator(what)
        self.jig.idle(seconds)

    def wave(self, conductor: str, seconds: float) -> Wave:
        """What a conductor carried at the machine's board in the last seconds."""
        found = self.link.wave(conductor, seconds)
        begin = found["begin"]
        times = [0.0, *((t - begin) / CLK_PER_US for t, _level in found["edges"])]
        levels = [found["level"], *(level for _t, level in found["edges"])]
        end_us = (found["end"] - begin) / CLK_PER_US
        return Wave(np.array(times), np.array(levels, dtype=np.int8), end_us)

    def volts(self, *signals: str) -> Seen:
        """What these conductors, lines 1 and 2 in order, and the supply are at at the machine's board, now."""
        found = self.link.volts()
        at = {name: found[f"B{k}"] for k, name in enumerate(signals, 1)}
        volts = {name: Volts(np.array([0.0]), np.array([uv / 1e6])) for name, uv in at.items()}
        return Seen(found["VB"] / 1e6, volts=volts)


@contextmanager
def standing_in(scenario: str, *, vm: str, change: Callable[[str], str] | None = None) -> Iterator[Standing]:
    """On a shipped bench, with the profile of its sensor, its text changed where that is asked for."""
    loaded = load_scenario(scenario)
    sensor, text = loaded.profile, load_sensor(loaded.profile.name)[1]
    if change is not None:
        sensor = parse_sensor(change(text), "changed.toml")
    link = TwinLink(loaded, vm=vm)
    try:
        with Jig(link, nonce_seed=1) as jig:
            jig.load_blob(names.BLOB_PROFILE, sensor.to_blob())
            jig.idle(3.0)
            jig.arm()
            jig.set_route(Route.STANDIN)
            jig.idle(0.05)
            yield Standing(link, jig, sensor)
    finally:
        link.close()


def up_and_down(top_deg: float = 180.0, step_deg: float = 7.3) -> list[float]:
    """Angles from 0 to the top and back, at steps that fall beside every format's own."""
    up = [*np.arange(0.0, top_deg, step_deg).tolist(), top_deg]
    return [*up, *reversed(up)]


def last_good(readings: Iterable[Reading]) -> Reading:
    """The last reading with an angle; fails where there is none, or where one has a fault."""
    seen = list(readings)
    good = [reading for reading in seen if reading.part is not None]
    assert good, [reading.fault for reading in seen]
    assert not [reading.fault for reading in seen if reading.fault], seen
    return good[-1]


def error_deg(sensor: SensorProfile, reading: Reading, angle_deg: float) -> float:
    """How far the angle that was read is from the one commanded, the shorter way round."""
    assert reading.part is not None
    read_deg = float(sensor.curve().lid_deg(reading.part))
    return (read_deg - angle_deg + 180.0) % 360.0 - 180.0


__all__ = ["SUPPLY_V", "Seen", "Standing", "error_deg", "last_good", "standing_in", "up_and_down"]
