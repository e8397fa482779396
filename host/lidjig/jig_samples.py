"""Sampled channels and power monitors as the jig tells of them: batches and their numbering, states in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lidjig.jig_types import Event, OpenNumber
from shared_proto import names

METER_ROLES = ("charger supply", "sensor supply")  # meter 1, meter 2
METER_LOST, METER_BACK = "meter-lost", "meter-back"  # kinds of gap, see Sink.gap
_IS_BACK = " answers: its readings are known again from here on"


class BusState(OpenNumber):
    """The bus of the power monitors (names.BUS_STATES)."""

    NOT_WIRED = names.BUS_NOT_WIRED
    OK = names.BUS_OK
    HUNG = names.BUS_HUNG


class MeterState(OpenNumber):
    """A power monitor (names.METER_STATES)."""

    NONE = names.METER_NONE
    OK = names.METER_OK
    MISSING = names.METER_MISSING
    FAILED = names.METER_FAILED


@dataclass(frozen=True)
class Meters:
    """Power monitors and their bus. errors: transfers that failed; recoveries: times the bus was freed; both since
    boot.
    """

    t_us: int
    bus: BusState
    meter_1: MeterState
    meter_2: MeterState
    errors: int
    recoveries: int

    @classmethod
    def from_fields(cls, fields: Mapping[str, int]) -> Meters:
        return cls(
            t_us=fields["t_us"],
            bus=BusState(fields["bus"]),
            meter_1=MeterState(fields["meter_1"]),
            meter_2=MeterState(fields["meter_2"]),
            errors=fields["errors"],
            recoveries=fields["recoveries"],
        )

    def state(self, number: int) -> MeterState:
        """State of meter 1 or 2."""
        return self.meter_2 if number == 2 else self.meter_1

    def trouble(self, number: int) -> str:
        """Why meter 1 or 2 cannot be read, and what to do; "" where it can, or where none is wired."""
        state = self.state(number)
        if state is MeterState.NONE:
            return ""
        if self.bus is BusState.HUNG:
            return f"{meter_name(number)}: a part holds the bus and lets go for no clock. {HUNG_ADVICE}"
        return "" if state is MeterState.OK else f"{meter_name(number)}: {state_words(state)}"


HUNG_ADVICE = "Take the monitors' supply away and give it back; where that does not help, unplug them one by one."
_WORDS = {
    MeterState.NONE: "not wired on this bench",
    MeterState.OK: "answers",
    MeterState.MISSING: (
        "nothing answers at its address. "
        "Check its plug, its 3.3 V, its address pins and the address under [[meter]] in the machine profile."
    ),
    MeterState.FAILED: (
        "it answered before and does not now, or it is a part of another type. Check its plug and cable."
    ),
}


def meter_name(number: int) -> str:
    """Meter 1 or 2 for people."""
    role = METER_ROLES[number - 1] if 1 <= number <= len(METER_ROLES) else "unknown place"
    return f"power monitor {number} ({role})"


def state_words(state: MeterState) -> str:
    """A state in a sentence with what to do; a state of newer firmware as its number."""
    return _WORDS.get(state, f"state {state.text}")


class MeterGaps:
    """The gaps that power monitors make in the record. What one does not tell is missing there, and what rests on it is
    unknown until it is back. One that was there all the time makes none. gone: meter_name() of those that do not answer
    now -> board time since when.
    """

    def __init__(self) -> None:
        self.gone: dict[str, int] = {}

    def of(self, event: Event) -> tuple[str, str] | None:
        """(kind, text) of the gap that an event makes, else None."""
        if event.name != "meter":
            return None
        number, state = event.data["meter"] + 1, MeterState(event.data["state"])
        name = meter_name(number)
        if state in (MeterState.OK, MeterState.NONE):
            was_lost = self.gone.pop(name, None) is not None
            if state is MeterState.OK and was_lost:
                return METER_BACK, f"{name}{_IS_BACK}"
            return None
        self.gone.setdefault(name, event.t_us)
        meaning = "Its readings are missing from here on, and what rests on them is unknown, not unchanged."
        return METER_LOST, f"{name}: {state_words(state)} {meaning}"


def lost_meter(text: str) -> str:
    """The meter_name() in the text of a gap of kind METER_LOST or METER_BACK."""
    return text.removesuffix(_IS_BACK).partition(":")[0]


@dataclass(frozen=True)
class Batch:
    """Readings of a sampled channel, evenly spaced. t_us: board time of the first one; span_us: from it to the last.

    number counts from 1 since sampling was set; lost: batches missing before this one. data: raw readings, u16
    little-endian.
    """

    channel: str
    number: int
    t_us: int
    span_us: int
    data: bytes
    lost: int = 0

    @property
    def n(self) -> int:
        """Readings in it."""
        return len(self.data) // 2


class Numbering:
    """Numbers of the batches that are expected, per channel number: finds the holes."""

    def __init__(self) -> None:
        self._next: dict[int, int] = {}
        self._began: dict[int, int] = {}  # set anew at this board time, and nothing since has come of it

    def begin(self, channel: int, t_us: int) -> None:
        """Sampling of the channel was set at that board time: numbers begin at 1. Batches of before that are still on
        their way keep the numbers they had.
        """
        self._began[channel] = t_us

    def forget(self) -> None:
        """The board restarted: nothing is sampled any more."""
        self._next.clear()
        self._began.clear()

    def take(self, channel: int, number: int, t_us: int) -> int:
        """Batches missing before this one; it counts as received."""
        began_us = self._began.get(channel)
        if began_us is not None and t_us >= began_us:
            del self._began[channel]
            self._next[channel] = 1
        due = self._next.get(channel)
        self._next[channel] = number + 1
        if due is None:
            return 0  # sampled for another host before this one came
        # A number below the one due: sampling was set anew by a request whose answer never came.
        return number - due if number >= due else number - 1


def to_batch(fields: Mapping[str, object], lost: int) -> Batch:
    """From the wire's message."""
    channel, number = fields["channel"], fields["number"]
    t_us, span_us, data = fields["t_us"], fields["span_us"], fields["data"]
    assert isinstance(channel, int) and isinstance(number, int) and isinstance(data, bytes)
    assert isinstance(t_us, int) and isinstance(span_us, int)
    return Batch(channel_name(channel), number, t_us, span_us, data, lost)


def channel_name(channel: int) -> str:
    """Wire name of a channel; a channel of newer firmware by its number."""
    return names.CHANNELS[channel] if channel < len(names.CHANNELS) else f"channel_{channel}"


OnBatch = list[Callable[[Batch], None]]
