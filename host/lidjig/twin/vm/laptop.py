"""The model machine: charger contract, sensor rail, lid input, power states and what can be seen of them from outside.

Power states by their ACPI names: G3 no supply, S5 soft off, S0 working, S3 asleep. A transition takes a latency drawn
from a lognormal distribution; on the way the display light and the SLP lines change at stated fractions of it. What
that looks like from outside is face.py's and habits.py's part.
"""

from face import CONTRACT_MV
from habits import BETWEEN

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from face import Face
    from habits import Habits
    from kernel import Event, Kernel
    from receiver import Receiver
    from rng import Rng
    from wiring import Wiring

G3 = 0
S5 = 1
S0 = 2
S3 = 3
STATES = ("G3", "S5", "S0", "S3")

_OFF_FALL_US = 50000


class Laptop:
    """facts: integers for rail, lines, lid, charger, latencies, signatures and faults; see world.py."""

    def __init__(
        self, kernel: "Kernel", wiring: "Wiring", face: "Face", habits: "Habits", rng: "Rng", facts: "dict[str, Any]"
    ) -> None:
        self.kernel = kernel
        self.wiring = wiring
        self.face = face
        self.habits = habits
        self.facts = facts
        self.rng = rng
        self.state = G3
        self.receiver: Receiver | None = None  # of a machine whose sensor tells an angle
        self.busy = ""  # name of the transition that runs
        self.charger_mv = 0
        self.level = [0, 0]  # lid inputs, after the thresholds
        self.shut: bool | None = None  # the lid inputs after sampling; None = not sampled yet
        self.heard: bool | None = None  # the last change of them that the machine did not miss
        self.counts = {"starts": 0, "refused_starts": 0, "sleeps": 0, "wakes": 0, "missed": 0, "lid_changes": 0}
        self._raw_shut: bool | None = None
        self._sampling: Event | None = None
        self._pending: list[Event] = []  # events of a running transition
        self._contract: list[Event] = []

    # charger

    def connect_charger(self) -> None:
        if self._contract or self.charger_mv:
            return
        charger = self.facts["charger"]
        first = charger["first_us"]
        second = first + charger["second_us"]
        self._contract = [
            self.kernel.after(first, self._charger_level, 5000),
            self.kernel.after(second, self._charger_level, 20000),
        ]

    def _charger_level(self, mv: int) -> None:
        self.charger_mv = mv + mv * self.facts["charger"]["error_ppm"] // 1000000
        if mv == 5000:
            self.kernel.after(self.facts["rail_rise_us"], self._rail_on)
        self._show()
        if mv == 20000:
            self._contract = []
            if self.facts["auto_start_us"]:
                self.kernel.after(self.facts["auto_start_us"], self._button_pressed)

    def _rail_on(self, _argument: None) -> None:
        if self.charger_mv and self.state == G3:
            self.state = S5
            self.wiring.set_rail(self.facts["rail_mv"])
            self._sample_later()
            self._show()

    def disconnect_charger(self) -> None:
        for event in self._contract:
            event.cancel()
        self._contract = []
        self.charger_mv = 0
        self._abandon()
        self._show()
        self.kernel.after(_OFF_FALL_US, self._rail_off)

    def _rail_off(self, _argument: None) -> None:
        if self.charger_mv == 0:
            self.state = G3
            self.shut = self.heard = None
            self._raw_shut = None
            self.wiring.set_rail(0)
            self._show()

    def settle(self, state: int, charger: int) -> None:
        """As if it had been in this state for a long time. state: S5, S0 or S3 with the charger, else G3."""
        if charger:
            self._charger_level_quietly(20000)
            self.state = state
            self.wiring.rail_mv = self.facts["rail_mv"]

    def _charger_level_quietly(self, mv: int) -> None:
        self.charger_mv = mv + mv * self.facts["charger"]["error_ppm"] // 1000000

    def settled(self) -> None:
        """After the network was solved for the first time: believe what the lid inputs say."""
        if self._sampling is not None:
            self._sampling.cancel()
            self._sampling = None
        if self.state != G3:
            self.shut = self.heard = self._raw_shut = self._lines_say_shut()
        self._show()

    # lid input

    def lines(self, vb_mv: int, b1_mv: int, b2_mv: int) -> None:
        """The wiring says what the board's own ends of rail and lines are at."""
        facts = self.facts
        for k, mv in ((0, b1_mv), (1, b2_mv)):
            if mv * 1000 > facts["input_high_permille"] * vb_mv and vb_mv > 0:
                self.level[k] = 1
            elif mv * 1000 < facts["input_low_permille"] * vb_mv or vb_mv <= 0:
                self.level[k] = 0
        if self.state != G3 and self._lines_say_shut() != self._raw_shut:
            self._sample_later()

    def listen(self, receiver: "Receiver") -> None:
        """The sensor tells an angle: its receiver says what the lid does."""
        self.receiver = receiver
        receiver.changed = self._heard_angle
        receiver.begin()

    def _heard_angle(self) -> None:
        if self.state != G3 and self._lines_say_shut() != self._raw_shut:
            self._sample_later()

    def _lines_say_shut(self) -> bool:
        facts = self.facts
        if facts["ignores_lid"]:
            return False
        if self.receiver is not None:
            return self.receiver.shut
        shut = 0
        used = 0
        for k in (0, 1):
            line = facts["lines"][k]
            if line is not None and line["lid"]:
                used += 1
                if self.level[k] == line["active_high"]:
                    shut += 1
        return shut == used if facts["lid_all"] else shut > 0

    def _sample_later(self) -> None:
        # The controller samples on its own grid and believes a level after so many equal samples. A level that is gone
        # before that starts the count again, which is what cancelling does.
        self._raw_shut = self._lines_say_shut()
        if self._sampling is not None:
            self._sampling.cancel()
            self._sampling = None
        if self._raw_shut == self.shut:
            return
        period = self.facts["sample_us"]
        first = (self.kernel.now // period + 1) * period
        self._sampling = self.kernel.at(first + (self.facts["samples"] - 1) * period, self._sampled)

    def _sampled(self, _argument: None) -> None:
        self._sampling = None
        if self.state == G3:
            return
        known = self.shut is not None
        self.shut = self._raw_shut
        if not known:
            self.heard = self.shut
            return
        self.counts["lid_changes"] += 1
        miss_ppm = self.facts["miss_shut_ppm"] if self.shut else self.facts["miss_open_ppm"]
        if miss_ppm and self.rng.chance_ppm(miss_ppm):
            self.counts["missed"] += 1
            return
        self.heard = self.shut
        self._lid_acts()

    def _lid_acts(self) -> None:
        if self.busy:
            return
        if self.state == S0 and self.heard is not None and self.habits.lid(self.heard):
            return
        if self.state == S0 and self.heard:
            self._fall_asleep()
        elif self.state == S3 and self.heard is False and not self.facts["never_wakes"]:
            self._wake()

    # power button

    def press_button(self) -> None:
        self._button_pressed(None)

    def _button_pressed(self, _argument: None) -> None:
        if self.busy or self.charger_mv < CONTRACT_MV:
            return
        if self.state == S5:
            # A lid that is believed shut keeps the machine from starting.
            if self.facts["no_start"] or self.shut is not False:
                self.counts["refused_starts"] += 1
                return
            self._start()
        elif self.state == S3:
            self._wake()

    def force_off(self) -> None:
        if self.state in (S0, S3) or self.busy:
            self._abandon()
            self.state = S5
            self._show()

    # transitions

    def _abandon(self) -> None:
        for event in self._pending:
            event.cancel()
        self._pending = []
        self.busy = ""

    def _transition(self, name: str, state: int, slp_part: int, light_part: int) -> None:
        # slp_part, light_part: percent of the latency after which that sign of the new state shows.
        latency = self.facts["latency"][name]
        median, sigma_milli, low, high = latency
        us = min(high, max(low, self.rng.lognormal(median, sigma_milli)))
        self.busy = name
        self.habits.phase(BETWEEN)
        now = self.kernel.now
        sign = self.facts["sign"][state]
        self._pending = [
            self.kernel.at(now + us * slp_part // 100, self._show_slp, sign),
            self.kernel.at(now + us * light_part // 100, self.face.show_light, sign),
            self.kernel.at(now + us, self._arrive, state),
        ]

    def _start(self) -> None:
        self.counts["starts"] += 1
        self.face.show_current(self.facts["sign"][S0])
        self._transition("start", S0, self.facts["start_slp_percent"], 100)

    def _fall_asleep(self) -> None:
        self._transition("sleep", S3, 100, self.facts["sleep_light_percent"])

    def _wake(self) -> None:
        self._transition("wake", S0, self.facts["wake_slp_percent"], 100)

    def _arrive(self, state: int) -> None:
        if self.busy == "sleep":
            self.counts["sleeps"] += 1
        elif self.busy == "wake":
            self.counts["wakes"] += 1
        self.busy = ""
        self._pending = []
        self.state = state
        self._show()
        # A lid that moved during the transition acts now, unless that movement was missed.
        self._lid_acts()

    # what shows

    def _show(self) -> None:
        sign = self.facts["sign"][self.state]
        face = self.face
        self.habits.phase(self.state)
        self._show_slp(sign)
        face.show_light(sign)
        face.show_current(sign)
        face.show_charger(self.charger_mv)

    def _show_slp(self, sign: dict[str, int]) -> None:
        self.face.show_slp(sign, self.state != G3)
