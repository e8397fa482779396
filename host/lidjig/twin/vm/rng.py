"""Random numbers that come out the same on every interpreter: integers only, or sums and products in a fixed order.

Each part of the bench draws from a stream of its own, named, so that one part drawing more does not move another.
"""

_MASK = 0xFFFFFFFF


class Rng:
    """xorshift32 (Marsaglia, Xorshift RNGs, J. Stat. Software 8 (2003) 14), seeded from a number and a name."""

    def __init__(self, seed: int, name: str) -> None:
        # FNV-1a spreads neighbouring seeds over the whole state.
        state = 2166136261
        for byte in (str(seed) + ":" + name).encode():
            state = ((state ^ byte) * 16777619) & _MASK
        self._state = state or 1
        for _ in range(8):
            self.u32()

    def u32(self) -> int:
        """Next number, 1 .. 2**32 - 1."""
        x = self._state
        x ^= (x << 13) & _MASK
        x ^= x >> 17
        x ^= (x << 5) & _MASK
        self._state = x
        return x

    def below(self, n: int) -> int:
        """0 .. n - 1."""
        return (self.u32() * n) >> 32

    def between(self, low: int, high: int) -> int:
        """low .. high, both included."""
        return low + self.below(high - low + 1)

    def chance_ppm(self, ppm: int) -> bool:
        """True in ppm of a million calls."""
        return self.below(1000000) < ppm

    def gauss_milli(self) -> int:
        """Standard normal deviate in thousandths, by the sum of twelve (tails end at 6 sigma)."""
        total = 0
        for _ in range(12):
            total += self.u32() >> 16
        return (total - 393210) * 1000 // 65536

    def lognormal(self, median: int, sigma_milli: int) -> int:
        """Integer around median whose logarithm has standard deviation sigma_milli / 1000."""
        if sigma_milli == 0:
            return median
        return int(median * exp_micro(sigma_milli * self.gauss_milli()) + 1 / 2)

    def exponential(self, mean: int) -> int:
        """Waiting time with this mean, at least 1: -ln(u) by the series of artanh, no libm."""
        u = (self.u32() >> 8) + 1  # 1 .. 2**24
        halvings = 0
        while u < 8388608:
            u <<= 1
            halvings += 1
        # u / 2**24 now in 1/2 .. 1; ln = 2 artanh((u-1)/(u+1))
        z = (u - 16777216) / (u + 16777216)
        square = z * z
        total = 0.0
        power = z
        for k in range(1, 20, 2):
            total += power / k
            power *= square
        ln2 = 693147 / 1000000
        return max(1, int(mean * (halvings * ln2 - 2 * total)))


def exp_micro(x_micro: int) -> float:
    """e to the power of x_micro / 1e6, by Taylor series on a sixteenth of it, squared four times."""
    x = x_micro / 16000000
    term = 1.0
    total = 1.0
    for k in range(1, 12):
        term = term * x / k
        total += term
    for _ in range(4):
        total *= total
    return total
