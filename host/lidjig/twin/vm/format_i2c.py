"""Registers on I2C, as a sensor has them and as a machine's controller reads them: the model's own reading of both.

Facts: layout (0 = 12-bit map of the ams AS5600, 1 = 14-bit part), address, zpos, mpos, mang, conf, burns, raw_angle,
scaled, codes, wrap (lidjig.twin.facts). DS = ams AS5600 datasheet v1-06.
"""

import gpio as g
from angle_sensor import AngleSensor
from i2c_wave import Log
from receiver import Receiver
from wiring import B1, OUT_LEAK, OUT_LOW, OUT_OPEN, VB

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from world import World

_STATUS, _RAW, _ANGLE, _AGC, _MAGNITUDE = 0x0B, 0x0C, 0x0E, 0x1A, 0x1B
_AT_14 = 0x03
_AGC_MAX = 128  # on 3.3 V (DS p.20)
_STATUS_FOUND = 0x20
_STATUS_WEAK = 0x10  # the gain is at its maximum (DS p.20)
_PAIRS = (_RAW, _ANGLE, _MAGNITUDE)  # read again and again without a new pointer (DS p.13)
_BUFFER_LOW = 1  # what a line's drive does for a target that pulls


class Format:
    """A real part of the family: registers, pointer, what it answers. code: set to what its angle register says."""

    def __init__(self, facts: "dict[str, Any]") -> None:
        self._facts = facts
        self.address: int = facts["address"]
        self.code = 0
        self._pointer = 0
        self._pointing = True  # the next byte written is the pointer
        self._given = 0  # bytes of a pair, since the last start
        self.registers = bytearray(256)
        if facts["layout"]:
            return
        self.registers[0] = facts["burns"]
        for at, name in ((1, "zpos"), (3, "mpos"), (5, "mang"), (7, "conf")):
            self._set(at, facts[name])
        self._set(_MAGNITUDE, 1900)
        self.registers[_STATUS] = _STATUS_FOUND
        self.registers[_AGC] = 60
        if facts.get("no_magnet"):
            self._set(_MAGNITUDE, 0)
            self.registers[_STATUS] = _STATUS_WEAK
            self.registers[_AGC] = _AGC_MAX

    def _set(self, at: int, value: int) -> None:
        self.registers[at] = value >> 8
        self.registers[at + 1] = value & 0xFF

    def _turn(self) -> None:
        # The angle, wherever it is told.
        facts, code = self._facts, self.code
        if facts["layout"]:
            self._set(_AT_14, code << 2)
            return
        zero = facts["zpos"]
        span = ((facts["mpos"] - zero) % 4096 if facts["mpos"] else facts["mang"]) or 4096
        if facts["raw_angle"]:
            raw = code
            along = (raw - zero) % 4096
            angle = along if span == 4096 else min(along * 4096 // span if facts["scaled"] else along, 4095)
        else:
            angle = code
            raw = (zero + (code if facts["wrap"] else code * span // (facts["codes"] - 1))) % 4096
        self._set(_RAW, raw)
        self._set(_ANGLE, angle)

    def start(self) -> None:
        """A start, or another one: what comes next is the pointer, or the first byte that is read."""
        self._turn()
        self._pointing = True
        self._given = 0

    def take(self, byte: int) -> None:
        """A byte that is written."""
        if self._pointing:
            self._pointing = False
            self._pointer = byte
            return
        if 1 <= self._pointer <= 8 and not self._facts["layout"]:
            self.registers[self._pointer] = byte
        self._pointer = (self._pointer + 1) & 0xFF

    def give(self) -> int:
        """The next byte that is read."""
        if self._pointer in _PAIRS and not self._facts["layout"]:
            byte: int = self.registers[self._pointer + (self._given & 1)]
            self._given += 1
            return byte
        byte = self.registers[self._pointer]
        self._pointer = (self._pointer + 1) & 0xFF
        return byte

    def transfer(self, data: bytes, count: int) -> bytes:
        """A write of data, then a read of so many bytes."""
        self.start()
        for byte in data:
            self.take(byte)
        return bytes([self.give() for _ in range(count)])


class I2cSensor(AngleSensor):
    """The part on the hinge. Its lines rest; whoever asks it gets its registers: the machine by whole transfers, the
    jig byte by byte (soft_i2c.py).
    """

    def __init__(self, *arguments: "Any") -> None:
        AngleSensor.__init__(self, *arguments)
        self._mine = -1  # the jig's transfer: 0 not for this part, 1 its bytes, -1 the address is to come

    def drive(self, k: int, begin: int, end: int) -> tuple[int, list[tuple[int, int]]]:
        return self.outputs[k], []

    def _state(self, level: int) -> int:
        return OUT_OPEN if level else OUT_LOW

    def transfer(self, address: int, data: bytes, count: int) -> bytes | None:
        """None where it does not acknowledge."""
        if not self._there() or address != self._form.address:
            return None
        self._form.code = self._codes[-1][1]
        given: bytes = self._form.transfer(data, count)
        return given

    def _there(self) -> bool:
        return self._powered and self.outputs[0] != OUT_LEAK

    def started(self) -> None:
        self._mine = -1
        if self._there():
            self._form.code = self._codes[-1][1]
            self._form.start()

    def took(self, byte: int) -> bool:
        """Whether it acknowledges."""
        if not self._there():
            return False
        if self._mine < 0:
            self._mine = 1 if byte >> 1 == self._form.address else 0
        elif self._mine:
            self._form.take(byte)
        return self._mine > 0

    def gives(self) -> int:
        byte: int = self._form.give() if self._mine > 0 and self._there() else 0xFF
        return byte


SENSOR = I2cSensor


class Controller(Receiver):
    """The machine's end of the bus. Nobody who acknowledges: a bus at rest high is a sensor that is not there."""

    def __init__(self, world: "World", facts: "dict[str, Any]") -> None:
        Receiver.__init__(self, world.kernel, world.line_of(0), None, facts)
        self._world = world
        self.log = Log(world.kernel)
        self._first = _AT_14 if facts["layout"] else _RAW if facts["raw_angle"] else _ANGLE

    def look(self) -> None:
        facts = self._facts
        self.angle_mdeg = -1
        found = b"" if facts["layout"] else self.transfer(facts["address"], bytes([_STATUS]), 1)
        if found is not None and (facts["layout"] or found[0] & _STATUS_FOUND):
            found = self.transfer(facts["address"], bytes([self._first]), 2)
        else:
            found = None if found is None else b""
        if not found:
            self.unread += 1
            if found is None:
                self.shut = not (self._level(0) and self._level(1))
            return
        word = found[0] << 8 | found[1]
        self.believe(self._angle(word >> 2 if facts["layout"] else word & 0xFFF))

    def _level(self, k: int) -> bool:
        mv, facts = self._world.wiring.mv, self._facts
        return mv[VB] > 0 and mv[B1 + k] * 1000 > int(facts["high_permille"]) * mv[VB]

    def _reaches(self, k: int, drive: int, out: int) -> bool:
        # Whether somebody who pulls line k is seen at the machine's board.
        mv = self._world.wiring.with_line(k, drive, out)
        return mv[B1 + k] * 1000 < int(self._facts["low_permille"]) * mv[VB]

    def transfer(self, address: int, data: bytes, count: int) -> bytes | None:
        """A write of data (may be empty), then a read of so many bytes (may be none); None where nobody acknowledges,
        or the bus does not work.
        """
        world = self._world
        sensor: Any = world.sensor
        if not (self._level(0) and self._level(1)):
            return None
        given: bytes | None = None
        held_us = 0
        outputs = sensor.outputs
        if self._reaches(0, 0, OUT_LOW) and self._reaches(1, 0, OUT_LOW):
            given = sensor.transfer(address, data, count)
        # The translators are on with the relay: towards the connector of a machine that has its supply.
        elif world.gpio.given(g.RELAY) and self._reaches(0, _BUFFER_LOW, outputs[0]):
            if self._reaches(1, _BUFFER_LOW, outputs[1]):
                given = self._ask_target(address, data, count)
                held_us = world.targets.stretched_us
        self.log.add(address, data, count, given, held_us)
        return given

    def _ask_target(self, address: int, data: bytes, count: int) -> bytes | None:
        targets = self._world.targets
        if not count:
            return b"" if targets.i2c_write(address, data) else None
        return targets.i2c_write_read(address, data, count)


def fit(world: "World", _facts: "dict[str, Any]") -> None:
    """What the jig has to read such a sensor: a translator, where two buffers are otherwise."""
    world.wiring.translated = 1


def listen(world: "World", facts: "dict[str, Any]") -> Controller:
    controller = Controller(world, facts)
    for k, name in ((0, "1"), (1, "2")):
        world.add_wave(name, controller.log.line(k, world.wiring))
    return controller
