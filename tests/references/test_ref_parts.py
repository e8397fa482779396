"""Shipped profiles against data sheets and standards."""

from __future__ import annotations

import math

import pytest
from lidjig.bench import load_machine, load_sensor, shipped
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput

# TI DRV5032, SLVSDC7, device table: the FC version is omnipolar, open drain, 20 Hz; 1.65-5.5 V; 1.6 uA at 20
# Hz, 3 V.
DRV5032_SUPPLY_V = (1.65, 5.5)
DRV5032_FC_HZ = 20.0
DRV5032_CURRENT_MA = 0.0016
# ABLIC S-5712A/B/C, Rev 5.1: operating cycle typ 50.50 ms (omnipolar), 1.6-3.5 V.
S5712_CYCLE_MS = 50.50
S5712_SUPPLY_V = (1.6, 3.5)


def test_slow_switch_has_the_data_sheets_figures() -> None:
    sensor, text = load_sensor("slow-20")
    assert (sensor.supply.min_v, sensor.supply.max_v) == DRV5032_SUPPLY_V
    assert sensor.timing.update_hz == DRV5032_FC_HZ
    assert [(o.drive, o.active) for o in sensor.output] == [("open-drain", "low")]
    # Worst delay of an edge by sampling at 20 Hz: 50 ms (computed from the data sheet's rate).
    assert sensor.update_us == 50_000
    assert "SLVSDC7" in text


def test_slow_switch_is_typical_of_its_kind() -> None:
    # Another maker's part of the kind: ABLIC S-5712, Rev 5.1, cycle typ 50.50 ms: within 2 % of the
    # profile's.
    sensor, _ = load_sensor("slow-20")
    assert sensor.update_us / 1000.0 == pytest.approx(S5712_CYCLE_MS, rel=0.02)


def test_operate_and_release_points_of_the_demo_sensor() -> None:
    # TI DRV5033-Q1, SLIS164C, front page: FA version BOP +/-3.5 mT, BRP +/-2 mT, open drain.
    sensor, text = load_sensor("hinge-a1")
    assert sensor.magnet is not None and "SLIS164C" in text
    assert (sensor.magnet.operate_mt, sensor.magnet.release_mt) == (3.5, 2.0)
    _angles_follow_from_the_field(sensor)


def test_operate_and_release_points_of_the_slow_switch() -> None:
    # TI DRV5032 FA/FB/FC typical 3 mT, 1.5 mT: value from memory. Maximum BOP 4.8 mT: SLVSDC7, device table.
    sensor, _ = load_sensor("slow-20")
    assert sensor.magnet is not None
    assert (sensor.magnet.operate_mt, sensor.magnet.release_mt) == (3.0, 1.5)
    assert sensor.magnet.shut_mt > 4.8
    _angles_follow_from_the_field(sensor)


def _angles_follow_from_the_field(sensor: SensorProfile) -> None:
    """Field by the cube law at the stated angles, worked by hand from gap and chord (common practice, no
    source).
    """
    magnet = sensor.magnet
    assert magnet is not None
    (output,) = sensor.output
    for angle_deg, field_mt in (
        (output.operate_deg, magnet.operate_mt),
        (output.release_deg, magnet.release_mt),
    ):
        chord_mm = 2 * magnet.radius_mm * math.sin(math.radians(angle_deg / 2))
        distance_mm = math.sqrt(magnet.gap_mm**2 + chord_mm**2)
        assert magnet.shut_mt * (magnet.gap_mm / distance_mm) ** 3 == pytest.approx(field_mt, rel=0.01)
        assert magnet.angle_deg(field_mt) == pytest.approx(angle_deg, abs=0.15)
        assert magnet.field_mt(angle_deg) == pytest.approx(field_mt, rel=0.01)


def test_slow_switchs_current_is_below_what_the_jig_resolves() -> None:
    # One step of the converter behind 47 ohm (WIRING.md): 6600 mV / 4096 / 47 ohm = 0.034 mA, 20 times the
    # current of the part (SLVSDC7). So the profile gives no window that the jig could seem to check.
    sensor, _ = load_sensor("slow-20")
    assert sensor.supply.current_min_ma is None and sensor.supply.current_max_ma is None
    assert DRV5032_CURRENT_MA < 6600.0 / 4096.0 / 47.0 / 20.0


def test_slow_switch_fits_the_machine_it_is_shipped_for() -> None:
    machine, _ = load_machine("cedar-15")
    assert machine.sensor == "slow-20"
    assert machine.supply.nominal_v == 1.8
    # The rail stays inside both parts' windows (SLVSDC7; S-5712 Rev 5.1).
    for low, high in (DRV5032_SUPPLY_V, S5712_SUPPLY_V):
        assert low <= machine.supply.min_v and machine.supply.max_v <= high


def test_charger_contracts_are_fixed_levels() -> None:
    # USB PD fixed levels 5, 9, 15, 20 V (Renesas Engineer School, USB PD table; IEC 62680-1-2)
    for name in shipped("machines"):
        machine, _ = load_machine(name)
        assert machine.charger.contract_v in (5, 9, 15, 20)


def test_charger_window_is_five_percent() -> None:
    # Fixed supply +/- 5 % at the source: 0.95..1.05 of the level (USB PD specification; value from memory)
    machine, _ = load_machine("alder-14")
    assert machine.charger.window_v() == pytest.approx((19.0, 21.0))


def test_first_contract_band_holds_vsafe5v() -> None:
    # vSafe5V 4.75-5.5 V (USB PD specification, second hand); vSafe0V at most 0.8 V (value from memory)
    machine, _ = load_machine("alder-14")
    none, low, high = machine.analog()["charger_v"].thresholds
    half = machine.analog()["charger_v"].hysteresis / 2
    assert 800 < none - half and none + half < 4750
    assert 5500 < low - half
    # 15 V + 5 % and 20 V - 5 % fall on either side of the last threshold.
    assert 15_750 < high - half and high + half < 19_000


def test_a_level_that_is_no_fixed_level_is_refused() -> None:
    from lidjig.bench import parse_machine

    _, text = load_machine("alder-14")
    with pytest.raises(BadInput) as caught:
        parse_machine(text.replace("contract_v = 20", "contract_v = 12"), "mine.toml")
    assert (caught.value.key, caught.value.value) == ("charger.contract_v", 12)
    assert caught.value.accepted == "one of 5, 9, 15, 20"


def test_sleep_signals_by_power_state() -> None:
    # SLP_S3# low in S3, S4, S5; SLP_S4# low in S4, S5 (chipset data sheets; value from memory)
    for name in ("alder-14", "cedar-15"):
        machine, _ = load_machine(name)
        assert machine.observers.observer_1 is not None and machine.observers.observer_1.signal == "SLP_S3#"
        assert machine.observers.observer_2 is not None and machine.observers.observer_2.signal == "SLP_S4#"
        shown = {state: (s["observer_1"], s["observer_2"]) for state, s in machine.signatures().items()}
        assert shown["S0"] == (frozenset({1}), frozenset({1}))
        assert shown["S3"] == (frozenset({0}), frozenset({1}))
        assert shown["S5"] == (frozenset({0}), frozenset({0}))
