"""What a link is: bytes to and from one jig, and the clock that waiting for it runs on.

Whoever writes another back-end keeps these contracts; tests/link holds the suite that all of them pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """Time that waiting runs on: wall time for a port, virtual time for the twin."""

    def now_s(self) -> float:
        """Seconds, monotonic, from an arbitrary start."""
        ...


class Deadline:
    """A point in time on a given clock, passed down so that nested waits share what is left.

    >>> deadline = Deadline(clock, 8.0)   # seconds from now
    """

    def __init__(self, clock: Clock, seconds: float) -> None:
        self.clock = clock
        self.seconds = seconds
        self._end_s = clock.now_s() + seconds

    def left_s(self) -> float:
        """Seconds left, never negative."""
        return max(0.0, self._end_s - self.clock.now_s())

    @property
    def passed(self) -> bool:
        return self.left_s() <= 0.0


@dataclass(frozen=True)
class Traits:
    """What a command may ask of a link without asking which one it is.

    operator_acts: what the operator is asked to do is done, and marked, behind the link (a model, a recording); nobody
    here is waited for. ahead: its clock may run ahead of wall time, so that a view for a reader has to be held back.
    if_lost: what to do where it is lost; empty where there is a cable to look at.
    machine, sensor: names of the profiles that belong to what is behind it; None = nobody but the user knows.
    """

    operator_acts: bool = False
    ahead: bool = False
    machine: str | None = None
    sensor: str | None = None
    if_lost: str = ""


@dataclass(frozen=True)
class MeterSheet:
    """A bench meter's data sheet, as lidjig.bench.meter.read_spec takes it. made: when its readings are (were) taken,
    with its time zone.
    """

    name: str
    accuracy: str
    resolution: str
    made: datetime


class BenchMeter(Protocol):
    """A voltmeter that belongs to a simulated or recorded operator."""

    sheet: MeterSheet

    def volts(self, place: str) -> float:
        """What it shows at METER_PLACES, in V."""
        ...


# Of the sensor connector, machine's side: its supply pin, line 1, line 2.
METER_PLACES = ("supply", "output", "output-2")


class Link(Protocol):
    """Bytes to and from one jig.

    A link has no thread: bytes move when it is called. It turns every operating system error into one LinkLost.
    """

    clock: Clock
    name: str  # what the user would recognise: a port name, "twin", "twin:FILE", "replay:FILE"
    details: dict[str, str]  # what the record should know: USB serial number, twin's interpreter and seed, ...
    traits: Traits

    def write(self, data: bytes) -> None:
        """Hand over all of data. Raises LinkLost."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """Bytes that have come, as soon as there are any; b"" when timeout_s has passed. Raises LinkLost.

        On the twin, virtual time advances here and only here.
        """
        ...

    def reopen(self, deadline: Deadline) -> None:
        """Find the same jig again after LinkLost (by identity, not by port name). Raises NoJig at the deadline."""
        ...

    def tell_operator(self, action: str) -> None:
        """Pass on what the person at the bench has just been asked to do (names in bench/actions.py).

        A port ignores it, since the person reads the terminal. A simulated bench has its own operator, who acts on it.
        """
        ...

    def bench_meter(self) -> BenchMeter | None:
        """The meter of the operator behind the link; None where a person has to read one."""
        ...

    def close(self) -> None:
        """Release the port. Safe to call twice; never raises; returns within 2 s."""
        ...
