# ruff: noqa: F821  words of PIO programs are there only while one is assembled
"""Assembler: codes of every instruction, and what it refuses."""

from pio_asm import PROG_EXEC, PROG_SHIFT, PIOASMError, asm_pio, asm_pio_encode
from vm_rig import checks, raises

OUT_LOW = 2


def encode(text, side=0, optional=False):
    return asm_pio_encode(text, side, optional)


# By the table of 3.4.1 and the field lists of 3.4.2 to 3.4.10 (RP2040 datasheet), put together by hand.
TABLE = (
    ("nop()", 0b101_00000_010_00_010), ("wait(1, gpio, 11)", 0b001_00000_1_00_01011),
    ("wait(0, pin, 3)", 0b001_00000_0_01_00011), ("wait(1, irq, 5)", 0b001_00000_1_10_00101),
    ("wait(1, irq, rel(2))", 0b001_00000_1_10_10010), ("in_(pins, 32)", 0b010_00000_000_00000),
    ("in_(x, 1)", 0b010_00000_001_00001), ("in_(y, 31)", 0b010_00000_010_11111),
    ("in_(null, 7)", 0b010_00000_011_00111), ("in_(isr, 2)", 0b010_00000_110_00010),
    ("in_(osr, 2)", 0b010_00000_111_00010), ("out(pins, 8)", 0b011_00000_000_01000),
    ("out(x, 32)", 0b011_00000_001_00000), ("out(y, 1)", 0b011_00000_010_00001),
    ("out(null, 4)", 0b011_00000_011_00100), ("out(pindirs, 1)", 0b011_00000_100_00001),
    ("out(pc, 5)", 0b011_00000_101_00101), ("out(isr, 9)", 0b011_00000_110_01001),
    ("out(exec, 16)", 0b011_00000_111_10000), ("push()", 0b100_00000_0_0_1_00000),
    ("push(block)", 0b100_00000_0_0_1_00000), ("push(noblock)", 0b100_00000_0_0_0_00000),
    ("push(iffull)", 0b100_00000_0_1_1_00000), ("push(iffull, noblock)", 0b100_00000_0_1_0_00000),
    ("pull()", 0b100_00000_1_0_1_00000), ("pull(noblock)", 0b100_00000_1_0_0_00000),
    ("pull(ifempty)", 0b100_00000_1_1_1_00000), ("pull(ifempty, noblock)", 0b100_00000_1_1_0_00000),
    ("mov(pins, x)", 0b101_00000_000_00_001), ("mov(x, invert(y))", 0b101_00000_001_01_010),
    ("mov(y, reverse(isr))", 0b101_00000_010_10_110), ("mov(exec, x)", 0b101_00000_100_00_001),
    ("mov(pc, y)", 0b101_00000_101_00_010), ("mov(isr, null)", 0b101_00000_110_00_011),
    ("mov(osr, status)", 0b101_00000_111_00_101), ("irq(3)", 0b110_00000_0_0_0_00011),
    ("irq(rel(1))", 0b110_00000_0_0_0_10001), ("irq(block, 4)", 0b110_00000_0_0_1_00100),
    ("irq(clear, rel(0))", 0b110_00000_0_1_0_10000), ("set(pins, 31)", 0b111_00000_000_11111),
    ("set(x, 5)", 0b111_00000_001_00101), ("set(y, 0)", 0b111_00000_010_00000),
    ("set(pindirs, 1)", 0b111_00000_100_00001), ("word(0x1234)", 0x1234),
)  # fmt: skip


def check_every_instruction():
    for text, code in TABLE:
        assert encode(text) == code, (text, encode(text), code)


def check_delay_and_side_share_five_bits():
    assert encode("nop()[31]") == 0xA042 | 31 << 8
    assert encode("nop().delay(3)") == 0xA042 | 3 << 8
    assert encode("nop().side(1)[15]", 1) == 0xA042 | 1 << 12 | 15 << 8
    assert encode("nop().side(2)[7]", 2) == 0xA042 | 2 << 11 | 7 << 8
    # with the bit that makes it optional: that bit first
    assert encode("nop().side(1)[7]", 2, True) == 0xA042 | 1 << 12 | 1 << 11 | 7 << 8
    assert encode("nop()[7]", 2, True) == 0xA042 | 7 << 8


