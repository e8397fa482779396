"""Both PIO blocks as the bench has them: levels and edges of their pins, and inputs for them.

The machines run up to the time asked for, and no observer changes what they do; what their pins gave is kept, the
newest edges of each (pio_track.KEPT). Asking for a time that is still to come runs them ahead of the firmware: a word
that it sends meanwhile counts from where they are. Times with _us count from when the bench came to life; edges are in
cycles of clk_sys, CLK_PER_US of them a microsecond.
"""

import gpio as g
from pio_block import MACHINES, SYNC_CLK, Block
from pio_track import Track
from rp2_dma import Dma

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from gpio import Gpio
    from kernel import Kernel
    from pio import Machine

CLK_PER_US = 125  # clk_sys, 125 MHz
_TRACKS = 6  # made beforehand: as many pins as a jig lets the blocks have
# Machines whose flags interrupt the processor run this often, so that a handler is at most so late.
_LOOK_US = 10


class Pio:
    """PIO 0 and PIO 1."""

    def __init__(self, kernel: "Kernel", gpio: "Gpio") -> None:
        self.kernel = kernel
        self.gpio = gpio
        self._spare = [Track() for _ in range(_TRACKS)]
        self._track: dict[int, Track] = {}
        self._looking = False
        self.blocks = (Block(self, 0), Block(self, 1))
        self.dma = Dma(self)
        self.lines: dict[int, Any] = {}  # pin -> what it is wired to, where that carries edges (pio_ear.py)
        gpio.peripherals.append(self)

    def reset(self) -> None:
        """As after a reset of the board."""
        for block in self.blocks:
            block.reset()
        self.dma.reset()
        for n in range(g.PINS):
            self.gpio.on_input[n] = None

    def now(self) -> int:
        """The kernel's time in cycles of clk_sys."""
        return self.kernel.now * CLK_PER_US

    def machine(self, number: int) -> "Machine":
        return self.blocks[number // MACHINES].machines[number % MACHINES]

    def run(self, t: int) -> None:
        for block in self.blocks:
            block.run(t)

    # what the bench asks

    def level(self, pin: int, t_us: int) -> int:
        """What a pin gave at t_us; a pin that no block has had: what it gives now."""
        track = self._track.get(pin)
        owned = isinstance(self.gpio.owner[pin], Block)
        if track is None or (not owned and t_us >= self.kernel.now):
            return self.gpio.given(pin)
        self.run(t_us * CLK_PER_US)
        return track.level(t_us * CLK_PER_US)

    def edges(self, pin: int, begin_us: int, end_us: int) -> list[tuple[int, int]]:
        """(time in cycles of clk_sys, level) of each edge from begin_us until before end_us.

        Only what a block gave, and what the pin was left at when the firmware took it back. ValueError where edges of
        that time are no longer kept.
        """
        if pin not in self._track:
            return []
        self.run(begin_us * CLK_PER_US)
        self.run(end_us * CLK_PER_US)
        return self._track[pin].between(begin_us * CLK_PER_US, end_us * CLK_PER_US)

    def feed(self, pin: int, changes: "list[tuple[int, int]]") -> None:
        """Levels of an input pin from (time in cycles of clk_sys, level), in order: faster than the kernel's clock.

        The pin keeps the last level. Interrupts of the pin are not raised; where levels of the network come to this
        pin as well, the later one counts.
        """
        for t, level in changes:
            self.run(t + SYNC_CLK)
            self.gpio.level[pin] = level

    def before_network(self) -> None:
        """The network between the connectors is about to change: what its conductors have carried until now."""
        for block in self.blocks:
            for pin in block.ears:
                block.ears[pin].catch_up(self.now())

    def after_network(self) -> None:
        for block in self.blocks:
            for pin in block.ears:
                block.ears[pin].look_again()

    # for the blocks

    def track_of(self, n: int) -> Track:
        track = self._track.get(n)
        if track is None:
            track = self._track[n] = self._spare.pop() if self._spare else Track()
        return track

    def pad(self, n: int, t: int, asking: Block) -> int:
        """The level at a pin that `asking` itself does not drive."""
        owner = self.gpio.owner[n]
        if owner is None or owner is asking:
            return self.gpio.level[n]
        if isinstance(owner, Block):
            owner.run(t)
            return owner.pad(n, t) if owner.drives(n) else self.gpio.level[n]
        return int(owner.given(n))

    def listen(self, pins: int) -> None:
        """Machines read these pins (a mask): they are brought up to date before one changes."""
        for n in range(g.PINS):
            if pins >> n & 1:
                self.gpio.on_input[n] = self._before_input

    def _before_input(self) -> None:
        self.kernel.pause_isr()
        self.run(self.now() + SYNC_CLK)
        self.kernel.resume_isr()

    # interrupts of the processor

    def interrupt(self, block: int, flags: int) -> None:
        for k in range(MACHINES):
            if flags >> k & 1:
                self.gpio.latch(g.PINS + block * MACHINES + k)

    def look_often(self) -> None:
        """From now on, for as long as a flag interrupts the processor."""
        if not self._looking:
            self._looking = True
            self.kernel.after(_LOOK_US, self._look)

    def _look(self, _argument: "Any") -> None:
        self._looking = False
        if self.blocks[0].handled or self.blocks[1].handled:
            self.run(self.now())
            self.look_often()
