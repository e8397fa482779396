# Two square waves and an index by PIO: every quarter step is put out, none faster than the sensor may turn.
#
# A word is how many steps, less one, in ten bits, and the levels of the next four steps, five bits each, which begin
# anew after the fourth: it stays below 2**30, so handing it over allocates nothing. Five pins in a row are written,
# beginning with A: A, enable of line 1, B, enable of line 2, index. The two enables are plain outputs, which what a
# state machine writes does not reach (RP2040 datasheet, 2.19.2: a pin has one function at a time; section from
# memory).
from machine import Pin
from micropython import const
from rp2 import PIO, StateMachine, asm_pio

from boards.pio_memory import make_room

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from rp2.asm_pio import *

# Levels of the pins that are written.
A = const(1)
B = const(4)
INDEX = const(16)

STEPS_MAX = const(1024)  # of one word
RATE_MIN_HZ = const(60)  # below it the clock's divider ends
_CLOCKS = const(32)  # of a step
_SYS_256_HZ = const(32000000000)  # clk_sys in steps of the divider
_MACHINE = const(0)
ROOM = const(8)  # words that can wait
# Machine code, since a string would be assembled at run time, which takes 15 ms and may not happen in an interrupt
# (RP2040 datasheet, 3.4.10 and 3.4.7): "set pins, 0", and a pull that does not wait.
_SET_PINS = const(0xE000)
_PULL = const(0x8080)


@asm_pio(out_init=[PIO.OUT_LOW] * 5, set_init=[PIO.OUT_LOW] * 5, out_shiftdir=PIO.SHIFT_RIGHT, fifo_join=PIO.JOIN_TX)
def _steps() -> None:
    wrap_target()
    pull(block)
    out(x, 10)
    mov(isr, osr)
    label("first")
    mov(osr, isr)
    out(pins, 5)[30]
    jmp(x_dec, "second")
    jmp("end")
    label("second")
    out(pins, 5)[30]
    jmp(x_dec, "third")
    jmp("end")
    label("third")
    out(pins, 5)[30]
    jmp(x_dec, "fourth")
    jmp("end")
    label("fourth")
    out(pins, 5)[29]
    jmp(x_dec, "first")
    label("end")
    nop()
    wrap()


def _frequency(rate_hz: int) -> int:
    # Of the state machine: what the port's divider, rounded down, turns into no more than asked for.
    divider = -(-_SYS_256_HZ // (rate_hz * _CLOCKS))
    return _SYS_256_HZ // divider


class Steps:
    # pins: from A to the index, five in a row, of which those between are left alone. rate_hz: most steps a second.
    def __init__(self, pins: "tuple[Pin, ...]", rate_hz: int) -> None:
        self._pins = pins
        self._frequency = _frequency(rate_hz)
        make_room(_steps)
        self._machine = machine = StateMachine(_MACHINE)
        # Tick: how many words wait, and what takes one where there is room.
        self.waiting: Callable[[], int] = machine.tx_fifo
        self.give: Callable[[int], None] = machine.put

    def ready(self) -> None:
        # Service loop: A, B and index are the state machine's from here on, and low.
        first = self._pins[0]
        self._machine.init(_steps, freq=self._frequency, out_base=first, set_base=first)
        # It takes the pins between as well, and keeps them low; they are given back.
        for pin in (self._pins[1], self._pins[3]):
            pin.init(Pin.OUT, value=0)

    def hold(self, levels: int) -> None:
        # From anywhere: these levels at once, and no step until go().
        machine = self._machine
        machine.active(0)
        for _ in range(ROOM):
            if not machine.tx_fifo():
                break
            machine.exec(_PULL)  # steps from where it is not any more
        machine.exec(_SET_PINS | levels)

    def go(self) -> None:
        # From anywhere.
        machine = self._machine
        machine.restart()
        machine.active(1)
