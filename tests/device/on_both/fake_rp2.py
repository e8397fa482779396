"""What the outputs of the sensor families are made with, as the firmware finds it: rp2, machine.PWM and I2CTarget.

Nothing of it moves a pin. A DMA channel takes as long as the state machine that it reads needs for its words, and what
it then has written is the level of that one's pin, in all bits. A queue of words is empty again as soon as time has
passed. Programs are not assembled: they take the room that they take on the board. Handlers of interrupts are kept
outside the objects, as the port keeps them.
"""

from array import array

PROGRAM_WORDS = 32  # what a block holds, and no program exceeds
HANDLERS = {}  # by what gives the interrupt; the port keeps them until they are replaced


class StateMachine:
    bench = None  # set by fake_board

    def __init__(self, number, program=None, **options):
        self.number = number
        self._words = 0
        self._at_us = 0
        self.running = 0
        if program is not None:
            self.init(program, **options)

    def init(self, program, **options):
        assert len(program[0]) <= PROGRAM_WORDS
        self.options = options
        self.running = 0
        self._words = 0

    def tx_fifo(self):
        if self._at_us != self.bench.now_us:
            self._words = 0
        return self._words

    def put(self, word, shift=0):
        # Words that are no small integers come in an array, whatever their sign.
        assert isinstance(word, array) and len(word) == 1 or 0 <= word < 1 << 30, "it would be made on the heap"
        self._words = self.tx_fifo() + 1
        self._at_us = self.bench.now_us

    def exec(self, code):
        assert isinstance(code, int), "a string would be assembled in the tick"
        if code & 0xE080 == 0x8080:
            self._words = 0  # a pull

    def restart(self):
        pass

    def active(self, value=None):
        if value is not None:
            self.running = value
        return self.running

    def irq(self, handler=None, trigger=0, hard=False):
        assert handler is None or hard
        HANDLERS["pio"] = handler


class DMA:
    bench = None  # set by fake_board
    claimed = 0  # channels that were not given back
    channels = 12

    def __init__(self):
        if DMA.claimed >= DMA.channels:
            raise OSError(16)
        DMA.claimed += 1
        self._end_us = -1  # of what is under way

    def pack_ctrl(self, **fields):
        return fields

    def config(self, *, read, write, count, ctrl, trigger):
        # 12: the request of PIO 1's first machine (RP2040 datasheet, 2.5.3.1), whose words of 32 bits all come from one
        # address.
        assert read.number == 4 and trigger and 4 * count == len(write)
        assert ctrl == {"size": 2, "inc_read": False, "inc_write": True, "treq_sel": 12}
        self._machine, self._data = read, write
        self._end_us = self.bench.now_us + 32 * count * 1000000 // read.options["freq"]

    def active(self, value=None):
        if value is not None:
            assert not value
            self._end_us = -1
        if 0 <= self._end_us <= self.bench.now_us:
            assert self._machine.running
            self._end_us = -1
            byte = 255 * self._machine.options["in_base"]()
            for k in range(len(self._data)):
                self._data[k] = byte
        return self._end_us >= 0

    def close(self):
        assert self._end_us < 0, "it would go on writing"
        DMA.claimed -= 1


class PIO:
    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1
    JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2

    def __init__(self, number):
        pass

    def remove_program(self, program=None):
        pass


def asm_pio(**options):
    # Code, places in the two blocks, registers, first states of the pins: the list that the port makes.
    def assemble(program):
        return [array("H", [0] * PROGRAM_WORDS), -1, -1, 0, 0, None, None, None]

    return assemble


class PWM:
    def __init__(self, pin, freq=0, duty_u16=0):
        self.duty = duty_u16

    def duty_u16(self, value=None):
        if value is not None:
            assert 0 <= value <= 65535
            self.duty = value
        return self.duty


class I2CTarget:
    IRQ_END_READ, IRQ_END_WRITE = 1, 2
    IRQ_READ_REQ, IRQ_WRITE_REQ = 4, 8

    def __init__(self, number, address, *, scl, sda):
        self.number = number
        self.asked = bytearray(16)

    def deinit(self):
        pass

    def write(self, data):
        return len(data)

    def readinto(self, buffer):
        return 0

    def irq(self, handler=None, trigger=0, hard=False):
        assert hard
        HANDLERS["target"] = handler
        return self

    def flags(self):
        return I2CTarget.IRQ_READ_REQ


class Dac:
    """What answers on the bus where a DAC is wired."""

    def __init__(self):
        self.code = -1

    def take(self, data):
        self.code = data[0] << 8 | data[1]
