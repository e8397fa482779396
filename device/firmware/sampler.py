# Samples on their way to the host: the ring into which the tick puts what it reads, and the batches made of it.
#
# A batch has up to 64 readings of one channel, evenly spaced to half their spacing, and a number. It ends early where
# the spacing breaks, and soon where the spacing is long. What cannot be sent for 2 s, or for which there is no room, is
# let go with its number, so that the hole tells of it.
#
# Contract. SampleRing.push() belongs to the tick, which alone writes head and dropped; a record is complete before head
# moves. Everything else belongs to the service loop, which alone writes tail.
from array import array

from micropython import const

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_CHANNELS = const(15)
_RECORDS = const(256)  # ms that the service loop may be held up for, a power of two
_RECORDS_MASK = const(255)
BLOCK = 64  # readings in the longest batch
_LATENCY_US = const(250000)  # a batch spans no more than this, so that a slow channel is told soon
_READY = const(24)  # batches that wait
_EXPIRED_US = const(2000000)
_COUNT_MASK = const(0x3FFFFFFF)
# From one record to the next. The difference of raw ticks is wrong where they wrap: that counts as off the beat.
_SHORTEST_US = const(750)
_LONGEST_US = const(1250)


class SampleRing:
    # A record a tick: time, whether that is off the beat, supply, light, and the channel whose turn it was with its
    # reading.
    def __init__(self) -> None:
        self._last = 0
        self.off_beat = bytearray(_RECORDS)
        self.stamp = array("i", [0] * _RECORDS)
        self.supply = array("H", [0] * _RECORDS)
        self.light = array("H", [0] * _RECORDS)
        self.turn = bytearray(_RECORDS)
        self.reading = array("H", [0] * _RECORDS)
        self._head = 0
        self.tail = 0
        self._dropped = 0
        self._dropped_told = 0

    def push(self, now: int, supply: int, light: int, turn: int, reading: int) -> None:
        head = self._head
        after = (head + 1) & _RECORDS_MASK
        if after == self.tail:
            self._dropped = (self._dropped + 1) & _COUNT_MASK
            return
        step_us = now - self._last
        self._last = now
        self.off_beat[head] = 0 if _SHORTEST_US <= step_us <= _LONGEST_US else 1
        self.stamp[head] = now
        self.supply[head] = supply
        self.light[head] = light
        self.turn[head] = turn
        self.reading[head] = reading
        self._head = after

    def block(self, everything: bool) -> int:
        # Records from tail on, to the end of their block of 64 once it is full, or to the end of what there is.
        there = (self._head - self.tail) & _RECORDS_MASK
        room = BLOCK - self.tail % BLOCK
        return min(there, room) if everything or there >= room else 0

    def free(self, count: int) -> None:
        self.tail = (self.tail + count) & _RECORDS_MASK

    def dropped(self) -> int:
        # Records for which there was no room, and of which nobody knows yet.
        return (self._dropped - self._dropped_told) & _COUNT_MASK

    def know_dropped(self) -> None:
        self._dropped_told = self._dropped


class Series:
    # One sampled channel: the batch that is being filled.
    def __init__(self, channel: int, spacing_us: int, sampler: "Sampler") -> None:
        self.channel = channel
        self._sampler = sampler
        self._ticks_diff = sampler.ticks_diff
        self._data = array("H", [0] * BLOCK)
        self._number = 0  # of the last batch
        self._count = 0  # readings in this one
        self._first = 0  # ticks
        self._last = 0
        self.space(spacing_us)

    def space(self, spacing_us: int) -> None:
        # The readings to come have this spacing.
        self.close()
        self._spacing_us = spacing_us
        self._size = min(max(_LATENCY_US // spacing_us, 1), BLOCK)

    def put(self, raw: int, stamp: int) -> None:
        # A reading more than a quarter of the spacing beside its place begins a new batch, so that none is further than
        # half the spacing from where its batch says it is.
        count = self._count
        if count:
            off_us = self._ticks_diff(stamp, self._first) - count * self._spacing_us
            if not -self._spacing_us <= 4 * off_us <= self._spacing_us:
                self.close()
                count = 0
        if not count:
            self._first = stamp
        self._data[count] = raw
        self._last = stamp
        self._count = count + 1
        if count + 1 >= self._size:
            self.close()

    def close(self) -> None:
        count = self._count
        if count:
            self._count = 0
            self.give(self._data[:count], self._first, self._last)

    def give(self, readings: array, first: int, last: int) -> None:
        # A batch that is complete.
        if self._count:
            self.close()
        self._number += 1
        self._sampler.add((self.channel, self._number, first, self._ticks_diff(last, first), bytes(readings)))

    def leave_out(self, readings: int) -> None:
        # So many never came here: their batches are missing.
        self.close()
        missing = -(-readings // self._size)
        self._number += missing
        self._sampler.lost += missing


class Sampler:
    def __init__(self, ticks_diff: "Callable[[int, int], int]") -> None:
        self.ticks_diff = ticks_diff
        self.series: list[Series | None] = [None] * _CHANNELS
        self._ready: list[tuple] = []  # (channel, number, ticks of the first reading, us to the last one, readings)
        self.lost = 0  # batches that are missing by this end's doing

    def start(self, channel: int, spacing_us: int) -> Series:
        # Batches count from 1 again; what waits of an earlier series is not sent any more.
        self.series[channel] = None
        self._ready = [batch for batch in self._ready if batch[0] != channel]
        series = Series(channel, spacing_us, self)
        self.series[channel] = series
        return series

    def stop(self, channel: int) -> None:
        series = self.series[channel]
        if series is not None:
            series.close()
            self.series[channel] = None

    def add(self, batch: tuple) -> None:
        if len(self._ready) >= _READY:
            self.lost += 1
        else:
            self._ready.append(batch)

    def oldest(self, now: int) -> tuple | None:
        # The batch whose turn it is to be sent; those that waited for too long are let go.
        while self._ready:
            batch = self._ready[0]
            if self.ticks_diff(now, batch[2]) - batch[3] <= _EXPIRED_US:
                return batch
            self._ready.pop(0)
            self.lost += 1
        return None

    def sent(self) -> None:
        # The oldest one is under way.
        self._ready.pop(0)
