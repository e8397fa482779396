# A sensor with registers on I2C: the 12-bit map of the ams AS5600, or a 14-bit angle in two registers.
#
# DS = ams AS5600 datasheet v1-06. Lines 1 and 2 are SDA and SCL. The tick notes the angle, and a hard interrupt answers
# the machine. A reading is coherent: the tick fills one of two sets of bytes and changes over. The interrupt copies the
# one in force when a reading begins, or takes both bytes of it at once where the pointer stays.
#
# What is not modelled: power modes, watchdog, filter and output stage of CONF (they read back as written; the filter is
# the profile's lag), a refused write to an address that is none (it is acknowledged and forgotten), the 10 counts of
# hysteresis at the ends of a turn.
#
# What the tick calls for every code is viper (tests/bench/bench_families.py).
import micropython
from boards import Board
from boards.i2c_target import Registers, Target
from micropython import const

from firmware.families.base import CARRIES, Family
from shared_proto import names

_ERROR = const(-3)  # words of curve_words.py, as constants of viper
_HIGH = const(-2)
# DS p.18, figure 21.
_ZMCO = const(0x00)
_ZPOS = const(0x01)
_MPOS = const(0x03)
_MANG = const(0x05)
_CONF = const(0x07)
_STATUS = const(0x0B)
_RAW = const(0x0C)
_ANGLE = const(0x0E)
_AGC = const(0x1A)
_MAGNITUDE = const(0x1B)
_BURN = const(0xFF)
_SETTINGS = const(9)  # registers 0 to 8
_FOUND = const(0x20)  # of STATUS, DS p.20
_WEAK = const(0x10)
# AGC runs from 0 to 128 at 3.3 V and is best in the middle (DS p.20); the magnitude is any that looks like one.
_AGC_GOOD = const(64)
_AGC_MOST = const(128)
_MAGNITUDE_GOOD = const(2000)
_BURN_ANGLE = const(0x80)  # DS p.21
_BURN_SETTINGS = const(0x40)
_BURNS_MAX = const(3)

# Where the magnet is, in 64ths of a count: narrowed ranges have up to twenty codes to a count. Products stay below
# 2**30: 4095 codes by 4094 counts by 64, and half a divisor.
_FINE = const(64)
_HALF = const(32)
_TURN = const(4096)
_FINE_MASK = const(0x3FFFF)
_TOP = const(4095)

_OF_HELD = const(255)
_AT_14 = const(0x03)  # bits 13:6; bits 5:0 follow in bits 7:2
# A line that is low in 250 ticks in a row, while nobody asks: held by somebody. SMBus gives a clock 35 ms at most
# (T_TIMEOUT; value from memory), and a bus that is busy with others is not low at every look.
_STUCK = const(250)


class Output(Family):
    lines = 1 << names.LINE_OBS1 | 1 << names.LINE_OBS2  # SDA and SCL have their pins
    watched = 1

    def __init__(self, board: Board, values: dict) -> None:
        Family.__init__(self, (), 0)
        self._map = Map14() if values["layout"] else Map12(values)
        self._tell = self._map.tell
        self._target = Target(board, values["address"], self._map)
        self._sda = board.lines[names.LINE_M1]
        self._scl = board.lines[names.LINE_M2]
        self._data = board.drive_data[0]
        self._pull = board.drive_enable[0]
        self._low = 0

    def ready(self) -> None:
        # As a part that gets its supply.
        self.held = 1
        self._low = 0
        self._map.power_up()
        self._target.ready()

    def end(self) -> None:
        self._target.end()

    @micropython.viper
    def put(self, code: int) -> int:
        if code >= 0:
            self._tell(code)
        elif code == _ERROR:
            self._map.lose_magnet()
        else:
            self.hold(1 if code == _HIGH else 0)
            return 1
        if int(self.held):
            self.held = 0
            self._pull(0)
            self._target.join()
        return 1

    def hold(self, level: int) -> None:
        # Low: SDA is pulled, as by a part that hangs. High: nobody answers, and the machine's pulls have the lines.
        self._target.part()
        self.held = 1
        self._data(0)
        self._pull(1 - level)

    def sense(self) -> int:
        if self._sda() and self._scl():
            self._low = 0
            return CARRIES
        target = self._target
        if target.heard:
            target.heard = 0
            self._low = 0
            return CARRIES
        self._low += 1
        return CARRIES if self._low < _STUCK else 0


