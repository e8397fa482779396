"""Pulse width modulation through one or two RC stages: ripple, settling and frequency response, all exact.

    source --- Rs --- R1 --+--- R2 --+--- output, load RL to ground
                           C1        C2

The second stage loads the first, so its poles are not those of the stages alone. With u the source's level, v1 and v2
the voltages of the capacitors and R1' = Rs + R1, Kirchhoff's current law at both nodes:

    C1 v1' = (u - v1) / R1' - (v1 - v2) / R2
    C2 v2' = (v1 - v2) / R2 - v2 / RL

The rates k of such a chain are real, positive and different: the matrix is made symmetric by scaling each voltage with
the root of its capacitance, and its off-diagonal element is not 0. So the step response is

    y(t) = gain (1 - sum(a_i exp(-k_i t))),   sum(a_i) = 1

as if first-order filters with the rates k_i were added with the weights a_i. Each of these has a periodic steady state
in closed form, and so has their sum. A pull to another fixed level than ground adds a constant and changes no time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class RcFilter:
    """Stages from the source to the output. r_ohm, c_f: one or two values each, in ohm and farad; source_ohm: of what
    drives the first stage; load_ohm: from the output to ground, math.inf for none.

    Raises ValueError for another number of stages and for values that no part has.
    """

    r_ohm: tuple[float, ...]
    c_f: tuple[float, ...]
    source_ohm: float = 0.0
    load_ohm: float = math.inf

    def __post_init__(self) -> None:
        if len(self.r_ohm) not in (1, 2) or len(self.c_f) != len(self.r_ohm):
            raise ValueError(f"{len(self.r_ohm)} resistors, {len(self.c_f)} capacitors: accepted one or two of each")
        parts = (*self.r_ohm, *self.c_f)
        if not all(0.0 < part < math.inf for part in parts) or not 0.0 <= self.source_ohm < math.inf:
            raise ValueError(f"R {self.r_ohm} ohm, C {self.c_f} F, source {self.source_ohm} ohm: accepted above 0")
        if not self.load_ohm > 0.0:
            raise ValueError(f"load {self.load_ohm} ohm: accepted above 0")

    @property
    def poles(self) -> int:
        return len(self.r_ohm)

    @property
    def gain(self) -> float:
        """Part of the source's level that arrives at rest: the load divides it by all resistors before it."""
        if math.isinf(self.load_ohm):
            return 1.0
        return self.load_ohm / (self.output_ohm + self.load_ohm)

    @property
    def output_ohm(self) -> float:
        """Resistance that the load looks into at rest."""
        return self.source_ohm + sum(self.r_ohm)


@dataclass(frozen=True)
class Modes:
    """The step response: rate (n,) in 1/s, slowest first, and weight (n,), with the sum 1."""

    rate: tuple[float, ...]
    weight: tuple[float, ...]


def modes(circuit: RcFilter) -> Modes:
    """Rates and weights of the step response, see the module."""
    load = 0.0 if math.isinf(circuit.load_ohm) else 1.0 / circuit.load_ohm
    feed = 1.0 / (circuit.source_ohm + circuit.r_ohm[0])
    if circuit.poles == 1:
        return Modes(((feed + load) / circuit.c_f[0],), (1.0,))
    (c1, c2), link = circuit.c_f, 1.0 / circuit.r_ohm[1]
    first, second = (feed + link) / c1, (link + load) / c2
    # Of s^2 + (first + second) s + product. The slow rate is taken from the product: a difference would lose digits.
    product = (feed * link + feed * load + link * load) / (c1 * c2)
    fast = 0.5 * (first + second + math.sqrt((first - second) ** 2 + 4.0 * link * link / (c1 * c2)))
    slow = product / fast
    return Modes((slow, fast), (fast / (fast - slow), -slow / (fast - slow)))


def ripple_one_pole(tau_s: float, period_s: float, duty: float = 0.5) -> float:
    """Ripple of a first-order filter, peak to peak, as part of the source's swing.

    (1 - e^(-DT/tau)) (1 - e^(-(1-D)T/tau)) / (1 - e^(-T/tau)), from the charge taken and given back in one period; for
    tau much longer than T this is D (1-D) T / tau.
    """
    up, down = -math.expm1(-duty * period_s / tau_s), -math.expm1(-(1.0 - duty) * period_s / tau_s)
    return up * down / -math.expm1(-period_s / tau_s)


