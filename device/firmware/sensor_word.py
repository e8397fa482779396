# A word out of a real sensor that is read over SSI: the jig selects it, clocks, and takes each bit at the other edge
# than the sensor puts it out at.
#
# Service loop only, and for as long as the word takes: 24 bits at a half period of 2 us some 1.5 ms on the board, whose
# interpreter needs most of it; 32 bits at the slowest clock 64 ms. The tick goes on, and lengthens a half period.
from boards.word_pins import WordPins

from firmware import sensor_reading
from firmware.jig import Jig
from shared_proto import names
from shared_proto.codec import Message

_SELECT = 1 << names.LINE_OBS2


def perform(jig: Jig, message: Message) -> None:
    reason = sensor_reading.refusal(jig, "ssi", _SELECT)
    if not reason and not jig.board.sensor_power():
        reason = names.REFUSED_SUPPLY_MISSING  # clock and select would feed a sensor that is off
    if reason:
        jig.session.refuse(message, reason)
        return
    fields = message.fields
    pins = WordPins(jig.board)
    word = 0
    sensor_reading.begin(jig, _SELECT)
    pins.lend()
    try:
        if not sensor_reading.tripped(jig):  # from here on a trip takes the pins back
            pins.begin()
            word = _clock_out(pins, fields["bits"], fields["half_us"], fields["out_falling"])
    finally:
        pins.close()
        sensor_reading.end(jig, _SELECT)
    if not sensor_reading.refuse_tripped(jig, message):
        jig.session.answer(message, t_us=jig.now_us, word=word)


def _clock_out(pins: WordPins, bits: int, half_us: int, out_falling: int) -> int:
    clock, data, wait_us = pins.clock, pins.data, pins.wait_us
    word = bit = 0
    wait_us(half_us)
    pins.select(0)
    wait_us(half_us)
    for _ in range(bits):
        if not pins.lent():
            return 0
        # The first edge falls. Where bits come out at the rise, the fall that follows is where one is taken: just
        # before it here, so that the last bit needs no clock of its own.
        clock(0)
        wait_us(half_us)
        if out_falling:
            bit = data()
        clock(1)
        wait_us(half_us)
        if not out_falling:
            bit = data()
        word = word << 1 | bit
    pins.select(1)
    return word
