# ruff: noqa: F821  words of PIO programs are there only while one is assembled
"""rp2.StateMachine and rp2.PIO as the firmware has them: FIFOs, interrupts, exec, pins, program memory."""

from array import array

from pio_asm import asm_pio
from vm_rig import Chip, LockedHeap, checks, raises, started

OUT_LOW = 2
RIGHT = 1
JOIN_TX, JOIN_RX = 1, 2
MHZ = 1000000


@asm_pio(set_init=OUT_LOW)
def square():
    set(pins, 1)[2]
    set(pins, 0)


@asm_pio(set_init=OUT_LOW, out_shiftdir=RIGHT)
def frames():
    pull(noblock)
    mov(x, osr)
    out(y, 16)
    set(pins, 1)
    label("high")
    jmp(y_dec, "high")
    out(y, 16)
    set(pins, 0)
    label("low")
    jmp(y_dec, "low")


@asm_pio()
def calls():
    pull(block)
    irq(block, rel(0))
    mov(isr, osr)
    push(block)


def check_flags_interrupt_the_processor():
    chip = Chip()
    machine = started(chip, calls, 1)
    seen = []
    count = [0, 0]

    def handler(which):
        count[0] += 1
        count[1] = chip.kernel.now

    machine.irq(handler)
    for word in (7, 8):
        machine.put(word)
        chip.run_us(100)
        seen.append((machine.get(), count[0]))
    assert seen == [(7, 1), (8, 2)] and not chip.failed
    assert 100 < count[1] <= 115
    machine.irq(None)
    machine.put(9)
    chip.run_us(100)
    assert machine.rx_fifo() == 0 and count[0] == 2


@asm_pio(set_init=(OUT_LOW, OUT_LOW))
def shared():
    set(pins, 1)
    label("end")
    jmp("end")


def check_code_from_outside():
    chip = Chip()
    machine = chip.machine(0, shared, freq=MHZ, set_base=2)
    assert chip.gpio.given(2) == 0
    machine.exec("set(pins, 2)")  # while it stands still
    assert (chip.gpio.given(2), chip.gpio.given(3)) == (0, 1)
    machine.exec(0xE001)  # set pins, 1
    assert (chip.gpio.given(2), chip.gpio.given(3)) == (1, 0)
    machine.exec(0xE080)  # set pindirs, 0: it gives nothing any more
    assert (chip.gpio.given(2), chip.gpio.given(3)) == (0, 0)
    machine.exec(0xE083)
    machine.active(1)
    chip.run_us(10)
    machine.exec(0xE003)
    chip.run_us(10)
    assert (chip.gpio.given(2), chip.gpio.given(3)) == (1, 1)
    at = chip.pio.machine(0).program[0]
    machine.exec(at)  # jmp: words of a program are where it was loaded
    chip.run_us(2)
    assert (chip.gpio.given(2), chip.gpio.given(3)) == (1, 0)
    machine.exec(0xE000)
    machine.restart()
    chip.run_us(2)
    assert chip.gpio.given(2) == 1
    assert chip.pio.edges(3, 0, 40)[-2:] == [(1250, 1), (2625, 0)]


@asm_pio(fifo_join=JOIN_TX)
def sends():
    pull(block)
    push(block)


@asm_pio(fifo_join=JOIN_RX)
def receives():
    in_(null, 32)
    push(noblock)


def check_joined_fifos():
    # RP2040 datasheet 3.5.3: eight words one way, and none the other: a PUSH there waits for good
    chip = Chip()
    machine = chip.machine(0, sends, freq=MHZ)
    for word in range(8):
        machine.put(word)
    assert machine.tx_fifo() == 8
    machine.active(1)
    chip.run_us(50)
    assert machine.tx_fifo() == 7 and machine.rx_fifo() == 0
    machine = started(chip, receives, 1)
    chip.run_us(50)
    assert machine.rx_fifo() == 8 and machine.tx_fifo() == 0


@asm_pio(out_shiftdir=RIGHT)
def waits():
    pull(block)
    out(x, 32)
    label("loop")
    jmp(x_dec, "loop")
    mov(isr, osr)
    push(noblock)


