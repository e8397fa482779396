"""Registers, FIFOs, settings and clock of a PIO state machine (RP2040 datasheet 3.2, 3.5).

Times are cycles of clk_sys since the bench came to life; a cycle k begins k * divider after the machine was started,
rounded down. That the fractional divider rounds so is an assumption: the datasheet promises the mean, and a jitter of
one clk_sys.
"""

from pio_asm import (
    EXEC_SIDE_EN,
    EXEC_SIDE_PINDIR,
    EXEC_WRAP_BOTTOM,
    EXEC_WRAP_TOP,
    SHIFT_AUTOPULL,
    SHIFT_AUTOPUSH,
    SHIFT_IN_RIGHT,
    SHIFT_JOIN,
    SHIFT_OUT_RIGHT,
    SHIFT_PULL_THRESH,
    SHIFT_PUSH_THRESH,
)

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from pio_block import Block
    from rp2_dma import Channel

    # kind, two fields of it, delay, mask and levels of the side-set, whether those are directions
    Op = tuple[int, int, int, int, int, int, bool]

M32 = 0xFFFFFFFF
_FIFO = 4


class State:
    """Of state machine `number` of a block. Names are those of the datasheet."""

    def __init__(self, block: "Block", number: int) -> None:
        self.block = block
        self.number = number
        self.enabled = False
        self.x = self.y = self.isr = self.osr = 0
        self.tx = [0] * (2 * _FIFO)
        self.rx = [0] * (2 * _FIFO)
        self.taker: Channel | None = None  # of the DMA: gets every word at once
        self._no_pins()
        self.program = (0, 0)  # where in memory, how long
        self.configure(31 << EXEC_WRAP_TOP, 0, 256, 0)

    def _no_pins(self) -> None:
        self.in_base = self.out_base = self.out_count = 0
        self.set_base = self.set_count = self.side_base = self.side_count = 0
        self.jmp_pin = 0

    def configure(self, execute: int, shift: int, div256: int, start: int) -> None:
        """Stopped, FIFOs empty, at instruction `start`, without pins as yet. div256: divider * 256."""
        self.enabled = False
        self.wrap_bottom = execute >> EXEC_WRAP_BOTTOM & 31
        self.wrap_top = execute >> EXEC_WRAP_TOP & 31
        self.side_optional = execute >> EXEC_SIDE_EN & 1
        self.side_dirs = bool(execute >> EXEC_SIDE_PINDIR & 1)
        self.status_rx = execute >> 4 & 1
        self.status_below = execute & 15
        self.autopush = bool(shift >> SHIFT_AUTOPUSH & 1)
        self.autopull = bool(shift >> SHIFT_AUTOPULL & 1)
        self.in_right = bool(shift >> SHIFT_IN_RIGHT & 1)
        self.out_right = bool(shift >> SHIFT_OUT_RIGHT & 1)
        self.push_thresh = (shift >> SHIFT_PUSH_THRESH & 31) or 32
        self.pull_thresh = (shift >> SHIFT_PULL_THRESH & 31) or 32
        join = shift >> SHIFT_JOIN & 3
        self.tx_depth = (_FIFO, 2 * _FIFO, 0, 0)[join]
        self.rx_depth = (_FIFO, 0, 2 * _FIFO, 0)[join]
        self.tx_at = self.tx_n = self.rx_at = self.rx_n = 0
        self.div = div256
        self.base = 0  # when cycle 0 began
        self.cycle = 0  # the next instruction begins with it
        self.restart(start)
        self.forget_code()

    def set_pins(self, pins: "dict[str, int]") -> None:
        """Keys: in_base, out_base, out_count, set_base, set_count, side_base, side_count (levels alone), jmp_pin."""
        self._no_pins()
        for name in pins:
            setattr(self, name, pins[name])
        self.forget_code()

    def forget_code(self) -> None:
        self.ops: list[Op | None] = [None] * 32
        self.samples: bool | None = None  # one IN of one bit is all it does; None: not looked at yet
        self.forget_round()

    def forget_round(self) -> None:
        self.mark: tuple[int, ...] | None = None  # the state when the program last wrapped
        self.mark_cycle = 0
        self.round_cycles = 0  # how long the round before the mark was, where all later ones are like it; 0: not known
        self.noticed = False  # something from outside has gone in, or out, since

    def restart(self, start: int) -> None:
        """What SM_RESTART clears, and a jump to `start`; X, Y, OSR and the FIFOs keep what they have."""
        self.pc = start
        self.isr = self.isr_n = 0
        self.osr_n = 32  # all shifted out
        self.forced: Op | None = None  # executed before the one at pc
        self.halfway = False  # the instruction has done its part, and waits
        self.stalled = False
        self.forget_round()
        # The rest of a delay is gone: the next instruction begins with the cycle that is due.
        if self.enabled:
            self.cycle = min(self.cycle, self.first_cycle(self.block.unit.now()))
        else:
            self.cycle = 0

    # time

    def time_of(self, cycle: int) -> int:
        return self.base + cycle * self.div // 256

    def first_cycle(self, t: int) -> int:
        """The first cycle that begins at t or later."""
        return ((t - self.base) * 256 + self.div - 1) // self.div

    def start(self, t: int) -> None:
        # What was left of a delay when it was stopped is still to come.
        self.enabled = True
        self.base = t

    def stop(self, t: int) -> None:
        self.cycle = max(self.cycle - self.first_cycle(t), 0)
        self.enabled = False

    # FIFOs

    def put(self, word: int, t: int) -> None:
        """A word into the TX FIFO, which has room."""
        self.tx[(self.tx_at + self.tx_n) & 7] = word & M32
        self.tx_n += 1
        self.round_cycles = 0
        # Refilled in the background where a cycle of a delay is left for it.
        if self.autopull and self.enabled and self.osr_n >= self.pull_thresh and self.first_cycle(t) < self.cycle:
            if not self.stalled:
                self.pull()
        if self.stalled:
            self.cycle = min(self.cycle, self.first_cycle(t))

    def get(self, t: int) -> int:
        """The oldest word of the RX FIFO, which has one."""
        word = self.rx[self.rx_at]
        self.rx_at = (self.rx_at + 1) & 7
        self.rx_n -= 1
        if self.stalled:
            self.cycle = min(self.cycle, self.first_cycle(t))
        return word

    def pull(self) -> None:
        self.osr = self.tx[self.tx_at]
        self.osr_n = 0
        self.tx_at = (self.tx_at + 1) & 7
        self.tx_n -= 1
        self.noticed = True

    def push(self) -> None:
        self.rx[(self.rx_at + self.rx_n) & 7] = self.isr
        self.rx_n += 1
        self.isr = self.isr_n = 0
        self.noticed = True
        if self.taker is not None:
            self.taker.asked(self.block.unit.now())
