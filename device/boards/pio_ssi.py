# A word on the machine's clock by PIO: 24 bits, the highest first, each put out at an edge of the clock.
#
# While it is not selected, the state machine takes whatever word was put last; from the fall of select on the word
# stays. A clock that comes while nobody is selected ends a word that was broken off.
from machine import Pin
from micropython import const
from rp2 import PIO, StateMachine, asm_pio

from boards.pio_memory import make_room

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from rp2.asm_pio import *

BITS = const(24)
_SPARE = const(8)  # of a word in the shift register
_SELECT = const(9)  # from the clock's pin on: GP11 and GP20
ROOM = const(4)  # words that can wait
_MACHINE = const(0)
_CLOCK_HZ = const(125000000)  # undivided
# "set pins, 0" as machine code (RP2040 datasheet, 3.4.10): a string would be assembled at run time, which takes 15 ms
# and may not happen in an interrupt.
_SET_PINS = const(0xE000)


@asm_pio(out_init=PIO.OUT_HIGH, set_init=PIO.OUT_HIGH, out_shiftdir=PIO.SHIFT_LEFT)
def _out_rising() -> None:
    wrap_target()
    pull(noblock)
    mov(x, osr)
    jmp(pin, "rest")
    out(null, 8)
    set(y, 23)
    label("bit")
    wait(0, pin, 0)
    wait(1, pin, 0)
    out(pins, 1)
    jmp(pin, "rest")
    jmp(y_dec, "bit")
    wait(1, pin, 9)
    label("rest")
    set(pins, 1)
    wrap()


@asm_pio(out_init=PIO.OUT_HIGH, set_init=PIO.OUT_HIGH, out_shiftdir=PIO.SHIFT_LEFT)
def _out_falling() -> None:
    wrap_target()
    pull(noblock)
    mov(x, osr)
    jmp(pin, "rest")
    out(null, 8)
    set(y, 23)
    label("bit")
    wait(1, pin, 0)
    wait(0, pin, 0)
    out(pins, 1)
    jmp(pin, "rest")
    jmp(y_dec, "bit")
    wait(1, pin, 9)
    label("rest")
    set(pins, 1)
    wrap()


class Words:
    # data: what the bits are given on, high at rest. clock, select: inputs, nine pins apart.
    def __init__(self, data: Pin, clock: Pin, select: Pin, out_falling: int) -> None:
        self._data = data
        self._clock = clock
        self._select = select
        self._program = _out_falling if out_falling else _out_rising
        make_room(self._program)
        self._machine = machine = StateMachine(_MACHINE)
        # Tick: how many words wait, and what takes one where there is room.
        self.waiting: Callable[[], int] = machine.tx_fifo
        self.give: Callable[[int], None] = machine.put

    def ready(self) -> None:
        # Service loop: the data pin is the state machine's from here on, and high until go().
        data = self._data
        self._machine.init(
            self._program,
            freq=_CLOCK_HZ,
            out_base=data,
            set_base=data,
            in_base=self._clock,
            jmp_pin=self._select,
        )

    def go(self) -> None:
        # From anywhere.
        machine = self._machine
        machine.restart()
        machine.active(1)

    def hold(self, level: int) -> None:
        # From anywhere: a level instead of words.
        machine = self._machine
        machine.active(0)
        machine.exec(_SET_PINS | level)
