"""A switch, whole: points in mT, the profile's angles, firmware, line; how late a part is that sleeps between looks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from family_bench import Standing, standing_in
from lidjig.bench.profiles import load_sensor

# (bench, period between two looks in us): TI DRV5032, SLVSDC7, device table: 20 Hz; ABLIC S-5712, Rev 5.1/5.2: cycle of
# 50.85 ms typical of the one-pole parts. An edge comes up to one period late (computed).
SAMPLED = {"slow-20": 50_000, "hinge-b3": 50_850, "hinge-a1": 5_000}
TICK_US = 1_000
POLL_US = 1_000


def bench_with(sensor: str, tmp_path: Any) -> str:
    """Without a real sensor on the hinge, so that the line is the jig's alone."""
    model = "alder-14" if sensor == "hinge-a1" else "cedar-15"
    path = tmp_path / "bench.toml"
    text = f'[machine]\nmodel = "{model}"\n[sensor]\nprofile = "{sensor}"\n[jig]\nsensor_fitted = false\n'
    path.write_text(text, encoding="utf-8")
    return str(path)


def low(bench: Standing) -> bool:
    found = bench.link.look()
    return 2 * int(found["B1"]) < int(found["VB"])


def late_us(bench: Standing, angle_deg: float, operated: bool) -> int:
    """From the angle's jump to the line's change at the machine, in steps of the poll."""
    before = bench.jig.status().t_us
    bench.jig.move(angle_deg, 0.0)
    for _ in range(200):
        if low(bench) == operated:
            return int(bench.link.look()["t_us"]) - before
        bench.jig.idle(1e-6 * POLL_US)
    raise AssertionError("the line never changed")


@pytest.mark.parametrize("sensor", SAMPLED)
def test_answers_as_late_as_its_sampling(sensor: str, vm: str, tmp_path: Any) -> None:
    """Jumps at many phases of the sensor's beat: spread over one period, and never beyond it."""
    period_us = SAMPLED[sensor]
    found = []
    with standing_in(bench_with(sensor, tmp_path), vm=vm) as bench:
        assert bench.sensor.update_us == pytest.approx(period_us, rel=1e-4)
        bench.to(100.0, 0.2)
        for n in range(24):
            bench.jig.idle(0.2 + 0.0073 * n)
            found.append(late_us(bench, 0.0 if n % 2 == 0 else 100.0, n % 2 == 0))
    print(f"{sensor}: {min(found)} to {max(found)} us late, one look every {period_us} us")
    # Beside a period: the tick in which the jump is carried out, the nearest tick to the beat, and the poll.
    assert max(found) <= period_us + 3 * TICK_US + POLL_US, found
    if period_us > 10 * TICK_US:
        assert max(found) > 0.7 * period_us and min(found) < 0.3 * period_us, found


@pytest.mark.parametrize("bench_name", ["hinge-b3"])
def test_the_line_switches_where_the_field_passes_the_points(bench_name: str, vm: str, tmp_path: Any) -> None:
    """By hand from the profile's table: 3.0 mT lies halfway between 8 and 12 deg (3.6 and 2.4 mT), 2.2 mT a quarter of
    the way from 12 to 16 deg (2.4 and 1.6 mT): 10 and 13 deg.
    """
    with standing_in(bench_with(bench_name, tmp_path), vm=vm) as bench:
        for angle_deg, operated in (
            (100.0, False), (10.2, False), (9.8, True), (12.8, True), (13.2, False), (11.0, False), (0.0, True),
        ):  # fmt: skip
            bench.to(angle_deg, 0.12)
            assert low(bench) == operated, angle_deg


def test_a_magnet_turned_over_is_seen_as_a_switch_that_stays_open(run: Callable[..., Any]) -> None:
    ran = run("isolate", "--link", "twin:sensor-magnet-turned-over", "--json")
    assert (ran.status, ran.first) == (1, ("sensor", "stuck-open")), ran.out
    # What costs nothing comes before the new part.
    todo = ran.json["findings"][0]["next"]
    assert 0 < todo.index("turned over: this sensor sees the south pole alone") < todo.index("replace the sensor")


def test_an_omnipolar_part_does_not_care(run: Callable[..., Any], tmp_path: Any) -> None:
    """The same field and points, either pole: nothing is found (TI DRV5033 data sheet: |B| above the point)."""
    text = load_sensor("hinge-b3")[1]
    (tmp_path / "any.toml").write_text(text.replace('pole = "south"', 'pole = "any"'), encoding="utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(
        '[machine]\nmodel = "cedar-15"\n[sensor]\nprofile = "any.toml"\n[sensor.magnet]\nturned_over = true\n',
        encoding="utf-8",
    )
    sensor = ("--sensor", str(tmp_path / "any.toml"))
    ran = run("isolate", "--link", f"twin:{path}", *sensor, "--json")
    assert (ran.status, ran.first) == (0, ("none", None)), ran.out
