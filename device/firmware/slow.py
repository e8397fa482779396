# Channels that the service loop reads: power monitors and pulses. Comparators, samples and measurements, as in scan.py.
# Built for the first wiring record that has any (parts.py).
#
# They are read on a beat of 5 ms, pulses on every fourth one. The loop may be late for a beat (it stores, collects
# garbage, talks): a reading carries the time at which it was taken, a beat that was missed altogether gives no reading,
# and either shows in the batches.
from array import array

from boards import Board
from micropython import const

from firmware.bus import NO_BUS
from firmware.comparator import Comparators
from firmware.measurement import Measurement
from firmware.meters import Meters
from firmware.pulses import NO_LINE, Pulses
from firmware.ring import Ring
from shared_proto import names

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from firmware.sampler import Sampler, Series

_CHANNELS = const(15)
_FIRST = const(10)  # names.CH_METER_1_V
_PULSES = const(14)  # names.CH_PULSES
_NONE = const(255)
_BEAT_US = const(5000)
_BEAT_MS = const(5)
_PULSE_BEATS = const(4)
_GIVEN_UP_US = const(1000000)  # a measurement without a reading for so long ends


class Slow:
    def __init__(
        self,
        board: Board,
        ring: Ring,
        measurement: Measurement,
        meters: Meters,
        pulses: Pulses,
    ) -> None:
        self._board = board
        self._ticks_us = board.ticks_us
        self.sampler: Sampler | None = None  # once a channel has been sampled
        self._measurement = measurement
        self.meters = meters
        self.pulses = pulses
        self._comparators = Comparators(_CHANNELS - _FIRST, board.ticks_diff, ring.push, _FIRST)
        self._wanted: list[int] = []  # channels that are read
        self._bus_wanted = False
        self._every = array("H", [0] * (_CHANNELS - _FIRST))  # beats from one sample to the next; 0 = not sampled
        self._left = array("i", [0] * (_CHANNELS - _FIRST))
        self._series: dict[int, Series] = {}
        self._measuring = _NONE
        self._read_at = 0  # ticks of the measurement's last reading
        self._beat = 0  # of the pulses
        self._due = 0  # ticks of the next beat
        self.active = False

    def wired(self, channel: int) -> bool:
        return self.pulses.line != NO_LINE if channel == names.CH_PULSES else self.meters.wired(channel)

    def watch(self, channel: int, thresholds: tuple, hysteresis: int, dwell_ms: int) -> None:
        self._comparators.watch(channel - _FIRST, thresholds, hysteresis, dwell_ms)
        self._refresh()

    def sample(self, channel: int, period_ms: int) -> int:
        # Spacing that the channel gets, ms; 0 = stop. With a sampler, unless it is to stop.
        if self.sampler is None:
            return 0
        self.sampler.stop(channel)
        step = _PULSE_BEATS if channel == names.CH_PULSES else 1
        beats = -(-period_ms // (step * _BEAT_MS)) * step
        if beats:
            self._series[channel] = self.sampler.start(channel, beats * _BEAT_US)
        self._every[channel - _FIRST] = beats
        self._left[channel - _FIRST] = 1
        self._refresh()
        return beats * _BEAT_MS

    def start_measure(self, channel: int) -> None:
        self._measuring = channel
        self._read_at = self._board.ticks_us()
        self._refresh()

    def _refresh(self) -> None:
        count, every = self._comparators.count, self._every
        self._wanted = [
            n for n in range(_FIRST, _CHANNELS) if count[n - _FIRST] or every[n - _FIRST] or n == self._measuring
        ]
        self._bus_wanted = bool(self._wanted) and self._wanted[0] != _PULSES
        if self._wanted and not self.active:
            self._due = self._board.ticks_us()
        self.active = bool(self._wanted)

    def wire(self, values: dict, falling: bool) -> None:
        # From the wiring record; falling where the tach line is inverted. What is no longer there is no longer read.
        tach = values["tach"]
        self.pulses.wire(tach - 1 if tach else NO_LINE, falling)
        addresses = (values["meter_1"], values["meter_2"])
        self.meters.wire(bool(values["bus"]), addresses, (values["cal_1"], values["cal_2"]))
        for channel in range(_FIRST, _CHANNELS):
            if not self.wired(channel):
                if self.sampler is not None:
                    self.sampler.stop(channel)
                self._every[channel - _FIRST] = 0
                self._comparators.watch(channel - _FIRST, (), 0, 0)
        self._refresh()

    def wait_ms(self, now: int, most_ms: int) -> int:
        # How long the loop may rest before the next beat.
        if not self.active:
            return most_ms
        left_us = self._board.ticks_diff(self._due, now)
        return min(max(left_us // 1000, 1), most_ms)

    def poll(self, now: int, now_us: int) -> None:
        # Every turn.
        self.pulses.poll(now)
        if not (self.active and self._take_beat(now)):
            self.meters.poll(now, now_us)

    def _take_beat(self, now: int) -> bool:
        # True when the bus has used up what it may take of one turn.
        late_us = self._board.ticks_diff(now, self._due)
        if late_us < 0:
            return False
        beats = 1 + late_us // _BEAT_US
        self._due = self._board.ticks_add(self._due, beats * _BEAT_US)
        self._beat += beats
        count, every = self._comparators.count, self._every
        bus_works = self._bus_wanted and self.meters.bus.ready()
        failed = self._bus_wanted and not bus_works
        for channel in self._wanted:
            at = channel - _FIRST
            sampled = every[at]
            if sampled:
                left = self._left[at] - beats
                if left > 0:
                    self._left[at] = left
                    sampled = 0
                else:
                    self._left[at] = sampled - -left % sampled
            looked = count[at] or channel == self._measuring
            if channel == _PULSES:
                if sampled or (looked and self._beat >= _PULSE_BEATS):
                    self._take(channel, self.pulses.read(), now, sampled)
            elif bus_works and (sampled or looked):
                stamp = self._ticks_us()
                raw = self.meters.read(channel)
                if raw < 0:
                    bus_works = raw != NO_BUS
                    failed = failed or not bus_works
                elif looked:
                    self._take(channel, raw, stamp, sampled)
                else:
                    self._series[channel].put(raw, stamp)
        if self._beat >= _PULSE_BEATS:
            self._beat %= _PULSE_BEATS
        if self._measuring != _NONE and self._board.ticks_diff(now, self._read_at) >= _GIVEN_UP_US:
            self._measuring = _NONE
            self._measurement.cancel()
            self._refresh()
        return failed

    def _take(self, channel: int, raw: int, now: int, sampled: int) -> None:
        if sampled:
            self._series[channel].put(raw, now)
        if self._comparators.count[channel - _FIRST]:
            self._comparators.see(channel - _FIRST, raw, now)
        if channel == self._measuring:
            self._read_at = now
            if self._measurement.put(raw):
                self._measuring = _NONE
                self._refresh()
