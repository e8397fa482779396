# SENT by PIO: whole frames, each pulse exactly as many ticks as the format says, whatever the interpreter does.
#
# A word has the lowest bit of the status nibble and the data nibbles with their check, highest first: 29 bits at most,
# so that handing it over allocates nothing. The rest of the status is part of the program, which is made for one
# profile. The state machine takes a word at the start of a frame; where none waits, it sends the frame before again
# (pull without blocking takes x, which keeps it).
#
# A pause pulse brings every frame to one length without anybody adding up: the word is gone through once more, each
# nibble turned around, so that what a nibble was short of 15 is waited for in the pause.
from machine import Pin
from micropython import const
from rp2 import PIO, StateMachine, asm_pio

from boards.pio_memory import make_room

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from array import array
    from collections.abc import Callable
    from typing import Any

    from rp2.asm_pio import *

SYNC_TICKS = const(56)
NIBBLE_TICKS = const(12)  # of a nibble of 0
_CLOCKS = const(3)  # of the state machine in a tick
_DEPTH = const(4)  # words that its FIFO holds
_AHEAD = const(2)  # that wait there where frames are counted
_MACHINE = const(0)
# "set pins, 0" and "set pins, 1" as machine code (RP2040 datasheet, 3.4.10: 111, delay, destination 000, data): a
# string would be assembled at run time, which takes 15 ms and may not happen in an interrupt.
_SET_PINS = const(0xE000)


def pause_clocks(low_ticks: int, status: int, nibbles: int, frame_ticks: int, telling: int = 0) -> int:
    # Clocks of the pause that are neither low nor part of the way through the word; below 1 the pause is too short.
    if telling:
        nibbles += 1
        return _CLOCKS * (frame_ticks - SYNC_TICKS - 28 * nibbles - low_ticks)
    ticks = frame_ticks - SYNC_TICKS - NIBBLE_TICKS - (status | 1) - 27 * nibbles
    return _CLOCKS * (ticks - low_ticks - nibbles) - 4


