"""The real sensor on the hinge: a magnet that turns with the lid, and one or two switch outputs.

The chip looks at its field angle once per update period. An output is operated and released at the angles of its
profile, with what lies between as hysteresis. Without supply its outputs are open.
"""

from wiring import OUT_HIGH, OUT_LEAK, OUT_LOW, OUT_OPEN

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from kernel import Event, Kernel
    from rng import Rng
    from wiring import Wiring

DRIVE_PUSH_PULL = 1


class Output:
    """One switch output; row: operate_mdeg, release_mdeg, push_pull, active_high, stuck (-1 no, 0 open, 1 shut)."""

    def __init__(self, row: dict[str, int]) -> None:
        self.row = row
        self.operated = 0
        self.wrong = 0  # 1 while an intermittent fault holds it in the wrong state

    def look(self, field_mdeg: int) -> None:
        row = self.row
        operate, release = row["operate_mdeg"], row["release_mdeg"]
        if operate <= release:
            if field_mdeg <= operate:
                self.operated = 1
            elif field_mdeg >= release:
                self.operated = 0
        elif field_mdeg >= operate:
            self.operated = 1
        elif field_mdeg <= release:
            self.operated = 0

    def code(self, powered: bool) -> int:
        row = self.row
        if row["dead"]:
            return OUT_LEAK
        if not powered:
            return OUT_OPEN
        operated = self.operated if row["stuck"] < 0 else row["stuck"]
        active = operated ^ self.wrong
        level = row["active_high"] if active else 1 - row["active_high"]
        if row["push_pull"]:
            return OUT_HIGH if level else OUT_LOW
        # Open drain pulls low for its low level and lets go for its high level.
        return OUT_OPEN if level else OUT_LOW


class Sensor:
    """facts: fitted, min_mv, update_us, outputs, gain_ppm, offset_mdeg, intermittent (interval, duration, which)."""

    def __init__(self, kernel: "Kernel", wiring: "Wiring", rng: "Rng", facts: "dict[str, Any]", lid: "Lid") -> None:
        self.kernel = kernel
        self.wiring = wiring
        self.facts = facts
        self.outputs = [OUT_OPEN, OUT_OPEN]  # codes, read by the wiring
        self._rng = rng
        self._lid = lid
        self._powered = False
        self._starting: Event | None = None
        self._outputs = [Output(row) for row in facts["outputs"]]
        self.drops = 0
        if facts["glitch_interval_us"]:
            self._plan_glitch()

    def supplied(self, vs_mv: int) -> None:
        """The wiring says what the supply at the sensor is."""
        enough: bool = vs_mv >= self.facts["min_mv"]
        if enough and not self._powered:
            if self._starting is None:
                self._starting = self.kernel.after(self.facts["start_us"], self._started)
        elif not enough:
            if self._starting is not None:
                self._starting.cancel()
                self._starting = None
            if self._powered:
                self._powered = False
                self._publish()

    def settle(self) -> None:
        """Powered for a long time already, output as the lid is now."""
        if self._starting is not None:
            self._starting.cancel()
            self._started(None)

    def _started(self, _argument: None) -> None:
        self._starting = None
        self._powered = True
        for output in self._outputs:
            output.operated = 0
        self.look()

    def moved(self) -> None:
        """The lid moved: the next look falls on the chip's own update grid."""
        update = self.facts["update_us"]
        now = self.kernel.now
        self.kernel.at((now // update + 1) * update, self._look_due)

    def _look_due(self, _argument: None) -> None:
        self.look()

    def field_mdeg(self) -> int:
        """Field angle that belongs to the lid's angle: the magnet's mounting and strength enter here."""
        facts = self.facts
        gain_ppm: int = facts["gain_ppm"]
        offset_mdeg: int = facts["offset_mdeg"]
        return self._lid.angle_mdeg * gain_ppm // 1000000 + offset_mdeg

    def look(self) -> None:
        if self._powered:
            field = self.field_mdeg()
            for output in self._outputs:
                output.look(field)
            self._publish()

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        """(what output k does at begin, [(time, what it does from then on), ...]): a switch rests."""
        return self.outputs[k], []

    def _publish(self) -> None:
        changed = False
        for k in range(len(self._outputs)):
            code = self._outputs[k].code(self._powered)
            if code != self.outputs[k]:
                self.outputs[k] = code
                changed = True
        if changed:
            self.wiring.update()

    def publish_first(self) -> None:
        """What the outputs do before anything happened (a dead one already leaks)."""
        for k in range(len(self._outputs)):
            self.outputs[k] = self._outputs[k].code(self._powered)

    # intermittent contact

    def _plan_glitch(self) -> None:
        self.kernel.after(self._rng.exponential(self.facts["glitch_interval_us"]), self._glitch_begins)

    def _glitch_begins(self, _argument: None) -> None:
        self.drops += 1
        for k in range(len(self._outputs)):
            if self.facts["glitch_outputs"] >> k & 1:
                self._outputs[k].wrong = 1
        self._publish()
        self.kernel.after(self._rng.exponential(self.facts["glitch_us"]), self._glitch_ends)

    def _glitch_ends(self, _argument: None) -> None:
        for output in self._outputs:
            output.wrong = 0
        self._publish()
        self._plan_glitch()


class Lid:
    """The real lid; moved by the operator, smoothly, in small steps."""

    STEP_US = 5000

    sensor: Sensor  # told of every step

    def __init__(self, kernel: "Kernel", angle_mdeg: int) -> None:
        self.kernel = kernel
        self.angle_mdeg = angle_mdeg
        self.moved: Callable[[], None] | None = None  # called when the movement has ended
        self._from = angle_mdeg
        self._to = angle_mdeg
        self._began = 0
        self._duration = 1

    def move(self, angle_mdeg: int, duration_us: int, done: "Callable[[], None] | None") -> None:
        self._from, self._to = self.angle_mdeg, angle_mdeg
        self._began, self._duration = self.kernel.now, max(1, duration_us)
        self.moved = done
        self.kernel.after(self.STEP_US, self._step)

    def _step(self, _argument: None) -> None:
        elapsed = self.kernel.now - self._began
        if elapsed >= self._duration:
            self.angle_mdeg = self._to
        else:
            # Smooth start and stop: 3 x^2 - 2 x^3 in thousandths.
            x = elapsed * 1000 // self._duration
            self.angle_mdeg = self._from + (self._to - self._from) * x * x * (3000 - 2 * x) // 1000000000
            self.kernel.after(self.STEP_US, self._step)
        self.sensor.moved()
        if elapsed >= self._duration and self.moved:
            done, self.moved = self.moved, None
            done()
