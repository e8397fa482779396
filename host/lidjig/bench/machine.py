"""Machine profile: what is expected of a machine, and which observers this bench has wired to it."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.bench import observers
from lidjig.bench.learned import Learned
from lidjig.bench.observers import DIGITAL, Analog, Comparator, Digital, Meter, Observers, Scale, Tach
from lidjig.bench.sensor import Degrees, Name, SupplyVolts, Title
from shared_proto import blobs, names

POWER_STATES = ("S0", "S3", "S5", "G3")
ANALOG = ("charger_v", "charger_i", "light", "sensor_i", "pulses")

Level = Annotated[int, Meta(ge=0, le=1)]
Band = Annotated[int, Meta(ge=0, le=3)]
Bands = Band | Annotated[list[Band], Meta(min_length=1, max_length=4)]
Kohm = Annotated[float, Meta(ge=0.1, le=2000.0)]
Seconds = Annotated[float, Meta(gt=0.0, le=600.0)]


class MachineSupply(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Supply that the machine gives on its sensor connector, in V."""

    nominal_v: SupplyVolts
    min_v: SupplyVolts
    max_v: SupplyVolts


class Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One line of the machine's sensor connector and the pull on it; resistances in kohm, to the sensor
    supply. active: the level by which the sensor says "operated".
    """

    number: Annotated[int, Meta(ge=1, le=2)]
    pull: Literal["up", "none"]
    active: Literal["low", "high"] = "low"
    pull_kohm: Kohm | None = None
    pull_min_kohm: Kohm | None = None
    pull_max_kohm: Kohm | None = None


class Charger(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The supply contract that the machine should reach, and how far it may be off."""

    contract_v: Literal[5, 9, 15, 20]  # USB PD fixed supply levels (IEC 62680-1-2)
    tolerance_percent: Annotated[float, Meta(gt=0.0, le=20.0)] = 5.0
    contract_s: Seconds = 5.0

    def window_v(self) -> tuple[float, float]:
        """(lowest, highest) charger voltage in V once the contract stands."""
        part = self.tolerance_percent / 100.0
        return self.contract_v * (1.0 - part), self.contract_v * (1.0 + part)


