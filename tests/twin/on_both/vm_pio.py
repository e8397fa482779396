# ruff: noqa: F821  words of PIO programs are there only while one is assembled
"""State machines: what the table of instructions alone does not say, and what the bench has of them."""

from array import array

from pio_asm import asm_pio
from pio_track import KEPT, Track
from vm_rig import Chip, checks, raises, started

IN_HIGH, OUT_LOW, OUT_HIGH = 1, 2, 3
LEFT, RIGHT = 0, 1
CLK_HZ = 125000000
MHZ = 1000000


def us(edges):
    """Edges with times in us from the first one."""
    return [((t - edges[0][0]) / 125, level) for t, level in edges]


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


def check_levels_and_edges():
    chip = Chip()
    chip.run_us(100)
    machine = started(chip, square, set_base=2)
    assert chip.pio.edges(2, 0, 101) == [(12500, 1)]
    assert chip.pio.edges(2, 100, 110) == [(12500, 1), (12875, 0), (13000, 1), (13375, 0), (13500, 1)]
    # Half open, and what was asked before does not matter.
    assert chip.pio.edges(2, 103, 104) == [(12875, 0)]
    # At the instant of an edge: before it, where the machine has not run on, so that looking changes nothing.
    assert [chip.pio.level(2, t) for t in (101, 102, 109)] == [1, 1, 1]
    chip.run_us(12)
    machine.active(0)
    level = chip.pio.level(2, chip.kernel.now)
    chip.run_us(50)
    assert chip.pio.edges(2, 113, 160) == [] and chip.pio.level(2, 150) == level
    assert chip.pio.edges(9, 0, 10) == [] and chip.pio.level(9, 0) == 0
    assert machine.active() is False


def check_divider():
    # ports/rp2/rp2_pio.c: clk * 256 // freq, 256 to 65536 * 256
    chip = Chip()
    for freq, div256 in ((CLK_HZ, 256), (-1, 256), (0, 65536 * 256), (1908, 16771488), (MHZ, 32000), (3 * MHZ, 10666)):
        chip.machine(0, square, freq=freq, set_base=2)
        assert chip.pio.machine(0).div == div256, freq
    for freq in (1907, CLK_HZ + 1):
        assert raises(ValueError, chip.machine, 0, square, freq=freq) == "freq out of range"
    started(chip, square, freq=50 * MHZ, set_base=2)  # 2.5 clk_sys: alternately 2 and 3
    assert chip.pio.edges(2, 0, 1)[:5] == [(0, 1), (7, 0), (10, 1), (17, 0), (20, 1)]


def check_the_fast_way_is_the_slow_way():
    # One step of clk_sys at a time, and all at once; words at odd times; a long delay, counted loops, rounds.
    for freq in (CLK_HZ, 7 * MHZ):
        slow, fast = Chip(), Chip()
        seen = []
        for chip in (slow, fast):
            machine = started(chip, frames, freq=freq, set_base=2, words=[0x00030002])
            other = started(chip, square, 1, freq=MHZ, set_base=3)
            for k in range(12):
                end = chip.kernel.now + 7 + k
                if chip is slow:
                    for t in range(chip.kernel.now * 125, end * 125):
                        chip.pio.run(t)
                chip.run_us(end - chip.kernel.now)
                if k in (3, 4, 9):
                    machine.put(k << 16 | 40 - k)
                if k == 5:
                    other.active(0)
                if k == 7:
                    other.active(1)
            state = chip.pio.machine(0)
            chip.pio.run(chip.pio.now())
            seen.append((chip.pio.edges(2, 0, 150), chip.pio.edges(3, 0, 150), state.x, state.y, state.pc, state.cycle))
        assert seen[0] == seen[1] and seen[0][0], freq


def check_an_hour_is_no_longer_than_a_moment():
    chip = Chip()
    started(chip, frames, freq=5 * MHZ, set_base=2, words=[1000 << 16 | 500])
    hour_us = 3600 * MHZ
    early = chip.pio.edges(2, 0, 3000)
    chip.run_us(hour_us)
    late = chip.pio.edges(2, hour_us - 3000, hour_us)
    # set + (n + 1) jumps, and the instructions between, 25 clk_sys each
    high, low = 501 + 2, 1001 + 4
    for edges in (early, late):
        for k in range(1, len(edges) - 1):
            assert edges[k + 1][0] - edges[k][0] == 25 * (high if edges[k][1] else low)
    # Each round still begins where it would have.
    assert (late[0][0] - early[0][0]) % (25 * (high + low)) in (0, 25 * high)
    assert "no longer kept" in raises(ValueError, chip.pio.edges, 2, 0, 3000)


@asm_pio(out_init=OUT_LOW, out_shiftdir=RIGHT, autopull=True, pull_thresh=8)
def bits():
    out(pins, 1)


