# SSI: a word of 24 bits at the machine's clock. 14 bits of angle, four of status, a CRC-6 over the eighteen.
#
# The clock is the machine's line 2, whose drive buffer stays off; select is on the pin of observer 1.
#
# put() is viper (tests/bench/bench_families.py). What it needs lies in one array, since an attribute costs it as much
# as bytecode.
from array import array

import micropython
from boards import Board
from boards.pio_ssi import ROOM, Words
from micropython import const

from firmware.families.base import Family
from shared_proto import names

# Status, MagnTek MT6701 data sheet, 7.8.2: the sensor has lost track of the angle.
_TRACK_LOST = const(8)
_POLYNOMIAL = 0x43  # x^6 + x + 1, same place
_CODES = 1 << 14
_ERROR = const(-3)  # words of curve_words.py, as constants of viper
_HIGH = const(-2)
# Fields of what put() has.
_STATUS = const(0)
_LAST = const(1)  # code
_ROOM = const(2)  # words that can wait
_CRC = const(3)  # of six bits at once: what the register becomes
_STATE = const(67)


def wrong(values: dict) -> str:
    # Name of a field that a word has no room for; "" when all is well.
    return "codes" if values["codes"] != _CODES else ""


class Output(Family):
    lines = 1 << names.LINE_OBS1

    def __init__(self, board: Board, values: dict) -> None:
        Family.__init__(self, (board.drive_enable[0],), 1)
        self._state = array("i", [0] * _STATE)
        self._state[_STATUS] = values["status"]
        self._state[_ROOM] = ROOM
        for six in range(64):
            self._state[_CRC + six] = _remainder(six)
        clock, select = board.lines[names.LINE_M2], board.lines[names.LINE_OBS1]
        self._words = Words(board.drive_data[0], clock, select, values["out_falling"])
        self._waiting = self._words.waiting
        self._give = self._words.give

    def ready(self) -> None:
        self.held = 1
        self._words.ready()

    @micropython.viper
    def put(self, code: int) -> int:
        state = ptr32(self._state)
        status = state[_STATUS]
        if code == _ERROR:
            status |= _TRACK_LOST
            code = state[_LAST]
        elif code < 0:
            self.hold(1 if code == _HIGH else 0)
            return 1
        state[_LAST] = code
        told = code << 4 | status
        crc = state[_CRC + (told >> 12)] ^ (told >> 6 & 63)
        crc = state[_CRC + crc] ^ (told & 63)
        taken = 0
        if int(self._waiting()) < state[_ROOM]:
            self._give(told << 6 | state[_CRC + crc])
            taken = 1
        if int(self.held) and taken:
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
