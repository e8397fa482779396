"""Everything between the pins, the machine's connector and the sensor's: one resistor network, solved when it changes.

The state of all switches is folded into one integer; for each such integer the node voltages are solved once and kept.
What has a memory (thresholds with hysteresis, relay, machine, sensor) is decided after each solution, and the network
is solved again until nothing changes.
"""

import gpio as g
from circuit import GROUND, Circuit

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from face import Face
    from gpio import Gpio
    from ina226 import Ina226
    from kernel import Kernel
    from laptop import Laptop
    from pio_unit import Pio
    from sensor import Sensor
    from voltages import Voltages

# Nodes. VM, M1, M2: connector towards the machine. VS, S1, S2: connector towards the sensor. VB, B1, B2: the same
# three conductors at the machine's own board, beyond its wiring.
VM, M1, M2, VS, S1, S2, VB, B1, B2 = range(9)
NODES = ("VM", "M1", "M2", "VS", "S1", "S2", "VB", "B1", "B2")

# The jig, as wired: ohms.
_DRIVE_OHM = 220 + 25  # series resistor and the buffer's own output
_TEST_OHM = 10000 + 25
_FEED_OHM = 47
_PULL_OHM = 10000 + 50
_HELD_OHM = 40  # a pin that pulls low, and the translator before it
_SENSE_OHM = 2000000  # divider of every divided analog channel
_CONTACT_OHM = 1 / 10  # a relay contact
_WIRE_OHM = 1 / 5
_PLUG_FEED_OHM = 100
_PLUG_PULL_OHM = 10000
_SELF_DISCHARGE_OHM = 10000  # of a machine's rail that is off

_JIG_MV = 3300
INPUT_MV = 1650  # where a buffer at 3.3 V changes its mind
_BUFFER_MIN_MV = 1200  # the machine-side buffers and translators work from here
_SUPPLY_RISE_MV = 1500
_SUPPLY_FALL_MV = 1400
_RELAY_US = 3000
_MV_FULL = 6600  # divided channels, at reading 65535
_CACHE_MAX = 1024
_ROUNDS_MAX = 16

# Where the state of a line stands in the integer that the network is solved for: drive, test, pull, sensor.
_LINE_SHIFT = 4
_LINE_BITS = 8

_HELD = 3  # state of a line's pull: neither, for the jig holds the line low itself
DRIVE_ANALOG = 3  # state of a line's drive: neither low nor high, but a voltage

# What a sensor output does to its line. One that is a voltage (voltages.py) has it where others are high.
OUT_OPEN = 0
OUT_LOW = 1
OUT_HIGH = 2
OUT_LEAK = 3


