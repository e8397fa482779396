"""Lines that carry a voltage: the jig's analog modules, and a sensor whose outputs are voltages.

Each is a source, a share of its own supply, behind a resistance. The network is linear, so its node voltages are those
with every such source at 0 V plus the part of each source (superposition): a state of the switches is solved once with
all of them at 0 V and once more for each, and what moves between are sums.

The jig's module on a line, as in WIRING.md: pulse width, a filter of two equal RC stages, a follower and an analog
switch, both on the machine's supply; or a DAC and that switch. The capacitors are taken for empty when the switch
closes. Taken for ideal: the follower's offset, the edges of the buffer. The ripple at the filter's end is left out
(lidjig.measure.rc_filter gives it, and 0.4 LSB of 12 bits is what the parts were chosen for): a duty is its mean.
"""

import gpio as g
from rc_stages import Filter
from wiring import DRIVE_ANALOG, M1, OUT_HIGH, S1, VM, VS, rounded

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from bus import Bus
    from kernel import Event, Kernel
    from pwm import Pwm
    from wiring import Wiring

_DRIVE_OHM = 20  # follower and analog switch
_STEP_US = 1000  # the network is solved again so often while a filter settles
_CACHE_MAX = 512
_LINES = 2
_NEVER = -1  # no pin: a line without a module


class Dac:
    """A DAC of the MCP4725 type on the machine's supply: fast writes and read back (Microchip DS22039). Its memory is
    taken for written to 0. supply_mv: asked for what it runs on.
    """

    ADDRESS = 0x60
    _MIN_MV = 2700

    def __init__(self, voltages: "Voltages") -> None:
        self._voltages = voltages
        self.code = 0

    def answers(self) -> bool:
        return self._voltages.wiring.mv[VM] >= self._MIN_MV

    def write(self, data: bytes) -> None:
        # 0 0 PD1 PD0 D11..D8, D7..D0; powered down, the output rests at ground.
        if len(data) < 2 or data[0] >> 6:
            return
        self.code = 0 if data[0] & 0x30 else (data[0] & 0x0F) << 8 | data[1]
        self._voltages.wiring.voltage_moved()

    def read_into(self, buffer: "bytearray | memoryview") -> None:
        answer = (0xC0, self.code >> 4, (self.code & 0x0F) << 4, 0, 0)
        for k in range(len(buffer)):
            buffer[k] = answer[k % 5]

    def supplied(self, mv: float) -> None:
        if mv < self._MIN_MV:
            self.code = 0


