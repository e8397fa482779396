# Analog channels of the converter, read by the tick: comparators, samples, and the readings of a measurement.
#
# The analog switch gives one reading a tick at most. It is set in the tick before the reading, so that it has a
# millisecond to settle. Its channels that are watched or sampled take turns; a measurement of a switched channel takes
# every turn until it is done (the others then wait, 256 ms at most). Supply and light have inputs of their own: while
# anything is sampled they are read in every tick, beside the turns, else they take turns with the others, which is
# cheaper.
#
# While anything is sampled the tick puts all it read into a ring; which readings of it become samples the service loop
# finds out (recording.py, which is there once a channel has been sampled).
#
# Contract. step() belongs to the tick. Everything else belongs to the service loop, which lowers _first, _direct,
# _recording or _measuring before it changes what hangs on them, and raises them last.
from boards import Board
from micropython import const

from firmware.comparator import Comparators
from firmware.measurement import Measurement
from firmware.ring import Ring

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable

    from firmware.recording import Recording

_CHANNELS = const(10)
_NONE = const(255)
_SUPPLY = const(0)  # names.CH_SUPPLY and names.CH_LIGHT, as constants for the tick
_LIGHT = const(9)
_DIRECT_SUPPLY = const(1)  # bits of _direct
_DIRECT_LIGHT = const(2)
_WATCHING = const(1)  # values of active
_EVERY_TICK = const(2)


def _nowhere(_now: int, _supply: int, _light: int, _turn: int, _reading: int) -> None:
    pass


