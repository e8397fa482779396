"""Power monitors and pulses in units: scale, budget, bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from lidjig.bench import load_machine
from lidjig.bench.observers import Scale, scale
from lidjig.measure import adc, monitor, power
from lidjig.measure.estimate import Estimate

from shared_proto import names

# TI SBOS547 p.15-16: 2 mohm, Current_LSB 1 mA
EXAMPLE = Scale("mA", 1.0, 32768), 0.002
# 10 mohm, calibration 3355: step 0.00512 / (3355 * 10 mohm)
DOGWOOD = Scale("mA", 1000.0 * 0.00512 / (3355 * 0.01), 32768), 0.01


def budget(of: tuple[Scale, float], mean_raw: float, sd_raw: float, n: int) -> adc.Budget:
    """Of the current of a monitor: its scale, and its shunt in ohm."""
    return monitor.budget("meter_1_i", of[0], mean_raw, sd_raw, n, of[1])


def current(of: tuple[Scale, float], mean_raw: float, sd_raw: float, n: int) -> Estimate:
    return monitor.to_unit("meter_1_i", of[0], mean_raw, sd_raw, n, of[1])


def test_figures_are_the_protocols() -> None:
    assert power.METER_OK == names.METER_OK
    assert [*power.METER_CHANNELS[0], *power.METER_CHANNELS[1]] == list(names.CHANNELS[10:14])
    known = {*adc.GAIN_HALF_PART, *monitor.METERS_V, *monitor.METERS_I, monitor.PULSES}
    assert known == set(names.CHANNELS)
    (meter,) = load_machine("dogwood-14")[0].meter
    assert scale("meter_1_i", meter).per_raw == pytest.approx(DOGWOOD[0].per_raw)
    assert (scale("meter_1_i", meter).offset, meter.shunt_ohm) == (DOGWOOD[0].offset, DOGWOOD[1])


def test_the_data_sheets_worked_example() -> None:
    # TI SBOS547 p.15-16: current register 10000 is 10 A, bus register 9584 is 11.98 V
    assert current(EXAMPLE, 32768 + 10000, 0.0, 16).value == pytest.approx(10_000.0)
    assert monitor.to_unit("meter_1_v", scale("meter_1_v"), 9584, 0.0, 16).value == pytest.approx(11_980.0)


def test_budget_has_the_data_sheets_limits() -> None:
    # INA226 electrical characteristics: shunt offset 10 uV, bus offset 7.5 mV, gain 0.1 %: values from memory.
    # 10 uV over 10 mohm is 1 mA; a uniform error of that half-width has 1 / sqrt(3) mA (JCGM 100:2008, 4.3.7).
    idle = budget(DOGWOOD, 32768.0, 0.0, 64)
    assert idle.offset == pytest.approx(1.0 / math.sqrt(3.0)) and idle.gain == 0.0
    # One step of the shunt input, 2.5 uV (SBOS547 p.15), is 0.25 mA here: coarser than the register's 0.153 mA.
    assert idle.quantisation == pytest.approx(0.25 / math.sqrt(12.0))
    bus = monitor.budget("meter_1_v", scale("meter_1_v"), 16000.0, 0.0, 64)
    assert bus.value == pytest.approx(20_000.0)
    assert bus.offset == pytest.approx(7.5 / math.sqrt(3.0)) and bus.gain == pytest.approx(20.0 / math.sqrt(3.0))
    # The converter of the board has no part in it.
    assert bus.converter == bus.reference == idle.converter == 0.0


def test_a_coarse_register_step_rules_over_the_shunts() -> None:
    # 2 mohm: 2.5 uV are 1.25 mA, the register's step is 1 mA; 100 mohm with 1 mA: 0.025 mA against 1 mA.
    assert budget(EXAMPLE, 40000.0, 0.0, 1).quantisation == pytest.approx(1.25 / math.sqrt(12.0))
    coarse = budget((EXAMPLE[0], 0.1), 40000.0, 0.0, 1)
    assert coarse.quantisation == pytest.approx(1.0 / math.sqrt(12.0))


def test_interval_covers_simulated_monitors() -> None:
    """Monte Carlo in the manner of JCGM 101: a part within its data sheet's limits, registers as SBOS547 p.15 says."""
    rng = np.random.default_rng(5)
    hits, trials = 0, 3000
    for _ in range(trials):
        true_ma = rng.uniform(-200.0, 4000.0)
        shunt_ohm = 0.01 * (1 + rng.uniform(-1, 1) * monitor.SHUNT_HALF_PART)
        mv = true_ma * shunt_ohm * (1 + rng.uniform(-1, 1) * 0.001) + rng.uniform(-1, 1) * 0.010
        steps = np.round((mv + rng.normal(0.0, 0.005, 16)) / 0.0025)
        raw = np.trunc(steps * 3355 / 2048) + 32768
        found = current(DOGWOOD, float(raw.mean()), float(raw.std(ddof=1)), 16)
        assert found.low is not None and found.high is not None
        hits += found.low <= true_ma <= found.high
    # 95 % wanted; rectangular parts make it a little more.
    assert 0.94 <= hits / trials <= 1.0


