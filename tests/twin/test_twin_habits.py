"""Habits of the machine that blur its power states, as the channels show them; what observers are wired to."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from lidjig.jig import Jig
from lidjig.link.twin import TwinLink
from twin_bench import bench, jig_on, pass_time, until, until_state
from twin_firmware import printed, program

AWAKE = '[machine]\nstart_state = "S0"\n'
ASLEEP = '[machine]\nstart_state = "S3"\n[operator]\nlid_deg = 0.0\n'
ASLEEP_OPEN = '[machine]\nstart_state = "S3"\n'
QUICK = "[operator]\nreaction_min_s = 0.0\nreaction_max_s = 0.0\nlid_s = 0.1\n"
LIGHT_PERMILLE = 1000.0 / 65535.0
CURRENT_MA = 3300.0 / 65535.0


def habit(name: str, **keys: object) -> str:
    """A table of [machine.parameters]."""
    lines = [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {str(v).lower()}" for k, v in keys.items()]
    return f"[machine.parameters.{name}]\n" + "\n".join(lines) + "\n"


@contextmanager
def on_bench(text: str) -> Iterator[tuple[TwinLink, Jig]]:
    with bench(text) as link, jig_on(link) as jig:
        yield link, jig


def light(jig: Jig, n: int = 32) -> float:
    return jig.measure("light", n).mean_raw * LIGHT_PERMILLE


def current_ma(jig: Jig, n: int = 32) -> float:
    return jig.measure("charger_i", n).mean_raw * CURRENT_MA


def over(jig: Jig, seconds: float, read: Callable[[Jig], float], every_s: float = 0.1) -> list[float]:
    """Readings over so much time."""
    end_s, seen = jig.clock.now_s() + seconds, []
    while jig.clock.now_s() < end_s:
        seen.append(read(jig))
        jig.idle(every_s)
    return seen


def test_without_habits_a_state_looks_as_its_signature_says() -> None:
    with on_bench(ASLEEP) as (_, jig):
        assert max(over(jig, 5.0, light)) < 3.0
        assert statistics.fmean(over(jig, 5.0, current_ma)) == pytest.approx(130.0, abs=3.0)


def test_charging_is_far_above_the_sleep_current_and_tapers() -> None:
    charging = habit("charging", ma=1500.0, constant_s=10.0, taper_s=20.0)
    with on_bench(ASLEEP + charging) as (link, jig):
        assert current_ma(jig) == pytest.approx(1630.0, abs=15.0)
        pass_time(link, 30.0 - link.clock.now_s())
        # constant for 10 s, then 1500 mA exp(-20 s / 20 s) = 551.8 mA by hand, over the 130 mA of sleep
        assert current_ma(jig) == pytest.approx(681.8, abs=15.0)
        pass_time(link, 75.0 - link.clock.now_s())
        # below 5 % after 10 s + 20 s ln 20 = 69.9 s it ends
        assert current_ma(jig) == pytest.approx(130.0, abs=5.0)


def test_charging_needs_the_contract_and_waits_without_it() -> None:
    charging = habit("charging", ma=1000.0, constant_s=5.0, taper_s=0.1)
    with on_bench("[machine]\ncharger = false\n" + charging) as (link, jig):
        pass_time(link, 20.0)
        link.tell_operator("connect-charger")
        until(link, lambda state: state["charger_mv"] > 18000)
        for _ in range(8):
            assert link.look()["charger_ua"] == pytest.approx(1_015_000, abs=1)
            pass_time(link, 0.5)
        pass_time(link, 3.0)
        assert link.look()["charger_ua"] == 15_000
        assert current_ma(jig) == pytest.approx(15.0, abs=3.0)


def test_charging_goes_on_through_every_state_up_to_what_the_source_gives() -> None:
    charging = habit("charging", ma=3000.0, constant_s=600.0)
    with on_bench(QUICK + charging) as (link, _):
        assert link.look()["charger_ua"] == 3_015_000
        link.tell_operator("press-power")
        until_state(link, "S0")
        assert link.look()["charger_ua"] == 3_250_000
        link.tell_operator("shut-lid")
        until_state(link, "S3")
        assert link.look()["charger_ua"] == 3_130_000


def test_a_battery_hides_the_supply_current_and_the_tap_clips_what_the_monitor_shows_negative(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    battery = habit("battery", share_percent=100, offset_ma=-20.0)
    meter = "[[machine.parameters.meter]]\nnumber = 1\naddress = 0x40\nshunt_mohm = 10.0\n"
    quiet = "[machine.parameters.sign.S0]\ncurrent_ripple_ma = 0.0\n"
    for text in (AWAKE, ASLEEP):
        with on_bench(text + battery) as (link, jig):
            assert link.look()["charger_ua"] == -20_000
            assert current_ma(jig) < 10.0
    body = """
