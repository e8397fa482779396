"""Starting the machine: off for certain, then the power button, then waiting for S0."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lidjig.jig_types import Route
from lidjig.procedures.base import Bench
from lidjig.procedures.lid import MARGIN_S
from lidjig.procedures.observe import Observer

OFF_S = 5.0  # after the operator has let go of the power button, off shows within this


@dataclass(frozen=True)
class Start:
    """One attempt to start. Board time in us; s0_us None = S0 never came."""

    asked_us: int
    marked_us: int
    s0_us: int | None
    limit_s: float

    @property
    def started(self) -> bool:
        return self.s0_us is not None

    def seconds(self) -> tuple[float, float, float] | None:
        """(value, low, high) of the time from the button to S0 in s: the press lies between question and answer."""
        if self.s0_us is None:
            return None
        low = max(0.0, (self.s0_us - self.marked_us) / 1e6)
        high = (self.s0_us - self.asked_us) / 1e6
        return low, low, high

    def told(self, how: str) -> str:
        """In one sentence with its number."""
        seconds = self.seconds()
        if seconds is None:
            since = f"of the operator's act (board time {self.marked_us / 1e6:.3f} s)"
            return f"{how}: the machine did not start within {self.limit_s + MARGIN_S:g} s {since}"
        when = f"{seconds[0]:.2f} to {seconds[2]:.2f} s after the operator acted"
        return f"{how}: the machine started, S0 {when} (limit {self.limit_s:g} s)"


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
    s0_us = observer.wait_state("S0", since_us=asked_us, seconds=(marked_us - asked_us) / 1e6 + limit_s + MARGIN_S)
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
