"""Every fault of the catalogue shows at the connector or in the machine's behaviour, and only as it should."""

from __future__ import annotations

from typing import Any

import pytest
from lidjig.twin import catalogue
from lidjig.twin.scenario import load_scenario, shipped
from twin_bench import bench, fault, pass_time, until_state

TWO_LINES = '[machine]\nmodel = "birch-13"\n'


def look(text: str, seconds: float = 0.3) -> dict[str, Any]:
    with bench(text) as link:
        pass_time(link, seconds)
        return link.look()


def test_healthy_levels_at_the_connector() -> None:
    state = look("")
    # 3.3 V behind 47 kohm, loaded by two 2 Mohm dividers, 10 Mohm leakage and a 20 Mohm open output: by hand 3.129 V
    assert state["M1"] == pytest.approx(3129, abs=3)
    assert state["VM"] == pytest.approx(3300, abs=10)
    assert state["M1"] == state["S1"]  # through


@pytest.mark.parametrize("line", [1, 2])
def test_line_open(line: int) -> None:
    state = look(TWO_LINES + fault("wiring", "line-open", line=line))
    assert state[f"M{line}"] == 0  # only the dividers are left on the connector's side
    assert state[f"B{line}"] > 3200  # the board's side keeps its pull
    assert state[f"M{3 - line}"] > 2900


@pytest.mark.parametrize("line", [1, 2])
def test_line_shorts(line: int) -> None:
    state = look(TWO_LINES + fault("wiring", "line-short-ground", line=line))
    assert state[f"M{line}"] <= 1 and state[f"M{3 - line}"] > 2900
    state = look(TWO_LINES + fault("wiring", "line-short-supply", line=line))
    assert state[f"M{line}"] == pytest.approx(state["VM"], abs=1)
    state = look(TWO_LINES + fault("wiring", "line-short-ground", line=line, ohm=10000.0))
    # 100 kohm to 3.3 V over 10 kohm and the dividers: 3.3 * 9.9 / 109.9 = 0.297 V by hand
    assert state[f"M{line}"] == pytest.approx(297, abs=5)


@pytest.mark.parametrize("line", [1, 2])
def test_pull_missing(line: int) -> None:
    state = look(TWO_LINES + fault("wiring", "pull-missing", line=line))
    assert state[f"M{line}"] == 0 and state[f"B{line}"] == 0
    assert state[f"M{3 - line}"] > 2900


def test_supply_missing() -> None:
    state = look(fault("wiring", "supply-missing"))
    # The board's own rail and pull are there; the line's dividers and nothing else feed the connector's supply pin.
    assert state["VB"] > 3290 and state["B1"] > 3000
    assert state["VM"] < 100


def test_supply_missing_machine_starts_and_never_sleeps() -> None:
    with bench(fault("wiring", "supply-missing")) as link:
        link.tell_operator("press-power")
        until_state(link, "S0")
        link.tell_operator("shut-lid")
        pass_time(link, 20.0)
        assert link.look()["state"] == "S0"  # an unpowered sensor holds nothing low


def test_dead_sensor_holds_the_line_low_and_draws_nothing() -> None:
    state = look(fault("sensor", "dead"))
    # 150 ohm against 47 kohm: 3.3 V * 150 / 47150 = 10.5 mV by hand
    assert state["M1"] == pytest.approx(10.5, abs=1.5)
    assert look(fault("sensor", "dead", leak_ohm=4700.0))["M1"] == pytest.approx(3300 * 4.7 / 51.7, abs=6)


def test_stuck_sensors() -> None:
    shut = look(fault("sensor", "stuck-shut"))
    assert shut["M1"] < 10 and shut["lid_mdeg"] == 110000
    with bench(fault("sensor", "stuck-open")) as link:
        link.tell_operator("shut-lid")
        pass_time(link, 6.0)
        state = link.look()
        assert state["lid_mdeg"] == 0 and state["M1"] > 3000


def test_stuck_is_per_output() -> None:
    state = look(TWO_LINES + fault("sensor", "stuck-shut", line=2))
    assert state["M2"] < 10 and state["M1"] > 2900


def test_intermittent_sensor_drops_at_its_rate() -> None:
    with bench(fault("sensor", "intermittent", rate_per_min=60.0, duration_ms=100.0)) as link:
        seen = set()
        for _ in range(600):
            pass_time(link, 0.1)
            seen.add(link.look()["M1"] > 1650)
        # Poisson, 60 expected less what passes in the drops: 5 standard deviations wide
        assert 20 <= link.look()["sensor_drops"] <= 95
        assert seen == {True, False}