def test_a_current_may_run_backwards() -> None:
    found = current(DOGWOOD, 32768.0 - 1000.0, 2.0, 64)
    assert found.value == pytest.approx(-152.6, abs=0.1) and found.low is not None and found.low < found.value


@pytest.mark.parametrize(
    ("channel", "raw", "bound"),
    [
        ("meter_1_i", 65535.0, "at least"),
        ("meter_1_i", 0.0, "at most"),
        ("meter_1_v", 32767.0, "at least"),  # 15 bits (SBOS547, bus voltage register)
        ("pulses", 255.0, "at least"),
    ],
)
def test_ends_of_the_range_are_only_bounds(channel: str, raw: float, bound: str) -> None:
    of = DOGWOOD[0] if channel == "meter_1_i" else scale(channel)
    found = monitor.to_unit(channel, of, raw, 0.0, 64, DOGWOOD[1])
    assert found.bound == bound


def test_pulses_are_counts_in_a_window() -> None:
    found = monitor.to_unit("pulses", scale("pulses"), 4.0, 0.0, 64)
    assert found.value == pytest.approx(40.0) and found.unit == "Hz"
    # Any rate between 3 and 5 edges in 100 ms may read 4: the interval must reach well into both.
    assert found.low is not None and found.high is not None and found.low <= 34.0 and found.high >= 46.0
    rng = np.random.default_rng(2)
    for _ in range(300):
        rate_hz = rng.uniform(5.0, 400.0)
        phase = rng.uniform()
        count = math.floor(rate_hz * 0.1 + phase)  # edges of an even train in 100 ms
        budget = monitor.budget("pulses", scale("pulses"), float(count), 0.0, 1)
        assert abs(budget.value - rate_hz) <= math.sqrt(6.0) * budget.quantisation + 1e-9
    still = monitor.to_unit("pulses", scale("pulses"), 0.0, 0.0, 8)
    assert (still.value, still.low) == (0.0, 0.0) and still.high is not None and still.high > 5.0


def test_channels_of_the_converter_go_on_to_it() -> None:
    supply, light = ("supply", scale("supply"), 30000.0, 5.0, 64), ("light", scale("light"), 30000.0, 5.0, 64)
    assert monitor.to_unit(*supply) == adc.to_unit(*supply)
    assert monitor.budget(*light) == adc.budget(*light)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="accepted"):
        monitor.to_unit("meter_1_v", scale("meter_1_v"), 70000.0, 0.0, 1)
    with pytest.raises(ValueError, match="accepted"):
        monitor.to_unit("pulses", scale("pulses"), 1.0, math.nan, 1)
    for channel in ("meter_1_i", "tachometer"):
        with pytest.raises(KeyError):
            monitor.to_unit(channel, DOGWOOD[0], 40000.0, 0.0, 1)