def check_autopull():
    # RP2040 datasheet 3.5.4.2: an OUT that finds the OSR empty takes a cycle to fill it; then it is filled as the last
    # bit goes out.
    chip = Chip()
    machine = started(chip, bits, out_base=2, words=[0b01010101, 0b01010101])
    assert us(chip.pio.edges(2, 0, 40)) == [(k, 1 - k % 2) for k in range(16)]
    assert chip.pio.edges(2, 0, 40)[0][0] == 125
    assert machine.tx_fifo() == 0
    # Without words it waits with its last level, and goes on at once when one comes.
    chip.run_us(100)
    machine.put(0b11)
    assert chip.pio.edges(2, 41, 140) == [(101 * 125, 1), (103 * 125, 0)]


@asm_pio(out_init=OUT_LOW, out_shiftdir=RIGHT, autopull=True, pull_thresh=32)
def slow_bits():
    wait(1, gpio, 20)
    out(pins, 1)
    nop()[9]


def check_autopull_in_the_background():
    # On cycles that are no OUT the OSR fills as well: the OUT after them does not wait.
    chip = Chip()
    machine = started(chip, slow_bits, out_base=2)
    machine.put(1)
    chip.run_us(10)
    assert machine.tx_fifo() == 0
    chip.pio.feed(20, [(2000, 1)])
    # seen by the cycle at 2125 (the synchroniser takes two cycles of clk_sys), OUT in the next one
    assert chip.pio.edges(2, 0, 30) == [(2250, 1)]


@asm_pio(in_shiftdir=LEFT, autopush=True, push_thresh=4)
def nibbles():
    wait(0, pin, 0)
    wait(1, pin, 0)
    in_(pins, 2)


def check_inputs():
    chip = Chip()
    machine = started(chip, nibbles, freq=CLK_HZ, in_base=10)
    clock = [(1000 + 100 * k, k % 2) for k in range(20)]
    chip.pio.feed(10, clock[:4])
    # GP11 is the upper one of two; GP10 is high when they are read.
    chip.pio.feed(11, [(1350, 1)])
    chip.pio.feed(10, clock[4:])
    assert machine.rx_fifo() == 4  # full: the fifth IN waits
    assert [machine.get() for _ in range(4)] == [0b0101, 0b1111, 0b1111, 0b1111]
    # By the bench's network: the machine is up to date before the level changes.
    chip.run_us(100)
    for level in (1, 0, 1, 0, 1):
        chip.gpio.set_input(10, level)
        chip.run_us(1)
    chip.gpio.set_input(10, 1)
    chip.run_us(1)
    # The one that waited, and the new one.
    assert (machine.get(), machine.get()) == (0b1111, 0b1111) and machine.rx_fifo() == 0


@asm_pio(set_init=OUT_LOW)
def follow():
    wrap_target()
    wait(1, gpio, 20)
    set(pins, 1)
    wait(0, gpio, 20)
    set(pins, 0)
    wrap()


def check_synchroniser():
    # RP2040 datasheet 3.5.6.3: two flip-flops at each input
    chip = Chip()
    started(chip, follow, freq=CLK_HZ, set_base=2)
    chip.pio.feed(20, [(500, 1), (700, 0)])
    assert chip.pio.edges(2, 0, 10) == [(503, 1), (703, 0)]


@asm_pio(set_init=OUT_LOW)
def first():
    irq(rel(0))
    wait(1, irq, 4)
    set(pins, 1)
    irq(block, 5)
    set(pins, 0)
    label("end")
    jmp("end")


@asm_pio(set_init=OUT_LOW)
def second():
    wait(1, irq, 0)[3]
    set(pins, 1)
    irq(4)
    wait(1, irq, 5)
    set(pins, 0)
    label("end")
    jmp("end")


