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
    """What registers of a part held when they were read: register address -> byte. t_us: of the read. bus: what the
    bus did where the part gave no answer, "" where it did.
    """

    t_us: float
    value: Mapping[int, int]
    bus: str = ""


@dataclass(frozen=True)
class Word:
    """Bits that were clocked out of a part, the first one highest. t_us: when the last one was taken."""

    t_us: float
    bits: int
    value: int


@dataclass(frozen=True)
class Count:
    """Steps since a count began, up less down. skipped: times that both conductors had changed between two looks.
    a, b: levels of the conductors when it was read.
    """

    t_us: float
    steps: int
    skipped: int
    a: int
    b: int


@dataclass(frozen=True)
class Seen:
    """What was seen of a sensor. Keys: the family's signals (Family.signals). supply_v: V at the sensor, as measured
    together with the rest.
    """

    supply_v: float
    waves: Mapping[str, Wave] = field(default_factory=dict)
    volts: Mapping[str, Volts] = field(default_factory=dict)
    registers: tuple[Registers, ...] = ()
    words: tuple[Word, ...] = ()
    counts: tuple[Count, ...] = ()


@dataclass(frozen=True)
class ReadVolts:
    """Read the voltage of each conductor n times, and the supply with it. part_per_share: how much of the span an error
    of a whole supply on one conductor makes.
    """

    n: int
    part_per_share: float


@dataclass(frozen=True)
class WatchLevels:
    """Watch the one conductor for at least `frames` frames, and look at it every step_us. frame_us: how long a frame
    lasts at most. part_per_us: how much of the span a wrong time of an edge makes; 0 where times are rounded to whole
    ticks, so that a small error makes none. wish: frames that show all that the format carries, where the board's
    memory has room for them.
    """

    frame_us: float
    frames: float
    step_us: float
    part_per_us: float
    wish: float = 0.0


@dataclass(frozen=True)
class ReadRegisters:
    """Read these spans of registers, each (first, how many), in one transfer each. once: those that do not change."""

    address: int
    spans: tuple[tuple[int, int], ...]
    once: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class ClockWord:
    """Clock a word out. half_us: shortest half period. out_falling: the part puts a bit out at the falling edge."""

    bits: int
    half_us: int
    out_falling: bool


@dataclass(frozen=True)
class CountSteps:
    """Count the steps of two conductors while the lid moves: the format tells how far it went, not where it is."""


# How to look at a real sensor of a format.
Ask = ReadVolts | WatchLevels | ReadRegisters | ClockWord | CountSteps


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

    def ask(self) -> Ask:
        """How the jig has to look at a real sensor of this format, so that decode() can read it."""

    def board_fields(self) -> dict[str, int]:
        """The fields of the board's record that belong to the family (shared_proto.blobs)."""

    def error_told(self, *, starting: bool = False) -> str:
        """What the output does where the transfer function says "error", as the board sends it (device/firmware/
        families). starting: before the first look at the angle.
        """

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
