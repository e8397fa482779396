# SSI: a word of 24 bits at the machine's clock. 14 bits of angle, four of status, a CRC-6 over the eighteen.
#
# The clock is the machine's line 2, whose drive buffer stays off; select is on the pin of observer 1.
from boards import Board
from boards.pio_ssi import Words

from firmware.curve_words import ERROR, HIGH
from firmware.families.base import Family
from shared_proto import names

# Status, MagnTek MT6701 data sheet, 7.8.2: the sensor has lost track of the angle.
_TRACK_LOST = 8
_POLYNOMIAL = 0x43  # x^6 + x + 1, same place
_CODES = 1 << 14


def wrong(values: dict) -> str:
    # Name of a field that a word has no room for; "" when all is well.
    return "codes" if values["codes"] != _CODES else ""


class Output(Family):
    lines = 1 << names.LINE_OBS1

    def __init__(self, board: Board, values: dict) -> None:
        Family.__init__(self, (board.drive_enable[0],), 1)
        self._status = values["status"]
        self._last = 0  # code
        # Of six bits at once: what the register becomes.
        self._crc = bytes([_remainder(six) for six in range(64)])
        clock, select = board.lines[names.LINE_M2], board.lines[names.LINE_OBS1]
        self._words = Words(board.drive_data[0], clock, select, values["out_falling"])

    def ready(self) -> None:
        self.held = 1
        self._words.ready()

    def put(self, code: int) -> int:
        status = self._status
        if code == ERROR:
            status |= _TRACK_LOST
            code = self._last
        elif code < 0:
            self.hold(1 if code == HIGH else 0)
            return 1
        self._last = code
        told = code << 4 | status
        table = self._crc
        crc = table[table[table[told >> 12] ^ told >> 6 & 63] ^ told & 63]
        taken = self._words.put(told << 6 | crc)
        if self.held and taken:
            self.held = 0
            self._words.go()
        return taken

    def hold(self, level: int) -> None:
        self._words.hold(level)
        self.held = 1


def _remainder(six: int) -> int:
    value = six << 6
    for place in range(11, 5, -1):
        if value >> place & 1:
            value ^= _POLYNOMIAL << place - 6
    return value
