"""The rp2 module: assembler, PIO, StateMachine and DMA (docs, library rp2; MicroPython, ports/rp2/rp2_pio.c).

What the firmware calls may be called from an interrupt: the bench allocates with the interrupt's heap lock put aside.
"""

import gpio as g
from covers import Module
from kernel import FAR
from pio_asm import (
    PROG_CODE,
    PROG_EXEC,
    PROG_OFFSET,
    PROG_OUT,
    PROG_SET,
    PROG_SHIFT,
    PROG_SIDE,
    PIOASMError,
    asm_pio,
    asm_pio_encode,
)
from pio_block import MACHINES
from rp2_dma import make_dma

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from kernel import Kernel
    from pio import Machine
    from pio_block import Block
    from pio_unit import Pio

_CLK_HZ = 125000000
_WAIT_US = 5  # between two looks at a FIFO that a call waits for
_HUNG_US = 20000000  # waiting longer inside an interrupt than any watchdog lets it


def divider(freq: int) -> int:
    """Clock divider * 256 for freq in Hz; -1: 1, 0: 65536. Raises ValueError."""
    if freq < 0:
        return 256
    if freq == 0:
        return 65536 * 256
    div256 = _CLK_HZ * 256 // freq
    if not 256 <= div256 <= 65536 * 256:
        raise ValueError("freq out of range")
    return div256


def first_states(states: "Any") -> tuple[int, int, int]:
    """(count, directions, levels) of what a program says about its pins."""
    if states is None:
        return 0, 0, 0
    rows = (states,) if isinstance(states, int) else states
    directions = levels = 0
    for k in range(len(rows)):
        directions |= (rows[k] >> 1) << k
        levels |= (rows[k] & 1) << k
    return len(rows), directions, levels


class FlagHandler:
    """A handler, and the flag that the port clears before it calls. No closure: it would allocate on a call."""

    def __init__(self, pio: "Pio", block: "Block", bit: int, handler: "Callable[[Any], object]") -> None:
        self._pio = pio
        self._block = block
        self._bit = bit
        self._handler = handler

    def call(self, machine: object) -> None:
        pio = self._pio
        pio.kernel.pause_isr()
        self._block.run(pio.now())
        self._block.change_flags(0, self._bit, pio.now())
        pio.kernel.resume_isr()
        self._handler(machine)


