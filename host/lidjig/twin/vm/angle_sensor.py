"""A real sensor that tells an angle: what its output carries, frame by frame, as the lid moves."""

from sensor import Sensor
from wiring import OUT_HIGH, OUT_LEAK, OUT_LOW, OUT_OPEN

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from kernel import Kernel
    from rng import Rng
    from sensor import Lid
    from wiring import Wiring

CLK_PER_US = 125
_EVER = -(1 << 60)
_KEPT = 256  # codes of the past: more than fall into what anybody looks back over
_TURN_MDEG = 360000


class AngleSensor(Sensor):
    """facts["angle"]: the transfer (zero_mdeg, span_mdeg, codes, down, wrap), errors_mdeg (in even steps over a turn),
    errors_turn (1: beyond it they begin anew), push_pull, dead, stuck_mdeg (-1: no), wrong_mdeg (what an intermittent
    fault shows), no_magnet (1: for its format to tell), and the format's own; form: the format.
    """

    def __init__(
        self, kernel: "Kernel", wiring: "Wiring", rng: "Rng", facts: "dict[str, Any]", lid: "Lid", form: "Any"
    ) -> None:
        Sensor.__init__(self, kernel, wiring, rng, facts, lid)
        self._form = form
        self._facts: dict[str, Any] = facts["angle"]
        self._codes: list[tuple[int, int]] = []  # (since, code), ascending
        self._since = _EVER  # its frames began then
        self._wrong = False

    def settle(self) -> None:
        """Powered for a long time already: frames have always been there."""
        Sensor.settle(self)
        self._since = _EVER
        self._codes = [(_EVER, code) for _t, code in self._codes[-1:]]

    def _started(self, argument: None) -> None:
        self._since = self.kernel.now * CLK_PER_US
        self._codes = []
        Sensor._started(self, argument)

    def look(self) -> None:
        if not self._powered:
            return
        code = self._code()
        if not self._codes or code != self._codes[-1][1]:
            self._codes.append((self.kernel.now * CLK_PER_US, code))
            del self._codes[:-_KEPT]
        self._publish()

    def _code(self) -> int:
        facts = self._facts
        angle = self.field_mdeg()
        if facts["stuck_mdeg"] >= 0:
            angle = facts["stuck_mdeg"]
        if self._wrong:
            angle = facts["wrong_mdeg"]
        steps = facts["codes"] if facts["wrap"] else facts["codes"] - 1
        along = angle + self._error(angle) - facts["zero_mdeg"]
        code: int = (2 * along * steps + facts["span_mdeg"]) // (2 * facts["span_mdeg"])
        if facts["down"]:
            code = steps - code
        codes: int = facts["codes"]
        return code % codes if facts["wrap"] else min(max(code, 0), codes - 1)

    def _error(self, angle: int) -> int:
        errors = self._facts["errors_mdeg"]
        step = _TURN_MDEG // (len(errors) - 1)
        along = angle % _TURN_MDEG if self._facts["errors_turn"] else min(max(angle, 0), _TURN_MDEG)
        at = min(along // step, len(errors) - 2)
        error: int = errors[at] + (errors[at + 1] - errors[at]) * (along - at * step) // step
        return error

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        """(what output k does at begin, [(time, what it does from then on), ...]); cycles of 125 MHz, until end."""
        if k or not self._powered or self._facts["dead"]:
            return self.outputs[k], []
        first = OUT_OPEN
        found = []
        for t, level in self._form.frames(self._code_at, max(begin, self._since), end):
            if t < self._since:
                continue  # of a frame that would have begun before it had its supply
            if t <= begin:
                first = self._state(level)
            else:
                found.append((t, self._state(level)))
        return first, found

    def _code_at(self, t: int) -> int:
        k = len(self._codes) - 1
        while k > 0 and self._codes[k][0] > t:
            k -= 1
        return self._codes[k][1]

    def _state(self, level: int) -> int:
        if not level:
            return OUT_LOW
        return OUT_HIGH if self._facts["push_pull"] else OUT_OPEN

    def _publish(self) -> None:
        # What the network is solved for between looks: an output that carries frames counts as high.
        state = OUT_LEAK if self._facts["dead"] else self._state(1) if self._powered else OUT_OPEN
        if state != self.outputs[0]:
            self.outputs[0] = state
            self.wiring.update()

    def publish_first(self) -> None:
        self.outputs[0] = OUT_LEAK if self._facts["dead"] else OUT_OPEN

    # intermittent contact

    def _glitch_begins(self, argument: None) -> None:
        self._wrong = True
        Sensor._glitch_begins(self, argument)
        self.look()

    def _glitch_ends(self, argument: None) -> None:
        self._wrong = False
        Sensor._glitch_ends(self, argument)
        self.look()
