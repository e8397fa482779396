# Pulse width by PIO: every frame has exactly as many clocks as the profile says, whatever the interpreter does.
#
# A word is (low - 5) << 15 | (high - 3), in clocks: it stays below 2**30, so handing it over allocates nothing. The
# state machine takes one at the start of a frame; where none waits, it sends the frame before again (pull without
# blocking takes x, which keeps it).
from machine import Pin
from micropython import const
from rp2 import PIO, StateMachine, asm_pio

from boards.pio_memory import make_room

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from rp2.asm_pio import *

HIGH_MIN = const(3)  # clocks that the program itself takes in each half of a frame
LOW_MIN = const(5)
HALF_MAX = const(32767)
_MACHINE = const(0)
# "set pins, 0" and "set pins, 1" as machine code (RP2040 datasheet, 3.4.10: 111, delay, destination 000, data): a
# string would be assembled at run time, which takes 15 ms and may not happen in an interrupt.
_SET_PINS = const(0xE000)


@asm_pio(set_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT)
def _frames() -> None:
    wrap_target()
    pull(noblock)
    mov(x, osr)
    out(y, 15)
    set(pins, 1)
    label("high")
    jmp(y_dec, "high")
    out(y, 15)
    set(pins, 0)
    label("low")
    jmp(y_dec, "low")
    wrap()


class Frames:
    # pin: what the frames are given on. clock_hz: of one clock of the frame.
    def __init__(self, pin: Pin, clock_hz: int) -> None:
        self._pin = pin
        self._clock_hz = clock_hz
        make_room(_frames)
        self._machine = machine = StateMachine(_MACHINE)
        # Tick: whether a word still waits for its frame, and what takes one where none does.
        self.waiting: Callable[[], int] = machine.tx_fifo
        self.give: Callable[[int], None] = machine.put

    def ready(self) -> None:
        # Service loop: the pin is the state machine's from here on, and low until go().
        self._machine.init(_frames, freq=self._clock_hz, set_base=self._pin)

    def go(self) -> None:
        # From anywhere.
        machine = self._machine
        machine.restart()
        machine.active(1)

    def hold(self, level: int) -> None:
        # From anywhere: a level instead of frames.
        machine = self._machine
        machine.active(0)
        machine.exec(_SET_PINS | level)