def make_rp2(kernel: "Kernel", pio: "Pio", pin_number: "Callable[[Any], int]") -> Module:
    """The module. pin_number: GPIO number of whatever stands for a pin."""

    gpio = pio.gpio
    initial_pc = [0] * (2 * MACHINES)

    class Irq:
        def __init__(self, source: int) -> None:
            self._source = source

        def flags(self) -> int:
            return gpio.flags[self._source]

    class StateMachine:
        def __init__(self, id: int, program: "list[Any] | None" = None, freq: int = -1, **pins: "Any") -> None:
            if not 0 <= id < 2 * MACHINES:
                raise ValueError("invalid StateMachine")
            self._id = id
            self._block = pio.blocks[id // MACHINES]
            self._machine = self._block.machines[id % MACHINES]
            # Bound once: binding allocates, and put() may be called where that is forbidden.
            self._full = self._no_room
            self._empty = self._no_word
            if program is not None:
                self.init(program, freq, **pins)

        def init(
            self,
            program: "list[Any]",
            freq: int = -1,
            *,
            in_base: "Any" = None,
            out_base: "Any" = None,
            set_base: "Any" = None,
            jmp_pin: "Any" = None,
            sideset_base: "Any" = None,
            in_shiftdir: int | None = None,
            out_shiftdir: int | None = None,
            push_thresh: int | None = None,
            pull_thresh: int | None = None,
        ) -> None:
            block, machine = self._block, self._machine
            div256 = divider(freq)
            block.run(pio.now())
            at = load(block.number, program)
            initial_pc[self._id] = at
            shift = program[PROG_SHIFT]
            for value, lsb, mask in (
                (in_shiftdir, 18, 1), (out_shiftdir, 19, 1), (push_thresh, 20, 31), (pull_thresh, 25, 31),
            ):  # fmt: skip
                if value is not None:
                    shift = shift & ~(mask << lsb) | (value & mask) << lsb
            machine.configure(program[PROG_EXEC] + (at << 12) + (at << 7), shift, div256, at)
            machine.program = (at, len(program[PROG_CODE]))
            given: dict[str, int] = {}
            if in_base is not None:
                given["in_base"] = pin_number(in_base)
            if jmp_pin is not None:
                given["jmp_pin"] = pin_number(jmp_pin)
            owned = 0
            for name, base, states in (
                ("out", out_base, program[PROG_OUT]),
                ("set", set_base, program[PROG_SET]),
                ("side", sideset_base, program[PROG_SIDE]),
            ):
                count, directions, levels = first_states(states)
                if base is None or not count:
                    continue
                first = pin_number(base)
                given[name + "_base"] = first
                given[name + "_count"] = count
                mask = ((1 << count) - 1) << first
                block.out = block.out & ~mask | levels << first
                block.oe = block.oe & ~mask | directions << first
                owned |= mask
            machine.set_pins(given)
            pio.listen(block.read_by(machine))
            block.own(owned)
            block.pins_changed(pio.now())
            block.couple()

        def active(self, value: object = None) -> bool:
            machine = self._machine
            if value is not None and bool(value) != machine.enabled:
                kernel.pause_isr()
                now = pio.now()
                self._block.run(now)
                if value:
                    machine.start(now)
                else:
                    machine.stop(now)
                self._block.couple()
                kernel.resume_isr()
            return machine.enabled

        def restart(self) -> None:
            kernel.pause_isr()
            self._block.run(pio.now())
            self._machine.restart(initial_pc[self._id])
            kernel.resume_isr()

        def exec(self, instr: "int | str") -> None:
            kernel.pause_isr()
            machine = self._machine
            try:
                if isinstance(instr, str):
                    instr = asm_pio_encode(
                        instr, machine.side_count + machine.side_optional, bool(machine.side_optional)
                    )
                self._block.run(pio.now())
                machine.execute(instr, pio.now())
            finally:
                kernel.resume_isr()

        def put(self, value: "Any", shift: int = 0) -> None:
            if isinstance(value, int):
                self._put(value << shift)
            else:
                for word in value:
                    self._put(word << shift)

        def _put(self, word: int) -> None:
            machine = self._machine
            self._catch_up()
            if machine.tx_n >= machine.tx_depth:
                self._wait(self._full)
            machine.put(word, pio.now())

        def get(self, buf: "Any" = None, shift: int = 0) -> "Any":
            if buf is None:
                return self._get() >> shift
            for k in range(len(buf)):
                buf[k] = self._get() >> shift
            return buf

        def _get(self) -> int:
            machine = self._machine
            self._catch_up()
            if not machine.rx_n:
                self._wait(self._empty)
            return machine.get(pio.now())

        def rx_fifo(self) -> int:
            self._catch_up()
            return self._machine.rx_n

        def tx_fifo(self) -> int:
            self._catch_up()
            return self._machine.tx_n

        def _catch_up(self) -> None:
            kernel.pause_isr()
            self._block.run(pio.now())
            kernel.resume_isr()

        def _no_room(self) -> bool:
            self._catch_up()
            return self._machine.tx_n >= self._machine.tx_depth

        def _no_word(self) -> bool:
            self._catch_up()
            return not self._machine.rx_n

        def _wait(self, still: "Callable[[], bool]") -> None:
            # Without an end, as on the board. Inside an interrupt nothing else gets its turn; what hangs there for
            # good is ended by a reset.
            end_us = kernel.now + _HUNG_US
            while still():
                if not kernel.in_isr:
                    kernel.run_until(kernel.now + _WAIT_US, False)
                    continue
                kernel.spend(_WAIT_US)
                if kernel.now >= end_us:
                    kernel.leave_isr()
                    kernel.remove_timers()
                    kernel.run_until(FAR, False)

        def irq(self, handler: "Callable[[Any], object] | None" = None, trigger: int = 1, hard: bool = False) -> Irq:
            source = g.PINS + self._id
            bit = 1 << self._id % MACHINES
            block = self._block
            if handler is None:
                block.handled &= ~bit
                gpio.handler[source] = None
                return Irq(source)

            gpio.handler[source] = FlagHandler(pio, block, bit, handler).call
            gpio.pin_object[source] = self
            block.handled |= bit
            pio.look_often()
            return Irq(source)

    def load(block: int, program: "list[Any]") -> int:
        at: int = program[PROG_OFFSET + block]
        if at < 0:
            at = program[PROG_OFFSET + block] = pio.blocks[block].add(program[PROG_CODE])
        return at

    class PIO:
        IN_LOW = 0
        IN_HIGH = 1
        OUT_LOW = 2
        OUT_HIGH = 3
        SHIFT_LEFT = 0
        SHIFT_RIGHT = 1
        JOIN_NONE = 0
        JOIN_TX = 1
        JOIN_RX = 2
        IRQ_SM0 = 0x100
        IRQ_SM1 = 0x200
        IRQ_SM2 = 0x400
        IRQ_SM3 = 0x800

        def __init__(self, id: int) -> None:
            if not 0 <= id < 2:
                raise ValueError("invalid PIO")
            self._id = id

        def add_program(self, program: "list[Any]") -> None:
            program[PROG_OFFSET + self._id] = pio.blocks[self._id].add(program[PROG_CODE])

        def remove_program(self, program: "list[Any] | None" = None) -> None:
            block = pio.blocks[self._id]
            if program is None:
                block.remove(0, 32)
                return
            at = program[PROG_OFFSET + self._id]
            if at < 0:
                raise ValueError("prog not in instruction memory")
            block.remove(at, len(program[PROG_CODE]))
            program[PROG_OFFSET + self._id] = -1

        def state_machine(self, id: int, *arguments: "Any", **options: "Any") -> StateMachine:
            if not 0 <= id < MACHINES:
                raise ValueError("invalid StateMachine")
            return StateMachine(self._id * MACHINES + id, *arguments, **options)

    def machine_of(state_machine: "Any") -> "Machine | None":
        # Read as memory, a state machine is its RX FIFO (rp2_state_machine_get_buffer).
        return state_machine._machine if isinstance(state_machine, StateMachine) else None

    return Module(
        "rp2",
        PIO=PIO,
        DMA=make_dma(kernel, pio, machine_of),
        StateMachine=StateMachine,
        PIOASMError=PIOASMError,
        asm_pio=asm_pio,
        asm_pio_encode=asm_pio_encode,
    )
