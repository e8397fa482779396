# ruff: noqa: F821  words of PIO programs are there only while one is assembled
"""Samples of a pin: a program of one IN, taken at once or clock by clock; rp2.DMA; conductors that carry edges."""

from array import array

from pio_asm import asm_pio
from pio_unit import SYNC_CLK
from vm_rig import Chip, checks, raises

LEFT, RIGHT = 0, 1
JOIN_RX = 2
MHZ = 1000000
PIN = 12
RX_OF_4 = 12  # what the RX FIFO of PIO 1's first machine asks by (RP2040 datasheet, 2.5.3.1)


@asm_pio(in_shiftdir=RIGHT, autopush=True, push_thresh=32, fifo_join=JOIN_RX)
def levels():
    wrap_target()
    in_(pins, 1)
    wrap()


@asm_pio(in_shiftdir=LEFT, autopush=True, push_thresh=7)
def sevens():
    in_(pins, 1)


@asm_pio(in_shiftdir=RIGHT, autopush=True, push_thresh=32)
def slower():
    in_(pins, 1)[2]


@asm_pio(in_shiftdir=RIGHT, autopush=True, push_thresh=32)
def two():
    in_(pins, 1)
    nop()


class Random:
    """Numbers that look like chance, the same on both interpreters."""

    def __init__(self, seed):
        self._now = seed

    def below(self, n):
        self._now = (self._now * 1103515245 + 12345) & 0x7FFFFFFF
        return (self._now >> 8) % n


def edges(seed, end):
    """[(time, level)] of a pin, close together and far apart."""
    rng = Random(seed)
    t, level, found = 5 + rng.below(50), 1, []
    while t < end:
        found.append((t, level))
        level = 1 - level
        t += 1 + rng.below(3 if rng.below(4) == 0 else 900)
    return found


def by_hand(changes, divider, samples):
    """What is sampled, by the datasheet: cycle k begins k * divider / 256 after the start, and sees the level that the
    pin had two clocks of the system before (3.5.6.3).
    """
    found = []
    for k in range(samples):
        level = 0
        for t, new in changes:
            if t + SYNC_CLK <= k * divider // 256:
                level = new
        found.append(level)
    return found


