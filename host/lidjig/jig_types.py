"""What the jig says, as typed values: states, results, events, and what a record of them must be able to
do.
"""

from __future__ import annotations

import enum
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, Self

from lidjig.errors import BadInput
from shared_proto import names

if TYPE_CHECKING:
    from lidjig.jig_samples import Batch


class OpenNumber(enum.IntEnum):
    """A number with a name, from a list that newer firmware may have made longer.

    A number that is not listed becomes a member of its own instead of an error, and is shown as its number.
    """

    @classmethod
    def _missing_(cls, value: object) -> Self | None:
        if not isinstance(value, int) or value < 0:
            return None
        member = int.__new__(cls, value)
        member._name_ = f"NUMBER_{value}"
        member._value_ = value
        known = cls._value2member_map_.setdefault(value, member)
        return known if isinstance(known, cls) else None

    @property
    def listed(self) -> bool:
        """False for a number that this host has no name for."""
        return self.name in type(self).__members__

    @property
    def text(self) -> str:
        """The wire name ("supply_loss"), or "number 77" where there is none."""
        return self.name.lower() if self.listed else f"number {int(self)}"


class Route(OpenNumber):
    """What the machine's lines are connected to (names.ROUTES)."""

    OPEN = names.ROUTE_OPEN
    THROUGH = names.ROUTE_THROUGH
    STANDIN = names.ROUTE_STANDIN
    SHIFTED = names.ROUTE_SHIFTED


class Lock(OpenNumber):
    """State of the interlock (names.LOCK_STATES)."""

    DISARMED = names.DISARMED
    ARMED = names.ARMED
    TRIPPED = names.TRIPPED


class Reason(OpenNumber):
    """Why the jig let go, or why its lock state changed (names.REASONS)."""

    NONE = names.REASON_NONE
    HOST = names.REASON_HOST
    BOOT = names.REASON_BOOT
    SILENCE = names.REASON_SILENCE
    SUPPLY_LOSS = names.REASON_SUPPLY_LOSS
    OVERVOLTAGE = names.REASON_OVERVOLTAGE
    CONTENTION = names.REASON_CONTENTION
    FIRMWARE = names.REASON_FIRMWARE
    WATCHDOG = names.REASON_WATCHDOG


class ResetCause(OpenNumber):
    """Why the board last started (names.RESETS)."""

    POWER = names.RESET_POWER
    SOFT = names.RESET_SOFT
    WATCHDOG = names.RESET_WATCHDOG
    HOST = names.RESET_HOST


class LinkState(enum.Enum):
    """Whether bytes move. Each change is told once."""

    CLOSED = "closed"
    UP = "up"
    LOST = "lost"


@dataclass(frozen=True)
class Event:
    """One event of the board.

    `counter` counts from 1 at its boot without gaps; `t_us` is board time since boot, us.
    """

    name: str
    counter: int
    t_us: int
    data: dict[str, int]


class Sink(Protocol):
    """The record. It comes before the acknowledgement to the board and before anybody is shown anything."""

    def events(self, batch: list[Event]) -> None:
        """Store a batch; durable on return.

        Raises StoreFailed, which ends the run: nothing is acknowledged then.
        """
        ...

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        """What breaks the record's continuity: "link-lost", "link-back", "restart", "lost-events",
        "lost-samples", "meter-lost", "meter-back", "bus-freed", "recovered".

        `t_us` is board time where it is known.
        """
        ...

    def batch(self, batch: Batch) -> None:
        """Take readings of a sampled channel; they may be kept in memory for a short while.

        Raises StoreFailed, which ends the run.
        """
        ...

    def frames(self, lines: list[str]) -> None:
        """The last frames of both directions in text form, on a trip or an error."""
        ...


class Unrecorded:
    """A sink that keeps nothing, for a tool whose dealings with the jig need no record (`lidjig ports`)."""

    def events(self, batch: list[Event]) -> None:
        """Forget them."""

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        """Forget it."""

    def batch(self, batch: Batch) -> None:
        """Forget it."""

    def frames(self, lines: list[str]) -> None:
        """Forget them."""


@dataclass(frozen=True)
class Hello:
    """Who the board is, as it answered hello."""

    board_id: int
    boot_id: int
    protocol: tuple[int, int]
    firmware: tuple[int, int, int]
    reset_cause: ResetCause
    abilities: int  # names.ABILITY_ bits
    t_us: int  # board time when it answered
    first_event: int
    next_event: int

    @property
    def board_hex(self) -> str:
        """Board id as people and `--link` write it: 16 hexadecimal digits."""
        return f"{self.board_id:016x}"

    @property
    def firmware_text(self) -> str:
        return ".".join(str(part) for part in self.firmware)

    @property
    def protocol_text(self) -> str:
        return ".".join(str(part) for part in self.protocol)

    @classmethod
    def from_fields(cls, fields: Mapping[str, int]) -> Hello:
        return cls(
            board_id=fields["board_id"],
            boot_id=fields["boot_id"],
            protocol=(fields["major"], fields["minor"]),
            firmware=(fields["fw_major"], fields["fw_minor"], fields["fw_patch"]),
            reset_cause=ResetCause(fields["reset_cause"]),
            abilities=fields["abilities"],
            t_us=fields["t_us"],
            first_event=fields["first_event"],
            next_event=fields["next_event"],
        )


