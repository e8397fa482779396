"""SSI, as a sensor answers it and as a machine's controller asks for it: the model's own reading of the format.

Facts: status, clock_max_hz, out_falling (lidjig.twin.facts). Times in cycles of 125 MHz.

The controller selects, clocks one word and takes each bit at the other edge than the sensor puts it out. Between words
it lets go of the clock, which its pull keeps high; data is high while nobody is selected (common practice, no source).
"""

import gpio as g
from angle_sensor import AngleSensor
from receiver import Receiver
from wiring import M2, OUT_LEAK, OUT_OPEN, S2, VB, VM

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from world import World

CLK_PER_US = 125
BITS = 24
_CLOCK_HZ = 500000  # of the controller, where the sensor follows that
_SETTLE = 125  # from select to the clock, and back
_DELAY = 5  # of a sensor, from the clock's edge to its data
_TRACK_LOST = 8
_WEAK = 2  # of the field; which of its values is weak: the same, in third-party drivers
_KEPT = 512  # edges of the clock, and of select, that are looked back over
_WORDS_KEPT = 16


class Format:
    """The word. Status and check: MagnTek MT6701 data sheet, 7.8.2."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._status: int = _WEAK if facts.get("no_magnet") else facts["status"]

    def word(self, code: int) -> int:
        told = code << 4 | self._status
        return told << 6 | self.check(told)

    def check(self, told: int) -> int:
        """CRC-6, x^6 + x + 1, over 18 bits: a shift register that takes them one by one, the highest first."""
        register = 0
        for place in range(17, -1, -1):
            feedback = register >> 5 ^ told >> place & 1
            register = register << 1 & 63
            if feedback:
                register ^= 3
        return register

    def hear(self, word: int) -> int:
        """Code of a word; -1: its check is wrong, or it says itself that its angle is none."""
        told = word >> 6
        if self.check(told) != word & 63 or told & _TRACK_LOST:
            return -1
        return told >> 4


class SsiSensor(AngleSensor):
    """Puts out a bit at each edge that a controller gives it: the machine's, which tells all of them beforehand
    (clocked()), or the jig's, whose edges come one by one.
    """

    def __init__(self, *arguments: "Any") -> None:
        AngleSensor.__init__(self, *arguments)
        self._clock = 0  # level of the line that the jig clocks
        self._word = 0
        self._place = -1  # bits of the jig's word that are out; -1: not selected
        self._bit = 1
        self._asked: list[tuple[int, list[int], int]] = []  # (selected, when bits come out, let go)

    def clocked(self, selected: int, out: "list[int]", let_go: int) -> None:
        """A controller is about to clock a word."""
        self._asked.append((selected, out, let_go))
        del self._asked[:-_WORDS_KEPT]

    def selected(self, select: int) -> None:
        """The jig's select line: low for a word."""
        self._place = -1
        self._bit = 1
        if not select and self._powered:
            self._word = self._form.word(self._codes[-1][1])
            self._place = 0
        self._publish()

    def supplied(self, vs_mv: int) -> None:
        AngleSensor.supplied(self, vs_mv)
        if not self._powered:
            self._place = -1
            self._bit = 1
        clock = 1 if 0 < vs_mv < 2 * self.wiring.mv[S2] else 0
        if clock != self._clock:
            self._clock = clock
            if self._place >= 0 and clock != self._facts["out_falling"]:
                self._next_bit()

    def _next_bit(self) -> None:
        self._bit = self._word >> BITS - 1 - self._place & 1 if self._place < BITS else 1
        self._place += 1
        self._publish()

    def _publish(self) -> None:
        state = OUT_LEAK if self._facts["dead"] else self._state(self._bit) if self._powered else OUT_OPEN
        if state != self.outputs[0]:
            self.outputs[0] = state
            self.wiring.update()

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        if k or not self._powered or self._facts["dead"] or self._place >= 0:
            return self.outputs[k], []
        level = 1
        rows = []
        for selected, out, let_go in self._asked:
            if selected < self._since:
                continue
            word = self._form.word(self._code_at(selected))
            for place in range(BITS):
                rows.append((out[place] + _DELAY, word >> BITS - 1 - place & 1))
            rows.append((let_go + _DELAY, 1))
        found = []
        for t, after in rows:
            if t > end:
                break
            if t > begin and after != level:
                found.append((t, self._state(after)))
            level = after
        before = [after for t, after in rows if t <= begin]
        return self._state(before[-1] if before else 1), found


SENSOR = SsiSensor