class Scan:
    def __init__(self, board: Board, ring: Ring, measurement: Measurement) -> None:
        self._read_mux = board.read_mux
        self._read_light = board.read_light
        self._select = board.select
        self.recording: Recording | None = None
        self._record: Callable[[int, int, int, int, int], None] = _nowhere  # called while _recording
        self._measurement = measurement
        self.active = 0  # the tick calls step() unless 0; 2 = every time: a measurement runs, or samples are taken
        self._comparators = Comparators(_CHANNELS, board.ticks_diff, ring.push)
        self._low = self._comparators.low
        self._high = self._comparators.high
        self._next_band = self._comparators.next_band
        self._outside = self._comparators.outside
        # turns: the channel that follows each one in the round
        self._round: list[int] = []
        self._after = bytearray(_CHANNELS)
        self._first = _NONE  # where the round begins, or nobody takes a turn
        self._selected = _NONE  # channel whose turn is the next tick
        self._at_switch = 1  # channel that the analog switch is on: address 0 after Board()
        self._direct = 0
        self._measuring = _NONE
        self._recording = 0

    # -- service loop: who is read ------------------------------------------------------------------

    def watch(self, channel: int, thresholds: tuple, hysteresis: int, dwell_ms: int) -> None:
        # thresholds: ascending raw values, none = stop watching.
        self.collect(True)
        self._comparators.watch(channel, thresholds, hysteresis, dwell_ms)
        self._take_turns()

    def sample(self, channel: int, period_ms: int) -> int:
        # Spacing that the channel gets, ms; 0 = stop. After record_into(), unless it is to stop.
        recording = self.recording
        if recording is None:
            return 0
        recording.collect(True)
        recording.stop(channel)
        recording.period_ms[channel] = period_ms
        self._take_turns()
        return recording.start(channel) if period_ms else 0

    def drop(self, channel: int) -> None:
        # The wiring record no longer has it: an open input reads noise.
        if self._comparators.count[channel]:
            self.watch(channel, (), 0, 0)
        if self.recording is not None and self.recording.period_ms[channel]:
            self.sample(channel, 0)

    def start_measure(self, channel: int) -> None:
        # The measurement has begun: every reading is put into it.
        self._measuring = channel
        self.refresh()

    def refresh(self) -> None:
        # Also once a measurement has been taken.
        if self._measuring != _NONE or self._recording:
            self.active = _EVERY_TICK
        else:
            self.active = _WATCHING if self._first != _NONE else 0
        if not self.active:
            self._selected = _NONE

    def stop(self) -> None:
        # No channel watched, sampled or measured any more.
        self._measuring = _NONE
        self.collect(True)
        for channel in range(_CHANNELS):
            if self.recording is not None:
                self.recording.stop(channel)
            self._comparators.watch(channel, (), 0, 0)
        self._take_turns()

    def _take_turns(self) -> None:
        # Who takes part has changed.
        count = self._comparators.count
        period = None if self.recording is None else self.recording.period_ms
        wanted = [n for n in range(_CHANNELS) if count[n] or (period is not None and period[n])]
        sampling = period is not None and any(period)
        direct = 0
        if sampling:
            for channel, bit in ((_SUPPLY, _DIRECT_SUPPLY), (_LIGHT, _DIRECT_LIGHT)):
                if channel in wanted:
                    wanted.remove(channel)
                    direct |= bit
        if wanted != self._round:
            self._new_round(wanted)
        self._direct = direct
        self._recording = 1 if sampling else 0
        self.refresh()

    def _new_round(self, wanted: list) -> None:
        self._first = _NONE
        self._selected = _NONE
        self._round = wanted
        for n in range(len(wanted)):
            self._after[wanted[n - 1]] = wanted[n]
        if self.recording is not None:
            self.recording.take_turns(wanted)
        if wanted:
            self._first = wanted[0]

    # -- service loop: samples ----------------------------------------------------------------------

    def record_into(self, recording: "Recording") -> None:
        # From now on channels can be sampled.
        recording.take_turns(self._round)
        self._record = recording.push
        self.recording = recording

    def collect(self, everything: bool) -> None:
        # Every turn.
        if self.recording is not None:
            self.recording.collect(everything)

    # -- tick ---------------------------------------------------------------------------------------

    def step(self, now: int, supply_raw: int) -> None:
        channel = self._selected
        after = self._first
        raw = 0
        if channel != _NONE:
            if channel == _SUPPLY:
                raw = supply_raw
            elif channel == _LIGHT:
                raw = self._read_light()
            else:
                raw = self._read_mux()
            if raw > self._high[channel] or raw < self._low[channel]:
                self._outside(channel, raw, now)
            else:
                self._next_band[channel] = _NONE
            if after != _NONE:
                after = self._after[channel]
        if self._recording:
            self._step_recording(now, supply_raw, channel, raw)
        if self._measuring != _NONE:
            after = self._measure(channel, raw, supply_raw, after)
        if after != channel:
            self._selected = after
            if after != self._at_switch and after != _SUPPLY and after < _LIGHT:
                self._at_switch = after
                self._select(after)

    def _step_recording(self, now: int, supply_raw: int, channel: int, raw: int) -> None:
        direct = self._direct
        light_raw = 0
        if direct & _DIRECT_SUPPLY:
            if supply_raw > self._high[_SUPPLY] or supply_raw < self._low[_SUPPLY]:
                self._outside(_SUPPLY, supply_raw, now)
            else:
                self._next_band[_SUPPLY] = _NONE
        if direct & _DIRECT_LIGHT:
            light_raw = self._read_light()
            if light_raw > self._high[_LIGHT] or light_raw < self._low[_LIGHT]:
                self._outside(_LIGHT, light_raw, now)
            else:
                self._next_band[_LIGHT] = _NONE
        # A reading of the measurement is nobody's turn.
        self._record(now, supply_raw, light_raw, channel if channel != self._measuring else _NONE, raw)

    def _measure(self, channel: int, raw: int, supply_raw: int, after: int) -> int:
        # Takes a reading if there is one; the channel for the next tick.
        measuring = self._measuring
        if measuring == _SUPPLY:
            raw = supply_raw
        elif measuring == _LIGHT:
            raw = self._read_light()
        elif channel != measuring:
            return measuring
        else:
            after = measuring
        if self._measurement.put(raw):
            self._measuring = _NONE
            if after == measuring:
                return self._first
        return after