@dataclass(frozen=True)
class Status:
    """The whole state of the board, in the units of the wire's status_result, angle in degrees."""

    t_us: int
    lock: Lock
    route: Route
    reason: Reason
    trip_t_us: int
    trip_detail: int
    angle_deg: float
    moving: bool
    queued: int
    outputs: tuple[bool, bool]  # operated
    lines: dict[str, int]  # level by names.LINES
    supply_mv: int
    heap_free: int
    events_kept: int
    events_lost: int
    rejects: int
    tx_dropped: int
    tick_us_max: int
    profile_crc: int
    wiring_crc: int

    @classmethod
    def from_fields(cls, fields: Mapping[str, int]) -> Status:
        return cls(
            t_us=fields["t_us"],
            lock=Lock(fields["lock"]),
            route=Route(fields["route"]),
            reason=Reason(fields["reason"]),
            trip_t_us=fields["trip_t_us"],
            trip_detail=fields["trip_detail"],
            angle_deg=degrees(fields["angle_mdeg"]),
            moving=bool(fields["moving"]),
            queued=fields["queued"],
            outputs=(bool(fields["outputs"] & 1), bool(fields["outputs"] & 2)),
            lines=line_levels(fields["lines"]),
            supply_mv=fields["supply_mv"],
            heap_free=fields["heap_free"],
            events_kept=fields["events_kept"],
            events_lost=fields["events_lost"],
            rejects=fields["rejects"],
            tx_dropped=fields["tx_dropped"],
            tick_us_max=fields["tick_us_max"],
            profile_crc=fields["profile_crc"],
            wiring_crc=fields["wiring_crc"],
        )


@dataclass(frozen=True)
class Measurement:
    """n readings of one analog channel, one a millisecond, raw 16-bit as the board read them.

    `sd_raw` is the sample standard deviation (n - 1); `t_us` board time of the last reading.
    """

    channel: str
    n: int
    mean_raw: float
    sd_raw: float
    low: int
    high: int
    t_us: int

    @classmethod
    def from_fields(cls, channel: str, fields: Mapping[str, int]) -> Measurement:
        n, total = fields["n"], fields["total"]
        # Whole numbers as long as possible: the difference of the two large sums is exact, so no digits
        # cancel.
        spread = n * fields["total_sq"] - total * total
        variance = max(0, spread) / (n * (n - 1)) if n > 1 else 0.0
        return cls(channel, n, total / n, math.sqrt(variance), fields["low"], fields["high"], fields["t_us"])


@dataclass(frozen=True)
class LogEntry:
    """One entry of the firmware's own log."""

    number: int
    t_us: int
    code: int
    arg16: int
    arg32: int

    @property
    def code_name(self) -> str:
        return names.LOG_CODES[self.code] if self.code < len(names.LOG_CODES) else f"code {self.code}"

    @property
    def text(self) -> str:
        """ "firmware log 3 at 12.345678 s: trip 3 0" """
        return f"firmware log {self.number} at {self.t_us / 1e6:.6f} s: {self.code_name} {self.arg16} {self.arg32}"


LOG_ENTRY_BYTES = 16


def log_entries(first: int, data: bytes) -> list[LogEntry]:
    """Entries of one log_read_result: 16 bytes each, t_us u64, code u16, arg16 u16, arg32 i32.

    A torn tail is left out.
    """
    found = []
    for at in range(0, len(data) - LOG_ENTRY_BYTES + 1, LOG_ENTRY_BYTES):
        t_us, code, arg16, arg32 = struct.unpack_from("<QHHi", data, at)
        found.append(LogEntry(first + at // LOG_ENTRY_BYTES, t_us, code, arg16, arg32))
    return found


@dataclass(frozen=True)
class Watch:
    """Arguments of Jig.watch, kept so that they can be set again."""

    channel: str
    thresholds_raw: tuple[int, ...]
    hysteresis_raw: int
    dwell_ms: int


def degrees(mdeg: int) -> float:
    """Wire millidegrees to host degrees."""
    return mdeg / 1000.0


def millidegrees(angle_deg: float, key: str, *, highest_deg: float) -> int:
    """Host degrees to wire millidegrees, rounded to the nearest.

    BadInput outside 0..highest_deg or not a number.
    """
    if not 0.0 <= angle_deg <= highest_deg:  # also false for a NaN
        raise BadInput("", key, angle_deg, f"0 to {highest_deg:g} deg")
    return round(angle_deg * 1000.0)


def state_text(pulse: dict[str, int]) -> str:
    """State of the board in a pulse, for people: lock, route, angle, supply."""
    lock, route, reason = Lock(pulse["lock"]), Route(pulse["route"]), Reason(pulse["reason"])
    why = f" ({reason.text})" if lock is Lock.TRIPPED else ""
    angle_deg, supply_mv = degrees(pulse["angle_mdeg"]), pulse["supply_mv"]
    return f"{lock.text}{why}, route {route.text}, angle {angle_deg:.1f} deg, supply {supply_mv} mV"


def lost_events_text(count: int, *, told: bool) -> str:
    """Missing events, for people. told: the board said so; else the counters have a hole."""
    if not told:
        return f"{count} events are missing before the next one: they came while nobody was connected"
    # The board counts the rest of a line as one event, and does not tell it from a full buffer.
    return (
        f"at least {count} events are missing before the next one: a buffer of the board was full, "
        "or a line changed too often and was rested"
    )


def line_levels(mask: int) -> dict[str, int]:
    """Levels by line name from a mask with a bit per names.LINES."""
    return {name: mask >> bit & 1 for bit, name in enumerate(names.LINES)}


def number_of(table: Sequence[str], wanted: str | int, key: str) -> int:
    """Number of a wire name in its table. BadInput names what is accepted."""
    if isinstance(wanted, str):
        if wanted in table:
            return table.index(wanted)
    elif 0 <= wanted < len(table):
        return int(wanted)
    raise BadInput("", key, wanted, ", ".join(table))
