"""What both lines of an I2C bus carried: transfers noted as bytes, drawn as edges when somebody looks.

UM10204 (I2C-bus specification), 3.1: a start is a fall of SDA while SCL is high, a stop a rise; SDA changes while SCL
is low; eight bits, most significant first, and a ninth that is low for an acknowledgement. 400 kHz.
"""

from wiring import B1, VB

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from kernel import Kernel
    from wiring import Wiring

    # begin and clock held, in cycles; address, what was written, how many bytes were wanted, what was read or None
    Row = tuple[int, int, int, bytes, int, bytes | None]

CLK_PER_US = 125
_QUARTER = 78  # cycles of 125 MHz; four of them are a bit at 400 kHz
_BYTE = 36 * _QUARTER
_KEPT = 64  # transfers


class Log:
    """Transfers, each with the time that its wave begins at. One that was done at once ends where it was asked for."""

    def __init__(self, kernel: "Kernel") -> None:
        self._kernel = kernel
        self._rows: list[Row] = []
        self._end = 0

    def add(self, address: int, data: bytes, count: int, given: bytes | None, held_us: int) -> None:
        """given: what was read, None where nobody acknowledged. held_us: of the clock, before what was read."""
        held = held_us * CLK_PER_US
        length = held + _BYTE * (len(data) + count + 2) + 12 * _QUARTER  # at most
        begin = max(self._kernel.now * CLK_PER_US - length, self._end)
        self._end = begin + length
        self._rows.append((begin, held, address, data, count, given))
        del self._rows[:-_KEPT]

    def line(self, k: int, wiring: "Wiring") -> "BusLine":
        """SDA (0) or SCL (1)."""
        return BusLine(self._rows, self._kernel, k, wiring)


class BusLine:
    """One of the lines, as whoever asks for a wave wants it."""

    def __init__(self, rows: "list[Row]", kernel: "Kernel", k: int, wiring: "Wiring") -> None:
        self._rows = rows
        self._kernel = kernel
        self._k = k
        self._wiring = wiring

    def edges(self, begin_us: int, _low_permille: int, high_permille: int) -> tuple[int, list[tuple[int, int]]]:
        """(level at begin_us, [(time in cycles of 125 MHz, level), ...] until now)."""
        mv, k = self._wiring.mv, self._k
        if mv[B1 + k] * 1000 <= high_permille * mv[VB]:
            return 0, []
        first = level = 1
        found = []
        for start, held, address, data, count, given in self._rows:
            for t, sda, scl in _drawn(address, data, count, given, held):
                now = scl if k else sda
                if now == level or start + t > self._kernel.now * CLK_PER_US:
                    continue
                level = now
                if start + t <= begin_us * CLK_PER_US:
                    first = level
                else:
                    found.append((start + t, level))
        return first, found


class _Pen:
    # Draws both lines: rows (time, SDA, SCL).
    def __init__(self) -> None:
        self.rows = [(0, 1, 1)]
        self._t = 0

    def _go(self, sda: int, scl: int) -> None:
        self._t += _QUARTER
        self.rows.append((self._t, sda, scl))

    def start(self) -> None:
        # Again or for the first time: SDA up, SCL up, SDA down, SCL down.
        for sda, scl in ((1, self.rows[-1][2]), (1, 1), (0, 1), (0, 0)):
            self._go(sda, scl)

    def stop(self) -> None:
        for sda, scl in ((0, 0), (0, 1), (1, 1)):
            self._go(sda, scl)

    def hold(self, clk: int) -> None:
        self._t += clk

    def byte(self, value: int, refused: int) -> None:
        bits = value << 1 | refused
        for k in range(8, -1, -1):
            bit = bits >> k & 1
            for scl in (0, 1, 1, 0):
                self._go(bit, scl)


def _drawn(address: int, data: bytes, count: int, given: bytes | None, held: int) -> list[tuple[int, int, int]]:
    pen = _Pen()
    pen.start()
    refused = 1 if given is None else 0
    if data or not count:
        pen.byte(address << 1, refused)
        if not refused:
            for value in data:
                pen.byte(value, 0)
    if count and not (refused and data):
        if data:
            pen.start()
        pen.byte(address << 1 | 1, refused)
        if given:
            pen.hold(held)
            for k in range(count):
                pen.byte(given[k], 1 if k == count - 1 else 0)
    pen.stop()
    return pen.rows
