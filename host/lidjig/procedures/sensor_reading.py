"""What a real sensor that tells an angle says while the lid is at rest: its readings as lid angles, and how sure."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from lidjig.bench.families.base import Ask, Reading, ReadVolts, WatchLevels
from lidjig.bench.observers import scale
from lidjig.bench.sensor import SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG
from lidjig.measure import adc
from lidjig.measure.budget import effective_df, rectangular_u
from lidjig.measure.estimate import Estimate, at_most, nothing, spread, symmetric
from lidjig.procedures.base import Bench
from lidjig.procedures.sensor_looks import SUPPLY, Json, Looked, look, mean_supply_v, seen_of
from lidjig.record.model import ANGLES_STEP

READINGS = 8
NOISE_FACTOR = 3.0
ROUNDING_DEG = 1e-9  # the same code, worked out twice
SPREAD_MIN = 3  # readings: of two the interval of a standard deviation says nothing


@dataclass(frozen=True)
class SensorSaid:
    """What the real sensor said over a short while with the lid at rest.

    lid_deg: for each reading the lid angle that it stands for by the profile's transfer, None where it stands for none.
    lsb_deg: step of the format. u_jig_deg: standard uncertainty of the jig's own reading, which no repeating takes out.
    noise_deg: what the profile says of the sensor's noise, rms. hysteresis_deg: of the profile.
    """

    readings: tuple[Reading, ...]
    lid_deg: tuple[float | None, ...]
    supply_v: float
    lsb_deg: float = 0.0
    u_jig_deg: float = 0.0
    noise_deg: float = 0.0
    hysteresis_deg: float = 0.0

    def told(self) -> list[float]:
        """The lid angles of those readings that have one."""
        return [one for one in self.lid_deg if one is not None]

    @property
    def clear(self) -> int:
        """How many readings have an angle and no fault."""
        both = zip(self.readings, self.lid_deg, strict=True)
        return sum(lid is not None and not one.fault for one, lid in both)

    def angle(self) -> Estimate | None:
        """Mean lid angle in deg with its interval: scatter of the readings, step of the format, hysteresis, and the
        jig's own errors. None where nothing was read.
        """
        lid = self.told()
        if not lid:
            return None
        n = len(lid)
        scatter = self.noise_deg if n < 2 else float(np.std(lid, ddof=1)) / math.sqrt(n)
        known = (self.lsb_deg / math.sqrt(12.0), rectangular_u(0.5 * self.hysteresis_deg), self.u_jig_deg)
        parts = (scatter, *known)
        df = effective_df(parts, (math.inf if n < 2 else n - 1.0, *[math.inf] * len(known)))
        return symmetric(float(np.mean(lid)), math.hypot(*parts), n, "deg", max(1.0, df))

    def spread(self) -> Estimate:
        """Standard deviation of the readings in deg; without a value below three of them."""
        lid = self.told()
        n = len(lid)
        if n < SPREAD_MIN:
            return nothing("deg")
        sd = float(np.std(lid, ddof=1))
        # Always the same code: below a step, and by how much nobody can say.
        return spread(sd, n - 1, n, "deg") if sd > ROUNDING_DEG else at_most(self.lsb_deg, "deg", n)

    def faults(self) -> dict[str, int]:
        """Fault -> how many readings had it, the commonest first."""
        return dict(Counter(one.fault for one in self.readings if one.fault).most_common())


def read_angles(bench: Bench, n: int = READINGS) -> SensorSaid:
    """n readings of the real sensor, which has its supply: fed by the jig (survey.feed_sensor), or by the machine in
    route through, where formats that the machine itself clocks (I2C, SSI) cannot be read. Kept in the record as they
    were seen. Raises Refused, TooOld, ValueError for a switch.
    """
    return said_of(bench.sensor, read_looks(bench, n))


def read_looks(bench: Bench, n: int = READINGS, **about: object) -> Looked:
    """As read_angles, what was seen by itself. about: what the record is to keep beside it."""
    with bench.recorder.step(ANGLES_STEP, n=n, **about) as step:
        looked = look(bench, n)
        step.result = looked.to_json()
    return looked


def said_of(sensor: SensorProfile, looked: Looked) -> SensorSaid:
    """What was seen, judged by a profile."""
    coded, transfer = sensor.coded(), sensor.curve()
    ask = coded.ask()
    readings = [one for seen in seen_of(coded, sensor.family, looked) for one in coded.decode(seen)]
    near_deg = 0.5 * (sensor.range.angle_min_deg + sensor.range.angle_max_deg)
    lid = [None if one.part is None else transfer.lid_of(one.part, near_deg) for one in readings]
    return SensorSaid(
        tuple(readings),
        tuple(lid),
        mean_supply_v(looked),
        transfer.lsb_deg(coded.codes),
        transfer.span_deg * _u_jig_part(ask, looked),
        transfer.noise_deg,
        transfer.hysteresis_deg,
    )


def travel_deg(sensor: SensorProfile, steps: int) -> float:
    """How far the lid went by steps of a format that counts them, in deg, up = opening."""
    turned = steps * FULL_TURN_DEG / sensor.coded().codes
    return -turned if sensor.curve().direction == "down" else turned


def _u_jig_part(ask: Ask, looked: Looked) -> float:
    """What the jig's own reading adds to the uncertainty, as a part of the span."""
    if isinstance(ask, ReadVolts):
        both = zip(looked.looks, looked.supply, strict=True)
        shares = [_u_share(name, kept, supply) for one, supply in both for name, kept in one.items()]
        return ask.part_per_share * max(shares, default=0.0)
    if isinstance(ask, WatchLevels) and looked.looks:
        # Two edges, each found up to a sample late.
        return ask.part_per_us * float(looked.looks[0]["step_ps"]) / 1e6 / math.sqrt(6.0)
    return 0.0