class Wiring:
    """The network; set `machine`, `face`, `sensor` before the first update(). facts: see lidjig.twin.facts."""

    machine: "Laptop"
    face: "Face"
    sensor: "Sensor"
    meter: "Ina226 | None" = None  # power monitor in the sensor's supply, at the sensor's end
    analog: "Voltages | None" = None  # of a bench with lines that carry voltages
    pio: "Pio | None" = None  # where it listens to a line that carries edges: told before and after each change

    def __init__(self, kernel: "Kernel", gpio: "Gpio", facts: "dict[str, Any]") -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.plug_fitted: int = facts["plug_fitted"]
        self.sensor_fitted: int = facts["sensor_fitted"]
        self.rail_mv = 0
        self.select = -1  # at rest, of a machine's select line where that is on the pin of observer 1
        self.select_out = -1  # of the sensor's select line where the pin of observer 2 is there instead
        self.translated = 0  # 1: a translator between the sensor's lines and their pins, instead of two buffers
        self.fights = 0  # times that a pin drove which a buffer drives too
        self.mark_level = 1  # of the mark switch: low = pressed
        self._more_observers: int = facts["more_observers"]  # 1 = observer 3 or 4 has a signal
        self.facts = facts
        self._cache: dict[int, tuple[list[int], int]] = {}
        self._relay_open = 0
        self._relay_wanted = 0
        self._buffers_on = 0
        self._supply_ok = 0
        self._busy = False
        self._key = -1
        self._moved = False  # a voltage changed, and no switch
        self.mv = [0] * len(NODES)
        self.solved = 0
        for n in g.ELECTRICAL:
            gpio.on_output[n] = self._pin_changed
        gpio.on_output[g.RELAY] = self._relay_changed
        for n in g.SNS_S + (g.OBS[1],):
            gpio.on_output[n] = self._read_pin_changed
        gpio.base[g.CH_MUX_FIRST + 7] = _JIG_MV * 65535 // _MV_FULL

    # pins

    def _pin_changed(self, _n: int) -> None:
        kernel = self.kernel
        kernel.pause_isr()
        try:
            self.update()
        finally:
            kernel.resume_isr()

    def _read_pin_changed(self, n: int) -> None:
        # A pin that reads a buffer's output on an ordinary bench.
        if self.translated and n in g.SNS_S:
            self._pin_changed(n)
        elif self.gpio.mode[n] != g.IN:
            self.fights += 1

    def translating(self) -> bool:
        """Whether pins and lines of the sensor's side are joined: the translator is on while the jig feeds the
        sensor.
        """
        return bool(self.translated and self.gpio.given(g.SENSOR_PWR))

    def _relay_changed(self, _n: int) -> None:
        kernel = self.kernel
        kernel.pause_isr()
        try:
            self._relay_wanted = self.gpio.given(g.RELAY)
            kernel.after(_RELAY_US, self._relay_moved)
        finally:
            kernel.resume_isr()

    def _relay_moved(self, _argument: None) -> None:
        if self._relay_open != self._relay_wanted:
            self._relay_open = self._relay_wanted
            self.update()

    def refresh_input(self, _n: int) -> None:
        """A pin became an input: give it its level again."""
        kernel = self.kernel
        kernel.pause_isr()
        try:
            self._levels()
        finally:
            kernel.resume_isr()

    # the network

    def _switches(self) -> int:
        # One integer for all that can change the network.
        gpio, analog = self.gpio, self.analog
        given, mode, out = gpio.given, gpio.mode, gpio.out
        key = self._relay_open | given(g.SENSOR_PWR) << 1 | self.plug_fitted << 2 | self.sensor_fitted << 3
        translating = self.translating()
        shift = _LINE_SHIFT
        for k in (0, 1):
            for oe, data in ((g.DRV_OE[k], g.DRV_DATA[k]), (g.TST_OE[k], g.TST_DATA[k])):
                if analog is not None and oe == analog.enables[k]:
                    if self._buffers_on and given(oe):
                        key |= DRIVE_ANALOG << shift
                elif self._buffers_on and given(oe):
                    key |= (2 if given(data) else 1) << shift
                shift += 2
            pull, read = g.PULL_S[k], g.SNS_S[k]
            if translating and mode[read] != g.IN and not out[read]:
                key |= _HELD << shift
            elif mode[pull]:
                key |= (2 if out[pull] else 1) << shift
            shift += 2
            key |= self.sensor.outputs[k] << shift
            shift += 2
        return key | self.rail_mv << shift

    def _solve(self, key: int) -> tuple[list[int], int]:
        # Voltages of the nodes in mV, current into the sensor's supply pin in uA.
        volts = self.circuit(key).voltages()
        return rounded(volts, 1000), self._sensor_ua(key, volts) if key >> 3 & 1 else 0

    def circuit(self, key: int) -> Circuit:
        """The network for a state of the switches; every voltage of its own (voltages.py) is still 0 V."""
        self.solved += 1
        facts = self.facts
        c = Circuit(len(NODES))
        relay_open = key & 1
        feed = key >> 1 & 1
        for node in (VM, M1, M2, VS, S1, S2):
            c.resistor(node, GROUND, _SENSE_OHM)
        if not relay_open:
            for a, b in ((VM, VS), (M1, S1), (M2, S2)):
                c.resistor(a, b, _CONTACT_OHM)
        elif feed:
            c.source(VS, _JIG_MV / 1000, _FEED_OHM)
        sensor_fitted = key >> 3 & 1
        if sensor_fitted:
            c.resistor(VS, GROUND, facts["sensor_load_ohm"])
        shift = 4
        for m, s in ((M1, S1), (M2, S2)):
            _buffer(c, m, key >> shift & 3, _DRIVE_OHM, self.analog)
            _buffer(c, m, key >> (shift + 2) & 3, _TEST_OHM, None)
            pull = key >> (shift + 4) & 3
            if pull == 2:
                c.source(s, _JIG_MV / 1000, _PULL_OHM)
            elif pull == 1:
                c.resistor(s, GROUND, _PULL_OHM)
            elif pull == _HELD:
                c.resistor(s, GROUND, _HELD_OHM)  # beside which a pull does not count
            if sensor_fitted:
                _output(c, s, key >> (shift + 6) & 3, facts, self.analog)
            shift += 8
        if key >> 2 & 1:
            c.source(VM, _JIG_MV / 1000, _PLUG_FEED_OHM)
            c.resistor(VM, M1, _PLUG_PULL_OHM)
            c.resistor(VM, M2, _PLUG_PULL_OHM)
        self._machine_side(c, key >> shift, not key >> 2 & 1)
        return c

    def _sensor_ua(self, key: int, volts: list[float]) -> int:
        # What the sensor itself draws, and what its outputs give when they drive high.
        facts = self.facts
        ampere = volts[VS] / facts["sensor_load_ohm"]
        for k, s in ((0, S1), (1, S2)):
            if key >> (10 + 8 * k) & 3 == OUT_HIGH:
                ampere += (volts[VS] - volts[s]) / facts["sensor_on_ohm"]
        return int(ampere * 1000000 + (1 / 2 if ampere >= 0 else -1 / 2))

    def _machine_side(self, c: Circuit, rail_mv: int, connected: bool) -> None:
        facts = self.facts
        c.resistor(VB, GROUND, _SELF_DISCHARGE_OHM)
        if rail_mv:
            c.source(VB, rail_mv / 1000, facts["rail_mohm"] / 1000)
        if connected and not facts["supply_missing"]:
            c.resistor(VB, VM, _WIRE_OHM)
        for k, m, b in ((0, M1, B1), (1, M2, B2)):
            line = facts["lines"][k]
            if line is None:
                continue
            c.resistor(b, GROUND, line["leak_ohm"])
            if line["pull"] == 1:
                c.resistor(b, VB, line["pull_ohm"])
            elif line["pull"] == 2:
                c.resistor(b, GROUND, line["pull_ohm"])
            if not connected:
                continue
            if not line["open"]:
                c.resistor(b, m, _WIRE_OHM)
            if line["short_ground_mohm"]:
                c.resistor(m, GROUND, line["short_ground_mohm"] / 1000)
            if line["short_supply_mohm"]:
                c.resistor(m, VM, line["short_supply_mohm"] / 1000)

    def update(self) -> None:
        """Solves the network for the present switches and tells everybody; repeats until nothing changes."""
        if self._busy:
            return
        self._busy = True
        if self.pio is not None:
            self.pio.before_network()
        try:
            for _ in range(_ROUNDS_MAX):
                key = self._switches()
                if key == self._key and not self._moved:
                    return
                self._moved = False
                solution = self._solution(key) if self.analog is None else self.analog.solution(key)
                self._key = key
                self.mv = solution[0]
                self._apply(solution[0], solution[1])
        finally:
            self._busy = False
            if self.pio is not None:
                self.pio.after_network()

    def voltage_moved(self) -> None:
        """A line's or a sensor's own voltage changed, and perhaps nothing else did."""
        self._moved = True
        self.update()

    def microvolts(self) -> list[int]:
        """Voltages of the nodes now."""
        if self.analog is None:
            return [1000 * mv for mv in self.mv]
        self.voltage_moved()
        return self.analog.uv

    def _solution(self, key: int) -> tuple[list[int], int]:
        solution = self._cache.get(key)
        if solution is None:
            if len(self._cache) >= _CACHE_MAX:
                self._cache.clear()
            solution = self._cache[key] = self._solve(key)
        return solution

    def with_line(self, k: int, drive: int, out: int) -> list[int]:
        """mV of every node as it is now, but for line k: drive of the jig's buffer (0 off, 1 low, 2 high), and the
        sensor's output.
        """
        return self.at(self.without_line(k), k, drive, out)

    def without_line(self, k: int) -> int:
        """What at() wants, for as long as nothing but line k changes."""
        base = _LINE_SHIFT + _LINE_BITS * k
        return self._switches() & ~(3 << base | 3 << base + 6)

    def at(self, rest: int, k: int, drive: int, out: int) -> list[int]:
        """As with_line(), with what without_line() gave."""
        base = _LINE_SHIFT + _LINE_BITS * k
        if not self._buffers_on:
            drive = 0
        return self._solution(rest | drive << base | out << base + 6)[0]

    def without_output(self, k: int) -> int:
        """What with_output() wants, for as long as nothing but the sensor's output k changes."""
        return self._switches() & ~(3 << _LINE_SHIFT + _LINE_BITS * k + 6)

    def with_output(self, rest: int, k: int, out: int) -> list[int]:
        """mV of every node, with what without_output() gave and another state of that output."""
        return self._solution(rest | out << _LINE_SHIFT + _LINE_BITS * k + 6)[0]

    def _apply(self, mv: list[int], sensor_ua: int) -> None:
        base = self.gpio.base
        base[g.CH_SUPPLY] = mv[VM] * 65535 // _MV_FULL
        at = g.CH_MUX_FIRST
        for node in (M1, M2, VS, S1, S2):
            base[at] = mv[node] * 65535 // _MV_FULL
            at += 1
        self._buffers_on = 1 if mv[VM] >= _BUFFER_MIN_MV else 0
        if mv[VM] > _SUPPLY_RISE_MV:
            self._supply_ok = 1
        elif mv[VM] < _SUPPLY_FALL_MV:
            self._supply_ok = 0
        self._levels()
        if self.meter is not None:
            self.meter.feed(sensor_ua, mv[VS], 0)
        self.sensor.supplied(mv[VS])
        self.machine.lines(mv[VB], mv[B1], mv[B2])

    def _levels(self) -> None:
        mv = self.mv
        set_input = self.gpio.set_input
        joined = not self.translated or self.translating()
        for k, m, s in ((0, M1, S1), (1, M2, S2)):
            set_input(g.SNS_M[k], 1 if self._buffers_on and 2 * mv[m] > mv[VM] else 0)
            set_input(g.SNS_S[k], 1 if joined and mv[s] > INPUT_MV else 0)
        set_input(g.SUPPLY_OK, self._supply_ok)
        self.observers()
        set_input(g.MARK, self.mark_level)

    def observers(self) -> None:
        """Levels of the digital observers: the machine's signals; with the self-test plug 1 and 2 are the lines."""
        set_input = self.gpio.set_input
        levels = self.face.levels
        if self.plug_fitted:
            set_input(g.OBS[0], 1 if self.mv[M1] > 1650 else 0)
            set_input(g.OBS[1], 1 if self.mv[M2] > 1650 else 0)
        else:
            set_input(g.OBS[0], levels[0] if self.select < 0 else self.select)
            set_input(g.OBS[1], levels[1] if self.select_out < 0 else self.select_out)
        if self._more_observers:
            set_input(g.OBS[2], levels[2])
            set_input(g.OBS[3], levels[3])

    def joined(self) -> int:
        """1 while the relay joins both connectors: for conductors that have no place in the network."""
        return self.sensor_fitted & (1 - self._relay_open) & (1 - self.plug_fitted)

    def buffered(self) -> int:
        """1 while the machine's supply is enough for the buffers on its side."""
        return self._buffers_on

    def set_rail(self, mv: int) -> None:
        """The machine's sensor supply comes (mV) or goes (0)."""
        self.rail_mv = mv
        self.update()

    def fit_plug(self, fitted: int) -> None:
        """The self-test plug instead of the machine, with nothing on the sensor's side; or both as they were."""
        self.plug_fitted = fitted
        self.sensor_fitted = 0 if fitted else self.facts["sensor_fitted"]
        self._key = -1
        self.update()
        self._levels()


def rounded(volts: list[float], per_volt: int) -> list[int]:
    """In that part of a volt."""
    return [int(v * per_volt + (1 / 2 if v >= 0 else -1 / 2)) for v in volts]


def _buffer(c: Circuit, node: int, state: int, ohm: int, analog: "Voltages | None") -> None:
    # A three-state buffer that lives on the machine's own supply, so it can neither exceed nor feed it.
    if state == 2:
        c.resistor(node, VM, ohm)
    elif state == 1:
        c.resistor(node, GROUND, ohm)
    elif state == DRIVE_ANALOG and analog is not None:
        c.resistor(node, GROUND, analog.drive_ohm)


def _output(c: Circuit, node: int, state: int, facts: "dict[str, Any]", analog: "Voltages | None") -> None:
    if state == OUT_LOW or (state == OUT_HIGH and analog is not None and analog.sensor_drives):
        c.resistor(node, GROUND, facts["sensor_on_ohm"])
    elif state == OUT_HIGH:
        c.resistor(node, VS, facts["sensor_on_ohm"])
    elif state == OUT_LEAK:
        c.resistor(node, GROUND, facts["sensor_leak_ohm"])
    else:
        c.resistor(node, GROUND, facts["sensor_off_ohm"])