def check_put_and_get_wait():
    chip = Chip()
    machine = started(chip, waits, words=[999])
    chip.run_us(1)
    for word in (99, 99, 99, 99):
        machine.put(word)
    assert chip.kernel.now < 10
    machine.put(1)  # until the first one has counted down: pull, out, 1000 jumps, mov, push
    assert 1004 <= chip.kernel.now <= 1012
    assert machine.get() == 0
    machine.put(array("I", [3, 4]), 8)
    chip.run_us(1000)
    buffer = array("I", [7, 7])
    assert machine.get(buffer) is buffer and list(buffer) == [0, 0]


def check_put_in_an_interrupt_allocates_nothing():
    chip = Chip()
    machine = started(chip, frames, freq=5 * MHZ, set_base=2, words=[1000 << 16 | 500])
    word = 700 << 16 | 300
    for _ in range(20):
        chip.run_us(1000)
        with LockedHeap(chip.kernel):
            if not machine.tx_fifo():
                machine.put(word)
            machine.exec(0xA042)
            machine.active(0)
            machine.restart()
            machine.active(1)
            chip.gpio.read(2)
    # Until there is room time passes, with nothing else in between.
    for _ in range(4):
        machine.put(word)
    before = chip.kernel.now
    with LockedHeap(chip.kernel):
        machine.put(word)
    assert 0 < chip.kernel.now - before < 1000
    with LockedHeap(chip.kernel):
        chip.gpio.set_mode(2, 0, None)
    assert chip.gpio.owner[2] is None


def check_pins_are_given_and_taken_back():
    chip = Chip()
    gpio = chip.gpio
    told = []
    gpio.on_output[2] = lambda n: told.append(gpio.given(n))
    gpio.set_mode(2, 1, 1)
    machine = chip.machine(0, square, freq=MHZ, set_base=2)
    assert told == [1, 0] and gpio.owner[2] is chip.pio.blocks[0]
    gpio.write(2, 1)  # the pin is not the firmware's
    assert told == [1, 0] and gpio.read(2) == 0
    machine.active(1)
    chip.run_us(4)
    chip.run_us(1)
    assert gpio.read(2) == 1
    gpio.set_mode(2, 0, None)
    assert told[-1] == 0 and gpio.owner[2] is None
    chip.run_us(20)
    assert chip.pio.edges(2, 0, 25)[-1] == (625, 0) and chip.pio.level(2, 20) == 0
    gpio.set_mode(2, 1, 1)
    assert gpio.given(2) == 1
    # As a whole: after a reset all is as at first, and programs can be loaded again.
    machine = started(chip, square, set_base=2)
    gpio.release_all()
    chip.run_us(10)
    assert gpio.given(2) == 0 and not chip.pio.machine(0).enabled


def check_memory():
    chip = Chip()
    long = [array("H", [0xA042] * 30), -1, -1, 29 << 12, 0, None, None, None]
    chip.rp2.StateMachine(0, long)
    assert chip.pio.machine(0).program == (2, 30)
    fresh = [square[0], -1, -1] + square[3:]
    chip.rp2.StateMachine(1, fresh, set_base=2)
    assert chip.pio.machine(1).program == (0, 2) and fresh[1:3] == [0, -1]
    chip.rp2.StateMachine(2, fresh, set_base=2)  # the one that is there
    other = [square[0], -1, -1] + square[3:]
    assert raises(OSError, chip.rp2.StateMachine, 3, other) in ("12", "[Errno 12] ENOMEM")
    chip.rp2.StateMachine(4, other)  # the second block has room
    assert other[1:3] == [-1, 30]
    chip.rp2.PIO(0).remove_program(fresh)
    assert raises(ValueError, chip.rp2.PIO(0).remove_program, fresh) == "prog not in instruction memory"
    # More than 32 instructions fit nowhere.
    assert raises(OSError, chip.rp2.StateMachine, 5, [array("H", [0] * 33), -1, -1, 0, 0, None, None, None])
    for number in (-1, 8):
        assert raises(ValueError, chip.rp2.StateMachine, number) == "invalid StateMachine"
    assert raises(ValueError, chip.rp2.PIO, 2) == "invalid PIO"
    assert not hasattr(chip.rp2.PIO(0), "irq")  # the firmware hears state machines by their own


checks(globals())
