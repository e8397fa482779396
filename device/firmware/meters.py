# Power monitors of the INA226 type (Texas Instruments SBOS547) on the bus: meter 1 on the charger's supply, meter 2 on
# the sensor's. Service loop only.
#
# A part that is missing or fails is told, left out, and looked for again every second; the other one goes on. A part
# that lost its settings (its supply dipped) gives currents of 0, and a voltage of 0 before its first conversion: a
# reading of 0 is passed on only once its calibration has been compared, in the same beat. Its voltages otherwise hold
# without the settings, with more noise; those are compared every second.
from boards import Board
from micropython import const

from firmware.bus import NO_ANSWER, Bus
from firmware.log import Log
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_METERS = const(2)
# Registers, and what identifies the part: values from memory.
_CONFIG = const(0x00)
_BUS_VOLTAGE = const(0x02)
_CURRENT = const(0x04)
_CALIBRATION = const(0x05)
_MANUFACTURER = const(0xFE)
_DIE = const(0xFF)
_TI = const(0x5449)
_INA226 = const(0x226)  # without the revision, the last four bits

# 0100 AVG=001 VBUSCT=010 VSHCT=011 MODE=111: both measured continuously, the mean of 4 conversions of 332 us (voltage)
# and 588 us (shunt): 3.7 ms, 4.1 ms at most, so that every reading of a 5 ms beat is a new one. Conversion times are
# values from memory.
_SETTINGS = const(0x429F)
_CONVERTED_US = const(4200)  # after set-up: until then the registers still have what they had at power-on, 0

_CHECK_US = const(1000000)
_AGAIN_US = const(100000)  # after a check that failed, and after set-up, which comes no more often than that
_FAILURES_MAX = const(3)  # transfers in a row
_NOTHING = const(255)
# Of names, as constants for a beat.
_FIRST_CHANNEL = const(10)
_OK = const(1)
_ZERO = const(32768)


class Meters:
    def __init__(self, board: Board, log: Log, tell: "Callable[[int, int], None]") -> None:
        # tell(meter, state): on every change.
        self._board = board
        self._log = log
        self._tell = tell
        self.bus = Bus(board, log)
        self._fetch = self.bus.fetch
        self._ticks_us = board.ticks_us
        self.state = bytearray(_METERS)
        self._address = bytearray(_METERS)
        self._calibration = [0] * _METERS
        self._failures = bytearray(_METERS)
        self._told = bytearray(_METERS)  # state that was told, or _NOTHING
        self._fresh = bytearray(_METERS)  # 1 = set up, and not checked since
        self._due = [0] * _METERS  # ticks of the next check

    def wire(self, bus: bool, addresses: tuple, calibrations: tuple) -> None:
        # From the wiring record; address 0 = none. What was told of parts wired before is no longer true.
        self.bus.wire(bus)
        for meter in range(_METERS):
            self._address[meter] = addresses[meter]
            self._calibration[meter] = calibrations[meter]
            self._failures[meter] = 0
            self._fresh[meter] = 0
            self._due[meter] = self._board.ticks_us()
            if addresses[meter]:
                self.state[meter] = names.METER_MISSING
                self._told[meter] = _NOTHING
            else:
                self._set(meter, names.METER_NONE)

    def wired(self, channel: int) -> bool:
        return self._address[_meter_of(channel)] != 0

    def present(self, channel: int) -> bool:
        return self.state[_meter_of(channel)] == names.METER_OK

    def poll(self, now: int, now_us: int) -> None:
        # Looks after one meter a call.
        self.bus.now_us = now_us
        for meter in range(_METERS):
            if self._address[meter] and self._board.ticks_diff(now, self._due[meter]) >= 0:
                self._due[meter] = self._board.ticks_add(now, _CHECK_US)
                self._check(meter)
                return

    def read(self, channel: int) -> int:
        # 16 bits as names.CHANNELS has them, or below 0: NO_BUS where the bus itself does not work.
        # After bus.ready(): a beat reads up to four registers, and as many calibrations where all are 0.
        meter = (channel - _FIRST_CHANNEL) >> 1
        if self.state[meter] != _OK or (self._fresh[meter] and self._converts(meter)):
            return NO_ANSWER
        current = channel & 1  # names.CH_METER_1_I and CH_METER_2_I are odd
        raw = self._fetch(self._address[meter], _CURRENT if current else _BUS_VOLTAGE)
        if not raw:
            raw = self._prove_zero(meter)
        if raw < 0:
            self._count_failure(meter)
            return raw
        self._failures[meter] = 0
        return raw ^ _ZERO if current else raw  # two's complement to ascending

    def _converts(self, meter: int) -> bool:
        # Whether a part that was set up has not read anything since. The check after set-up was put off by _AGAIN_US.
        left_us = self._board.ticks_diff(self._due[meter], self._ticks_us())
        return left_us > _AGAIN_US - _CONVERTED_US

    def _prove_zero(self, meter: int) -> int:
        # 0 where the part still has its calibration, else below 0, and it is set up anew: at once, but not over and
        # over where it forgets all the time.
        found = self._fetch(self._address[meter], _CALIBRATION)
        if found == self._calibration[meter]:
            return 0
        if found < 0:
            return found
        self._set(meter, names.METER_FAILED)
        if not self._fresh[meter]:
            self._due[meter] = self._ticks_us()
        return NO_ANSWER

    def _count_failure(self, meter: int) -> None:
        self._failures[meter] += 1
        if self._failures[meter] >= _FAILURES_MAX:
            self._set(meter, names.METER_FAILED)

    def _set(self, meter: int, state: int) -> None:
        self.state[meter] = state
        if self._told[meter] != state:
            self._told[meter] = state
            self._log.add(self.bus.now_us, names.LOG_METER, meter, state)
            self._tell(meter, state)

    def _check(self, meter: int) -> None:
        address = self._address[meter]
        if self.state[meter] == names.METER_OK:
            settings = self.bus.read(address, _CONFIG)
            if settings == _SETTINGS:
                self._failures[meter] = 0
                self._fresh[meter] = 0
                return
            if settings < 0:
                self._count_failure(meter)
                self._due[meter] = self._board.ticks_add(self._board.ticks_us(), _AGAIN_US)
                return
            # What it gave lately may be wrong.
            self._set(meter, names.METER_FAILED)
        self._failures[meter] = 0
        state = self._begin(address, meter)
        self._fresh[meter] = state == names.METER_OK
        if self._fresh[meter]:
            self._due[meter] = self._board.ticks_add(self._ticks_us(), _AGAIN_US)
        self._set(meter, state)

    def _begin(self, address: int, meter: int) -> int:
        # Identifies a part and sets it up; its state then.
        bus = self.bus
        manufacturer = bus.read(address, _MANUFACTURER)
        if manufacturer < 0:
            return self.state[meter]  # as it was: missing, or failed where it had answered before
        if manufacturer != _TI or bus.read(address, _DIE) >> 4 != _INA226:
            return names.METER_FAILED
        wanted = ((_CALIBRATION, self._calibration[meter]), (_CONFIG, _SETTINGS))
        for register, value in wanted:
            if bus.write(address, register, value) or bus.read(address, register) != value:
                return names.METER_FAILED
        return names.METER_OK


def _meter_of(channel: int) -> int:
    return (channel - names.CH_METER_1_V) >> 1