def bits_of(data):
    return [data[k // 8] >> k % 8 & 1 for k in range(8 * len(data))]


def capturing(chip, data, freq=MHZ, program=levels, **ctrl):
    """The DMA of a capture that has just begun, and the state machine."""
    machine = chip.machine(4, program, freq=freq, in_base=PIN)
    dma = chip.rp2.DMA()
    how = {"size": 2, "inc_read": False, "treq_sel": RX_OF_4}
    how.update(ctrl)
    dma.config(read=machine, write=data, count=len(data) // 4, ctrl=dma.pack_ctrl(**how), trigger=True)
    machine.active(1)
    return dma, machine


def check_samples_are_what_the_pin_had():
    for seed, freq, divider in ((1, 125 * MHZ, 256), (2, 50 * MHZ, 640), (3, 3 * MHZ, 10666)):
        chip = Chip()
        changes = edges(seed, 128 * divider // 256)
        data = bytearray(16)
        dma, machine = capturing(chip, data, freq)
        chip.pio.feed(PIN, changes)
        chip.run_us(1 + 130 * divider // 256 // 125)
        assert not dma.active() and dma.count == 0
        assert bits_of(data) == by_hand(changes, divider, 128), seed
        assert 0 < sum(bits_of(data)) < 128


def run_by_clocks(chip, changes, end):
    for t in range(end):
        for at, level in changes:
            if at + SYNC_CLK == t:
                chip.gpio.level[PIN] = level
        chip.pio.run(t + 1)


def check_at_once_is_clock_by_clock():
    # The same edges: all samples of a stretch in one step, or one instruction after the other. A FIFO that nobody
    # empties gets full, and the program waits.
    for program, freq in (
        (levels, 125 * MHZ),
        (levels, 7 * MHZ),
        (sevens, 30 * MHZ),
        (slower, 50 * MHZ),
        (two, 60 * MHZ),
    ):
        changes = edges(7, 6000)
        seen = []
        for by_clocks in (False, True):
            chip = Chip()
            machine = chip.machine(4, program, freq=freq, in_base=PIN)
            state = chip.pio.machine(4)
            machine.active(1)
            if by_clocks:
                state.samples = False
                run_by_clocks(chip, changes, 6000)
            else:
                chip.pio.feed(PIN, changes)
                chip.pio.run(6000)
                assert state.samples == (program in (levels, sevens))
            row = [state.isr, state.isr_n, state.rx_n, state.halfway, state.cycle, state.pc]
            words = []
            while state.rx_n:
                words.append(state.get(6000))
            chip.gpio.level[PIN] = 1
            chip.pio.run(6400)
            seen.append((row, words, state.isr, state.isr_n, state.rx_n, state.cycle))
        assert seen[0] == seen[1], (freq, seen)
        if freq == 125 * MHZ:  # it waited, with a whole word that had no room
            assert seen[0][0][1:4] == [32, 8, True]


def check_a_full_fifo_goes_on_where_it_waited():
    chip = Chip()
    machine = chip.machine(4, levels, freq=125 * MHZ, in_base=PIN)
    machine.active(1)
    chip.run_us(10)  # 1250 clocks, and 8 words of 32
    assert machine.rx_fifo() == 8
    chip.gpio.set_input(PIN, 1)
    data = bytearray(40)
    dma = chip.rp2.DMA()
    ctrl = dma.pack_ctrl(inc_read=False, treq_sel=RX_OF_4)
    dma.config(read=machine, write=data, count=10, ctrl=ctrl, trigger=True)
    assert dma.count == 2 and dma.active()  # eight that were there; the one that waited comes with the next clock
    chip.run_us(1)
    assert not dma.active()
    assert data == bytes(36) + bytes([255] * 4)


def check_other_ways_to_write():
    chip = Chip()
    chip.gpio.level[PIN] = 1
    data = bytearray(16)
    dma, machine = capturing(chip, data, inc_write=False)  # all of them into the first
    chip.run_us(200)
    assert not dma.active() and data == bytes([255] * 4) + bytes(12)
    for size, written in ((0, 4), (1, 8)):
        chip = Chip()
        chip.gpio.level[PIN] = 1
        data = bytearray(16)
        dma, machine = capturing(chip, data, size=size)  # as many transfers, each a part of a word
        chip.run_us(200)
        assert not dma.active() and data == bytes([255] * written) + bytes(16 - written)


def check_what_is_told_wrong_does_not_work():
    # Another request signal: nobody asks. None at all: the FIFO is read at once, and empty.
    chip = Chip()
    chip.gpio.level[PIN] = 1
    data = bytearray(16)
    dma, _machine = capturing(chip, data, treq_sel=13)
    chip.run_us(1000)
    assert dma.active() and data == bytes(16)
    dma.active(0)
    chip = Chip()
    chip.gpio.level[PIN] = 1
    data = bytearray(b"0123456789abcdef")
    dma, _machine = capturing(chip, data, treq_sel=0x3F)
    assert not dma.active() and data == bytes(16)
    # Another machine's, which samples at its own pace: words that are not there yet.
    chip = Chip()
    chip.gpio.level[PIN] = 1
    faster = chip.machine(5, levels, freq=125 * MHZ, in_base=PIN)
    faster.active(1)
    data = bytearray(16)
    dma, _machine = capturing(chip, data, treq_sel=13)
    chip.run_us(10)
    assert not dma.active() and data == bytes(16)
    for wrong, says in (
        ({"inc_read": True}, "the DMA would read beyond the FIFO"),
        ({"treq_sel": 8}, "on this bench nothing but the RX FIFO of a state machine asks for words"),
        ({"ring_size": 4}, "this bench has no rings, no swapping and no sniffing"),
        ({"size": 3}, "no such size"),
        ({"chain_to": 5}, "this bench chains no channels"),
    ):
        assert raises(ValueError, capturing, Chip(), bytearray(16), **wrong) == says
    dma, machine = capturing(Chip(), bytearray(16), enable=False)
    assert not dma.active() and not dma.active(1)
    dma = chip.rp2.DMA()
    ctrl = dma.pack_ctrl(inc_read=False, treq_sel=14)
    machine = chip.machine(6, levels, freq=MHZ, in_base=PIN)
    short = dict(read=machine, write=bytearray(16), count=5, ctrl=ctrl, trigger=True)
    assert raises(ValueError, dma.config, **short) == "the DMA would write beyond the end of the buffer"
    short.update(count=4, read=bytearray(16))
    assert raises(TypeError, dma.config, **short) == "this bench moves words from a StateMachine into a bytearray"


def check_control_register():
    # ports/rp2/rp2_dma.c: enabled, words, both addresses move on, chained to itself, no request, quiet
    chip = Chip()
    one, two = chip.rp2.DMA(), chip.rp2.DMA()
    assert (one.channel, two.channel) == (0, 1)
    assert one.pack_ctrl() == 0x3F8039 and two.pack_ctrl() == 0x3F8839
    assert one.pack_ctrl(treq_sel=12, inc_read=False) == 0x260029
    assert one.pack_ctrl(default=0, size=1, bswap=1) == 1 << 2 | 1 << 22
    assert raises(ValueError, one.pack_ctrl, size=4) == "bad field value"
    raises(TypeError, one.pack_ctrl, pace=4)


def check_channels():
    # 12 of them (datasheet 2.5); ports/rp2/rp2_dma.c: EBUSY where there are no more
    chip = Chip()
    all_of_them = [chip.rp2.DMA() for _ in range(12)]
    assert raises(OSError, chip.rp2.DMA) in ("16", "[Errno 16] EBUSY")
    all_of_them[3].close()
    all_of_them[3].close()
    assert raises(ValueError, all_of_them[3].active) == "channel closed"
    assert chip.rp2.DMA().channel == 3
    chip = Chip()
    dma, _machine = capturing(chip, bytearray(400))
    assert raises(RuntimeError, dma.close) == "a DMA channel is given back while it moves words"
    assert raises(ValueError, dma.config, count=1) == "this bench changes nothing of a channel that moves words"
    dma.active(0)
    dma.close()
    chip.run_us(10)
    # A reset of the board ends all.
    dma, _machine = capturing(chip, bytearray(400))
    chip.gpio.release_all()
    assert chip.rp2.DMA().channel == 0
    capturing(chip, bytearray(4))


class Conductor:
    """Carries a square of 10 us, upside down where the network says so."""

    def __init__(self):
        self.upside_down = 0
        self.asked = 0

    def state(self):
        return self.upside_down

    def changes(self, state, begin, end):
        self.asked += 1
        half = 625
        found = [(t * half, (t & 1) ^ state) for t in range(begin // half + 1, end // half + 1)]
        return (begin // half & 1) ^ state, found


def check_a_conductor_that_carries_edges():
    # However seldom anybody looks, and with the network changed in between, at any time.
    for looks in (1, 7, 400):
        chip = Chip()
        line = chip.pio.lines[PIN] = Conductor()
        chip.run_us(3)
        assert line.asked == 0  # nobody listens
        data = bytearray(40)
        dma, machine = capturing(chip, data, 4 * MHZ)
        now = 3
        for until in (20, 43, 83):
            while now < until:
                step = min(looks, until - now)
                chip.run_us(step)
                now += step
                chip.pio.run(chip.pio.now())
            if until < 83:
                chip.pio.before_network()
                line.upside_down = 1 - line.upside_down
                chip.pio.after_network()
        assert not dma.active()
        expected = []
        for k in range(320):
            # Sample k, a quarter of a us each from 3 us on, sees the pin two clocks before.
            t = 3 * 125 + k * 125 // 4 - SYNC_CLK
            expected.append((t // 625 & 1) ^ (1 if 20 * 125 <= t < 43 * 125 else 0))
        assert bits_of(data) == expected, looks
        machine.active(0)
        asked = line.asked
        chip.run_us(100)
        chip.pio.run(chip.pio.now())
        assert line.asked == asked  # nobody listens any more
        assert chip.gpio.level[PIN] == 0  # what the network says of it is another thing


def check_other_buffers():
    assert raises(TypeError, capturing, Chip(), array("I", [0, 0])) == (
        "this bench moves words from a StateMachine into a bytearray"
    )


checks(globals())
