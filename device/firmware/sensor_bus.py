# Registers of a real sensor on I2C: one transfer of the jig's own, while it feeds the sensor.
#
# Service loop only. Byte by byte, so that a trip in the middle ends it there: 32 registers take some 4 ms at 100 kHz; a
# part that holds the clock ends it after 1 ms.
from boards.soft_bus import SoftBus

from firmware import sensor_reading
from firmware.bus import clock_out
from firmware.jig import Jig
from shared_proto import names
from shared_proto.codec import Message

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from machine import SoftI2C

_NO_LINES = 0


def perform(jig: Jig, message: Message) -> None:
    reason = sensor_reading.refusal(jig, "i2c", _NO_LINES)
    if reason:
        jig.session.refuse(message, reason)
        return
    fields = message.fields
    state, data = names.SENSOR_HELD, b""
    # Without the sensor's supply the translator is off, and what the pins show is not the bus.
    if jig.board.sensor_power():
        bus = SoftBus(jig.board)
        sensor_reading.begin(jig, _NO_LINES)
        bus.lend()
        try:
            if not sensor_reading.tripped(jig):  # from here on a trip takes the pins back
                state, data = _read(bus, fields["address"], fields["first"], fields["count"])
        finally:
            bus.close()
            sensor_reading.end(jig, _NO_LINES)
    if not sensor_reading.refuse_tripped(jig, message):
        jig.session.answer(message, t_us=jig.now_us, state=state, data=data)


def _read(bus: SoftBus, address: int, first: int, count: int) -> tuple:
    # (names.SENSOR_..., bytes).
    if not bus.at_rest() and clock_out(bus.sda, bus.scl, bus.pull, bus.free) < 0:
        return names.SENSOR_HELD, b""
    try:
        data = _transfer(bus, address, first, count)
    except OSError:  # a part held the clock for too long
        return names.SENSOR_HELD, b""
    # Lines that rest low now were low all along: zeros and acknowledgements that nobody gave.
    if not bus.at_rest():
        return names.SENSOR_HELD, b""
    return (names.SENSOR_ANSWERED, bytes(data)) if data else (names.SENSOR_SILENT, b"")


def _transfer(bus: SoftBus, address: int, first: int, count: int) -> bytearray:
    # Empty where nobody acknowledged, or a trip came.
    data = bytearray(count)
    view = memoryview(data)
    i2c = bus.open()
    i2c.start()
    asked = _sent(bus, i2c, address << 1) and _sent(bus, i2c, first)
    if asked and bus.lent():
        i2c.start()
        asked = _sent(bus, i2c, address << 1 | 1)
    for at in range(count):
        if asked and bus.lent():
            i2c.readinto(view[at : at + 1], at == count - 1)
    if not bus.lent():
        return bytearray()
    i2c.stop()
    return data if asked else bytearray()


def _sent(bus: SoftBus, i2c: "SoftI2C", byte: int) -> bool:
    # True when it was acknowledged.
    return bool(bus.lent() and i2c.write(bytes((byte,))))