def _waits(clocks: int) -> "tuple[int, tuple]":
    # How clocks, of which one is there already, are spent: (delay of that one, rows of (delay, rounds of 32 clocks,
    # label)), each row with one clock of its own. (33 and 34 cannot come up: they leave 2 when divided by 3.)
    if clocks <= 32:
        return clocks - 1, ()
    count = 1 if clocks <= 1088 else 2
    spare = clocks - 1 - count
    rounds = min(spare // 32, 32 * count)
    spare -= 32 * rounds
    rows = []
    for k in range(count):
        mine = min(spare, 31)
        spare -= mine
        turns = min(rounds - (count - 1 - k), 32)
        rounds -= turns
        rows.append((mine, turns, "pause_%d" % k))
    return spare, tuple(rows)


def make(low_ticks: int, status: int, nibbles: int, frame_ticks: int, rolling: int, telling: int = 0) -> "Any":
    # The program of a profile. nibbles: of data, the check included. frame_ticks: 0 = no pause pulse. rolling: 1 = it
    # interrupts at every frame. telling: 1 = a word has the whole status nibble before the others (pio_sent_told.py).
    # The module's names are gone while it is assembled, so all that it uses is made here.
    low = _CLOCKS * low_ticks
    rolls = 1 if rolling else 0
    tells = 1 if telling else 0
    unused = 28 - 4 * nibbles if tells else 31 - 4 * nibbles  # bits above those of a word
    sync_rest = (SYNC_TICKS * _CLOCKS - low - 3 * 32) - 32 - 2 - rolls
    status_high = _CLOCKS * (NIBBLE_TICKS - 1 - low_ticks + (status & 14)) - 2
    status_first = min(status_high, 31)
    nibble_high = _CLOCKS * (NIBBLE_TICKS - low_ticks - 1) - 2
    first, rows = _waits(pause_clocks(low_ticks, status, nibbles, frame_ticks, telling)) if frame_ticks else (0, ())

    @asm_pio(set_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_LEFT)
    def frames() -> None:
        wrap_target()
        set(pins, 0)[low - 3]
        pull(noblock)
        mov(x, osr)
        set(pins, 1)[31]
        if unused:
            out(null, unused)[sync_rest]
        else:
            nop()[sync_rest]
        if rolls:
            irq(rel(0))
        set(y, 2)
        label("sync")
        jmp(y_dec, "sync")[31]

        if not tells:
            set(pins, 0)[low - 1]
            set(pins, 1)[status_first]
            out(y, 1)[status_high - status_first]
            label("status")
            jmp(y_dec, "status")[2]

        label("nibble")
        set(pins, 0)[low - 2]
        out(y, 4)
        set(pins, 1)[nibble_high]
        label("value")
        jmp(y_dec, "value")[2]
        jmp(not_osre, "nibble")

        if frame_ticks:
            set(pins, 0)[low - 3]
            mov(osr, invert(x))
            if unused:
                out(null, unused)
            else:
                nop()
            set(pins, 1)[first]
            for delay, turns, name in rows:
                set(y, turns - 1)[delay]
                label(name)
                jmp(y_dec, name)[31]
            if not tells:
                out(y, 1)
                jmp("left")
            label("again")
            out(y, 4)
            label("left")
            jmp(not_y, "next")
            jmp(y_dec, "left")[1]
            label("next")
            jmp(not_osre, "again")
        wrap()

    return frames


def _never() -> int:
    return 0


class Frames:
    # pin: what the frames are given on. program: of make().
    def __init__(self, pin: Pin, tick_ns: int, program: "Any") -> None:
        self._pin = pin
        self._clock_hz = (_CLOCKS * 1000000000 + tick_ns // 2) // tick_ns
        self._program = program
        make_room(program)
        self._machine = machine = StateMachine(_MACHINE)
        # Tick: whether a word still waits for its frame, and what takes one where none does.
        self.waiting: Callable[[], int] = machine.tx_fifo
        self.give: Callable[[int], None] = machine.put
        self.running = 0

    def ready(self) -> None:
        # Service loop: the pin is the state machine's from here on, and low until begin().
        self.running = 0
        self._machine.init(self._program, freq=self._clock_hz, set_base=self._pin)
        self._machine.irq(None)  # of frames that were counted

    def end(self) -> None:
        # Service loop.
        self._machine.irq(None)

    def begin(self, word: int) -> None:
        # Tick. Frames from now on, with this word; one that was left over when a level came is sent before it.
        self._begin(word)

    def _begin(self, word: "int | array[int]") -> None:
        machine = self._machine
        if machine.tx_fifo() < _DEPTH:
            machine.put(word)
        machine.restart()
        machine.active(1)
        self.running = 1

    def hold(self, level: int) -> None:
        # From anywhere: a level instead of frames.
        machine = self._machine
        machine.active(0)
        machine.exec(_SET_PINS | level)
        self.running = 0


class CountedFrames(Frames):
    # Frames that carry their number, so that each has a word of its own: an interrupt at every frame hands over the one
    # after the next, so that a tick in between delays none. Should it come later still, the number stands for a frame.
    # It takes 61 to 87 us of every frame, by the costs of tests/device/tick_budget.py.
    # counted: what each number changes in the word. enable: of the buffer behind the pin.
    def __init__(self, pin: Pin, tick_ns: int, program: "Any", counted: "array[int]", enable: Pin) -> None:
        Frames.__init__(self, pin, tick_ns, program)
        self._counted = counted
        self._enable = enable
        self._number = 0
        self._word = 0  # for number 0
        self.waiting = _never
        self.give = self._note
        self._on_frame = self._handle

    def ready(self) -> None:
        Frames.ready(self)
        self._machine.irq(self._on_frame, hard=True)

    def _note(self, word: int) -> None:
        self._word = word

    def begin(self, word: int) -> None:
        self._word = word
        Frames.begin(self, word ^ self._counted[self._number])

    def _handle(self, machine: StateMachine) -> None:
        # Hard interrupt, once the frame has taken its word.
        if not self._enable():
            # The line was let go: nobody sees the frames. The next code begins anew.
            machine.active(0)
            self.running = 0
            return
        room = _AHEAD - machine.tx_fifo()
        while room > 0:
            self._number = number = (self._number + 1) & 255
            machine.put(self._word ^ self._counted[number])
            room -= 1