class Map(Registers):
    # Registers with a pointer that moves on behind what was read. What the tick has to say stands from `first` on.
    def __init__(self, first: int, count: int) -> None:
        self.held = bytearray(256)
        self._first = first
        self._count = count
        self._now = bytearray(count)  # in force
        self.next = bytearray(count)  # for the tick to fill
        self._pointer = 0
        # Registers of two bytes that are read again and again from their high byte, by address: 0 = none, 255 = one of
        # `held`, else 1 + its place in what the tick has to say.
        self.pairs = bytearray(256)
        self._stays = 0  # of the pointer
        self._asked = 0
        self._one = bytearray(1)
        self._two = bytearray(2)

    def power_up(self) -> None:
        self._pointer = self._stays = self._asked = 0

    def change_over(self) -> None:
        self._now, self.next = self.next, self._now

    def tell(self, code: int) -> int:
        return 1

    def lose_magnet(self) -> None:
        pass

    def store(self, address: int, byte: int) -> None:
        pass

    # -- hard interrupt -----------------------------------------------------------------------------

    def asked(self) -> bytearray:
        stays, at = self._stays, self._pointer
        if stays:
            two = self._two
            if stays == _OF_HELD:
                two[0] = self.held[at]
                two[1] = self.held[at + 1]
            else:
                now = self._now
                two[0] = now[stays - 1]
                two[1] = now[stays]
            return two
        held = self.held
        if not self._asked:
            self._asked = 1
            now, first = self._now, self._first
            for k in range(self._count):
                held[first + k] = now[k]
        one = self._one
        one[0] = held[at]
        self._pointer = (at + 1) & 0xFF
        return one

    def read_ended(self) -> None:
        # The last byte asked for was not read.
        if self._asked:
            self._asked = 0
            self._pointer = (self._pointer - 1) & 0xFF

    def written(self, byte: int, first: int) -> None:
        if first:
            self._pointer = byte
            self._stays = self.pairs[byte]
            self._asked = 0
            return
        at = self._pointer
        self.store(at, byte)
        self._pointer = (at + 1) & 0xFF
        self._stays = 0


class Map14(Map):
    def __init__(self) -> None:
        Map.__init__(self, _AT_14, 2)

    @micropython.viper
    def tell(self, code: int) -> int:
        filled = self.next
        two = ptr8(filled)
        two[0] = code >> 6
        two[1] = (code & 0x3F) << 2
        now = self._now
        self._now = filled
        self.next = now
        return 1