def test_intermittent_drops_can_put_the_machine_to_sleep() -> None:
    with bench(fault("sensor", "intermittent", rate_per_min=20.0, duration_ms=400.0)) as link:
        link.tell_operator("press-power")
        pass_time(link, 60.0)
        state = link.look()
        assert state["sleeps"] + state["refused_starts"] > 0
        assert state["lid_mdeg"] == 110000


def started(text: str, seconds_shut: float, seconds_open: float) -> dict[str, Any]:
    """Start, shut, open; the state at the end of shut time is in 'shut_state'."""
    with bench(text) as link:
        link.tell_operator("press-power")
        pass_time(link, 8.0)
        link.tell_operator("shut-lid")
        pass_time(link, seconds_shut)
        shut = link.look()["state"]
        link.tell_operator("open-lid")
        pass_time(link, seconds_open)
        return {**link.look(), "shut_state": shut}


def test_machine_faults() -> None:
    healthy = started("", 8.0, 8.0)
    assert (healthy["shut_state"], healthy["state"]) == ("S3", "S0")
    ignores = started(fault("machine", "ignores-lid"), 20.0, 1.0)
    assert ignores["shut_state"] == "S0" and ignores["M1"] < 100
    no_start = started(fault("machine", "no-start"), 1.0, 1.0)
    assert no_start["state"] == "S5" and no_start["starts"] == 0
    never = started(fault("machine", "never-wakes"), 8.0, 20.0)
    assert (never["shut_state"], never["state"]) == ("S3", "S3")


def test_ignoring_machine_starts_with_its_lid_shut() -> None:
    with bench("[operator]\nlid_deg = 0.0\n" + fault("machine", "ignores-lid")) as link:
        link.tell_operator("press-power")
        until_state(link, "S0")


def test_slow_sleep_is_slower_by_its_factor() -> None:
    def latency_us(text: str) -> int:
        with bench(text, seed=3) as link:
            link.tell_operator("press-power")
            until_state(link, "S0")
            link.tell_operator("shut-lid")
            shut = None
            while link.look()["state"] != "S3":
                pass_time(link, 0.005)
                state = link.look()
                shut = state["t_us"] if shut is None and state["shut"] else shut
            return link.look()["t_us"] - (shut or 0)

    assert latency_us(fault("machine", "slow-sleep", factor=5.0)) == pytest.approx(5 * latency_us(""), rel=0.02)


@pytest.mark.parametrize(("on", "names"), [("shut", ("S0",)), ("open", ("S3",))])
def test_random_miss_at_certainty(on: str, names: tuple[str]) -> None:
    state = started(fault("machine", "random-miss", probability=1.0, on=on), 8.0, 8.0)
    assert state["state"] in names and state["missed"] == 1


def test_random_miss_at_its_probability() -> None:
    text = "[operator]\nreaction_min_s = 0.0\nreaction_max_s = 0.0\nlid_s = 0.05\nmark_after_s = 0.0\n"
    with bench(text + fault("machine", "random-miss", probability=0.3, on="shut")) as link:
        link.tell_operator("press-power")
        until_state(link, "S0")
        for _ in range(60):
            for action in ("shut-lid", "open-lid"):
                link.tell_operator(action)
                pass_time(link, 2.5)
        state = link.look()
    # binomial, n 60, p 0.3: 18 expected, standard deviation 3.55; five of them
    assert 1 <= state["missed"] <= 35
    assert state["missed"] + state["sleeps"] == 60


def test_magnet_offset_moves_the_angle_at_which_the_sensor_operates() -> None:
    def operates_deg(text: str) -> float:
        with bench("[operator]\nreaction_min_s = 0.0\nreaction_max_s = 0.0\nlid_s = 20.0\n" + text) as link:
            link.tell_operator("shut-lid")
            while link.look()["M1"] > 1650:
                pass_time(link, 0.01)
            return link.look()["lid_mdeg"] / 1000.0

    plain = operates_deg("")
    # hinge-a1 operates at 8 deg of field angle; its looks are 5 ms apart
    assert plain == pytest.approx(8.0, abs=0.3)
    assert operates_deg("[sensor.magnet]\noffset_deg = 3.0\n") == pytest.approx(plain - 3.0, abs=0.3)


def test_every_fault_kind_has_a_shipped_scenario() -> None:
    covered = {(f.where, f.kind) for name in shipped() for f in load_scenario(name).faults}
    assert covered == {(row.where, row.kind) for row in catalogue.FAULTS}
    for row in catalogue.FAULTS:
        assert row.doc and row.enters
    on_two_lines = {
        fault.kind for name in shipped() if load_scenario(name).machine.name == "birch-13"
        for fault in load_scenario(name).faults if fault.where == "wiring"
    }  # fmt: skip
    assert on_two_lines == set(catalogue.kinds("wiring"))
