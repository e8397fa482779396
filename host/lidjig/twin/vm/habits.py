"""Habits of the machine that make its power states harder to see. Each is off unless the scenario asks for it.

Charging with taper, a screen that dims, an external display that keeps it awake, a power light that blinks while it
sleeps, background work while it sleeps, slow drift, a fan with a tachometer. How a battery hides the supply current
stands in face.py, since nothing changes it in a run.
"""

from face import CONTRACT_MV
from rng import exp_micro

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from face import Face
    from kernel import Event, Kernel
    from rng import Rng

# Phases: the machine's power states by number (laptop.py), and what lies between two of them.
_S0 = 2
_S3 = 3
BETWEEN = -1

_SLOW_US = 100000
_CHARGE_END_PERCENT = 5  # charging ends when its current has fallen to this part: common practice, no source


class Habits:
    """facts: see lidjig.twin.facts, "habits"."""

    def __init__(self, kernel: "Kernel", rng: "Rng", face: "Face", facts: "dict[str, Any]") -> None:
        self.kernel = kernel
        self.facts = facts
        self.phase_now = BETWEEN
        self._rng = rng
        self._face = face
        self._planned: dict[str, Event] = {}  # what the present phase still has to come
        self._charged_us = 0
        self._fan = Fan(kernel, face, rng, facts["fan"]) if facts["fan"] else None

    def begin(self) -> None:
        """Once, when the bench has settled: it has been as it is for a long time."""
        if self._fan is not None:
            self._fan.settle()
        if self.facts["charging"] or self.facts["drift"]:
            self._slow(None)

    # phases

    def phase(self, phase: int) -> None:
        """The machine has arrived in a power state, or leaves one (BETWEEN)."""
        if phase == self.phase_now:
            return
        self.phase_now = phase
        for name in self._planned:
            self._planned[name].cancel()
        self._planned = {}
        face, facts = self._face, self.facts
        face.glow_permille = face.burst_ua = 0
        if phase == BETWEEN:
            # A dimmed screen stays so until it goes off; the machine shows what an arrival changes by itself.
            face.put_light()
            face.put_current()
            return
        face.dark = False
        face.dim_percent, face.less_ua = 100, 0
        if self._fan is not None:
            self._fan.wanted(phase == _S0)
        if phase == _S0:
            self._dim_later()
        elif phase == _S3:
            if facts["power_light"]:
                self._glow(1)
            if facts["background"]:
                self._burst_later()

    def _later(self, name: str, us: int, call: "Callable[[Any], object]", argument: object = None) -> None:
        before = self._planned.get(name)
        if before is not None:
            before.cancel()
        self._planned[name] = self.kernel.after(us, call, argument)

    # screen

    def _dim_later(self) -> None:
        if self.facts["screen"]:
            self._later("dim", self.facts["screen"]["after_us"], self._dim)

    def _dim(self, _argument: None) -> None:
        face, screen = self._face, self.facts["screen"]
        if not face.dark:
            face.dim_percent, face.less_ua = screen["percent"], screen["less_ua"]
            face.put_light()
            face.put_current()

    def lid(self, shut: bool) -> bool:
        """The machine works and its lid moved. True where an external display keeps it awake."""
        external = self.facts["external_display"]
        if not external:
            return False
        self._later("screen", external["off_us"], self._screen, shut)
        return True

    def _screen(self, dark: bool) -> None:
        face = self._face
        if face.dark == dark:
            return
        face.dark = dark
        face.dim_percent = 100
        face.less_ua = self.facts["external_display"]["less_ua"] if dark else 0
        face.put_light()
        face.put_current()
        if not dark:
            self._dim_later()

    # asleep

    def _glow(self, on: int) -> None:
        light = self.facts["power_light"]
        self._face.glow_permille = light["permille"] if on else 0
        self._face.put_light()
        self._later("glow", light["on_us"] if on else light["period_us"] - light["on_us"], self._glow, 1 - on)

    def _burst_later(self) -> None:
        period_us = self.facts["background"]["period_us"]
        self._later("burst", self._rng.between(period_us * 4 // 5, period_us * 6 // 5), self._burst, 1)

    def _burst(self, on: int) -> None:
        background = self.facts["background"]
        self._face.burst_ua = background["ua"] if on else 0
        self._face.put_current()
        if on:
            self._later("burst", background["on_us"], self._burst, 0)
        else:
            self._burst_later()

    # slowly, in every state

    def _slow(self, _argument: None) -> None:
        face, facts = self._face, self.facts
        if facts["charging"]:
            face.charge_ua = self._charge_ua(facts["charging"])
            if face.charger_mv >= CONTRACT_MV:
                self._charged_us += _SLOW_US
        if facts["drift"]:
            part = triangle_permille(self.kernel.now, facts["drift"]["period_us"])
            face.drift_light = facts["drift"]["light"] * part // 1000
            face.drift_ua = facts["drift"]["ua"] * part // 1000
        face.put_light()
        face.put_current()
        self.kernel.after(_SLOW_US, self._slow)

    def _charge_ua(self, charging: dict[str, int]) -> int:
        # Constant current, then constant voltage: the current falls exponentially.
        over_us = self._charged_us - charging["constant_us"]
        full_ua = charging["ua"]
        if over_us <= 0:
            return full_ua
        if over_us > 4 * charging["taper_us"]:
            return 0
        ua = int(full_ua * exp_micro(-over_us * 1000000 // charging["taper_us"]))
        return ua if ua * 100 >= full_ua * _CHARGE_END_PERCENT else 0


class Fan:
    """A fan with a tachometer: runs while the machine works, takes time to get there and to stop."""

    def __init__(self, kernel: "Kernel", face: "Face", rng: "Rng", facts: dict[str, int]) -> None:
        self.kernel = kernel
        self.rate_mhz = 0  # thousandths of a pulse a second
        self._face = face
        self._rng = rng
        self._facts = facts
        self._wanted_mhz = 0
        self._level = 0
        self._turned_us = 0
        self._running = False
        self._next: Event | None = None

    def settle(self) -> None:
        """At the rate that is wanted for a long time already."""
        self.rate_mhz = self._wanted_mhz
        if self._next is not None:
            self._next.cancel()
            self._turn(None)

    def wanted(self, on: bool) -> None:
        self._wanted_mhz = self._facts["mhz"] if on else 0
        if on and not self._running:
            self._running = True
            self._turned_us = self.kernel.now
            self._turn(None)

    def _turn(self, _argument: None) -> None:
        # Half a pulse has passed. Below a twentieth of its rate a fan is taken to stand.
        facts, now = self._facts, self.kernel.now
        full = facts["mhz"]
        passed_us = now - self._turned_us
        self._turned_us = now
        if self.rate_mhz < self._wanted_mhz:
            self.rate_mhz = min(self._wanted_mhz, self.rate_mhz + full * passed_us // facts["up_us"])
        elif self.rate_mhz > self._wanted_mhz:
            self.rate_mhz = max(self._wanted_mhz, self.rate_mhz - full * passed_us // facts["down_us"])
        slowest = full // 20
        if self.rate_mhz < slowest and not self._wanted_mhz:
            self._running = False
            self.rate_mhz = self._level = 0
            self._face.show_tach(0)
            return
        self._level = 1 - self._level
        self._face.show_tach(self._level)
        half_us = 500000000 // max(self.rate_mhz, slowest, 1)
        self._next = self.kernel.after(half_us * self._rng.between(990, 1010) // 1000, self._turn)


def triangle_permille(t_us: int, period_us: int) -> int:
    """A triangle of that period: 0, 1000, 0, -1000, 0."""
    quarter = t_us % period_us * 4000 // period_us
    if quarter < 1000:
        return quarter
    return 2000 - quarter if quarter < 3000 else quarter - 4000
