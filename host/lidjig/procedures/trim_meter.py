"""The meter on the output that is trimmed: who reads it, where its lead is, and the jig that goes on hearing meanwhile.

A jig that hears nothing for a second lets go. So nothing here waits but in bench.wait(): a person's line is looked for
in slices, an instrument is asked on a thread of its own.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

from lidjig.bench.actions import ACTIONS
from lidjig.bench.meter import (
    CAUTION,
    LEADS_ADVICE,
    OPTIONS,
    STEP_EXAMPLE,
    Meter,
    MeterFailed,
    MeterReading,
    MeterSpec,
    TypedMeter,
    read_spec,
)
from lidjig.bench.meter_scpi import check_resource, open_meter
from lidjig.errors import BadInput
from lidjig.link.base import BenchMeter
from lidjig.procedures.base import Bench

T = TypeVar("T")
_BARE = re.compile(r"[-+.\d]+(?:[eE][-+]?\d+)?", re.ASCII)

TYPED = "typed"
ASIDE_S = 60.0  # an instrument has answered or given up by then: its own waits are of 5 s


@dataclass(frozen=True)
class MeterAsked:
    """What the command was asked for. where: TYPED, a SCPI meter's port or resource, None = the bench's own where it
    has one, else typed. The others as read_spec takes them, None = not given.
    """

    where: str | None = None
    accuracy: str | None = None
    resolution: str | None = None
    meter_range: str | None = None

    def check(self, *, may_have_meter: bool, jig_port: str | None = None) -> None:
        """Raises BadInput for what cannot be, before anything is opened.

        may_have_meter: the bench may bring a meter, whose sheet then stands for what was not given. jig_port: the name
        that the jig's own port was asked for by.
        """
        if self.where is not None and self.where != TYPED:
            port = check_resource(self.where, "--meter", f"{TYPED}, ")
            if port == jig_port:
                raise BadInput("", "--meter", self.where, "another port than the jig's (--link)")
        if self.where is None and may_have_meter:
            # What is given has to make sense beside any sheet.
            self._sheet(self.accuracy or "1%", self.resolution or STEP_EXAMPLE)
        else:
            self.spec(None)

    def spec(self, own: BenchMeter | None) -> MeterSpec:
        """The meter's data sheet. own: the bench's meter, whose sheet stands for what was not given.

        Raises BadInput.
        """
        accuracy, resolution = self.accuracy, self.resolution
        if own is not None:
            accuracy, resolution = accuracy or own.sheet.accuracy, resolution or own.sheet.resolution
        step = f"'{STEP_EXAMPLE}'"
        for key, value, example in (("--accuracy", accuracy, "0.5%+3"), ("--resolution", resolution, step)):
            if value is None:
                raise BadInput("", key, None, f"what the meter's data sheet says of its DC volts, such as {example}")
        return self._sheet(accuracy or "", resolution or "")

    def _sheet(self, accuracy: str, resolution: str) -> MeterSpec:
        """As read_spec, its errors naming the options."""
        for option, text in (("--resolution", self.resolution), ("--range", self.meter_range)):
            if text is not None and _BARE.fullmatch(text.strip()):  # 1 would be 1 V where 1 mV was meant
                raise BadInput("", option, text, "a voltage with its unit, such as '1 mV' or '6 V'")
        try:
            return read_spec(accuracy, resolution, self.meter_range or "")
        except BadInput as error:
            option = OPTIONS.get(error.key, error.key)
            value = None if option == "--range" and not self.meter_range else error.value
            raise BadInput("", option, value, error.accepted) from error


def _to(place: str) -> str:
    """The action that brings the lead there."""
    return f"meter-to-{place}"


class _OwnMeter:
    """The bench's own meter, as a Meter."""

    def __init__(self, own: BenchMeter, spec: MeterSpec, place: Callable[[], str]) -> None:
        self._own, self._spec, self._place = own, spec, place

    @property
    def name(self) -> str:
        return self._own.sheet.name

    def read_volts(self) -> MeterReading:
        v = self._own.volts(self._place())
        return MeterReading(v, self._spec.u_v(v), self._spec.resolution_v, f"{v:g}")

    def close(self) -> None:
        """Nothing to let go of."""


class Lead:
    """A meter and where its lead is. Raises BadInput where its data sheet is not known or says nothing."""

    def __init__(self, bench: Bench, asked: MeterAsked) -> None:
        self._bench, self._asked = bench, asked
        own = bench.jig.link.bench_meter() if asked.where is None else None
        self.spec = asked.spec(own)
        self.made = datetime.now(UTC) if own is None else own.sheet.made
        self._place = ""
        self._meter: Meter | None = None
        if own is not None:
            self._meter = _OwnMeter(own, self.spec, lambda: self._place)
        elif asked.where in (None, TYPED):
            self._meter = TypedMeter(self._ask, self.spec)
        self._instrument = self._meter is None

    @property
    def name(self) -> str:
        """What reads."""
        return "" if self._meter is None else self._meter.name

    def open(self) -> None:
        """Open an instrument and show the caution; who types is shown it with the first question. Raises BadInput,
        MeterFailed.
        """
        if not isinstance(self._meter, TypedMeter):
            self._bench.progress.say(f"Caution: {CAUTION}")
        if self._meter is None:
            where = self._asked.where or ""
            self._meter = self._aside(lambda: open_meter(where, self.spec))

    def read(self, place: str, settle_s: float) -> MeterReading:
        """What it shows at a place of link.base.METER_PLACES, after so long. Raises MeterFailed, NobodyAnswered."""
        meter = self._meter
        if meter is None:
            raise ValueError(f"{place} read before the meter was opened")
        if place != self._place and self._instrument:
            self._bench.operator.ask(self._bench, _to(place))
        self._place = place
        self._bench.idle(settle_s)
        return self._aside(meter.read_volts) if self._instrument else meter.read_volts()

    def close(self) -> None:
        """Let go of it. Never raises."""
        if self._meter is not None:
            self._meter.close()

    def _ask(self, question: str) -> str | None:
        return self._bench.operator.hear_line(self._bench, f"{ACTIONS[_to(self._place)][0]}\n{question}")

    def _aside(self, work: Callable[[], T]) -> T:
        """Work on a thread of its own while the jig is heard. Raises what it raises, MeterFailed where it hangs."""
        done: list[T] = []
        failed: list[BaseException] = []

        def run() -> None:
            try:
                done.append(work())
            except BaseException as error:  # noqa: BLE001  raised below, by the one who waits
                failed.append(error)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        # A simulated bench's time runs ahead of the instrument's: the thread's own end counts there as well.
        self._bench.wait(lambda: not thread.is_alive(), ASIDE_S)
        thread.join(ASIDE_S if not done and not failed and self._bench.jig.link.traits.ahead else 0.0)
        if failed:
            raise failed[0]
        if not done:
            raise MeterFailed(self._asked.where or "", f"did not answer within {ASIDE_S:g} s", LEADS_ADVICE)
        return done[0]
