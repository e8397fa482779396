"""SENT, whole: profile, firmware, PIO, line, the machine's input, and the decoder of the host."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from family_bench import SUPPLY_V, Seen, Standing, error_deg, last_good, standing_in, up_and_down
from lidjig.bench.families.base import BAD_TIMING, INTERNAL, SILENT, STARTING, Reading
from lidjig.bench.profiles import load_sensor
from lidjig.jig_types import Lock, Reason, Route
from real_sensor import dead_stays_off_and_none_stays_awake, sleeps_and_wakes
from sent_ways import SYNC_TICKS, TICK_US, WAYS, speaking

BENCH = "healthy-fir-14"
# H.2 tells 4088 codes apart (SAE J2716, section 6; value from memory).
RESOLUTION_DEG = 360.0 / 4087
FRAME_S = (SYNC_TICKS + 5 * 27) * TICK_US * 1e-6  # the longest of H.2


def read(bench: Standing, seconds: float = 4 * FRAME_S) -> list[Reading]:
    readings: list[Reading] = bench.sensor.coded().decode(Seen(SUPPLY_V, waves={"out": bench.wave("1", seconds)}))
    return readings


def test_every_angle_up_and_down(vm: str) -> None:
    """Commanded against decoded, 0 to 180 deg and back: within one step of the format. A nibble is told by whole
    ticks of 375 cycles of 125 MHz, so nothing is added for the line.
    """
    errors = []
    with standing_in(BENCH, vm=vm) as bench:
        for angle_deg in up_and_down():
            bench.to(angle_deg)
            errors.append(error_deg(bench.sensor, last_good(read(bench)), angle_deg))
        assert bench.sensor.curve().lsb_deg(bench.sensor.coded().codes) == pytest.approx(RESOLUTION_DEG)
    worst = float(np.abs(errors).max())
    print(f"largest error {worst:.4f} deg of {len(errors)} angles; resolution {RESOLUTION_DEG:.4f} deg")
    assert worst <= RESOLUTION_DEG


@pytest.mark.parametrize("change", WAYS.values(), ids=WAYS)
def test_every_format(change: Callable[[str], str]) -> None:
    """Angles within one step; every frame whole, with the tick, status and low time of the profile, and by a pause of
    one length to the tick. Codes of H.7 are finer than what the board folds an angle into: a sixteenth of a code, and
    thousandths of a degree, both of which a step holds.
    """
    with standing_in(BENCH, vm="cpython", change=change) as bench:
        coded: Any = bench.sensor.coded()
        longest_s = coded.longest_ticks * coded.tick_us * 1e-6
        for angle_deg in (0.0, 33.3, 121.7, 180.0):
            bench.to(angle_deg, 0.01 + 6 * longest_s)
            readings = read(bench, 5 * longest_s)
            assert abs(error_deg(bench.sensor, last_good(readings), angle_deg)) <= bench.sensor.curve().lsb_deg(
                coded.codes
            )
            for reading in readings:
                detail: Any = reading.detail
                assert detail["status"] == coded.status
                assert detail["tick_us"] == pytest.approx(coded.tick_us, rel=1e-4)
                assert detail["low_ticks"] == pytest.approx(coded.low_ticks, abs=0.02)
                assert ("pause_ticks" in detail) == bool(coded.frame_ticks) or reading is readings[-1]
            if coded.frame_ticks:
                # Where a pause ends, the next frame begins.
                begins = [r.t_us + float(r.detail["pause_ticks"]) * coded.tick_us for r in readings[:-1]]
                assert np.diff(begins) == pytest.approx(coded.frame_ticks * coded.tick_us, rel=1e-4)


def test_the_counter_of_h4_rolls(vm: str) -> None:
    """Each frame has a counter one higher (256 frames are a round), while the angle rests and while it moves."""
    with standing_in(BENCH, vm=vm, change=speaking("H.4")) as bench:
        bench.to(50.0, 0.3)
        resting = read(bench, 0.045)
        bench.jig.move(120.0, 0.05, "linear")
        bench.jig.idle(0.06)
        moving = read(bench, 0.045)
        for readings in (resting, moving):
            assert not [reading.fault for reading in readings if reading.fault]
            counters = [int(reading.detail["counter"]) for reading in readings]
            assert len(counters) > 60
            assert {(b - a) & 255 for a, b in zip(counters[:-1], counters[1:], strict=True)} == {1}
        codes = [reading.code or 0 for reading in moving]
        assert codes == sorted(codes) and len(set(codes)) > 10
        bench.jig.disarm()
        bench.jig.idle(0.1)
        assert bench.jig.lock is Lock.DISARMED


def reserved(text: str) -> str:
    """A span in the middle, errors outside it, and an error until the first look."""
    span = 'zero_deg = 20.0\nspan_deg = 90.0\nbelow = "error"\nabove = "error"\npower_up = "error"'
    text = text.replace("zero_deg = 0.0\nspan_deg = 360.0", span)
    text = text.replace("shut_deg = 8.0\nopen_deg = 12.0", "shut_deg = 24.0\nopen_deg = 28.0")
    return text.replace("start_deg = 100.0", "start_deg = 60.0").replace("update_hz = 1000.0", "update_hz = 100.0")


def test_the_formats_own_errors() -> None:
    """Reserved codes (SAE J2716, section 6; value from memory): 0 until it has looked, 4090 outside the span."""
    with standing_in(BENCH, vm="cpython", change=reserved) as bench:
        first = [reading for reading in read(bench, 0.06) if reading.fault != SILENT]  # before the jig stood in
        starting = [reading for reading in first if reading.fault == STARTING]
        assert starting and {reading.code for reading in starting} == {0} and first[-1].part is not None
        assert [reading.fault for reading in first] == [STARTING] * len(starting) + [""] * (len(first) - len(starting))
        for angle_deg in (10.0, 150.0):
            bench.to(angle_deg)
            readings = read(bench)
            assert {(reading.fault, reading.code) for reading in readings} == {(INTERNAL, 4090)}
        bench.to(60.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 60.0)) <= 90.0 / 4087


@pytest.mark.parametrize(("form", "frame_ticks"), [("H.1", 0), ("H.1", 300), ("H.7", 0)])
def test_a_flag_where_no_code_is_reserved(form: str, frame_ticks: int) -> None:
    """Bit 0 of the status (Melexis MLX90367 data sheet, 14.2.1: error flag of channel 1); a frame keeps its length."""

    def change(text: str) -> str:
        return speaking(form, frame_ticks=frame_ticks, status=4)(reserved(text))

    with standing_in(BENCH, vm="cpython", change=change) as bench:
        bench.to(60.0)
        good = read(bench, 0.006)
        assert not {reading.fault for reading in good} - {""} and {r.detail["status"] for r in good} == {4}
        bench.to(10.0)
        bad = read(bench, 0.006)
        assert {reading.fault for reading in bad} == {INTERNAL} and {r.detail["status"] for r in bad} == {5}
        if frame_ticks:
            for readings in (good, bad):
                lengths = np.diff([reading.t_us for reading in readings])
                assert lengths == pytest.approx(frame_ticks * TICK_US, rel=1e-4)


def ends(text: str) -> str:
    """As it is outside where the sensor holds its last code there, rests low below and high above."""
    return reserved(text).replace('below = "error"', 'below = "low"').replace('above = "error"', 'above = "hold"')


def test_outside_the_span() -> None:
    with standing_in(BENCH, vm="cpython", change=ends) as bench:
        bench.to(10.0)
        assert [r.fault for r in read(bench)] == [SILENT] and bench.wave("1", 0.004).level.tolist() == [0]
        bench.to(150.0)
        assert {reading.code for reading in read(bench)} == {4088}
        bench.to(60.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 60.0)) <= 90.0 / 4087


def test_frames_go_on_over_a_new_angle() -> None:
    """Every frame is whole, whenever the angle changes: no pulse is cut or drawn out."""
    with standing_in(BENCH, vm="cpython") as bench:
        bench.to(60.0)
        bench.jig.move(120.0, 0.03, "linear")
        bench.jig.idle(0.04)
        readings = read(bench, 0.045)
        assert len(readings) > 80 and not [reading.fault for reading in readings if reading.fault]
        codes = [reading.code or 0 for reading in readings]
        assert codes == sorted(codes) and codes[-1] == 1 + round(120.0 / 360.0 * 4087)


@pytest.mark.parametrize("form", ["H.2", "H.4"])
def test_levels_instead_of_frames(form: str) -> None:
    with standing_in(BENCH, vm="cpython", change=speaking(form)) as bench:
        jig = bench.jig
        for state, level in (("low", 0), ("high", 1), ("released", 1)):  # released: the machine's pull-up
            jig.drive(1, state)
            jig.idle(0.02)
            (reading,) = read(bench)
            assert reading.fault == SILENT and bench.wave("1", 0.004).level.tolist() == [level]
            jig.move(30.0, 0.0)
            jig.drive(1, "follow")
            bench.to(45.0)
            assert abs(error_deg(bench.sensor, last_good(read(bench)), 45.0)) <= RESOLUTION_DEG


def unfitted(folder: Path, more: str = "") -> str:
    """A bench without a sensor, so that the safe route brings no frames of another's."""
    path = folder / "none.toml"
    path.write_text(f'[machine]\nmodel = "fir-14"\n[jig]\nsensor_fitted = false\n{more}', encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("form", ["H.2", "H.4"])
def test_lets_go_at_once_and_comes_back(vm: str, tmp_path: Path, form: str) -> None:
    """Disarmed: nothing drives the line, the frames end where they are, and the machine's pull-up has it. Armed again,
    frames are there again.
    """
    with standing_in(unfitted(tmp_path), vm=vm, change=speaking(form)) as bench:
        bench.to(30.0)
        bench.jig.disarm()
        bench.jig.idle(0.005)
        state = bench.link.look()
        assert state["pins"][2] == state["pins"][3] == 0 and state["M1"] > 3000
        bench.jig.idle(0.02)
        assert bench.wave("1", 0.015).level.tolist() == [1]
        bench.jig.arm()
        bench.jig.set_route(Route.STANDIN)
        bench.to(75.0)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 75.0)) <= RESOLUTION_DEG


