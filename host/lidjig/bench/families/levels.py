"""What the families have in common whose output is a voltage in proportion to the supply.

A share is a voltage divided by the supply that was measured together with it: 0..1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lidjig.bench.families.base import Limits, Volts
from lidjig.errors import BadInput

CLK_SYS_HZ = 125_000_000  # MicroPython docs, rp2 quick reference: RP2040; RP2350 is faster
# MicroPython ports/rp2/machine_pwm.c: TOP is at most 65534, so that a period has at most so many steps.
PWM_STEPS_MAX = 65535
# Both stages of the filter behind the jig's line driver (device/WIRING.md, analog module).
FILTER_OHM, FILTER_F = 3600.0, 220e-9
PWM_HZ_DEFAULT = 20_000  # 6250 steps a period: 12 bits in 80 % of them, and as fast as leaves that

READ_N = 32  # readings of a real sensor's voltage, one a millisecond: their mean is one reading of the angle
SUPPLY_PRESENT_V = 1.0  # no profile has a supply below it
BELIEVABLE_V = 100.0  # beyond it no voltage of a sensor, but rubbish from whatever converted it


@dataclass(frozen=True)
class Level:
    """A voltage over a window: mean and standard deviation in V, how many samples, and when the last one was taken."""

    mean_v: float
    noise_v: float
    n: int
    t_us: float


def level_of(volts: Volts | None) -> Level | None:
    """Mean over the whole window; samples that are no number are left out. None where none is left."""
    if volts is None:
        return None
    n = min(volts.t_us.size, volts.v.size)
    t_us, v = volts.t_us.ravel()[:n], volts.v.ravel()[:n]
    usable = np.isfinite(t_us) & (np.abs(v) <= BELIEVABLE_V)
    count = int(np.count_nonzero(usable))
    if not count:
        return None
    v = v[usable]
    noise_v = float(np.std(v, ddof=1)) if count > 1 else 0.0
    return Level(float(np.mean(v)), noise_v, count, float(np.max(t_us[usable])))


def supply_present(supply_v: float) -> bool:
    """Whether a supply was measured that an output can be in proportion to. False for what is no number."""
    return SUPPLY_PRESENT_V <= supply_v <= BELIEVABLE_V


def permyriad(percent: float) -> int:
    """Percent as the board's records have it, in 1/10000."""
    return round(percent * 100.0)


def pwm_steps(pwm_hz: int) -> float:
    """Steps of duty that one period has on the slower of the boards."""
    return min(CLK_SYS_HZ / pwm_hz, PWM_STEPS_MAX)


def check_pwm(pwm_hz: int, share: float, steps_wanted: float, why: str, limits: Limits) -> None:
    """share: the part of the supply that the format uses; steps_wanted: duties that it must hold. Raises BadInput."""
    if pwm_steps(pwm_hz) * share < steps_wanted:
        highest = int(CLK_SYS_HZ * share / steps_wanted)
        accepted = f"at most {highest}: a period has 125 MHz / pwm_hz steps, and {why}"
        if PWM_STEPS_MAX * share < steps_wanted:
            accepted = f"no PWM with these levels: a period has at most {PWM_STEPS_MAX} steps, and {why}"
        raise BadInput(limits.file, "encoding.pwm_hz", pwm_hz, accepted)
    if pwm_hz < limits.update_hz:
        accepted = f"at least timing.update_hz = {limits.update_hz:g}: an output changes once in a period"
        raise BadInput(limits.file, "encoding.pwm_hz", pwm_hz, accepted)


def check_in_supply(key: str, percent: float, limits: Limits) -> None:
    """Raises BadInput for a level that no output on this supply can have."""
    if not 0.0 <= percent <= 100.0:
        accepted = "0..100, in percent of the supply: an output cannot leave the supply that it stands on"
        raise BadInput(limits.file, key, percent, accepted)
