"""Sine and cosine, whole: profile, firmware, two PWMs and filters, lines, the machine's converters, and the decoder of
the host. The ripple is computed and stands in the limits (test_family_analog.py).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from family_bench import Standing, error_deg, last_good, standing_in, up_and_down
from lidjig.bench.families.base import STRONG, Reading
from lidjig.errors import Refused
from lidjig.jig_types import Lock, Reason
from lidjig.measure.rc_filter import RcFilter, modes, ripple_part
from lidjig.twin.vm.rc_stages import FILTER_F, FILTER_OHM, SOURCE_OHM
from real_sensor import dead_stays_off_and_none_stays_awake, sleeps_and_wakes

BENCH = "healthy-maple-14"
CODES = 4096
RESOLUTION_DEG = 360.0 / CODES
AMPLITUDE = 0.4
PARTS = RcFilter((FILTER_OHM, FILTER_OHM), (FILTER_F, FILTER_F), source_ohm=SOURCE_OHM)
PWM_HZ = 24419
SETTLE_S = 0.08


def uncertainty_deg() -> float:
    """Load (20 ohm against 220 kohm), ripple, settling and half a clock, each on both lines, as an angle."""
    settling = 2.0 * math.exp(-min(modes(PARTS).rate) * SETTLE_S)
    share = 20.0 / 220e3 + ripple_part(PARTS, PWM_HZ) / 4.0 + settling + 0.5 * PWM_HZ / 125e6
    return math.degrees(math.sqrt(2.0) * share / AMPLITUDE)


def read(bench: Standing) -> list[Reading]:
    return bench.sensor.coded().decode(bench.volts("sin", "cos"))


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against decoded, 0 to 180 deg and back: within one step of 4096 and what is stated beside it."""
    errors = []
    with standing_in(BENCH, vm=vm) as bench:
        for angle_deg in up_and_down():
            bench.to(angle_deg, SETTLE_S)
            errors.append(error_deg(bench.sensor, last_good(read(bench)), angle_deg))
        assert bench.sensor.curve().lsb_deg(CODES) == pytest.approx(RESOLUTION_DEG)
    worst, stated = float(np.abs(errors).max()), uncertainty_deg()
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; ", end="")
    print(f"resolution {RESOLUTION_DEG:.4f} deg, stated beside it {stated:.4f} deg")
    assert stated < 0.5 * RESOLUTION_DEG
    assert worst <= RESOLUTION_DEG + stated


CROOKED = "offset_sin_percent = 52.0\noffset_cos_percent = 49.0\ncos_gain = 0.9\nphase_deg = -3.0\n"


def crooked(text: str) -> str:
    return text.replace("amplitude_percent = 40.0\n", "amplitude_percent = 40.0\n" + CROOKED)


def crooked_and_left(text: str) -> str:
    return crooked(text).replace("cos_gain", "corrected = false\ncos_gain")


def test_imperfections_go_out_and_come_back() -> None:
    """Offset, imbalance and phase (TI SBAA539A) are on the lines; a decoder that knows them finds the angle; one that
    does not is off.
    """
    with standing_in(BENCH, vm="cpython", change=crooked) as bench:
        for angle_deg in (0.0, 33.3, 70.0, 110.0, 179.9):
            bench.to(angle_deg, SETTLE_S)
            seen = bench.volts("sin", "cos")
            reading = last_good(bench.sensor.coded().decode(seen))
            assert abs(error_deg(bench.sensor, reading, angle_deg)) <= RESOLUTION_DEG + 1.2 * uncertainty_deg()
            field = math.radians(angle_deg + 20.0)
            sin = 0.52 + 0.4 * math.sin(field)
            cos = 0.49 + 0.36 * math.cos(field + math.radians(3.0))
            for name, wanted in (("sin", sin), ("cos", cos)):
                assert float(seen.volts[name].v[0]) / seen.supply_v == pytest.approx(wanted, abs=8e-4)
    with standing_in(BENCH, vm="cpython", change=crooked_and_left) as bench:
        errors = []
        for angle_deg in (0.0, 33.3, 70.0, 110.0, 179.9):
            bench.to(angle_deg, SETTLE_S)
            errors.append(error_deg(bench.sensor, last_good(read(bench)), angle_deg))
    assert max(abs(error) for error in errors) > 2.0