def _u_share(channel: str, line: Json, supply: Json) -> float:
    """Standard uncertainty of a voltage as a part of the supply, both read by the jig. The reference is common to both
    and cancels; so does a part of the offset.
    """
    a, b = _budget(channel, line), _budget(SUPPLY, supply)
    if b.value <= 0.0:
        return 0.0
    share = a.value / b.value
    apart = (a.u_difference, a.gain, share * b.u_difference, share * b.gain, (1.0 - share) * b.offset)
    return math.hypot(*apart) / b.value


def noise_limit_deg(sensor: SensorProfile) -> float:
    """How far readings may scatter (sd) with the lid at rest: three times what the profile's noise, a step of the
    format and the jig's own converter make together.
    """
    transfer = sensor.curve()
    parts = (transfer.noise_deg, transfer.lsb_deg(sensor.coded().codes), expected_u_jig_deg(sensor))
    return NOISE_FACTOR * math.hypot(*parts)


def expected_u_jig_deg(sensor: SensorProfile) -> float:
    """What the jig's own reading will add, a standard uncertainty, before anything is read: of a voltage in the middle.
    """
    ask = sensor.coded().ask()
    part = 0.0
    if isinstance(ask, ReadVolts):
        part = ask.part_per_share * _u_share("sensor_1", _raw(0.25, ask.n), _raw(0.5, ask.n))
    elif isinstance(ask, WatchLevels):
        part = ask.part_per_us * ask.step_us / math.sqrt(6.0)
    return sensor.curve().span_deg * part


def _raw(share: float, n: int) -> Json:
    return {"t_us": 0, "n": n, "mean_raw": share * adc.RAW_FULL, "sd_raw": 0.0}


def _budget(channel: str, kept: Json) -> adc.Budget:
    # What scatters is told by the readings themselves.
    return adc.budget(channel, scale(channel), kept["mean_raw"], 0.0, kept["n"])


__all__ = ["SensorSaid", "expected_u_jig_deg", "noise_limit_deg", "read_angles", "read_looks", "said_of", "travel_deg"]
