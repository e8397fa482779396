"""The board's main.py of bench_chain.py --fed: the whole firmware, with five channels that nobody reads but this.

Runs in the simulated board, under MicroPython or CPython. Readings come here every millisecond and go where those of
the analog switch go (firmware/sampler.py, Series.put); batches, numbers, session and console are the firmware's own.
"""

import device_main
from fed_readings import FED, reading


class Fed:
    """Reads the channels of FED, in the place of the tick."""

    def __init__(self, jig):
        self._jig = jig
        self._series = {}
        self._due = 0  # ticks of the next reading

    def sample(self, channel, period_ms):
        """As Scan.sample(): the spacing granted, ms; 0 = stop."""
        jig = self._jig
        self.feed()  # what is older than this request belongs to what was before it
        if not self._series:
            self._due = jig.board.ticks_add(jig.ticks, 1000)
        self._series.pop(channel, None)
        jig.sampler.stop(channel)
        if period_ms:
            period_ms = 1
            self._series[channel] = jig.sampler.start(channel, 1000)
        return period_ms

    def feed(self):
        """All readings that were due up to now."""
        jig, board = self._jig, self._jig.board
        while self._series and board.ticks_diff(jig.ticks, self._due) >= 0:
            at_ms = jig.clock.at(self._due) // 1000
            for channel in self._series:
                self._series[channel].put(reading(channel, at_ms), self._due)
            self._due = board.ticks_add(self._due, 1000)


def main():
    from firmware.app import Service
    from firmware.jig import Jig

    reads, send_samples = Jig.reader, Service.send_samples
    feds = {}

    def reader(jig, channel):
        if channel not in FED:
            return reads(jig, channel)
        if jig not in feds:
            feds[jig] = Fed(jig)
        return feds[jig]

    def send_fed_samples(service):
        if service.jig in feds:
            feds[service.jig].feed()
        send_samples(service)

    Jig.reader, Service.send_samples = reader, send_fed_samples
    device_main.main()
