# A voltage in proportion to the machine's own supply: a code between two levels, errors beyond them.
#
# By pulse width and a filter, or by a DAC; either stands on the machine's supply, so that nothing here has to know it.
from boards import Board
from boards.pwm_out import Duty
from micropython import const

from firmware.curve_words import ERROR, HIGH
from firmware.families.base import Family
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from firmware.dac import Dac

_LIMIT = const(1 << 29)  # half of what a small integer may be: room for what is rounded
_WHOLE = const(10000)


def wrong(values: dict) -> str:
    # Name of a field that no voltage can be made by; "" when all is well.
    if values["high_permyriad"] <= values["low_permyriad"]:
        return "high_permyriad"
    if values["fault_low_permyriad"] > values["low_permyriad"]:
        return "fault_low_permyriad"
    return "fault_high_permyriad" if values["fault_high_permyriad"] < values["high_permyriad"] else ""


class Output(Family):
    def __init__(self, board: Board, values: dict) -> None:
        Family.__init__(self, (board.drive_enable[0],), 0)
        if values["via"]:
            self.lines = 1 << names.LINE_OBS3 | 1 << names.LINE_OBS4
            self.on_bus = 1
        self._out = _made_by(board, values)
        counts = self._out.counts
        # A count is base + code * step, in 2**-shift counts, and stays a small integer.
        shift = 0
        while counts << shift + 1 < _LIMIT:
            shift += 1
        low, high = values["low_permyriad"], values["high_permyriad"]
        steps = values["codes"] - 1
        self._shift = shift
        self._base = ((low * counts << shift) + _WHOLE // 2) // _WHOLE + (1 << shift >> 1)
        self._step = (((high - low) * counts << shift) // _WHOLE + steps // 2) // steps
        self._full = counts
        self._error = (_error_permyriad(values) * counts + _WHOLE // 2) // _WHOLE

    def ready(self) -> None:
        self._out.ready()

    def put(self, code: int) -> int:
        if code >= 0:
            return self._out.put(self._base + code * self._step >> self._shift)
        return self._out.put(self._error if code == ERROR else self._full if code == HIGH else 0)

    def hold(self, level: int) -> None:
        self._out.put(self._full if level else 0)


def _made_by(board: Board, values: dict) -> "Duty | Dac":
    if values["via"]:
        from firmware.dac import Dac

        return Dac(board)
    return Duty(board.drive_data[0], values["pwm_hz"])


def _error_permyriad(values: dict) -> int:
    # The middle of the band that says so. A part without one pulls its output low (ams AS5600 datasheet v1-06, p.31:
    # magnet lost).
    low, high = values["fault_low_permyriad"], values["fault_high_permyriad"]
    if low or high >= _WHOLE:
        return low // 2
    return (high + _WHOLE) // 2
