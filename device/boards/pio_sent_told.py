# SENT frames that tell messages, a bit or two of each in the status nibble: every frame has a word of its own.
#
# A word has all eight nibbles, 32 bits, and would be no small integer: it is composed by viper and handed over in an
# array. Loaded where a profile names messages.
from array import array

import micropython
from machine import Pin
from micropython import const
from rp2 import StateMachine

from boards.pio_sent import CountedFrames

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

_AHEAD = const(2)  # as in pio_sent.py
# What _compose() has.
_WORD = const(0)  # of the code, for number 0, without bits of a message
_NUMBER = const(1)
_LAST_NUMBER = const(2)  # 0: frames are not counted
_AT = const(3)  # place in the messages
_LENGTH = const(4)
_STATE = const(5)


class ToldFrames(CountedFrames):
    # told: what each frame of all messages has above the data nibbles, its place already. counted: as of CountedFrames,
    # or one entry of 0. Should the interrupt come too late, a frame is repeated, and the receiver drops the message. It
    # takes up to 143 us of every frame, by the costs of tests/device/tick_budget.py.
    def __init__(
        self, pin: Pin, tick_ns: int, program: "Any", counted: "array[int]", enable: Pin, told: "array[int]"
    ) -> None:
        CountedFrames.__init__(self, pin, tick_ns, program, counted, enable)
        self._told = told
        self._out = array("i", [0])
        self._state = state = array("i", [0] * _STATE)
        state[_LAST_NUMBER] = len(counted) - 1
        state[_LENGTH] = len(told)

    def _note(self, word: int) -> None:
        self._state[_WORD] = word

    def begin(self, word: int) -> None:
        # A message is begun anew: what was sent of one is lost.
        self._state[_WORD] = word
        self._state[_AT] = 0
        self._compose(0)
        self._begin(self._out)

    @micropython.viper
    def _compose(self, on: int) -> int:
        # on: 1 for the next frame.
        state = ptr32(self._state)
        counted = ptr16(self._counted)
        told = ptr32(self._told)
        out = ptr32(self._out)
        number = (state[_NUMBER] + on) & state[_LAST_NUMBER]
        at = state[_AT] + on
        if at == state[_LENGTH]:
            at = 0
        state[_NUMBER] = number
        state[_AT] = at
        out[0] = state[_WORD] ^ counted[number] ^ told[at]
        return 0

    def _handle(self, machine: StateMachine) -> None:
        # Hard interrupt, once the frame has taken its word.
        if not self._enable():
            machine.active(0)
            self.running = 0
            return
        room = _AHEAD - machine.tx_fifo()
        while room > 0:
            self._compose(1)
            machine.put(self._out)
            room -= 1
