# Samples of the converter's channels: what becomes of the records that the tick puts into a ring while anything is
# sampled. Built when a channel is sampled for the first time (parts.py).
#
# A sampled channel gives a reading every so many of its turns, so that its readings are evenly spaced.
#
# Contract. All of it belongs to the service loop but ring.push(), which belongs to the tick (sampler.py).
from array import array

from micropython import const

from firmware.sampler import Sampler, SampleRing

_CHANNELS = const(10)
_NONE = const(255)
_SUPPLY = const(0)  # names.CH_SUPPLY and names.CH_LIGHT: inputs of their own, read in every tick
_LIGHT = const(9)
_TICK_US = const(1000)
_LATE_US = const(250)  # a tick may be so far off its beat: a quarter of the closest spacing


class Recording:
    def __init__(self, sampler: Sampler) -> None:
        self._sampler = sampler
        self._ticks_diff = sampler.ticks_diff
        self.ring = SampleRing()
        self.push = self.ring.push
        self.period_ms = array("H", [0] * _CHANNELS)  # as asked for; 0 = not sampled
        # in turns of the channel; 0 = not sampled
        self._every = array("H", [0] * _CHANNELS)
        self._left = array("H", [0] * _CHANNELS)
        self._round: list[int] = []  # channels that take turns at the switch

    # -- what is sampled ----------------------------------------------------------------------------

    def stop(self, channel: int) -> None:
        self._sampler.stop(channel)
        self._every[channel] = self.period_ms[channel] = 0

    def start(self, channel: int) -> int:
        # Spacing that the channel gets, ms. After period_ms has been set and everybody has their turns.
        turns = self._turns(channel)
        every = -(-self.period_ms[channel] // turns)
        self._sampler.start(channel, every * turns * _TICK_US)
        self._left[channel] = 1
        self._every[channel] = every
        return every * turns

    def take_turns(self, channels: list) -> None:
        # Turns come at another spacing now: what was sampled so far is a batch.
        self._round = channels
        turns = len(channels)
        for channel in channels:
            series = self._sampler.series[channel]
            if series is not None:
                every = -(-self.period_ms[channel] // turns)
                self._every[channel] = every
                self._left[channel] = 1
                series.space(every * turns * _TICK_US)

    def _turns(self, channel: int) -> int:
        # Ticks from one turn of a sampled channel to the next.
        return 1 if channel in (_SUPPLY, _LIGHT) else len(self._round)

    # -- records ------------------------------------------------------------------------------------

    def collect(self, everything: bool) -> None:
        # Every turn: makes samples of what the tick has recorded, a block at a time.
        ring = self.ring
        while True:
            count = ring.block(everything)
            if not count:
                return
            start = ring.tail
            end = start + count
            while start < end:
                until = self._even(start, end)
                self._take(start, until)
                start = until
            ring.free(count)

    def _even(self, start: int, end: int) -> int:
        # How far the records from start on are on one beat. They leave it where a tick was late or lost, or where there
        # was no room for records, whose batches are then left out.
        ring = self.ring
        if ring.off_beat[start]:
            self._leave_out(ring.dropped())
        ends = bytes(ring.off_beat[start + 1 : end]).find(b"\x01")
        if ends >= 0:
            end = start + 1 + ends
        # Steps that are each a little long may add up.
        diff, stamp = self._ticks_diff, ring.stamp
        first = stamp[start]
        if -_LATE_US <= diff(stamp[end - 1], first) - (end - 1 - start) * _TICK_US <= _LATE_US:
            return end
        for at in range(start + 1, end):
            if not -_LATE_US <= diff(stamp[at], first) - (at - start) * _TICK_US <= _LATE_US:
                return at
        return end

    def _leave_out(self, ticks: int) -> None:
        if not ticks:
            return
        self.ring.know_dropped()
        for channel in range(_CHANNELS):
            series = self._sampler.series[channel]
            if series is not None:
                series.leave_out(ticks // (self._turns(channel) * self._every[channel]) or 1)

    def _take(self, start: int, end: int) -> None:
        # Records on one beat.
        ring = self.ring
        self._take_column(_SUPPLY, ring.supply, start, end)
        self._take_column(_LIGHT, ring.light, start, end)
        turns = len(self._round)
        if turns == 1:
            only = self._round[0]
            if bytes(ring.turn[start:end]) == bytes([only]) * (end - start):
                self._take_column(only, ring.reading, start, end)
                return
        if turns:
            self._take_turn_by_turn(start, end)

    def _take_column(self, channel: int, column: array, start: int, end: int) -> None:
        # A channel that was read in every one of these ticks.
        series = self._sampler.series[channel]
        if series is None:
            return
        stamp = self.ring.stamp
        every = self._every[channel]
        if every == 1:
            series.give(column[start:end], stamp[start], stamp[end - 1])
            return
        at = start + self._left[channel] - 1
        while at < end:
            series.put(column[at], stamp[at])
            at += every
        self._left[channel] = at - end + 1

    def _take_turn_by_turn(self, start: int, end: int) -> None:
        ring, sampled = self.ring, self._sampler.series
        turn, every, left = ring.turn, self._every, self._left
        for at in range(start, end):
            channel = turn[at]
            if channel == _NONE or not every[channel]:
                continue
            remaining = left[channel] - 1
            if remaining:
                left[channel] = remaining
                continue
            left[channel] = every[channel]
            series = sampled[channel]
            if series is not None:
                series.put(ring.reading[at], ring.stamp[at])
