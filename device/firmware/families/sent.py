# SENT, SAE J2716: the angle as channel 1 of one of the frame formats of its appendix H. A second channel is 0.
#
# An error is a reserved code where the format has such codes, and bit 0 of the status with a channel of 0 where it has
# none. H.4 counts its frames (boards/pio_sent.py says how).
#
# put() is viper (tests/bench/bench_families.py). What it needs lies in one array, since an attribute costs it as much
# as bytecode.
from array import array

import micropython
from boards import Board
from boards.pio_sent import NIBBLE_TICKS, SYNC_TICKS, CountedFrames, Frames, make, pause_clocks
from micropython import const

from firmware.families.base import Family

# What four bits more do to the check: x^4 + x^3 + x^2 + 1; SAE J2716.
_TABLE = b"\x00\x0d\x07\x0a\x0e\x03\x09\x04\x01\x0c\x06\x0b\x0f\x02\x08\x05"
_SEED = const(5)
_ERROR = const(-3)  # words of curve_words.py, as constants of viper
_HIGH = const(-2)
_H3 = const(3)
_H4 = const(4)
_H6 = const(6)
# By format: first code of the span, nibbles that tell it, nibbles of 0 after them. 12-bit channels of one sensor use
# 1..4088 (SAE J2716, section 6; value from memory), others all they have.
_SHAPES = ((0, 0, 0), (0, 3, 3), (1, 3, 0), (1, 4, 0), (1, 3, 3), (1, 3, 3), (0, 4, 2), (0, 4, 2))
_STARTING = const(0)  # reserved codes; the same section
_BROKEN = const(4090)
_PAUSE_MAX = const(768)
# Fields of what put() has, and three tables of 16: one nibble more, what becomes of a check, and its last step.
_FORMAT = const(0)
_FIRST = const(1)
_TOLD = const(2)
_FLAG = const(3)
_FLAG_AT = const(4)
_SHIFT = const(5)  # of what tells the code, up to its place in the word
_TABLES = const(6)
_AFTER = const(22)
_LAST = const(38)
_STATE = const(54)


def wrong(values: dict) -> str:
    # Name of a field that the frames cannot be made by; "" when all is well.
    _first, told, zeros = _SHAPES[values["frame_format"]]
    length, nibbles, telling = values["frame_ticks"], told + zeros + 1, values["serial"]
    if telling:
        from firmware.families import sent_messages

        name = sent_messages.wrong(values)
        if name:
            return name
    if not length:
        return ""
    # The longest pause: of SAE J2716, and of a frame whose nibbles are all 0.
    if length > SYNC_TICKS + NIBBLE_TICKS * (nibbles + 1) + _PAUSE_MAX:
        return "frame_ticks"
    clocks = pause_clocks(values["low_ticks"], values["status"], nibbles, length, telling)
    return "frame_ticks" if clocks < 1 else ""


class Output(Family):
    def __init__(self, board: Board, values: dict) -> None:
        enable = board.drive_enable[0]
        Family.__init__(self, (enable,), 1)
        form = values["frame_format"]
        first, told, zeros = _SHAPES[form]
        nibbles = told + zeros + 1
        legacy = values["legacy_crc"]
        self._last = bytes(range(16)) if legacy else _TABLE
        # What becomes of a check, by its value after the nibbles that tell the code, until it is sent; where frames
        # are counted, until the inverted nibble.
        counting = form == _H4
        after = self._rest(2, bytes(range(16))) if counting else self._rest(zeros, self._last)
        self._state = state = array("i", [0] * _STATE)
        state[_FORMAT] = form
        state[_FIRST] = first
        state[_TOLD] = told
        state[_FLAG] = values["status"] & 1
        state[_FLAG_AT] = 4 * nibbles
        state[_SHIFT] = 4 * zeros + 4
        for k in range(16):
            state[_TABLES + k] = _TABLE[k]
            state[_AFTER + k] = after[k]
            state[_LAST + k] = self._last[k]
        telling = values["serial"]
        program = make(
            values["low_ticks"], values["status"], nibbles, values["frame_ticks"], counting or telling, telling
        )
        if telling:
            from boards.pio_sent_told import ToldFrames

            from firmware.families.sent_messages import fold

            counted = self._counted() if counting else array("H", [0])
            rows = fold(values, _TABLE + self._last, 4 * nibbles)
            self._frames: Frames = ToldFrames(board.drive_data[0], values["tick_ns"], program, counted, enable, rows)
        elif counting:
            self._frames = CountedFrames(
                board.drive_data[0], values["tick_ns"], program, self._counted(), enable
            )
        else:
            self._frames = Frames(board.drive_data[0], values["tick_ns"], program)
        self._waiting = self._frames.waiting
        self._give = self._frames.give

    def _rest(self, zeros: int, last: bytes) -> bytes:
        rest = bytearray(range(16))
        for k in range(16):
            for _ in range(zeros):
                rest[k] = _TABLE[rest[k]]
            rest[k] = last[rest[k]]
        return bytes(rest)

    def _counted(self) -> "array[int]":
        # What a number changes in the word: its own two nibbles, and the check, which is linear.
        counted = array("H", range(256))
        for number in range(256):
            check = self._last[_TABLE[_TABLE[number >> 4] ^ (number & 15)]]
            counted[number] = number << 8 | check
        return counted

    def ready(self) -> None:
        self._frames.ready()

    def end(self) -> None:
        self._frames.end()

    @micropython.viper
    def put(self, code: int) -> int:
        frames = self._frames
        running = int(frames.running)
        state = ptr32(self._state)
        first, flag = state[_FIRST], state[_FLAG]
        value = code + first
        if code < 0:
            if code != _ERROR:
                frames.hold(1 if code == _HIGH else 0)
                return 1
            if first:
                value = _BROKEN if running else _STARTING
            else:
                value = 0
                flag = 1
        # The word, here in one piece: a call costs as much as all of it.
        form = state[_FORMAT]
        if form == _H3:
            # Three bits to a nibble.
            value = (value & 0xE00) << 3 | (value & 0x1C0) << 2 | (value & 0x38) << 1 | value & 7
        elif form == _H6:
            value <<= 2  # the last nibble belongs to both channels
        check = state[_TABLES + _SEED]
        if state[_TOLD] == 4:
            check = state[_TABLES + (value >> 12 ^ check)]
        check = state[_TABLES + ((value >> 8 & 15) ^ check)]
        check = state[_TABLES + ((value >> 4 & 15) ^ check)]
        check = state[_AFTER + ((value & 15) ^ check)]
        word = flag << state[_FLAG_AT] | value << state[_SHIFT]
        if form == _H4:
            turned = 15 - (value >> 8)
            word |= turned << 4 | state[_LAST + (turned ^ state[_TABLES + check])]
        else:
            word |= check
        if running:
            if int(self._waiting()):
                return 0
            self._give(word)
        else:
            frames.begin(word)
        return 1

    def hold(self, level: int) -> None:
        self._frames.hold(level)
