# Comparators with hysteresis and dwell: which band a channel is in, and since when.
#
# One set for the channels that the tick reads, one for those that the service loop reads; each has one caller of see()
# and outside(), and tells through a ring of that caller.
#
# Contract. watch() belongs to the service loop and may be interrupted by the tick at any point: the band is made
# endless before anything that hangs on it changes, and narrowed to nothing last.
from array import array

from micropython import const

from firmware.ring import BAND

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

_THRESHOLDS = const(3)
_NONE = const(255)
_BELOW_ALL = const(-1)
_ABOVE_ALL = const(0x10000)


class Comparators:
    def __init__(
        self,
        channels: int,
        ticks_diff: "Callable[[int, int], int]",
        push: "Callable[[int, int, int, int], None]",
        first: int = 0,
    ) -> None:
        # first: number of the channel that comparator 0 belongs to.
        self._first = first
        self._ticks_diff = ticks_diff
        self._push = push
        self.count = bytearray(channels)  # thresholds in use; 0 = not watched
        self._threshold = array("i", [0] * (channels * _THRESHOLDS))
        self._half = array("i", [0] * channels)
        self._dwell_us = array("i", [0] * channels)
        # The present band goes from low to high, hysteresis included. The tick compares with them itself, since a call
        # costs it as much as thirty operations.
        self.low = array("i", [_BELOW_ALL] * channels)
        self.high = array("i", [_ABOVE_ALL] * channels)
        self._band = bytearray([_NONE] * channels)
        self.next_band = bytearray([_NONE] * channels)
        self._since = array("i", [0] * channels)
        self._first_raw = array("i", [0] * channels)

    def watch(self, channel: int, thresholds: tuple, hysteresis: int, dwell_ms: int) -> None:
        # thresholds: ascending raw values, none = stop watching.
        self.low[channel] = _BELOW_ALL
        self.high[channel] = _ABOVE_ALL
        self.count[channel] = len(thresholds)
        for i in range(len(thresholds)):
            self._threshold[channel * _THRESHOLDS + i] = thresholds[i]
        self._half[channel] = hysteresis // 2
        self._dwell_us[channel] = dwell_ms * 1000
        self._band[channel] = _NONE
        self.next_band[channel] = _NONE
        if thresholds:
            # Nothing lies between these, so the first reading is news: the host learns the band it starts from.
            self.low[channel] = _ABOVE_ALL
            self.high[channel] = _BELOW_ALL

    def see(self, channel: int, raw: int, now: int) -> None:
        # A reading.
        if raw > self.high[channel] or raw < self.low[channel]:
            self.outside(channel, raw, now)
        else:
            self.next_band[channel] = _NONE

    def outside(self, channel: int, raw: int, now: int) -> None:
        # A reading outside the present band: a new band begins, goes on, or has lasted long enough.
        band = self._band_of(channel, raw)
        if band != self.next_band[channel]:
            self.next_band[channel] = band
            self._since[channel] = now
            self._first_raw[channel] = raw
        if self._ticks_diff(now, self._since[channel]) < self._dwell_us[channel]:
            return
        self.next_band[channel] = _NONE
        self._band[channel] = band
        at = channel * _THRESHOLDS
        half = self._half[channel]
        self.low[channel] = self._threshold[at + band - 1] - half if band else _BELOW_ALL
        self.high[channel] = self._threshold[at + band] + half if band < self.count[channel] else _ABOVE_ALL
        self._push(BAND, self._since[channel], channel + self._first | band << 8, self._first_raw[channel])

    def _band_of(self, channel: int, raw: int) -> int:
        # Thresholds below the reading; half the hysteresis is against leaving the present band.
        present = self._band[channel]
        half = self._half[channel]
        at = channel * _THRESHOLDS
        band = 0
        for i in range(self.count[channel]):
            threshold = self._threshold[at + i]
            if present != _NONE:
                threshold = threshold - half if i < present else threshold + half
            if raw > threshold:
                band += 1
        return band
