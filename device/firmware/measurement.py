# The sums behind one measurement: n readings of a channel, taken by the tick or by the service loop.
#
# Contract. begin(), take() and cancel() belong to the service loop; put() to whoever reads the channel, between begin()
# and the put() that says it was the last.
from array import array

MEASURE_MAX = 256


class Measurement:
    def __init__(self) -> None:
        self._readings = array("H", [0] * MEASURE_MAX)
        self.wanted = 0  # readings; 0 = nothing is measured
        self.taken = 0

    def begin(self, n: int) -> None:
        self.taken = 0
        self.wanted = n

    def put(self, raw: int) -> bool:
        # True with the last one.
        taken = self.taken
        if taken < self.wanted:
            self._readings[taken] = raw
            taken += 1
            self.taken = taken
        return taken >= self.wanted

    def done(self) -> bool:
        return self.taken >= self.wanted > 0

    def take(self) -> tuple:
        # (n, total, lowest, highest, total of squares) of the finished measurement.
        total = total_sq = 0
        n = self.taken
        low = high = self._readings[0]
        for i in range(n):
            raw = self._readings[i]
            total += raw
            total_sq += raw * raw
            if raw < low:
                low = raw
            elif raw > high:
                high = raw
        self.cancel()
        return n, total, low, high, total_sq

    def cancel(self) -> None:
        self.wanted = 0