class Map12(Map):
    def __init__(self, values: dict) -> None:
        Map.__init__(self, _RAW, 4)
        self._scaled = values["scaled"]
        self._codes = values["codes"]
        # What the part keeps without supply.
        self._burned = bytearray(_SETTINGS)
        self._burned[_ZMCO] = values["burns"]
        for at, name in ((_ZPOS, "zpos"), (_MPOS, "mpos"), (_MANG, "mang"), (_CONF, "conf")):
            self._burned[at] = values[name] >> 8
            self._burned[at + 1] = values[name] & 0xFF
        self._settings_burned = 1 if values["mang"] or values["conf"] else 0
        self._dirty = 0
        self._code = 0
        self._fine = 0
        for at, place in ((_RAW, 1), (_ANGLE, 3), (_MAGNITUDE, _OF_HELD)):  # DS p.13
            self.pairs[at] = place
        self._zero = self._range = self._play = 0
        self._told = -1  # the last ANGLE; -1: none yet
        self._plain = self._from = self._span = 0
        self.power_up()
        # Codes are counts of the turn from _from on, or shares of a range.
        self._from = 0 if values["raw_angle"] else self._zero * _FINE
        self._span = 0 if values["wrap"] else self._range * _FINE
        self._settle()

    def power_up(self) -> None:
        Map.power_up(self)
        for at in range(_SETTINGS):
            self.held[at] = self._burned[at]
        self._told = -1
        self._settle()
        self._magnet(1)

    def _magnet(self, found: int) -> None:
        held = self.held
        held[_STATUS] = _FOUND if found else _WEAK
        held[_AGC] = _AGC_GOOD if found else _AGC_MOST
        held[_MAGNITUDE] = (_MAGNITUDE_GOOD if found else 0) >> 8
        held[_MAGNITUDE + 1] = (_MAGNITUDE_GOOD if found else 0) & 0xFF

    def _word(self, at: int) -> int:
        held = self.held
        return (held[at] << 8 | held[at + 1]) & 0xFFF

    def _settle(self) -> None:
        # What the registers say, as numbers. A stop position goes before a size; none is a whole turn, and so is 4095
        # (value from memory).
        self._zero = self._word(_ZPOS)
        stop = self._word(_MPOS)
        counts = (stop - self._zero) & _TOP if stop else self._word(_MANG)
        self._range = _TURN if counts == 0 or counts == _TOP else counts
        self._play = self.held[_CONF + 1] >> 2 & 3  # HYST, DS p.19: counts of ANGLE
        # 1: both words are the code itself, which spares the tick a tenth of a millisecond.
        set_up = self._zero or self._play or self._from or self._span or self._range != _TURN
        self._plain = 0 if set_up else 1

    # -- tick ---------------------------------------------------------------------------------------

    @micropython.viper
    def tell(self, code: int) -> int:
        self._code = code
        held = ptr8(self.held)
        if not held[_STATUS] & _FOUND:
            self._magnet(1)
        if int(self._plain):
            filled = self.next
            four = ptr8(filled)
            four[0] = code >> 8
            four[2] = code >> 8
            four[1] = code & 0xFF
            four[3] = code & 0xFF
            now = self._now
            self._now = filled
            self.next = now
        else:
            self._publish()
        return 1

    def lose_magnet(self) -> None:
        self._magnet(0)

    def _publish(self) -> None:
        if self._span:
            steps = self._codes - 1
            along = (self._code * self._span + (steps >> 1)) // steps
        else:
            along = self._code * _FINE
        self._fine = (self._from + along) & _FINE_MASK
        raw = (self._fine + _HALF) // _FINE & _TOP
        angle = self._angle()
        four = self.next
        four[0] = raw >> 8
        four[1] = raw & 0xFF
        four[2] = angle >> 8
        four[3] = angle & 0xFF
        self.change_over()

    def _angle(self) -> int:
        fine, counts = (self._fine - self._zero * _FINE) & _FINE_MASK, self._range
        if counts == _TURN:
            return self._steady((fine + _HALF) // _FINE & _TOP, _TOP)
        top = _TOP if self._scaled else counts
        past = fine - counts * _FINE
        if past > 0:
            # The end that is nearer (DS p.25: half of what is left of the turn on each side).
            return self._steady(top if 2 * past < _FINE_MASK + 1 - counts * _FINE else 0, 0)
        if self._scaled:
            return self._steady((fine * _TOP + counts * _HALF) // (counts * _FINE), 0)
        return self._steady((fine + _HALF) // _FINE, 0)

    def _steady(self, angle: int, mask: int) -> int:
        # mask: of a turn, which begins anew; 0 where the range ends.
        away = angle - self._told
        if mask:
            away = (away + 2048 & mask) - 2048
        if self._told < 0 or self._play < away or away < -self._play:
            self._told = angle
        return self._told

    # -- hard interrupt -----------------------------------------------------------------------------

    def store(self, address: int, byte: int) -> None:
        if _ZMCO < address < _SETTINGS:
            if address & 1:
                byte &= 0x3F if address == _CONF else 0x0F
            self.held[address] = byte
            self._dirty = 1
        elif address == _BURN:
            self._burn(byte)

    def write_ended(self) -> None:
        if self._dirty:
            self._dirty = 0
            self._settle()
            self._publish()

    def _burn(self, command: int) -> None:
        held, burned = self.held, self._burned
        if command == _BURN_ANGLE:
            if held[_ZMCO] < _BURNS_MAX and held[_STATUS] & _FOUND:
                held[_ZMCO] += 1
                for at in range(_ZMCO, _MANG):
                    burned[at] = held[at]
        elif command == _BURN_SETTINGS and not self._settings_burned:
            self._settings_burned = 1
            for at in range(_CONF if held[_ZMCO] else _MANG, _SETTINGS):
                burned[at] = held[at]