from machine import I2C
i2c = I2C(1, scl=Pin(7), sda=Pin(6))
time.sleep_ms(10)
raw = int.from_bytes(i2c.readfrom_mem(0x40, 1, 2), "big")
say(raw - 65536 if raw & 0x8000 else raw)
console.wait(-1)
"""
    with program(body, tmp_path, monkeypatch, scenario=AWAKE + battery + quiet + meter) as link:
        # -20 mA in 10 mohm are -200 uV, -80 steps of 2.5 uV; offset 2.5 uV; its own noise 1 step rms
        assert int(printed(link)[0]) == pytest.approx(-79, abs=5)
        assert link.look()["charger_ua"] == -20_000


def test_screen_dims_after_its_time_and_wakes_bright() -> None:
    screen = habit("screen", dim_after_s=5.0, dim_percent=20, dim_less_ma=150.0)
    with on_bench(QUICK + AWAKE + screen) as (link, jig):
        pass_time(link, 4.5 - link.clock.now_s())
        assert light(jig) == pytest.approx(600.0, abs=5.0)
        pass_time(link, 1.0)
        assert light(jig) == pytest.approx(120.0, abs=5.0)
        assert link.look()["charger_ua"] == 750_000
        link.tell_operator("shut-lid")
        until_state(link, "S3")
        assert light(jig) < 3.0
        link.tell_operator("open-lid")
        until_state(link, "S0")
        assert light(jig) == pytest.approx(600.0, abs=5.0)
        assert link.look()["charger_ua"] == 900_000
        pass_time(link, 5.5)
        assert light(jig) == pytest.approx(120.0, abs=5.0)


def test_external_display_keeps_it_awake_with_its_own_screen_off() -> None:
    text = QUICK + AWAKE + habit("external_display", connected=True, less_ma=220.0)
    text += habit("wired", observer_3="backlight")
    with on_bench(text) as (link, jig):
        assert link.look()["observers"] == [1, 1, 1, 0]
        for _ in range(2):
            link.tell_operator("shut-lid")
            pass_time(link, 10.0)
            state = link.look()
            assert state["shut"] and state["state"] == "S0" and state["sleeps"] == 0
            assert state["observers"] == [1, 1, 0, 0] and state["charger_ua"] == 680_000
            assert light(jig) < 3.0
            link.tell_operator("open-lid")
            pass_time(link, 3.0)
            assert light(jig) == pytest.approx(600.0, abs=5.0)
            assert link.look()["observers"] == [1, 1, 1, 0] and link.look()["charger_ua"] == 900_000


def test_power_light_blinks_only_while_asleep() -> None:
    blink = habit("power_light", period_ms=2000.0, on_ms=500.0, light_permille=80)
    with on_bench(QUICK + ASLEEP_OPEN + blink) as (link, jig):
        link.tell_operator("shut-lid")
        seen = over(jig, 20.0, lambda j: light(j, 4), every_s=0.046)
        high = [value for value in seen if value > 40.0]
        assert statistics.fmean(high) == pytest.approx(80.0, abs=3.0)
        assert len(high) / len(seen) == pytest.approx(0.25, abs=0.03)
        rises = sum(b > 40.0 >= a for a, b in zip(seen, seen[1:], strict=False))
        assert 9 <= rises <= 11
        link.tell_operator("open-lid")
        until_state(link, "S0")
        assert max(over(jig, 4.0, light)) < 620.0
        link.tell_operator("force-off")
        until_state(link, "S5")
        assert max(over(jig, 4.0, light)) < 3.0


def test_background_work_comes_in_bursts_with_slp_s3_high() -> None:
    work = habit("background", period_s=4.0, on_ms=1000.0, ma=500.0, s0ix=True)
    with on_bench(ASLEEP + work) as (link, jig):
        assert link.look()["observers"][:2] == [1, 1]
        seen = over(jig, 60.0, lambda j: current_ma(j, 4), every_s=0.096)
        bursts = sum(b > 400.0 >= a for a, b in zip(seen, seen[1:], strict=False))
        # the wait between bursts is 4 s, a burst 1 s: 12 in 60 s
        assert 10 <= bursts <= 14
        assert {round(value / 50.0) for value in seen} >= {round(130 / 50), round(630 / 50)}
        link.tell_operator("force-off")
        until_state(link, "S5")
        assert max(over(jig, 10.0, current_ma)) < 30.0


def test_drift_goes_up_and_down_in_both_channels() -> None:
    drift = habit("drift", light_permille=50.0, current_ma=40.0, period_s=20.0)
    with on_bench(AWAKE + drift) as (_, jig):
        for read, middle, swing in ((light, 600.0, 50.0), (current_ma, 900.0, 40.0)):
            seen = over(jig, 20.0, lambda j, read=read: read(j, 64))  # type: ignore[misc]
            # 25 mA rms, n 64: standard deviation 3.1 mA
            assert min(seen) == pytest.approx(middle - swing, abs=10.0)
            assert max(seen) == pytest.approx(middle + swing, abs=10.0)
            half = len(seen) // 2
            first, second = statistics.fmean(seen[:half]), statistics.fmean(seen[half:])
            assert abs(first - second) > 0.3 * swing  # slow: half a period is no noise


def test_ripple_is_scaled() -> None:
    for percent in (100, 400):
        with on_bench(AWAKE + habit("drift", ripple_percent=percent)) as (_, jig):
            # 25 mA rms; n 256: five standard deviations are 22 %
            measured = jig.measure("charger_i", 256)
            assert measured.sd_raw * CURRENT_MA == pytest.approx(25.0 * percent / 100, rel=0.22)


FAN = habit("fan", pulses_hz=100.0, spin_up_s=2.0, spin_down_s=1.0) + habit("wired", observer_4="tach")
COUNT = """
seen = [0]
def rise(pin):
    seen[0] += 1
