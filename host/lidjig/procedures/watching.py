"""Watch: look at the bench and touch nothing. Nothing is loaded, armed, driven or cleared: a trip can be read here."""

from __future__ import annotations

import binascii
from collections.abc import Callable
from dataclasses import dataclass

from lidjig.errors import TRIP_ADVICE
from lidjig.jig_types import LinkState, Lock, Status
from lidjig.measure import adc
from lidjig.measure.estimate import Estimate
from lidjig.procedures.base import Bench, Procedure, Stopped
from lidjig.procedures.observe import Observer
from lidjig.procedures.report import Declared

EVERY_S = 0.25
READINGS = 4


@dataclass(frozen=True)
class Look:
    """The bench at one moment. levels: digital lines; showing: observer -> band or level, None = not heard;
    readings: analog channels in their units; signals: observer -> (the machine's name for it, level); link: what became
    of the link since the look before, or ""."""

    t_us: int
    state: str
    lock: str
    why: str  # why the jig is not armed, or ""
    route: str
    angle_deg: float | None  # None = no sensor profile in force, so there is no angle
    moving: bool
    supply_v: float
    levels: dict[str, int]
    showing: dict[str, int | None]
    readings: dict[str, Estimate]
    signals: dict[str, tuple[str, int]]
    link: str


class Watching(Procedure):
    """view is given a look every EVERY_S; seconds: None = until stopped, which is then its ordinary end."""

    command = "watch"

    def __init__(self, bench: Bench, view: Callable[[Look], None], seconds: float | None = None) -> None:
        self._view, self.seconds = view, seconds
        super().__init__(bench)
        sensor_lines = tuple(f"sensor_{output.line}" for output in bench.sensor.output)
        machine_lines = tuple(f"machine_{number}" for number in bench.machine.line_numbers())
        self._lines = (*machine_lines, *sensor_lines)
        self.observer = Observer(bench, self._lines)
        self._looked = 0
        self._link: list[str] = []  # changes of the link not shown yet
        bench.jig.on_link.append(self._hear_link)

    def declare(self) -> list[Declared]:
        """Nothing is judged here."""
        return [Declared("looks", "1", None, None, "looks taken")]

    def prepare(self) -> None:
        """The jig stays as it is found; where it has other profiles in force than those named, that is said."""
        status = self.bench.jig.status()
        sensor, machine = self.bench.sensor, self.bench.machine
        for kind, named, crc, blob in (
            ("sensor profile", sensor.name, status.profile_crc, sensor.to_blob()),
            ("wiring", machine.name, status.wiring_crc, machine.wiring_blob()),
        ):
            if crc == 0:
                self._say(f"the jig has no {kind} in force; {named} is loaded by the next command that drives")
            elif crc != binascii.crc32(blob):
                self._say(f"the {kind} in force on the jig is not that of {named}: angle and outputs follow the jig's")
        self.observer.start()

    def _say(self, text: str) -> None:
        self.bench.progress.say(text)
        self.note(text)

    def _hear_link(self, state: LinkState, text: str) -> None:
        self._link.append(f"link {state.value}: {text}")

    def work(self) -> None:
        """Look, show, wait."""
        clock = self.bench.jig.clock
        began_s = clock.now_s()
        try:
            while self.seconds is None or clock.now_s() - began_s < self.seconds:
                self._view(self._look())
                self._looked += 1
                self.bench.idle(EVERY_S)
        except Stopped:
            if self.seconds is not None:
                raise
        finally:
            if self._looked:
                self.sheet.set("looks", self._looked)

    def _look(self) -> Look:
        jig, machine = self.bench.jig, self.bench.machine
        readings: dict[str, Estimate] = {}
        for channel in ("sensor_supply", *machine.analog()):
            measured = self.bench.measure(channel, READINGS)
            readings[channel] = adc.to_unit(channel, measured.mean_raw, measured.sd_raw, measured.n)
        status = jig.status()
        link, self._link = "; ".join(self._link), []
        return Look(
            t_us=status.t_us,
            state=self.observer.state,
            lock=status.lock.text,
            why=why_not_armed(status),
            route=status.route.text,
            angle_deg=status.angle_deg if status.profile_crc else None,
            moving=status.moving,
            supply_v=status.supply_mv / 1000.0,
            levels={name: status.lines[name] for name in self._lines},
            showing=self.observer.showing,
            readings=readings,
            signals={name: (observer.signal, status.lines[name]) for name, observer in machine.digital().items()},
            link=link,
        )

    def conclude(self) -> None:
        """Nothing: that is said, so that nobody reads the end of a look as a verdict."""
        self.note("nothing was judged: this only shows the bench")

    def restore(self) -> None:
        """Stop watching; the jig was not touched."""
        self.bench.jig.on_link.remove(self._hear_link)
        self.observer.stop()


def why_not_armed(status: Status) -> str:
    """Why the jig does not drive, with what to do after a trip; "" while it is armed."""
    if status.lock == Lock.ARMED:
        return ""
    advice = TRIP_ADVICE.get(int(status.reason))
    if status.lock == Lock.TRIPPED:
        cause = f"{advice.cause}. {advice.todo}" if advice else f"reason {status.reason.text}"
        return f"tripped at {status.trip_t_us / 1e6:.3f} s: {cause}"
    return f"at rest ({status.reason.text})" if status.reason else "at rest"
