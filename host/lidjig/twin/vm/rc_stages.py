"""The filter of the jig's analog module: two equal RC stages behind the line's buffer."""

from math import exp, sqrt

# What it has: `lidjig filter --pwm-hz 24419 --bits 12 --settle-ms 25 --poles 2`.
FILTER_OHM = 3600
FILTER_F = 220 / 10**9
SOURCE_OHM = 245  # series resistor and the buffer's own output

_SETTLED = 1 / 16384  # a quarter of a step of 12 bits


class Filter:
    """Two equal RC stages, the second loading the first; levels in shares of the source's swing.

    With d1, d2 the distances of both capacitors from where they are heading: C d1' = -(g1 + g2) d1 + g2 d2 and
    C d2' = g2 d1 - g2 d2, whose solution after t is exact for any t (eigenvalues -slow, -fast).
    """

    def __init__(self) -> None:
        g1, g2 = 1 / (SOURCE_OHM + FILTER_OHM), 1 / FILTER_OHM
        self._a, self._b = (g1 + g2) / FILTER_F, g2 / FILTER_F
        half, root = (self._a + self._b) / 2, sqrt((self._a - self._b) ** 2 / 4 + self._b * self._b)
        self._slow, self._fast = half - root, half + root
        self.empty()

    def empty(self) -> None:
        self._v1 = self.level = 0.0

    def settled(self, target: float) -> bool:
        return abs(self.level - target) < _SETTLED and abs(self._v1 - target) < _SETTLED

    def run(self, target: float, us: int) -> None:
        """The source was at target for so long."""
        if us <= 0:
            return
        d1, d2 = self._v1 - target, self.level - target
        slow, fast = self._slow, self._fast
        x, y = exp(-slow * us / 1000000) / (fast - slow), exp(-fast * us / 1000000) / (fast - slow)
        a, b = self._a, self._b
        # exp(M t) = [exp(-slow t) (M + fast) - exp(-fast t) (M + slow)] / (fast - slow)
        self._v1 = target + (x * (fast - a) - y * (slow - a)) * d1 + (x - y) * b * d2
        self.level = target + (x - y) * b * d1 + (x * (fast - b) - y * (slow - b)) * d2