def test_levels_instead_of_an_angle(vm: str) -> None:
    with standing_in(BENCH, vm=vm) as bench:
        jig = bench.jig
        for state, at in (("low", 0.0), ("high", 1.0)):
            jig.drive(1, state)
            jig.idle(SETTLE_S)
            seen = bench.volts("sin", "cos")
            for name in ("sin", "cos"):
                assert float(seen.volts[name].v[0]) / seen.supply_v == pytest.approx(at, abs=1e-3)
            (reading,) = bench.sensor.coded().decode(seen)
            assert reading.fault == STRONG  # no circle of this sensor goes through a corner
        jig.drive(1, "released")
        jig.idle(SETTLE_S)
        assert bench.link.look()["pins"][3] == bench.link.look()["pins"][5] == 0
        jig.drive(1, "follow")
        bench.to(45.0, SETTLE_S)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 45.0)) <= 2.0 * RESOLUTION_DEG


def scenario(folder: Path, name: str, text: str) -> str:
    path = folder / f"{name}.toml"
    path.write_text('[machine]\nmodel = "maple-14"\n' + text, encoding="utf-8")
    return str(path)


def test_the_rail_does_not_matter(tmp_path: Path) -> None:
    codes = set()
    for rail in (3.1, 3.5):
        event = f'[[event]]\nat_s = 3.5\ndo = "set-rail"\nvolts = {rail}\n'
        with standing_in(scenario(tmp_path, f"rail-{rail}", event), vm="cpython") as bench:
            bench.to(60.0, 1.0)
            assert bench.jig.lock is Lock.ARMED
            codes.add(last_good(read(bench)).code)
    assert len(codes) == 1


def test_lets_go_at_once(vm: str, tmp_path: Path) -> None:
    """Disarmed: both switches open, and only pull-ups and dividers are left."""
    with standing_in(scenario(tmp_path, "none", "[jig]\nsensor_fitted = false\n"), vm=vm) as bench:
        bench.to(10.0, SETTLE_S)
        bench.jig.disarm()
        assert bench.link.look()["pins"][2:6] == [0, 0, 0, 0]
        bench.jig.idle(0.01)
        found = bench.link.volts()
        # 220 kohm up, two dividers of 2 Mohm down.
        assert [found[k] / found["VB"] for k in ("B1", "B2")] == pytest.approx([1.0 / 1.22] * 2, abs=0.01)
        with pytest.raises(Refused):
            bench.jig.drive(1, "low")  # not in route standin any more


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
def test_a_loss_of_supply_trips(vm: str, tmp_path: Path) -> None:
    event = '[[event]]\nat_s = 3.5\ndo = "set-rail"\nvolts = 0.0\n'
    with standing_in(scenario(tmp_path, "falls", event), vm=vm) as bench:
        bench.jig.move(30.0, 3.0)
        bench.jig.idle(1.5)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.SUPPLY_LOSS
        pins, found = bench.link.look()["pins"], bench.link.volts()
        assert pins[3] == pins[5] == 0
        assert all(abs(found[node]) < 50_000 for node in ("VB", "B1", "B2"))


def test_the_real_sensor() -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    with standing_in(BENCH, vm="cpython") as bench:
        sleeps_and_wakes(bench)
        # The machine measures its own supply, and the sensor has what 6.5 mA leave of it behind wire and contact.
        dropped = math.degrees(math.sqrt(2.0) * 6.5e-3 * (0.2 + 0.1) / 3.3 / AMPLITUDE)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 110.0)) <= RESOLUTION_DEG + dropped


def test_a_dead_sensor_holds_the_machine_and_none_lets_it_start(tmp_path: Path) -> None:
    dead_stays_off_and_none_stays_awake(tmp_path, "maple-14")