class Signature(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What each observer shows in one power state: a band or a list of bands (number of thresholds below), or
    a level.

    An observer that is left out may show anything in that state.
    """

    charger_v: Bands | None = None
    charger_i: Bands | None = None
    light: Bands | None = None
    sensor_i: Bands | None = None
    pulses: Bands | None = None
    observer_1: Level | None = None
    observer_2: Level | None = None
    observer_3: Level | None = None
    observer_4: Level | None = None
    supply_ok: Level | None = None

    def allowed(self) -> dict[str, frozenset[int]]:
        """Observer name -> bands or levels that fit."""
        out: dict[str, frozenset[int]] = {}
        for observer in self.__struct_fields__:
            value = getattr(self, observer)
            if value is not None:
                out[observer] = frozenset(value if isinstance(value, list) else [value])
        return out


class States(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Signature of each power state that these observers can tell; the ACPI names."""

    S0: Signature
    S3: Signature
    S5: Signature
    G3: Signature | None = None


class Windows(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Lid angles in deg between which the machine must take the lid as shut, or as open again."""

    close_min_deg: Degrees
    close_max_deg: Degrees
    open_min_deg: Degrees
    open_max_deg: Degrees


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Longest latencies in s that count as healthy, how long a state must hold, and the part that counts as
    marginal.
    """

    start_s: Seconds
    sleep_s: Seconds
    wake_s: Seconds
    settle_s: Seconds
    marginal_percent: Annotated[float, Meta(ge=0.0, le=50.0)] = 5.0

    def band(self, limit: float) -> float:
        """Width of the marginal band at a limit, in the limit's unit."""
        return abs(limit) * self.marginal_percent / 100.0

    def reaction_s(self, state: str) -> float:
        """Longest reaction to the lid: shut to asleep ("S3"), or open to running ("S0")."""
        return self.sleep_s if state == "S3" else self.wake_s


class Survey(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Limits of the connector survey that are not a line's own.

    short_max_ohm: a line that looks into less is shorted. open_min_kohm: one that looks into more is open.
    """

    short_max_ohm: Annotated[float, Meta(ge=1.0, le=2000.0)] = 400.0
    open_min_kohm: Annotated[float, Meta(ge=20.0, le=1900.0)] = 400.0


class MachineProfile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A machine profile as read from TOML and checked by load_machine (see machine_check.py)."""

    name: Name
    title: Title
    sensor: Name
    lid_rule: Literal["all", "any"] = "all"
    starts_by: Literal["power-button", "charger"] = "power-button"
    supply: MachineSupply
    line: Annotated[list[Line], Meta(min_length=1, max_length=2)]
    charger: Charger
    observers: Observers
    meter: Annotated[list[Meter], Meta(max_length=2)] = []
    tach: Tach | None = None
    states: States
    windows: Windows
    limits: Limits
    survey: Survey = Survey()
    learned: Learned | None = None

    def line_numbers(self) -> list[int]:
        """Lines in use, ascending: 1, or 1 and 2."""
        return sorted(line.number for line in self.line)

    def line_number(self, number: int) -> Line | None:
        """The line of that number, or None."""
        return next((line for line in self.line if line.number == number), None)

    def analog(self) -> dict[str, Analog]:
        """Observer name -> observer, for the analog ones wired; channel_of() says where each comes in."""
        wired = {name: getattr(self.observers, name) for name in ANALOG}
        return {name: observer for name, observer in wired.items() if observer is not None}

    def digital(self) -> dict[str, Digital]:
        """Line name (names.LINES) -> observer, for those wired whose edges are told; the tach line's are counted."""
        wired = {name: getattr(self.observers, name) for name in DIGITAL if name != self._tach_line()}
        return {name: observer for name, observer in wired.items() if observer is not None}

    def watched_lines(self) -> list[str]:
        """Digital lines that a procedure watches: the observers wired and the supply monitor."""
        return [*self.digital(), "supply_ok"]

    def meter_number(self, number: int) -> Meter | None:
        """The power monitor of that number, or None."""
        return next((meter for meter in self.meter if meter.number == number), None)

    def meter_of(self, channel: str) -> Meter | None:
        """The power monitor behind a channel; None for one that has none, or where it is not wired."""
        number = observers.meter_number(channel)
        return None if number is None else self.meter_number(number)

    def channel_of(self, observer: str) -> str:
        """The channel (names.CHANNELS) that an analog observer is read from. KeyError for a name that is none."""
        return observers.channel_of(observer, by=getattr(getattr(self.observers, observer, None), "by", "tap"))

    def observer_of(self, channel: str) -> str | None:
        """The wired observer that is read from a channel; None where no observer of this bench is."""
        return next((observer for observer in self.analog() if self.channel_of(observer) == channel), None)

    def channels(self) -> dict[str, str]:
        """Channel -> observer, for the analog observers wired."""
        return {self.channel_of(observer): observer for observer in self.analog()}

    def scale(self, channel: str) -> Scale:
        """Unit and scale of a channel: value = (raw - offset) * per_raw. KeyError for the current of a power monitor
        that is not wired, whose step is unknown.
        """
        return observers.scale(channel, self.meter_of(channel))

    def comparator(self, observer: str) -> Comparator:
        """The board's comparator setting of an analog observer. Raises KeyError where it is not wired."""
        wired, channel = self.analog()[observer], self.channel_of(observer)
        return Comparator.of(channel, wired, self.scale(channel))

    def comparators(self) -> list[Comparator]:
        """Comparator settings of every wired analog observer."""
        return [self.comparator(observer) for observer in self.analog()]

    def signatures(self) -> dict[str, dict[str, frozenset[int]]]:
        """Power state -> observer -> bands or levels that fit; only states that the profile describes."""
        described = {state: getattr(self.states, state) for state in POWER_STATES}
        return {state: signature.allowed() for state, signature in described.items() if signature is not None}

    def can_tell(self, state: str) -> bool:
        """True where the observers of this bench can recognise the power state."""
        return state in self.signatures()

    def wired_channels(self) -> list[str]:
        """Channels (names.CHANNELS) that say something on this bench, in order of number: the connectors', the
        observers', those of every power monitor and of the tach line.
        """
        wired = {"supply", "sensor_supply", "jig_3v3", *self.channels(), *(["pulses"] if self.tach else [])}
        for number in self.line_numbers():
            wired |= {f"machine_{number}", f"sensor_{number}"}
        for meter in self.meter:
            wired |= {f"meter_{meter.number}_v", f"meter_{meter.number}_i"}
        return [channel for channel in names.CHANNELS if channel in wired]

    def wiring_blob(self) -> bytes:
        """The packed wiring record for the board (shared_proto.blobs.WIRING_FIELDS)."""
        tach = self._tach_line()
        lines = ["supply_ok", "mark", *self.digital(), *([tach] if tach else [])]
        for number in self.line_numbers():
            lines += [f"machine_{number}", f"sensor_{number}"]
        wired: dict[str, int] = {}
        for number in (1, 2):
            meter = self.meter_number(number)
            wired[f"meter_{number}"] = meter.address if meter else 0
            wired[f"cal_{number}"] = meter.calibration if meter else 0
        values: dict[str, object] = {
            "version": blobs.WIRING_VERSION,
            "lines_used": _mask(lines, names.LINES),
            "invert": _mask(self._inverted(), names.LINES),
            "scan": _mask(self.wired_channels(), names.CHANNELS),
            "light_pull_up": 0,
            "bus": int(bool(self.meter)),
            **wired,
            "tach": names.LINES.index(tach) + 1 if tach else 0,
            "name": self.name.encode("ascii"),
        }
        return blobs.pack(blobs.WIRING_FIELDS, values)

    def needs_wiring(self) -> bool:
        """Whether the board has to know this bench's wiring in order to see the machine right: power monitors, a tach
        line or inverted lines. Taps and lines as they come are read without.
        """
        return bool(self.meter or self.tach or self._inverted())

    def _inverted(self) -> list[str]:
        return [name for name in DIGITAL if getattr(getattr(self.observers, name), "invert", False)]

    def _tach_line(self) -> str | None:
        return self.tach.line if self.tach else None


def _mask(wanted: list[str], order: tuple[str, ...]) -> int:
    mask = 0
    for name in wanted:
        mask |= 1 << order.index(name)
    return mask