Pin(7, Pin.IN).irq(handler=rise, trigger=Pin.IRQ_RISING, hard=True)
for _ in range({times}):
    seen[0] = 0
    time.sleep_ms(500)
    say(seen[0])
console.wait(-1)
"""


def test_fan_spins_up_holds_its_rate_and_stops(vm: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = QUICK + FAN + '[[event]]\nat_s = 1.0\ndo = "press-power"\n[[event]]\nat_s = 8.0\ndo = "shut-lid"\n'
    with program(COUNT.format(times=30), tmp_path, monkeypatch, vm=vm, scenario=text) as link:
        counts = [int(line) for line in printed(link, 16.0)]
    assert counts[:5] == [0] * 5
    began = next(k for k, n in enumerate(counts) if n)
    assert counts[began] < counts[began + 1] < counts[began + 2] < counts[began + 3] < 50
    assert all(48 <= n <= 52 for n in counts[began + 5 : 16])  # 100 a second, even within 1 %
    assert 0 < counts[-10] + counts[-9] + counts[-8] + counts[-11] and counts[-5:] == [0] * 5


def test_fan_of_a_machine_that_has_been_working_runs_at_its_rate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with program(COUNT.format(times=2), tmp_path, monkeypatch, scenario=AWAKE + FAN) as link:
        assert all(48 <= int(line) <= 52 for line in printed(link, 1.1))


def test_a_tach_that_nobody_wired_costs_nothing() -> None:
    def came(text: str) -> object:
        with bench(AWAKE + text) as link:
            return pass_time(link, 2.0), link.look()

    assert came(habit("fan", pulses_hz=100.0)) == came("")


SIGNALS = {"slp_s3": 1, "slp_s4": 1, "backlight": 1, "none": 0}


@pytest.mark.parametrize("signal", SIGNALS)
def test_each_observer_takes_any_signal(signal: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = "time.sleep_ms(10)\nsay([Pin(n, Pin.IN)() for n in (20, 21, 6, 7)])\nconsole.wait(-1)\n"
    for number in (1, 2, 3, 4):
        wired = {f"observer_{k}": "none" for k in (1, 2, 3, 4)} | {f"observer_{number}": signal}
        folder = tmp_path / str(number)
        with program(body, folder, monkeypatch, scenario=AWAKE + habit("wired", **wired)) as link:
            levels = [0, 0, 0, 0]
            levels[number - 1] = SIGNALS[signal]
            assert printed(link, 0.2) == [str(levels)]


def test_a_bench_without_charger_taps_reads_nothing_there() -> None:
    with on_bench(AWAKE + habit("wired", charger_taps=False)) as (link, jig):
        assert link.look()["charger_ua"] == 900_000
        assert current_ma(jig) < 3.0
        assert jig.measure("charger_v", 32).mean_raw * 36300.0 / 65535.0 < 40.0