def ripple_part(circuit: RcFilter, pwm_hz: float, duty: float = 0.5) -> float:
    """Ripple at the output in the periodic steady state, peak to peak, as part of the output's full range.

    duty: 0..1; half, the default, has the most. Raises ValueError for a frequency or duty that cannot be.
    """
    _check(pwm_hz, duty)
    period_s = 1.0 / pwm_hz
    found = modes(circuit)
    if circuit.poles == 1:
        return ripple_one_pole(1.0 / found.rate[0], period_s, duty)
    on_s, off_s = duty * period_s, (1.0 - duty) * period_s
    whole = [-math.expm1(-k * period_s) for k in found.rate]
    # Weighted distance of each part from where it is heading, at the start of the on time (to 1) and of the off time
    # (to 0).
    rising = [a * -math.expm1(-k * off_s) / w for a, k, w in zip(found.weight, found.rate, whole, strict=True)]
    falling = [a * -math.expm1(-k * on_s) / w for a, k, w in zip(found.weight, found.rate, whole, strict=True)]
    lowest = 1.0 - _peak(rising, found.rate, on_s)
    return _peak(falling, found.rate, off_s) - lowest


def _peak(part: list[float], rate: tuple[float, ...], until_s: float) -> float:
    """Greatest value of sum(part_i exp(-rate_i t)), two parts, for t from 0 to until_s.

    The output goes on for a while in its old direction after the source has switched: the turn is where the
    derivative is 0, which is at one time at most.
    """
    (slow, fast), (slow_rate, fast_rate) = part, rate
    times = [0.0, until_s]
    ratio = -(fast * fast_rate) / (slow * slow_rate) if slow != 0.0 else 0.0
    if ratio > 0.0:
        times.append(min(max(math.log(ratio) / (fast_rate - slow_rate), 0.0), until_s))
    return max(slow * math.exp(-slow_rate * t) + fast * math.exp(-fast_rate * t) for t in times)


def settling_s(circuit: RcFilter, bits: int) -> float:
    """Seconds from a step over the full range until the mean output is within half an LSB of `bits` bits of its end.

    One pole: tau ln 2^(bits + 1). Raises ValueError below one bit.
    """
    if bits < 1:
        raise ValueError(f"{bits} bits: accepted 1 or more")
    found = modes(circuit)
    rest = 0.5 ** (bits + 1)
    begin = -math.log(rest) / found.rate[0]
    if circuit.poles == 1:
        return begin

    def left(t_s: float) -> float:
        return sum(a * math.exp(-k * t_s) for a, k in zip(found.weight, found.rate, strict=True))

    # The slow part alone bounds the time from above (the fast one is negative), with its weight taken as 1 from below.
    end = begin + math.log(found.weight[0]) / found.rate[0]
    return _turn(lambda t_s: left(t_s) > rest, begin, end)


def attenuation_db(circuit: RcFilter, hz: float) -> float:
    """How much less of a sine of this frequency comes through than of a steady level, in dB."""
    return sum(10.0 * math.log10(1.0 + (2.0 * math.pi * hz / k) ** 2) for k in modes(circuit).rate)


def cutoff_hz(circuit: RcFilter) -> float:
    """Frequency at which half the power is left (3.01 dB), from (1 + w^2/k1^2) (1 + w^2/k2^2) = 2."""
    rate = modes(circuit).rate
    if circuit.poles == 1:
        return rate[0] / (2.0 * math.pi)
    both, total = (rate[0] * rate[1]) ** 2, rate[0] ** 2 + rate[1] ** 2
    square = 2.0 * both / (total + math.sqrt(total * total + 4.0 * both))
    return math.sqrt(square) / (2.0 * math.pi)


def _turn(below: Callable[[float], bool], low: float, high: float) -> float:
    """Where below() turns from true to false between low and high, to the last digits of a float (by halving)."""
    for _ in range(100):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        low, high = (middle, high) if below(middle) else (low, middle)
    return high


def _check(pwm_hz: float, duty: float) -> None:
    if not 0.0 < pwm_hz < math.inf or not 0.0 <= duty <= 1.0:
        raise ValueError(f"{pwm_hz} Hz, duty {duty}: accepted a frequency above 0 and a duty of 0 to 1")
