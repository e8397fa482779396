"""The DMA controller, as far as it empties FIFOs of state machines into memory (RP2040 datasheet 2.5; MicroPython docs,
class rp2.DMA; ports/rp2/rp2_dma.c).

A word is moved at the instant when the FIFO asks. What a channel is told it does, so that a wrong request signal waits
for good and one without reads an empty FIFO; what this bench has not is an error there and then.
"""

import struct

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import Any

    from kernel import Kernel
    from pio_state import State
    from pio_unit import Pio

CHANNELS = 12
EBUSY = 16
_AT_ONCE = 0x3F  # treq_sel: nothing is waited for
_CODES = ("<B", "<H", "<I")
_MASKS = (0xFF, 0xFFFF, 0xFFFFFFFF)

# Fields of CTRL_TRIG: lowest bit, bits (datasheet 2.5.7), by the names of pack_ctrl().
_FIELDS = {
    "enable": (0, 1), "high_pri": (1, 1), "size": (2, 2), "inc_read": (4, 1), "inc_write": (5, 1),
    "ring_size": (6, 4), "ring_sel": (10, 1), "chain_to": (11, 4), "treq_sel": (15, 6), "irq_quiet": (21, 1),
    "bswap": (22, 1), "sniff_en": (23, 1), "write_err": (29, 1), "read_err": (30, 1),
}  # fmt: skip
_DEFAULTS = {"enable": 1, "size": 2, "inc_read": 1, "inc_write": 1, "treq_sel": _AT_ONCE, "irq_quiet": 1}


def packed(fields: "dict[str, int]", value: int) -> int:
    """value with these fields of the control register changed. Errors as the port's."""
    for name in fields:
        if name not in _FIELDS:
            raise TypeError("unknown field " + name)
        low, bits = _FIELDS[name]
        number = int(fields[name])
        if number >> bits:
            raise ValueError("bad field value")
        value = value & ~(((1 << bits) - 1) << low) | number << low
    return value


def field(value: int, name: str) -> int:
    low, bits = _FIELDS[name]
    return value >> low & ((1 << bits) - 1)


