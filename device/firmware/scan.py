# Analog channels: one reading a tick at most from the analog switch, comparators with hysteresis and dwell,
# and the sums behind a measurement.
#
# The switch is set in the tick before the reading, so that it has a millisecond to settle. Watched channels
# take turns; a measurement of a switched channel takes every turn until it is done (the others then wait, 256
# ms at most); supply and light have inputs of their own and are measured beside the turns.
#
# Contract. step() belongs to the tick. watch(), start_measure() and the rest belong to the service loop,
# which lowers _first or _measuring before it changes what hangs on them, and raises them last.
from array import array

from boards import Board
from micropython import const

from firmware.ring import BAND, Ring

_CHANNELS = const(10)
_THRESHOLDS = const(3)
_NONE = const(255)
_SUPPLY = const(0)  # names.CH_SUPPLY and names.CH_LIGHT, as constants for the tick
_LIGHT = const(9)
_MEASURING = const(2)
_BELOW_ALL = const(-1)
_ABOVE_ALL = const(0x10000)
MEASURE_MAX = 256


class Scan:
    def __init__(self, board: Board, ring: Ring) -> None:
        self._read_mux = board.read_mux
        self._read_light = board.read_light
        self._select = board.select
        self._ticks_diff = board.ticks_diff
        self._push = ring.push
        self.active = 0  # the tick calls step() unless 0; 2 = every time, a measurement runs
        # comparators, one entry a channel
        self._count = bytearray(_CHANNELS)
        self._threshold = array("i", [0] * (_CHANNELS * _THRESHOLDS))
        self._half = array("i", [0] * _CHANNELS)
        self._dwell_us = array("i", [0] * _CHANNELS)
        # the present band goes from _low to _high, hysteresis included
        self._low = array("i", [0] * _CHANNELS)
        self._high = array("i", [0] * _CHANNELS)
        self._band = bytearray([_NONE] * _CHANNELS)
        self._next_band = bytearray([_NONE] * _CHANNELS)
        self._since = array("i", [0] * _CHANNELS)
        self._first_raw = array("i", [0] * _CHANNELS)
        self._pending = 0  # a next band has begun somewhere
        # turns: the channel that follows each one in the round
        self._after = bytearray(_CHANNELS)
        self._first = _NONE  # where the round begins, or no channel is watched
        self._selected = _NONE  # channel that the next tick reads
        self._at_switch = 1  # channel that the analog switch is on: address 0 after Board()
        # measurement
        self._samples = array("H", [0] * MEASURE_MAX)
        self._measuring = _NONE
        self._wanted = 0
        self._taken = 0

    # -- service loop -------------------------------------------------------------------------------

    def watch(self, channel: int, thresholds: tuple, hysteresis: int, dwell_ms: int) -> None:
        # thresholds: ascending raw values, none = stop watching.
        self._first = _NONE
        self._selected = _NONE
        self._count[channel] = len(thresholds)
        for i in range(len(thresholds)):
            self._threshold[channel * _THRESHOLDS + i] = thresholds[i]
        self._half[channel] = hysteresis // 2
        self._dwell_us[channel] = dwell_ms * 1000
        self._band[channel] = _NONE
        self._next_band[channel] = _NONE
        # Nothing lies between these, so the first reading is news: the host learns the band it starts from.
        self._low[channel] = _ABOVE_ALL
        self._high[channel] = _BELOW_ALL
        watched = [n for n in range(_CHANNELS) if self._count[n]]
        for n in range(len(watched)):
            self._after[watched[n - 1]] = watched[n]
        if watched:
            self._first = watched[0]
        self._refresh()

    def watching(self) -> bool:
        return self._first != _NONE

    def start_measure(self, channel: int, n: int) -> None:
        self._measuring = _NONE
        self._taken = 0
        self._wanted = n
        self._measuring = channel
        self._refresh()

    def measure_done(self) -> bool:
        return self._measuring == _NONE and self._wanted > 0

    def measuring(self) -> bool:
        return self._wanted > 0

    def take_measure(self) -> tuple:
        # (n, total, lowest, highest, total of squares) of the finished measurement.
        total = total_sq = 0
        n = self._taken
        low = high = self._samples[0]
        for i in range(n):
            raw = self._samples[i]
            total += raw
            total_sq += raw * raw
            if raw < low:
                low = raw
            elif raw > high:
                high = raw
        self.cancel_measure()
        return n, total, low, high, total_sq

    def cancel_measure(self) -> None:
        self._measuring = _NONE
        self._wanted = 0
        self._refresh()

    def stop(self) -> None:
        # No channel watched or measured any more.
        self._first = _NONE
        for channel in range(_CHANNELS):
            self._count[channel] = 0
        self.cancel_measure()

    def _refresh(self) -> None:
        self.active = _MEASURING if self._wanted else 0 if self._first == _NONE else 1
        if not self.active:
            self._selected = _NONE

    # -- tick ---------------------------------------------------------------------------------------

    def step(self, now: int, supply_raw: int) -> None:
        channel = self._selected
        after = self._first
        if channel != _NONE:
            if channel == _SUPPLY:
                raw = supply_raw
            elif channel == _LIGHT:
                raw = self._read_light()
            else:
                raw = self._read_mux()
            if raw > self._high[channel] or raw < self._low[channel]:
                if self._count[channel]:
                    self._outside(channel, raw, now)
            elif self._pending:
                self._next_band[channel] = _NONE
            if after != _NONE:
                after = self._after[channel]
        else:
            raw = 0
        if self._measuring != _NONE:
            after = self._measure(channel, raw, supply_raw, after)
        self._selected = after
        if after != self._at_switch and after != _SUPPLY and after < _LIGHT:
            self._at_switch = after
            self._select(after)

    def _measure(self, channel: int, raw: int, supply_raw: int, after: int) -> int:
        # Takes a reading if there is one; the channel for the next tick.
        measuring = self._measuring
        if measuring == _SUPPLY:
            self._sample(supply_raw)
            return after
        if measuring == _LIGHT:
            self._sample(self._read_light())
            return after
        if channel == measuring:
            self._sample(raw)
            if self._measuring == _NONE:
                return self._first
        return measuring

    def _sample(self, raw: int) -> None:
        taken = self._taken
        if taken < self._wanted:
            self._samples[taken] = raw
            taken += 1
            self._taken = taken
        if taken >= self._wanted:
            self._measuring = _NONE

    def _outside(self, channel: int, raw: int, now: int) -> None:
        # A reading outside the present band: a new band begins, goes on, or has lasted long enough.
        band = self._band_of(channel, raw)
        if band != self._next_band[channel]:
            self._next_band[channel] = band
            self._pending = 1
            self._since[channel] = now
            self._first_raw[channel] = raw
        if self._ticks_diff(now, self._since[channel]) < self._dwell_us[channel]:
            return
        self._next_band[channel] = _NONE
        self._band[channel] = band
        at = channel * _THRESHOLDS
        half = self._half[channel]
        self._low[channel] = self._threshold[at + band - 1] - half if band else _BELOW_ALL
        self._high[channel] = self._threshold[at + band] + half if band < self._count[channel] else _ABOVE_ALL
        self._push(BAND, self._since[channel], channel | band << 8, self._first_raw[channel])

    def _band_of(self, channel: int, raw: int) -> int:
        # Thresholds below the reading; half the hysteresis is against leaving the present band.
        present = self._band[channel]
        half = self._half[channel]
        at = channel * _THRESHOLDS
        band = 0
        for i in range(self._count[channel]):
            threshold = self._threshold[at + i]
            if present != _NONE:
                threshold = threshold - half if i < present else threshold + half
            if raw > threshold:
                band += 1
        return band
