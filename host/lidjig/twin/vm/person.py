"""The operator: does what a prompt asks after a reaction time, then presses the mark switch."""

import gpio as g

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from gpio import Gpio
    from kernel import Kernel
    from laptop import Laptop
    from rng import Rng
    from sensor import Lid
    from wiring import Wiring

    Done = Callable[[], None] | None  # called when the action has ended

_PRESS_US = 150000
_HOLD_US = 10000000
_BATTERY_WAIT_US = 10000000


def _angle_of(action: str) -> str:
    # The lid angle that an action is to set, in mdeg; "" where it sets none.
    name, _, angle = action.partition(" ")
    return angle if name in ("set-lid", "set-lid-back") and angle.isdigit() else ""


class Person:
    """facts: reaction_low_us, reaction_high_us, lid_us, open_mdeg, shut_mdeg, mark_after_us."""

    def __init__(
        self,
        kernel: "Kernel",
        gpio: "Gpio",
        wiring: "Wiring",
        machine: "Laptop",
        lid: "Lid",
        rng: "Rng",
        facts: dict[str, int],
    ) -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.wiring = wiring
        self.machine = machine
        self.lid = lid
        self.rng = rng
        self.facts = facts
        self.unknown: list[str] = []
        self.done: list[str] = []
        self._asked: list[str] = []
        self._acting = False
        self._do: dict[str, Callable[[Done], None]] = {
            "connect-charger": self._connect_charger,
            "disconnect-charger": self._disconnect_charger,
            "press-power": self._press_power,
            "force-off": self._force_off,
            "open-lid": self._open_lid,
            "shut-lid": self._shut_lid,
            "fit-plug": self._fit_plug,
            "remove-plug": self._remove_plug,
            "meter-to-supply": self._hold_lead,
            "meter-to-output": self._hold_lead,
            "meter-to-output-2": self._hold_lead,
        }

    def ask(self, action: str) -> bool:
        """Heard a prompt; False when it means nothing to this operator."""
        if action not in self._do and not _angle_of(action):
            self.unknown.append(action)
            return False
        self._asked.append(action)
        if not self._acting:
            self._next()
        return True

    def _next(self) -> None:
        if not self._asked:
            self._acting = False
            return
        self._acting = True
        facts = self.facts
        wait = self.rng.between(facts["reaction_low_us"], facts["reaction_high_us"])
        self.kernel.after(wait, self._act, self._asked.pop(0))

    def act(self, action: str) -> None:
        """Does it now, without reaction time or mark: a scenario's own event."""
        self._do[action](None)

    def _act(self, action: str) -> None:
        self.done.append(action)
        angle = _angle_of(action)
        if angle:
            self.lid.move(int(angle), self.facts["lid_us"], self._finished)
        else:
            self._do[action](self._finished)

    def _finished(self) -> None:
        self.kernel.after(self.facts["mark_after_us"], self._mark, 0)

    def _mark(self, level: int) -> None:
        self.wiring.mark_level = level
        self.gpio.set_input(g.MARK, level)
        if level == 0:
            self.kernel.after(_PRESS_US, self._mark, 1)
        else:
            self._next()

    def _later(self, done: "Done", us: int) -> None:
        if done:
            self.kernel.after(us, self._call, done)

    def _call(self, done: "Callable[[], None]") -> None:
        done()

    def _connect_charger(self, done: "Done") -> None:
        self.machine.connect_charger()
        self._later(done, 1)

    def _disconnect_charger(self, done: "Done") -> None:
        self.machine.disconnect_charger()
        self._later(done, _BATTERY_WAIT_US)

    def _press_power(self, done: "Done") -> None:
        self.machine.press_button()
        self._later(done, 1)

    def _force_off(self, done: "Done") -> None:
        self.kernel.after(_HOLD_US, self._held)
        self._later(done, _HOLD_US + 1)

    def _held(self, _argument: None) -> None:
        self.machine.force_off()

    def _open_lid(self, done: "Done") -> None:
        self.lid.move(self.facts["open_mdeg"], self.facts["lid_us"], done)

    def _shut_lid(self, done: "Done") -> None:
        self.lid.move(self.facts["shut_mdeg"], self.facts["lid_us"], done)

    def _fit_plug(self, done: "Done") -> None:
        self.wiring.fit_plug(1)
        self._later(done, 1)

    def _hold_lead(self, done: "Done") -> None:
        self._later(done, 1)

    def _remove_plug(self, done: "Done") -> None:
        self.wiring.fit_plug(0)
        self._later(done, 1)
