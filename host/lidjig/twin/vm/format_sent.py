"""SENT, as a sensor sends it and as a machine's controller hears it: the model's own reading of SAE J2716.

Facts: tick_ns, frame_format (1..7 = H.1..H.7), legacy_crc, frame_ticks, status, low_ticks (lidjig.twin.facts). Times in
cycles of 125 MHz, lengths of pulses in ticks. A frame is as long as its nibbles make it, so frames follow one another
from the sensor's start on.
"""

from angle_sensor import CLK_PER_US, AngleSensor

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

_SYNC = 56
_NIBBLE = 12
_GENERATOR = 0x1D  # x^4 + x^3 + x^2 + 1
_SEED = 5
_OF_DATA = (0, 6, 3, 4, 6, 6, 6, 6)  # nibbles, by format
_RESERVED = (2, 3, 4, 5)  # formats that keep 0 and the codes above 4088 for other news
_TOLERANCE_PERCENT = 20  # of the sender's clock
_KEPT = 160  # frames of the past: more than anybody looks back over
_SKIP = 64  # frames that nobody looked at are not made one by one


def nibbles_of(form: int, value: int, counter: int) -> list[int]:
    """Data nibbles of a format (1..7) with this channel 1; a second channel is 0."""
    if form == 3:
        return [value >> 9 & 7, value >> 6 & 7, value >> 3 & 7, value & 7]
    if form == 6:
        return [value >> 10 & 15, value >> 6 & 15, value >> 2 & 15, (value & 3) << 2, 0, 0]
    if form == 7:
        return [value >> 12 & 15, value >> 8 & 15, value >> 4 & 15, value & 15, 0, 0]
    data = [value >> 8 & 15, value >> 4 & 15, value & 15]
    if form == 4:
        return data + [counter >> 4 & 15, counter & 15, 15 - data[0]]
    return data if form == 2 else data + [0, 0, 0]


def value_of(form: int, data: list[int]) -> int:
    """Channel 1 of the data nibbles; -1 where they contradict the format."""
    if form == 3:
        return -1 if max(data) > 7 else ((data[0] * 8 + data[1]) * 8 + data[2]) * 8 + data[3]
    value = (data[0] * 16 + data[1]) * 16 + data[2]
    if form == 6:
        return value * 4 + (data[3] >> 2)
    if form == 7:
        return value * 16 + data[3]
    if form == 4 and data[0] + data[5] != 15:
        return -1
    if form == 5 and data[3:] != [0, 0, 0]:
        return -1
    return value


def remainder(data: list[int], legacy: int) -> int:
    """CRC-4: the nibbles behind the seed, and four zero bits unless legacy, divided by the generator as one number."""
    number = _SEED
    for nibble in data:
        number = number << 4 | nibble
    bits = 4 * len(data) + 4
    if not legacy:
        number <<= 4
        bits += 4
    for bit in range(bits - 1, 3, -1):
        if number >> bit & 1:
            number ^= _GENERATOR << bit - 4
    return number


class Format:
    """One output of the family. window: how long the line is listened to for one look."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._form: int = facts["frame_format"]
        self._legacy: int = facts["legacy_crc"]
        self._status: int = facts["status"]
        self._low: int = facts["low_ticks"]
        self._whole: int = facts["frame_ticks"]
        self._tick_ns: int = facts["tick_ns"]
        self._codes: int = facts["codes"]
        self._first = 1 if self._form in _RESERVED else 0
        self._need = _OF_DATA[self._form] + 2  # pulses behind the sync
        self.longest = self._clk(self._whole or _SYNC + 27 * self._need)
        self.window = self.longest * 5 // 2
        self._frames: list[tuple[int, list[int]]] = []  # (start, ticks of its pulses), ascending
        self._next = 0  # start of the first that is not made yet
        self._counter = 0

    def _clk(self, ticks: int) -> int:
        return ticks * self._tick_ns * CLK_PER_US // 1000

    def restart(self, t: int) -> None:
        """The sensor started at t, and with it its first frame."""
        self._frames = []
        self._next = t

    def pulses(self, code: int, counter: int) -> list[int]:
        """Ticks of each pulse of a frame."""
        data = nibbles_of(self._form, code + self._first, counter)
        found = [_SYNC] + [_NIBBLE + n for n in [self._status] + data + [remainder(data, self._legacy)]]
        if self._whole:
            found.append(self._whole - sum(found))
        return found

    def _make(self, code_at: "Callable[[int], int]", begin: int, end: int) -> None:
        away = begin - self._next - _SKIP * self.longest
        if away > 0:
            # Nobody saw them, so that any whole number of them will do.
            length = self._clk(sum(self.pulses(code_at(begin), 0)))
            self._next += away // length * length
            self._counter += away // length
        while self._next <= end:
            pulses = self.pulses(code_at(self._next), self._counter & 255)
            self._counter += 1
            self._frames.append((self._next, pulses))
            self._next += self._clk(sum(pulses))
        del self._frames[:-_KEPT]

    def frames(self, code_at: "Callable[[int], int]", begin: int, end: int) -> list[tuple[int, int]]:
        """(time, level) of the edges from the frame that began before begin until end. code_at: of a time."""
        self._make(code_at, begin, end)
        frames = self._frames
        k = len(frames) - 1
        while k > 0 and frames[k][0] > begin:
            k -= 1
        found = []
        for start, pulses in frames[max(k, 0) :]:
            ticks = 0
            for pulse in pulses:
                found.append((start + self._clk(ticks), 0))
                found.append((start + self._clk(ticks + self._low), 1))
                ticks += pulse
        return [edge for edge in found if edge[0] <= end]

    def hear(self, edges: list[tuple[int, int]]) -> int:
        """Code of the last whole frame among edges; -1: none of this format, or a reserved code."""
        falls = [t for t, level in edges if not level]
        nominal = self._clk(_SYNC)
        for k in range(len(falls) - self._need - 2, -1, -1):
            sync = falls[k + 1] - falls[k]
            if abs(sync - nominal) * 100 <= nominal * _TOLERANCE_PERCENT:
                value = self._read(falls[k + 1 : k + self._need + 2], sync)
                if value != -1:
                    return value
        return -1

    def _read(self, falls: list[int], sync: int) -> int:
        # Code of a frame, -1 where it is none, -2 for a reserved one. falls: from the end of its sync on.
        found = []
        for k in range(self._need):
            ticks = (2 * _SYNC * (falls[k + 1] - falls[k]) + sync) // (2 * sync)
            if not _NIBBLE <= ticks <= _NIBBLE + 15:
                return -1
            found.append(ticks - _NIBBLE)
        data = found[1:-1]
        value = value_of(self._form, data)
        if value < 0 or found[-1] != remainder(data, self._legacy):
            return -1
        code = value - self._first
        if not 0 <= code < self._codes or found[0] & 1 & ~self._status:
            return -2
        return code


class SentSensor(AngleSensor):
    """Its first frame begins when it has started."""

    def settle(self) -> None:
        AngleSensor.settle(self)
        self._form.restart(self.kernel.now * CLK_PER_US - 4 * self._form.window)

    def _started(self, argument: None) -> None:
        self._form.restart(self.kernel.now * CLK_PER_US)
        AngleSensor._started(self, argument)


SENSOR = SentSensor