class Channel:
    """One channel: where it reads, where it writes, what is left."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.claimed = False
        self.ctrl = 0
        self.source: State | None = None  # whose RX FIFO it reads
        self.asks: State | None = None  # whose RX FIFO sets the pace while it is busy
        self.data: Any = None
        self.count = 0  # of the next sequence
        self.left = 0
        self._at = 0
        self._code = ""
        self._mask = 0
        self._step = 0

    def begin(self, asks: "State | None") -> None:
        size = field(self.ctrl, "size")
        self._code, self._mask = _CODES[size], _MASKS[size]
        self._step = 1 << size if field(self.ctrl, "inc_write") else 0
        self._at = 0
        self.left = self.count
        self.asks = asks

    def take(self, t: int) -> None:
        """One transfer; t: the instant. From an empty FIFO comes what its register last had, here 0."""
        source = self.source
        word = source.get(t) if source is not None and source.rx_n else 0
        struct.pack_into(self._code, self.data, self._at, word & self._mask)
        self._at += self._step
        self.left -= 1

    def asked(self, t: int) -> None:
        """The FIFO that sets the pace has got a word."""
        self.take(t)
        if not self.left:
            self.end()

    def end(self) -> None:
        self.left = 0
        if self.asks is not None:
            self.asks.taker = None
            self.asks = None


class Dma:
    """All channels, and the state machines that ask them for something."""

    def __init__(self, pio: "Pio") -> None:
        self._pio = pio
        self.reset()

    def reset(self) -> None:
        self.channels = [Channel(number) for number in range(CHANNELS)]

    def claim(self) -> Channel:
        for channel in self.channels:
            if not channel.claimed:
                channel.claimed = True
                return channel
        raise OSError(EBUSY)

    def start(self, channel: Channel) -> None:
        """Triggers a channel, which does nothing while it is not enabled."""
        if not field(channel.ctrl, "enable"):
            return
        self._check(channel)
        request = field(channel.ctrl, "treq_sel")
        now = self._pio.now()
        if request == _AT_ONCE:
            channel.begin(None)
            while channel.left:
                channel.take(now)
            return
        asks = self._asking(request)
        channel.begin(asks)
        asks.taker = channel
        while asks.rx_n and channel.left:
            channel.take(now)
        if not channel.left:
            channel.end()

    def _check(self, channel: Channel) -> None:
        ctrl = channel.ctrl
        if channel.left:
            raise ValueError("the channel moves words already")
        if channel.source is None or not isinstance(channel.data, bytearray):
            raise TypeError("this bench moves words from a StateMachine into a bytearray")
        if field(ctrl, "size") == 3:
            raise ValueError("no such size")
        moved = channel.count if field(ctrl, "inc_write") else min(channel.count, 1)
        if moved << field(ctrl, "size") > len(channel.data):
            raise ValueError("the DMA would write beyond the end of the buffer")
        if field(ctrl, "inc_read") and channel.count > 1:
            raise ValueError("the DMA would read beyond the FIFO")
        if field(ctrl, "ring_size") or field(ctrl, "bswap") or field(ctrl, "sniff_en"):
            raise ValueError("this bench has no rings, no swapping and no sniffing")
        if field(ctrl, "chain_to") != channel.number:
            raise ValueError("this bench chains no channels")

    def _asking(self, request: int) -> "State":
        # Datasheet 2.5.3.1: 0 to 3 PIO 0 TX, 4 to 7 PIO 0 RX, 8 to 11 PIO 1 TX, 12 to 15 PIO 1 RX.
        if request >= 16 or not request & 4:
            raise ValueError("on this bench nothing but the RX FIFO of a state machine asks for words")
        asks: State = self._pio.blocks[request >> 3].machines[request & 3]
        if asks.taker is not None:
            raise ValueError("two channels for one request signal")
        return asks


def make_dma(kernel: "Kernel", pio: "Pio", machine_of: "Any") -> type:
    """The class rp2.DMA. machine_of: State of whatever stands for a state machine, or None."""
    dma = pio.dma

    class DMA:
        def __init__(self) -> None:
            self._channel: Channel | None = dma.claim()

        def _open(self) -> Channel:
            channel = self._channel
            if channel is None:
                raise ValueError("channel closed")
            kernel.pause_isr()
            pio.run(pio.now())
            kernel.resume_isr()
            return channel

        def pack_ctrl(self, *, default: int = -1, **fields: int) -> int:
            if default < 0:
                default = packed(_DEFAULTS, packed({"chain_to": self._open().number}, 0))
            return packed(fields, default)

        def config(
            self,
            *,
            read: "Any" = None,
            write: "Any" = None,
            count: int | None = None,
            ctrl: int | None = None,
            trigger: bool = False,
        ) -> None:
            channel = self._open()
            if channel.left:
                raise ValueError("this bench changes nothing of a channel that moves words")
            if read is not None:
                channel.source = machine_of(read)
            if write is not None:
                channel.data = write
            if count is not None:
                channel.count = count
            if ctrl is not None:
                channel.ctrl = ctrl
            if trigger:
                dma.start(channel)

        def active(self, value: object = None) -> bool:
            channel = self._open()
            if value is not None:
                if value:
                    dma.start(channel)
                else:
                    channel.end()
            return channel.left > 0

        def close(self) -> None:
            channel = self._channel
            if channel is None:
                return
            if self._open().left:
                # On the board it would go on, into memory that belongs to somebody else by then.
                raise RuntimeError("a DMA channel is given back while it moves words")
            channel.claimed = False
            self._channel = None

        @property
        def count(self) -> int:
            return self._open().left

        @property
        def channel(self) -> int:
            return self._open().number

    return DMA