class Voltages:
    """Sources 0 and 1: the jig's lines; 2 and 3: the sensor's outputs. lines: how many the jig's modules drive."""

    def __init__(self, kernel: "Kernel", wiring: "Wiring", pwm: "Pwm", lines: int) -> None:
        self.kernel = kernel
        self.wiring = wiring
        self.drive_ohm = _DRIVE_OHM
        self.sensor_drives = False  # the sensor's outputs are voltages
        self.enables = [g.DRV_OE[k] if k < lines else _NEVER for k in range(_LINES)]
        self.uv = list(wiring.mv)
        # How the jig's outputs are off, a list a line: gain in 1e-6, offset in uV, bend in 1e-6; or empty.
        self.stage: list[list[int]] = [[], []]
        self._pwm = pwm
        self._dac: Dac | None = None
        self._filters = [Filter(), Filter()]
        self._target = [0.0, 0.0]
        self._on = [False, False]
        self._until = 0  # the filters are known up to here
        self._sensor = [0.0, 0.0]
        self._cache: dict[int, tuple[list[float], list[tuple[int, int, list[float]]]]] = {}
        self._event: Event | None = None
        for k in range(lines):
            pwm.on_change[g.DRV_DATA[k]] = self._duty_changed

    def fit_dac(self, bus: "Bus") -> None:
        """Line 1 is driven by a DAC instead of a filter."""
        self._dac = Dac(self)
        bus.more[Dac.ADDRESS] = self._dac

    def sensor_gives(self, shares: list[float]) -> None:
        """What the sensor's outputs are at, in shares of its supply."""
        for k in range(len(shares)):
            self._sensor[k] = shares[k]
        self.wiring.voltage_moved()

    # the network

    def solution(self, key: int) -> tuple[list[int], int]:
        """mV of every node and the current into the sensor's supply pin in uA; keeps the voltages in uV."""
        self._catch_up()
        self._connect(key)
        kept = self._cache.get(key)
        if kept is None:
            if len(self._cache) >= _CACHE_MAX:
                self._cache.clear()
            kept = self._cache[key] = self._solve(key)
        base, parts = kept
        volts = base
        for _ in (0, 1):  # the supplies themselves hardly move
            added = list(base)
            for source, supply, response in parts:
                v = self._given(source, volts[supply])
                for k in range(len(added)):
                    added[k] += response[k] * v
            volts = added
        self.uv = rounded(volts, 1000000)
        if self._dac is not None:
            self._dac.supplied(volts[VM] * 1000)
        return rounded(volts, 1000), self._sensor_ua(key, volts)

    def _solve(self, key: int) -> "tuple[list[float], list[tuple[int, int, list[float]]]]":
        c = self.wiring.circuit(key)
        base = c.voltages()
        parts = []
        for source in range(2 * _LINES):
            if not self._connected(key, source):
                continue
            node, supply, ohm = self._place(source)
            c.current(node, 1 / ohm)
            response = c.voltages()
            c.current(node, -1 / ohm)
            parts.append((source, supply, [response[k] - base[k] for k in range(len(base))]))
        return base, parts

    def _place(self, source: int) -> tuple[int, int, int]:
        # Node, supply and resistance of a source.
        if source < _LINES:
            return M1 + source, VM, self.drive_ohm
        on_ohm: int = self.wiring.facts["sensor_on_ohm"]
        return S1 + source - _LINES, VS, on_ohm

    def _connected(self, key: int, source: int) -> bool:
        if source < _LINES:
            return self.enables[source] != _NEVER and key >> (4 + 8 * source) & 3 == DRIVE_ANALOG
        return self.sensor_drives and bool(key >> 3 & 1) and key >> (10 + 8 * (source - _LINES)) & 3 == OUT_HIGH

    def _given(self, source: int, supply_v: float) -> float:
        # What a source gives, in V. A follower that is off cannot leave its supply either.
        share = self._share(source)
        if source >= _LINES or not self.stage[source]:
            return share * supply_v
        gain, offset_uv, bend = self.stage[source]
        bent = share * (1 + gain / 1000000) + 4 * share * (1 - share) * bend / 1000000
        return min(max(bent * supply_v + offset_uv / 1000000, 0.0), max(supply_v, 0.0))

    def _share(self, source: int) -> float:
        if source >= _LINES:
            return self._sensor[source - _LINES]
        if self._dac is not None:
            return self._dac.code / 4096
        return self._filters[source].level

    def _sensor_ua(self, key: int, volts: list[float]) -> int:
        # What the sensor itself draws, and what its outputs give.
        if not key >> 3 & 1:
            return 0
        facts = self.wiring.facts
        ampere = volts[VS] / facts["sensor_load_ohm"]
        for k in range(_LINES):
            if self._connected(key, _LINES + k):
                ampere += max(self._sensor[k] * volts[VS] - volts[S1 + k], 0.0) / facts["sensor_on_ohm"]
        return int(ampere * 1000000 + 1 / 2)

    # the filters

    def _connect(self, key: int) -> None:
        # A module whose switch has just closed.
        for k in range(_LINES):
            on = self._connected(key, k)
            if on and not self._on[k]:
                self._filters[k].empty()
            self._on[k] = on
        self._aim()

    def _aim(self) -> None:
        for k in range(_LINES):
            if self._on[k]:
                times = self._pwm.times(g.DRV_DATA[k])
                if times is None:
                    self._target[k] = float(self.wiring.gpio.given(g.DRV_DATA[k]))
                else:
                    self._target[k] = times[0] / (times[0] + times[1])
        if self._event is None and not self._settled():
            self._event = self.kernel.after(_STEP_US, self._step)

    def _settled(self) -> bool:
        if self._dac is not None:
            return True
        return all([not self._on[k] or self._filters[k].settled(self._target[k]) for k in range(_LINES)])

    def _catch_up(self) -> None:
        now = self.kernel.now
        if self._dac is None:
            for k in range(_LINES):
                if self._on[k]:
                    self._filters[k].run(self._target[k], now - self._until)
        self._until = now

    def _duty_changed(self, _pin: int) -> None:
        # Counts from the end of the period, 41 us later at most: taken as at once.
        self._catch_up()
        self._aim()

    def _step(self, _argument: "Any") -> None:
        self._event = None
        self.wiring.voltage_moved()
