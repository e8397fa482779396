# Levels of an input pin at even distances, taken by PIO and put into memory by DMA: neither the interpreter nor the
# tick has a part in it, so that not one sample is missing and all are where they belong.
#
# PIO 1, of which nothing else here makes use: block 0 belongs to the families (pio_memory.py), which remove every
# program there. The pin stays a plain input: a state machine reads any pin, and its interrupts go on.
import machine
from micropython import const
from rp2 import DMA, PIO, StateMachine, asm_pio

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from machine import Pin
    from rp2.asm_pio import *

_BLOCK = const(1)
_MACHINE = const(4)  # the first one of that block
# What its RX FIFO asks the DMA by (RP2040 datasheet, 2.5.3.1; the same number on RP2350: value from memory).
_REQUEST = const(12)
# Where an assembled program keeps the place that it has in block 1 (MicroPython, ports/rp2/rp2_pio.c).
_PLACE = const(2)
_WORD = const(2)  # the DMA's size of 32 bits
_DIVIDER_MIN = const(256)  # of the clock, in 1/256: 1 and 65536
_DIVIDER_MAX = const(0x1000000)


@asm_pio(in_shiftdir=PIO.SHIFT_RIGHT, autopush=True, push_thresh=32, fifo_join=PIO.JOIN_RX)
def _levels() -> None:
    # One bit a clock; the word is pushed in the same clock as its last bit.
    wrap_target()
    in_(pins, 1)
    wrap()


def clock_for(step_ns: int, clock_hz: int) -> tuple:
    # (frequency to ask for, divider in 1/256 that is granted): the slowest whose steps are no longer than asked for.
    divider = min(max(step_ns * clock_hz * 256 // 1000000000, _DIVIDER_MIN), _DIVIDER_MAX)
    hz = -(-clock_hz * 256 // divider)
    return hz, max(clock_hz * 256 // hz, _DIVIDER_MIN)


class Listener:
    # Service loop. At most one capture at a time: start(), then done() until it is, then stop(), which may come at any
    # time and does no harm where nothing runs.
    def __init__(self, ticks_us: "Callable[[], int]") -> None:
        self._ticks_us = ticks_us
        self._machine: StateMachine | None = None
        self._dma: DMA | None = None

    def start(self, pin: "Pin", step_ns: int, data: bytearray) -> tuple:
        # (ticks of the first sample, step in ps). data: whole words; it must be kept until stop(). OSError where the
        # chip has no channel or no room for the program.
        clock_hz = machine.freq()
        hz, divider = clock_for(step_ns, clock_hz)
        self._dma = dma = DMA()
        self._machine = sampler = StateMachine(_MACHINE)
        sampler.init(_levels, freq=hz, in_base=pin)
        dma.config(
            read=sampler,
            write=data,
            count=len(data) // 4,
            ctrl=dma.pack_ctrl(size=_WORD, inc_read=False, inc_write=True, treq_sel=_REQUEST),
            trigger=True,
        )
        step_ps = (divider * 1000000000000 + 128 * clock_hz) // (256 * clock_hz)
        interrupts = machine.disable_irq()  # nothing comes between the time and what it is the time of
        ticks = self._ticks_us()
        sampler.active(1)
        machine.enable_irq(interrupts)
        return ticks, step_ps

    def done(self) -> bool:
        dma = self._dma
        return dma is None or not dma.active()

    def stop(self) -> None:
        # Who asks first, then who answers: a channel that is given back goes on by itself where it was not ended.
        sampler, self._machine = self._machine, None
        if sampler is not None:
            sampler.active(0)
        dma, self._dma = self._dma, None
        if dma is not None:
            dma.active(0)
            dma.close()
        program: Any = _levels
        if sampler is not None and program[_PLACE] >= 0:
            PIO(_BLOCK).remove_program(program)
