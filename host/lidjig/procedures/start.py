"""Starting the machine: off for certain, then the power button, then waiting for S0."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lidjig.jig_types import Route
from lidjig.procedures.base import Bench
from lidjig.procedures.lid import MARGIN_S
from lidjig.procedures.observe import Observer

OFF_S = 5.0  # after the operator has let go of the power button, off shows within this
LATE_FACTOR = 3.0  # a late start is waited for until so many times the limit: late is another fault than never


@dataclass(frozen=True)
class Start:
    """One attempt to start. Board time in us; s0_us None = S0 never came."""

    asked_us: int
    marked_us: int
    s0_us: int | None
    limit_s: float

    @property
    def started(self) -> bool:
        """Whether it started at all, however late."""
        return self.s0_us is not None

    @property
    def late(self) -> bool:
        """Whether it started surely later than its limit."""
        seconds = self.seconds()
        return seconds is not None and seconds[1] > self.limit_s

    @property
    def waited_s(self) -> float:
        """How long a start was waited for, from the operator's answer."""
        return waited_s(self.limit_s)

    def seconds(self) -> tuple[float, float, float] | None:
        """(value, low, high) of the time from the button to S0 in s: the press lies between question and answer."""
        if self.s0_us is None:
            return None
        return since_act(self.asked_us, self.marked_us, self.s0_us, self.limit_s)

    def told(self, how: str) -> str:
        """In one sentence with its number."""
        seconds = self.seconds()
        if seconds is None:
            since = f"of the operator's act (board time {self.marked_us / 1e6:.3f} s)"
            return f"{how}: the machine did not start within {self.waited_s:g} s {since}"
        when = f"{seconds[1]:.2f} to {seconds[2]:.2f} s after the operator acted"
        started = "started too late" if self.late else "started"
        return f"{how}: the machine {started}, S0 {when} (limit {self.limit_s:g} s)"


def waited_s(limit_s: float) -> float:
    """How long a start is waited for after the operator's answer."""
    return limit_s * LATE_FACTOR + MARGIN_S


def since_act(asked_us: int, marked_us: int, reached_us: int, limit_s: float) -> tuple[float, float, float]:
    """(value, low, high) in s from something the operator did, between question and answer, to a state.

    The value is the middle. Where the limit lies inside the interval the value does not go beyond it: the outcome is
    then marginal, since neither is shown that the limit is kept nor that it is not.
    """
    low, high = max(0.0, (reached_us - marked_us) / 1e6), (reached_us - asked_us) / 1e6
    middle = 0.5 * (low + high)
    return (min(middle, limit_s) if low <= limit_s else middle), low, high


def switch_off(bench: Bench, observer: Observer) -> bool:
    """Bring the machine to S5; whether it got there. A machine that is off already is left alone."""
    if observer.state == "S5":
        return True
    bench.operator.ask(bench, "force-off")
    return observer.settle("S5", seconds=OFF_S)


def start(bench: Bench, observer: Observer, connect: Callable[[], None] = lambda: None) -> Start:
    """Have the operator start the machine, as its profile says, and wait for S0.

    connect: brings the machine's lines to where they are to be; called again where the start takes the supply away.
    """
    if bench.machine.starts_by == "charger":
        asked_us, marked_us = _plug_in(bench, connect)
    else:
        asked_us, marked_us = bench.operator.ask(bench, "press-power")
    limit_s = bench.machine.limits.start_s
    seconds = (marked_us - asked_us) / 1e6 + waited_s(limit_s)
    s0_us = observer.wait_state("S0", since_us=asked_us, seconds=seconds)
    return Start(asked_us, marked_us, s0_us, limit_s)


def _plug_in(bench: Bench, connect: Callable[[], None]) -> tuple[int, int]:
    """A machine that starts by its charger: out and in again. Board time of asking and answer."""
    # Disarmed first: an armed jig takes a supply that goes away for a fault and trips.
    bench.jig.disarm()
    bench.operator.ask(bench, "disconnect-charger")
    bench.route(Route.OPEN)
    answer = bench.operator.ask(bench, "connect-charger")
    bench.wait(lambda: bench.jig.status().lines["supply_ok"] == 1, bench.machine.charger.contract_s)
    connect()
    return answer