class Select:
    """The conductor by which the jig selects a sensor, from the pin of observer 2 through 10 kohm. A resistor at the
    sensor's connector keeps it high while that is an input.
    """

    def __init__(self, world: "World") -> None:
        self._world = world
        world.gpio.on_output[g.OBS[1]] = self._moved
        world.wiring.select_out = 1

    def _moved(self, n: int) -> None:
        world = self._world
        world.kernel.pause_isr()
        try:
            sensor = world.sensor
            if isinstance(sensor, SsiSensor):
                sensor.selected(world.gpio.out[n] if world.gpio.mode[n] else 1)
        finally:
            world.kernel.resume_isr()


def fit(world: "World", _facts: "dict[str, Any]") -> None:
    """What the jig has to read such a sensor."""
    Select(world)


class Conductor:
    """The machine's clock or its select line: what it has given, and high at rest."""

    def __init__(self, world: "World", pin: int) -> None:
        self._world = world
        self._pin = pin
        self._edges: list[tuple[int, int]] = []

    def put(self, t: int, level: int, reaches: bool) -> None:
        """From t on. reaches: the jig gets it."""
        self._edges.append((t, level))
        del self._edges[:-_KEPT]
        if reaches:
            self._world.pio.feed(self._pin, [(t, level)])

    def edges(self, begin_us: int, _low_permille: int, _high_permille: int) -> tuple[int, list[tuple[int, int]]]:
        """(level at begin_us, [(time, level), ...] until now)."""
        begin, now = begin_us * CLK_PER_US, self._world.kernel.now * CLK_PER_US
        before = [level for t, level in self._edges if t <= begin]
        return before[-1] if before else 1, [(t, level) for t, level in self._edges if begin < t <= now]


class Asking(Receiver):
    """The machine's controller: one word every sample_us."""

    def __init__(self, world: "World", facts: "dict[str, Any]") -> None:
        Receiver.__init__(self, world.kernel, world.line_of(0), Format(facts), facts)
        self._world = world
        self._half = CLK_PER_US * 500000 // min(_CLOCK_HZ, facts["clock_max_hz"])
        self.clock = Conductor(world, g.SNS_M[1])
        self.select = Conductor(world, g.OBS[0])
        self._begun = 0  # of the word
        self._taken: list[int] = []  # when its bits are taken

    def _look(self, _argument: None) -> None:
        self._kernel.after(self._facts["sample_us"], self._look)
        if not self._world.wiring.mv[VB]:
            self.angle_mdeg = -1
            self.shut = False
            self.changed()
            return
        end = self._ask()
        self._kernel.after(end // CLK_PER_US + 2 - self._kernel.now, self._heard)

    def _ask(self) -> int:
        # Gives the edges of a word, ahead of the time; when it ends.
        wiring = self._world.wiring
        line = wiring.facts["lines"][1]
        # The line must rest high at the jig, and be free to fall.
        reaches = 2 * wiring.mv[M2] > wiring.mv[VM] and not (line and line["short_supply_mohm"])
        falling = self._facts["out_falling"]
        self._begun = self._kernel.now
        t = self._begun * CLK_PER_US + _SETTLE
        selected = t
        t += _SETTLE
        falls, rises = [], []
        # Where bits come out at the rise, a last fall is there to take the last of them.
        for _ in range(BITS if falling else BITS + 1):
            falls.append(t)
            rises.append(t + self._half)
            t += 2 * self._half
        let_go = t + _SETTLE
        out = falls[:BITS] if falling else rises[:BITS]
        sensor = self._world.sensor
        if reaches and wiring.joined() and isinstance(sensor, SsiSensor):
            sensor.clocked(selected, out, let_go)
        self.select.put(selected, 0, True)
        for k in range(len(falls)):
            self.clock.put(falls[k], 0, reaches)
            self.clock.put(rises[k], 1, reaches)
        self.select.put(let_go, 1, True)
        self._taken = rises[:BITS] if falling else falls[1:]
        return let_go

    def _heard(self, _argument: None) -> None:
        self.look()
        self.changed()

    def look(self) -> None:
        """Hears the word that was clocked."""
        facts = self._facts
        level, edges = self._line.edges(self._begun, facts["low_permille"], facts["high_permille"])
        if not edges:
            self.angle_mdeg = -1
            self.unread += 1
            self.shut = not level
            return
        word = at = 0
        for t in self._taken:
            while at < len(edges) and edges[at][0] < t:
                level = edges[at][1]
                at += 1
            word = word << 1 | level
        self.take(self._form.hear(word))


def listen(world: "World", facts: "dict[str, Any]") -> Asking:
    """The controller of a machine that was built for such a sensor."""
    asking = Asking(world, facts)
    world.gpio.live[g.SNS_M[0]] = world.line_of(0).sensed
    world.wiring.select = 1
    world.wiring.observers()
    world.add_wave("clock", asking.clock)
    world.add_wave("select", asking.select)
    return asking
