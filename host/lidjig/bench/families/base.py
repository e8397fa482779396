"""What every family of sensor outputs has: what was seen of its conductors goes in, readings of the angle come out.

A decoder follows the published format and knows nothing of the firmware, so that what the firmware sends is judged by
somebody else. It takes whatever a broken sensor or wire sends and never raises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Levels = npt.NDArray[np.int8]

# Why a reading has no angle, or what it carries beside one.
SILENT = "silent"  # nothing changes on the conductor: no supply, a broken wire, a dead part
BAD_TIMING = "bad timing"  # pulses or levels that the format does not have
BAD_CHECK = "bad check"  # the check over the bits (CRC, parity) is wrong
BELOW = "below range"
ABOVE = "above range"
STARTING = "starting"  # the part says that it is not ready yet
INTERNAL = "internal error"  # the part says so itself
NO_MAGNET = "no magnet"
WEAK = "magnet too weak"
STRONG = "magnet too strong"


@dataclass(frozen=True)
class Wave:
    """Levels of one conductor. t_us (n,): when it changed, ascending; level (n,): 0 or 1 from then on; the first entry
    is the level found. end_us: until when it was watched.
    """

    t_us: Floats
    level: Levels
    end_us: float


@dataclass(frozen=True)
class Volts:
    """Voltage of one conductor: t_us (n,) ascending, v (n,) in V."""

    t_us: Floats
    v: Floats


@dataclass(frozen=True)
class Registers:
    """What registers of a part held when they were read: register address -> byte. t_us: of the read."""

    t_us: float
    value: Mapping[int, int]


@dataclass(frozen=True)
class Seen:
    """What was seen of a sensor. Keys: the family's signals (Family.signals). supply_v: V at the sensor, as measured
    together with the rest.
    """

    supply_v: float
    waves: Mapping[str, Wave] = field(default_factory=dict)
    volts: Mapping[str, Volts] = field(default_factory=dict)
    registers: tuple[Registers, ...] = ()


@dataclass(frozen=True)
class Reading:
    """One word of the sensor. t_us: when it was complete. code: as sent, None where none could be read. part: the
    position in the span that the code stands for, 0..1, None where it stands for none. fault: one of the words above,
    "" where all is well; a reading may have an angle and a fault (a weak magnet). detail: what else the format carries.
    """

    t_us: float
    code: int | None
    part: float | None
    fault: str = ""
    detail: Mapping[str, int | float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Limits:
    """What an encoding is checked against: the rest of its profile. supply window in V, looks in Hz, span in deg."""

    supply_min_v: float
    supply_max_v: float
    update_hz: float
    span_deg: float
    wrap: bool
    file: str


class Encoding(Protocol):
    """The [encoding] table of a profile, as a frozen msgspec.Struct of the family's own."""

    @property
    def codes(self) -> int:
        """How many positions of the span the format tells apart; the resolution is span / codes (wrap) or
        span / (codes - 1).
        """

    def check(self, limits: Limits) -> None:
        """What a type cannot say. Raises BadInput with key "encoding.NAME", the value, and what is accepted."""

    def decode(self, seen: Seen) -> list[Reading]:
        """Readings in order of time. Never raises."""

    def board_fields(self) -> dict[str, int]:
        """The fields of the board's record that belong to the family (shared_proto.blobs)."""

    def describe(self) -> list[tuple[str, str]]:
        """(what, value with unit) of the conductors and the format, for a technician."""


@dataclass(frozen=True)
class Family:
    """A row of the table. number: on the wire. signals: conductors, in order of the lines that they are on. says: in
    one line, what it is.
    """

    name: str
    number: int
    encoding: type[Encoding]
    signals: tuple[str, ...]
    says: str


def part_of(code: int, codes: int, *, wrap: bool) -> float:
    """Position in the span, 0..1, that a code stands for: the last code is the end of a span that does not wrap."""
    return code / codes if wrap else code / (codes - 1)
