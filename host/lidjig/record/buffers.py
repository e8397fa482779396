"""Samples between the jig and the disk: kept by channel until they make a block."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

from lidjig.record.blocks import Part, pack


class BatchLike(Protocol):
    """What the recorder stores of a batch of samples; jig.Batch has it. data: uint16, little-endian."""

    @property
    def channel(self) -> str: ...
    @property
    def number(self) -> int: ...
    @property
    def t_us(self) -> int: ...
    @property
    def span_us(self) -> int: ...
    @property
    def data(self) -> bytes: ...


@dataclass(frozen=True)
class Scale:
    """value = (raw - offset) * per_raw, in `unit`."""

    unit: str = ""
    per_raw: float = 1.0
    offset: float = 0.0


@dataclass
class Buffer:
    """The batches of one channel that are not in a block yet: `number` is that of the first, the others follow it. row:
    the block that they become, once it was made.
    """

    scale: Scale
    number: int
    parts: list[Part] = field(default_factory=list)
    row: dict[str, object] | None = None


class SampleBuffers:
    """One buffer for each channel, all of them emptied at the same time.

    How long something has been waiting is told by board time and by the link's clock, never by the wall's: the same
    batches make the same blocks.
    """

    def __init__(self) -> None:
        self._scales: dict[str, Scale] = {}
        self.waiting: dict[str, Buffer] = {}
        self._first_us = 0
        self._newest_us = 0
        self._since_s: float | None = None

    def declare(self, channel: str, scale: Scale) -> bool:
        """The scale of a channel from now on. True where what waits has another one and is to be written first."""
        self._scales[channel] = scale
        waits = self.waiting.get(channel)
        return waits is not None and waits.scale != scale

    def add(self, batch: BatchLike, now_s: float | None) -> None:
        """Take a batch in. Raises ValueError for one that holds no samples: a fault of the caller."""
        if not batch.data or len(batch.data) % 2 or batch.span_us < 0:
            raise ValueError(f"batch of {batch.channel}: {len(batch.data)} bytes over {batch.span_us} us")
        end_us = batch.t_us + batch.span_us
        if not self.waiting:
            self._first_us, self._since_s = end_us, now_s
        self._newest_us = end_us
        buffer = self.waiting.get(batch.channel)
        if buffer is None:
            buffer = self.waiting[batch.channel] = Buffer(self._scales.get(batch.channel, Scale()), batch.number)
        buffer.parts.append(Part(batch.t_us, batch.span_us, bytes(batch.data)))

    @property
    def closing(self) -> bool:
        """Whether blocks were being made when that was broken into."""
        return any(buffer.row is not None for buffer in self.waiting.values())

    def breaks_off(self, batch: BatchLike) -> bool:
        """Whether this batch does not follow what waits: the board's time begins anew, or a number is missing."""
        buffer = self.waiting.get(batch.channel)
        if buffer is None:
            return False
        return batch.t_us < buffer.parts[-1].t_us or batch.number != buffer.number + len(buffer.parts)

    def age_s(self, now_s: float | None) -> float:
        """Seconds that the oldest samples have been waiting; minus infinity where there are none."""
        if not self.waiting:
            return -math.inf
        heard_s = 0.0 if now_s is None or self._since_s is None else now_s - self._since_s
        return max(heard_s, abs(self._newest_us - self._first_us) / 1e6)

    def columns(self, channel: str) -> dict[str, object]:
        """The block that a channel's buffer makes, without its run and place."""
        buffer = self.waiting[channel]
        scale = buffer.scale
        given = {"channel": channel, "unit": scale.unit, "per_raw": scale.per_raw, "offset": scale.offset}
        return {**given, **pack(buffer.parts), "number": buffer.number}