def check_the_documented_example():
    # docs.micropython.org, library rp2: asm_pio_encode
    assert encode("set(0, 1)") == 57345


@asm_pio(set_init=OUT_LOW)
def square():
    set(pindirs, 1)
    label("again")
    set(pins, 1)[1]
    set(pins, 0)
    jmp("again")


@asm_pio(sideset_init=OUT_LOW)
def lights():
    wrap_target()
    label("bitloop")
    out(x, 1).side(0)[2]
    jmp(not_x, "do_zero").side(1)[1]
    jmp("bitloop").side(1)[4]
    label("do_zero")
    nop().side(0)[4]
    wrap()


@asm_pio(out_init=OUT_LOW, sideset_init=OUT_LOW, out_shiftdir=1)
def serial():
    pull().side(1)[7]
    set(x, 7).side(0)[7]
    label("bitloop")
    out(pins, 1)
    jmp(x_dec, "bitloop")[6]


def check_published_programs():
    # squarewave.hex: RP2040 datasheet 3.3.9.3
    assert list(square[0]) == [0xE081, 0xE101, 0xE000, 0x0001]
    # ws2812.pio.h and uart_tx.pio.h: output of pioasm for pico-examples, as quoted in many projects' sources
    assert list(lights[0]) == [0x6221, 0x1123, 0x1400, 0xA442]
    assert list(serial[0]) == [0x9FA0, 0xF727, 0x6001, 0x0642]


def check_registers():
    # EXECCTRL, SHIFTCTRL: RP2040 datasheet 3.7
    assert square[PROG_EXEC] == 3 << 12 and lights[PROG_EXEC] == 3 << 12
    assert serial[PROG_EXEC] == 1 << 30 | 3 << 12  # only some instructions have a side-set
    assert square[PROG_SHIFT] == 0 and serial[PROG_SHIFT] == 1 << 19
    assert square[1:3] == [-1, -1] and square[5:] == [None, OUT_LOW, None]


@asm_pio(in_shiftdir=1, autopush=True, autopull=True, push_thresh=24, pull_thresh=9, fifo_join=2)
def options():
    nop()
    wrap_target()
    nop()
    wrap()
    nop()


def check_options():
    assert options[PROG_EXEC] == 1 << 12 | 1 << 7
    assert options[PROG_SHIFT] == 2 << 30 | 9 << 25 | 24 << 20 | 1 << 18 | 1 << 17 | 1 << 16


def unknown_label():
    jmp("nowhere")


def same_label_twice():
    label("a")
    nop()
    label("a")


def too_much_delay():
    nop().side(0)[16]


def too_much_side():
    nop().side(2)


def side_without():
    nop().side(0)


def wrap_of_nothing():
    wrap()


def check_refusals_of_programs():
    side = {"sideset_init": OUT_LOW}
    for program, options, text in (
        (unknown_label, {}, "unknown label nowhere"), (same_label_twice, {}, "duplicate label a"),
        (too_much_delay, side, "delay too large: 16"), (too_much_side, side, "sideset too large: 2"),
        (side_without, {}, "no sideset"), (wrap_of_nothing, {}, "wrap before the first instruction"),
    ):  # fmt: skip
        assert raises(PIOASMError, asm_pio(**options), program) == text
    assert raises(PIOASMError, asm_pio, set_init=(OUT_LOW,) * 6)
    assert raises(PIOASMError, asm_pio, push_thresh=33)


def check_names_come_back():
    # A program that failed has left nothing behind: here, set is Python's own again.
    assert set([1]) == {1} and "jmp" not in globals() and "pins" not in globals()


def check_refusals_of_values():
    for text in (
        "set(x, 32)", "set(x, -1)", "set(osr, 1)", "in_(x, 0)", "in_(x, 33)", "in_(pindirs, 1)", "out(x, 33)",
        "mov(null, x)", "mov(x, pindirs)", "irq(8)", "wait(1, irq, 8)", "wait(2, gpio, 0)", "wait(1, gpio, 32)",
        "nop()[32]", "nop()\nnop()",
    ):  # fmt: skip
        assert raises(PIOASMError, encode, text), text


checks(globals())
