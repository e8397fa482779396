"""Observers of a machine profile and where they come in: channels and lines of the jig, power monitors, tach line."""

from __future__ import annotations

from dataclasses import dataclass
from math import trunc
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from shared_proto import names

DIGITAL = ("observer_1", "observer_2", "observer_3", "observer_4")
BUS_LINES = ("observer_3", "observer_4")  # their pins carry the bus where power monitors are wired

# Observer -> the power monitor that can measure it, and which of its two quantities.
METERED = {"charger_v": (1, "v"), "charger_i": (1, "i"), "sensor_i": (2, "i")}

# Power monitor of the INA226 type (TI SBOS547, p.15): steps of its registers, and the constant of its calibration.
BUS_STEP_MV = 1.25
SHUNT_FULL_MV = 81.92  # 2**15 steps of 2.5 uV
CALIBRATION_CONSTANT = 0.00512
CALIBRATION_MAX = 0x7FFF
BUS_FULL_RAW = 0x7FFF  # the bus register has 15 bits
BUS_FULL_MV = 36000.0  # the part's own limit; the register would go on to 40.96 V (value from memory)
ADDRESSES = range(0x40, 0x50)  # by its two address pins (value from memory)

PULSES_MAX = 255  # the board counts no more edges in its window (PROTOCOL.md); fans give tens to hundreds a second


@dataclass(frozen=True)
class Scale:
    """A channel in its unit: value = (raw - offset) * per_raw, raw being the board's 16-bit number. full_raw: where its
    readings end.
    """

    unit: str
    per_raw: float
    offset: int = 0
    full_raw: int = 65535

    def value(self, raw: float) -> float:
        """Raw to unit."""
        return (raw - self.offset) * self.per_raw

    def raw(self, value: float) -> float:
        """Unit to raw, not rounded and not limited to 16 bits."""
        return value / self.per_raw + self.offset


class Analog(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An analog observer: ascending thresholds, whole hysteresis width and dwell of the comparator on the
    board.
    """

    unit: Literal["mV", "mA", "permille", "Hz"]
    thresholds: Annotated[list[Annotated[float, Meta(gt=0.0)]], Meta(min_length=1, max_length=3)]
    hysteresis: Annotated[float, Meta(gt=0.0)]
    dwell_ms: Annotated[int, Meta(ge=0, le=10000)]


class ChargerAnalog(Analog, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Charger voltage or current. by: the jig's own taps (divider, current monitor amplifier) or power monitor 1."""

    by: Literal["tap", "meter"] = "tap"


class Digital(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A digital observer and the machine's name for the signal; inverted levels are turned on the board."""

    signal: Annotated[str, Meta(min_length=1, max_length=32)]
    invert: bool = False


class Observers(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What this bench has wired. The supply monitor of the sensor connector is part of the jig and always
    there.
    """

    charger_v: ChargerAnalog | None = None
    charger_i: ChargerAnalog | None = None
    light: Analog | None = None
    sensor_i: Analog | None = None
    pulses: Analog | None = None
    observer_1: Digital | None = None
    observer_2: Digital | None = None
    observer_3: Digital | None = None
    observer_4: Digital | None = None


class Meter(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A power monitor on the jig's bus. Number 1 sits in the charger's lead, number 2 in the sensor supply.

    shunt_mohm: its shunt resistor; max_a: the largest current wanted, which sets the step of its current register.
    """

    number: Annotated[int, Meta(ge=1, le=2)]
    address: Annotated[int, Meta(ge=0, le=0x7F)]
    shunt_mohm: Annotated[float, Meta(gt=0.0, le=100000.0)]
    max_a: Annotated[float, Meta(gt=0.0, le=100.0)]

    @property
    def shunt_ohm(self) -> float:
        return self.shunt_mohm / 1000.0

    @property
    def calibration(self) -> int:
        """What goes into its calibration register; 0 or above CALIBRATION_MAX where the shunt does not suit max_a."""
        return calibration(self.max_a / 2**15, self.shunt_ohm)

    @property
    def step_ma(self) -> float:
        """Step of the current register in mA, by the calibration as it was cut off to a whole number."""
        return 1000.0 * CALIBRATION_CONSTANT / (self.calibration * self.shunt_ohm)


class Tach(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The digital observer whose rising edges are counted (fan tachometer) instead of told one by one."""

    line: Literal["observer_1", "observer_2", "observer_3", "observer_4"]


def calibration(current_lsb_a: float, shunt_ohm: float) -> int:
    """Calibration register: trunc(0.00512 / (Current_LSB * R)), TI SBOS547 p.15. current_lsb_a in A, shunt_ohm in ohm.

    A whole number that binary fractions turned into 2559.9999999 is that whole number.
    """
    return trunc(round(CALIBRATION_CONSTANT / (current_lsb_a * shunt_ohm), 6))


def channel_of(observer: str, *, by: str = "tap") -> str:
    """The jig's channel (names.CHANNELS) that an analog observer is read from. KeyError for a name that is none."""
    if observer == "sensor_i" or (observer in METERED and by == "meter"):
        number, quantity = METERED[observer]
        return f"meter_{number}_{quantity}"
    if observer in ("charger_v", "charger_i", "light", "pulses"):
        return observer
    raise KeyError(observer)


def meter_number(channel: str) -> int | None:
    """Number of the power monitor behind a channel, or None."""
    return int(channel.split("_")[1]) if channel.startswith("meter_") else None


def scale(channel: str, meter: Meter | None = None) -> Scale:
    """Scale of a channel. meter: the monitor wired there, needed for its current. KeyError where there is none."""
    if channel == "pulses":
        return Scale("Hz", 1000.0 / names.PULSE_WINDOW_MS, full_raw=PULSES_MAX)
    if meter_number(channel) is None:
        index = names.CHANNELS.index(channel) if channel in names.CHANNELS else len(names.CHANNEL_UNITS)
        if index >= len(names.CHANNEL_UNITS):
            raise KeyError(channel)
        return Scale(names.CHANNEL_UNITS[index], names.CHANNEL_FULL_SCALE[index] / 65535.0)
    if channel.endswith("_v"):
        return Scale("mV", BUS_STEP_MV, full_raw=BUS_FULL_RAW)
    if meter is None:
        raise KeyError(channel)
    return Scale("mA", meter.step_ma, names.METER_ZERO)


def highest(channel: str, found: Scale) -> float:
    """Where a channel ends, in its unit."""
    if meter_number(channel) is not None and channel.endswith("_v"):
        return BUS_FULL_MV
    return found.value(found.full_raw)


@dataclass(frozen=True, kw_only=True)
class Comparator:
    """Raw 16-bit setting of a comparator, as the `watch` message takes it."""

    channel: str
    thresholds_raw: tuple[int, ...]
    hysteresis_raw: int
    dwell_ms: int

    @classmethod
    def of(cls, channel: str, observer: Analog, found: Scale) -> Comparator:
        """From physical units by the channel's scale."""
        return cls(
            channel=channel,
            thresholds_raw=tuple(round(found.raw(t)) for t in observer.thresholds),
            hysteresis_raw=round(observer.hysteresis / found.per_raw),
            dwell_ms=observer.dwell_ms,
        )
