"""Quadrature, as a sensor gives it and as a machine's controller counts it: the model's own reading of the format.

Facts: codes, index_quarters, rate_max_hz, b_leads (lidjig.twin.facts). Times in cycles of 125 MHz.

A controller knows no position when it gets its supply: it counts from the first index on. Until then, and for good
where no index ever comes, it takes the lid for open, since it has to start (common practice, no source).
"""

import gpio as g
from angle_sensor import AngleSensor
from receiver import Receiver
from sensor import Lid
from wiring import OUT_HIGH, OUT_LEAK, OUT_LOW, OUT_OPEN, VB

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from world import World

CLK_PER_US = 125
_EVER = -(1 << 60)
_KEPT = 2048  # steps of the past: more than are put out between two looks of whoever counts
_SHORT_OF_MDEG = 350000
_TOGETHER = 16  # edges so close are one: what a controller's input filter does not tell apart


class Format:
    """Levels by code, and back."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        self.codes: int = facts["codes"]
        self.wide: int = facts["index_quarters"]
        self._b_leads: int = facts["b_leads"]
        self.step: int = -(-CLK_PER_US * 1000000 // facts["rate_max_hz"])

    def levels(self, code: int) -> tuple[int, int, int]:
        """Of A, B and index. Each square wave is high for half its period; the second comes a quarter later."""
        first = 1 if (code + 1) % 4 < 2 else 0
        second = 1 if code % 4 < 2 else 0
        a, b = (second, first) if self._b_leads else (first, second)
        return a, b, 1 if code < self.wide else 0

    def quarter(self, a: int, b: int) -> int:
        """Code modulo 4 that levels of A and B stand for."""
        first, second = (b, a) if self._b_leads else (a, b)
        if second:
            return 1 - first
        return 2 + first


class QuadratureSensor(AngleSensor):
    """Goes from one angle to the next step by step, none faster than it may turn."""

    def __init__(self, *arguments: "Any") -> None:
        AngleSensor.__init__(self, *arguments)
        # (since, code), ascending. Room for all of them is taken once: a list that grows step by step is copied each
        # time, and leaves holes of its old size in memory.
        self._steps: list[tuple[int, int]] = [(_EVER, 0)] * (_KEPT + 1)
        del self._steps[:]
        self._shown = 0  # code that the outputs stand for
        self._coming: list[tuple[int, int]] = []  # steps that are still to be shown, one by one
        self._walking = False

    def settle(self) -> None:
        AngleSensor.settle(self)
        self._steps[:] = [(_EVER, code) for _t, code in self._steps[-1:]]

    def _started(self, argument: None) -> None:
        del self._steps[:]
        self._coming = []
        AngleSensor._started(self, argument)

    def look(self) -> None:
        if not self._powered:
            return
        wanted, codes = self._code(), self._form.codes
        now = self.kernel.now * CLK_PER_US
        if not self._steps:
            self._steps.append((now, wanted))
            self._shown = wanted
        t, code = self._steps[-1]
        left = (wanted - code + codes // 2) % codes - codes // 2
        way = 1 if left > 0 else -1
        t = max(t + self._form.step, now)
        apart = self._form.step
        if left and self._listened():
            apart = max(apart, Lid.STEP_US * CLK_PER_US // abs(left))  # as a lid moves that does not go in steps
        new = []
        for _ in range(abs(left)):
            code = (code + way) % codes
            new.append((t, code))
            t += apart
        over = len(self._steps) + len(new) - _KEPT
        if over > 0:
            del self._steps[:over]
        self._steps += new
        self._show(new)

    def _listened(self) -> bool:
        # Somebody at the jig's inputs waits for edges.
        trigger = self.wiring.gpio.trigger
        return bool(trigger[g.SNS_S[0]] or trigger[g.SNS_S[1]])

    def _show(self, new: list[tuple[int, int]]) -> None:
        # The outputs go to the last step at once while nobody waits for an edge; else to each at its time.
        if new and self._listened():
            self._coming += new
            if not self._walking:
                self._walking = True
                self._walk_on()
        elif not self._coming:
            self._shown = self._steps[-1][1]
        self._publish()

    def _walk_on(self) -> None:
        self.kernel.at(-(-self._coming[0][0] // CLK_PER_US), self._walk)

    def _walk(self, _argument: None) -> None:
        now = self.kernel.now * CLK_PER_US
        while self._coming and self._coming[0][0] <= now:
            self._shown = self._coming.pop(0)[1]
        if self._coming:
            self._walk_on()
        else:
            self._walking = False
        self._publish()

    def _at(self, t: int) -> int:
        # Place of the last step until t.
        k = len(self._steps) - 1
        while k > 0 and self._steps[k][0] > t:
            k -= 1
        return k

    def _changes(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        # (level at begin, [(time, level), ...]) of conductor k: A, B, index.
        at = self._at(begin)
        first = level = self._form.levels(self._steps[at][1])[k]
        found = []
        for t, code in self._steps[at + 1 :]:
            if t > end:
                break
            after = self._form.levels(code)[k]
            if after != level:
                level = after
                found.append((t, level))
        return first, found

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        if not self._powered or self._facts["dead"]:
            return self.outputs[k], []
        first, changes = self._changes(k, begin, end)
        return self._state(first), [(t, self._state(level)) for t, level in changes]

    def index(self, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        """(level of the index at begin, [(time, level), ...]): low where nothing drives it."""
        if not self._powered or self._facts["dead"]:
            return 0, []
        return self._changes(2, begin, end)

    def _state(self, level: int) -> int:
        return OUT_HIGH if level else OUT_LOW

    def _publish(self) -> None:
        if self._facts["dead"]:
            states = [OUT_LEAK, OUT_LEAK]
        elif not self._powered or not self._steps:
            states = [OUT_OPEN, OUT_OPEN]
        else:
            states = [self._state(level) for level in self._form.levels(self._shown)[:2]]
        if states != self.outputs:
            self.outputs[:] = states
            self.wiring.update()

    def publish_first(self) -> None:
        self.outputs[:] = [OUT_LEAK if self._facts["dead"] else OUT_OPEN] * 2


SENSOR = QuadratureSensor


class Index:
    """The index's conductor at the machine: the jig's third buffer drives it, or the sensor while the relay joins both
    sides; else the machine's own pull holds it low.
    """

    def __init__(self, world: "World") -> None:
        self._world = world

    def edges(self, begin_us: int, _low_permille: int, _high_permille: int) -> tuple[int, list[tuple[int, int]]]:
        """(level at begin_us, [(time, level), ...] until now)."""
        world = self._world
        now = world.kernel.now
        if world.gpio.given(g.SCL) and world.wiring.buffered():
            changes = world.pio.edges(g.SDA, max(begin_us, 0), now)
            return 1 - changes[0][1] if changes else world.gpio.given(g.SDA), changes
        if world.wiring.joined() and isinstance(world.sensor, QuadratureSensor):
            return world.sensor.index(begin_us * CLK_PER_US, now * CLK_PER_US)
        return 0, []


class Counter(Receiver):
    """The machine's controller: counts every step, and knows where it is from the first index on."""

    def __init__(self, world: "World", lines: "list[Any]", facts: "dict[str, Any]") -> None:
        self._wiring = world.wiring
        self._lines = lines
        self._levels = [0, 0, 0]
        self._quarter = -1
        self._heard_us = 0
        self.code = -1  # -1: not known
        self.lost = 0  # times that both channels changed at once
        Receiver.__init__(self, world.kernel, lines[0], Format(facts), facts)

    def look(self) -> None:
        """Counts what has come since the last look."""
        facts = self._facts
        begin_us, self._heard_us = self._heard_us, self._kernel.now
        if not self._wiring.mv[VB]:
            self.code = self._quarter = self.angle_mdeg = -1
            self.shut = False
            return
        moves = []
        try:
            for k in range(3):
                level, edges = self._lines[k].edges(begin_us, facts["low_permille"], facts["high_permille"])
                moves.append((begin_us * CLK_PER_US, k, level))
                moves += [(t, k, level) for t, level in edges]
        except ValueError:
            # More of them than the bench keeps, as when a counter runs over.
            self.lost += 1
            self.code = self._quarter = -1
            return
        moves.sort()
        t_before = moves[0][0]
        for t, k, level in moves:
            if t > t_before + _TOGETHER:
                self._count()
            t_before = t
            self._levels[k] = level
        self._count()
        if self.code < 0:
            self.unread += 1
            return
        angle = self._angle(self.code)
        if angle > _SHORT_OF_MDEG:
            angle -= 360000  # a little short of 0, not a turn past it
        self.believe(angle)

    def _count(self) -> None:
        a, b, index = self._levels
        quarter = self._form.quarter(a, b)
        step = (quarter - self._quarter + 1) % 4 - 1 if self._quarter >= 0 else 0
        self._quarter = quarter
        if step == 2:
            self.lost += 1
            self.code = -1
        elif self.code >= 0:
            self.code = (self.code + step) % self._form.codes
        if index and quarter < self._form.wide:
            self.code = quarter


def listen(world: "World", facts: "dict[str, Any]") -> Counter:
    """The controller of a machine that was built for such a sensor."""
    lines: list[Any] = [world.line_of(0), world.line_of(1), Index(world)]
    for k in (0, 1):
        world.gpio.live[g.SNS_M[k]] = lines[k].sensed
    world.add_wave("index", lines[2])
    return Counter(world, lines, facts)