def check_flags_between_machines():
    chip = Chip()
    two = started(chip, second, 2, freq=CLK_HZ // 4, set_base=3)
    one = started(chip, first, 0, freq=CLK_HZ // 4, set_base=2)
    # cycle 0: flag 0. 1: seen, cleared, three more. 5: GP3. 6: flag 4. 7: seen. 8: GP2. 9: flag 5. 10: seen, cleared.
    # 11: GP3 down. First sees flag 5 gone in cycle 11 and goes on in 12.
    assert chip.pio.edges(3, 0, 10) == [(20, 1), (44, 0)]
    assert chip.pio.edges(2, 0, 10) == [(32, 1), (48, 0)]
    assert one.active() and two.active() and chip.pio.blocks[0].flags_now() == 0


@asm_pio(out_init=OUT_LOW, out_shiftdir=RIGHT)
def executes():
    pull(block)
    out(exec, 16)[5]
    out(exec, 16)


def check_code_from_the_fifo():
    # RP2040 datasheet 3.4.5.2: the delay of OUT EXEC is left out, that of what it executes is not.
    chip = Chip()
    started(chip, executes, out_base=2, words=[0xE300 << 16 | 0xE025, 0xA001 << 16 | 0xA0C1])
    chip.pio.run(5 * 125)
    assert chip.pio.machine(0).x == 5
    chip.pio.run(100 * 125)
    assert chip.pio.edges(2, 0, 100) == [(12 * 125, 1)] and chip.pio.machine(0).isr == 5


@asm_pio(in_shiftdir=RIGHT)
def moves():
    mov(y, status)
    mov(isr, y)
    push(block)
    mov(x, invert(null))
    mov(isr, x)
    push(block)
    pull(block)
    mov(isr, reverse(osr))
    push(block)
    in_(osr, 8)
    push(block)
    wrap_target()
    nop()
    wrap()


def check_moves():
    chip = Chip()
    program = list(moves)
    machine = started(chip, program, words=[0x80000001 | 0xF00])
    chip.run_us(20)
    # STATUS: all ones where the TX FIFO holds fewer words than EXECCTRL says, which is none by default
    assert [machine.get() for _ in range(4)] == [0, 0xFFFFFFFF, 0x80F00001, 1 << 24]
    program = list(moves)
    program[1] = -1
    program[3] |= 2  # STATUS_N: fewer than 2
    chip = Chip()
    machine = started(chip, program, words=[1])
    chip.run_us(20)
    assert machine.get() == 0xFFFFFFFF


@asm_pio(sideset_init=(OUT_LOW, IN_HIGH), side_pindir=True)
def directions():
    nop().side(1)
    nop().side(3)[2]
    nop().side(2)


@asm_pio(sideset_init=(OUT_LOW, OUT_HIGH), set_init=OUT_LOW)
def both():
    set(pins, 0).side(3)
    set(pins, 1).side(0)[1]
    set(pins, 1)
    nop()


def check_side_set():
    chip = Chip()
    machine = chip.machine(0, directions, freq=MHZ, sideset_base=2)
    machine.exec(0xA003)  # mov pins, null: no OUT pins, nothing happens
    machine.active(1)
    # The output register of GP3 is high from the start; only its direction moves.
    assert us(chip.pio.edges(3, 0, 8)) == [(0, 1), (4, 0), (5, 1)]
    # Side-set goes before SET on the same pin; it may be left out where not all instructions have it.
    chip = Chip()
    chip.machine(0, both, freq=MHZ, sideset_base=2, set_base=2).active(1)
    assert us(chip.pio.edges(2, 0, 9)) == [(0, 1), (1, 0), (3, 1), (6, 0), (8, 1)]
    assert us(chip.pio.edges(3, 1, 9)) == [(0, 0), (4, 1), (5, 0)]
    assert chip.pio.edges(3, 0, 1) == [] or chip.pio.edges(3, 0, 1) == [(0, 1)]


def check_jumps_move_along_with_the_program():
    chip = Chip()
    chip.rp2.StateMachine(0, [array("H", [0xA042] * 7), -1, -1, 6 << 12, 0, None, None, None])
    started(chip, frames, 1, freq=5 * MHZ, set_base=2, words=[8 << 16 | 5])
    at, length = chip.pio.machine(1).program
    assert (at, length) == (32 - 7 - 8, 8)
    assert us(chip.pio.edges(2, 0, 10)) == [(0, 1), (1.6, 0), (4.2, 1), (5.8, 0), (8.4, 1)]


def check_a_machine_reads_what_it_gives():
    # One cycle of clk_sys to the pin and two back: an instruction three cycles later sees it.
    code = (0xE001, 0xA042, 0x4001, 0x4001, 0x8000, 0x000C)  # set pins, 1; nop; in pins, 1; in pins, 1; push; stay
    chip = Chip()
    program = [array("H", code[:5] + (0x0005,)), -1, -1, 5 << 12, 0, None, OUT_LOW, None]
    machine = started(chip, program, freq=-1, set_base=2, in_base=2)
    chip.run_us(1)
    assert machine.get() == 0b01


@asm_pio(set_init=OUT_LOW)
def sees_itself():
    set(pins, 1)
    wait(1, pin, 0)
    set(pins, 0)
    label("end")
    jmp("end")


def check_a_machine_waits_for_what_it_gives():
    chip = Chip()
    started(chip, sees_itself, freq=-1, set_base=2, in_base=2)
    assert chip.pio.edges(2, 0, 9) == [(0, 1), (4, 0)]


def check_tracks():
    track = Track()
    for k in range(3 * KEPT):
        track.add(10 * k, k % 2)
    last = 10 * (3 * KEPT - 1)
    assert track.level(last) == 1 and track.level(last - 1) == 0
    assert track.between(last - 20, last) == [(last - 20, 1), (last - 10, 0)]
    assert len(track.between(last - 10 * (KEPT - 2), last + 1)) == KEPT - 1
    assert raises(ValueError, track.between, 0, 5)
    # Two changes at one instant that come to nothing are no edge.
    track.add(last + 50, 0)
    track.add(last + 50, 1)
    assert track.between(last + 1, last + 99) == []


checks(globals())