def test_a_loss_of_supply_trips_while_frames_run(vm: str, tmp_path: Path) -> None:
    event = '[[event]]\nat_s = 3.2\ndo = "set-rail"\nvolts = 0.0\n'
    with standing_in(unfitted(tmp_path, event), vm=vm) as bench:
        bench.to(30.0)
        bench.jig.idle(0.5)
        assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.SUPPLY_LOSS
        assert bench.link.look()["pins"][3] == 0


@pytest.mark.parametrize("kind", ["line-short-ground", "line-short-supply"])
def test_a_line_held_hard_trips(tmp_path: Path, kind: str) -> None:
    """The frames do not come back as they are given: contention, whatever the level at the moment of the look."""
    fault = f'[[fault]]\nwhere = "wiring"\nkind = "{kind}"\n'
    for angle_deg in (2.0, 178.0):

        def change(text: str, start: str = f"start_deg = {angle_deg}") -> str:
            return text.replace("start_deg = 100.0", start)

        with standing_in(unfitted(tmp_path, fault), vm="cpython", change=change) as bench:
            bench.jig.idle(1.0)
            assert bench.jig.lock is Lock.TRIPPED and bench.jig.status().reason == Reason.CONTENTION


def test_no_trip_while_all_is_well() -> None:
    """Looks at the moment of an edge are no contention."""
    with standing_in(BENCH, vm="cpython", change=speaking("H.1")) as bench:
        for angle_deg in (5.0, 175.0, 90.0):
            bench.jig.move(angle_deg, 0.5)
            bench.jig.idle(1.5)
        assert bench.jig.lock is Lock.ARMED


def test_the_real_sensor() -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    with standing_in(BENCH, vm="cpython") as bench:
        sleeps_and_wakes(bench)
        assert abs(error_deg(bench.sensor, last_good(read(bench)), 110.0)) <= RESOLUTION_DEG


def test_a_dead_sensor_holds_the_machine_and_none_lets_it_start(tmp_path: Path) -> None:
    dead_stays_off_and_none_stays_awake(tmp_path, "fir-14")


def test_a_wave_of_another_tick_is_told_so() -> None:
    with standing_in(BENCH, vm="cpython", change=speaking("H.2", 4.0)) as bench:
        wave = bench.wave("1", 0.02)
    found = load_sensor("hinge-t1")[0].coded().decode(Seen(SUPPLY_V, waves={"out": wave}))
    assert found and {reading.fault for reading in found} == {BAD_TIMING}
