"""The model machine seen from its connector and observers: supply contract, power states, lid, and the trade's rule."""

from __future__ import annotations

import pytest
from lidjig.jig_types import Route
from lidjig.link.base import Deadline
from lidjig.twin.scenario import models
from twin_bench import bench, edge, fault, jig_on, pass_time, until, until_state

from shared_proto import names


@pytest.mark.parametrize("model", models())
def test_charger_reaches_5_then_20_volt(model: str) -> None:
    with bench(f'[machine]\nmodel = "{model}"\ncharger = false\n') as link:
        pass_time(link, 0.2)
        state = link.look()
        assert state["state"] == "G3"
        # USB PD specification, vSafe0V at most 0.8 V: value from memory
        assert state["charger_mv"] <= 800
        link.tell_operator("connect-charger")
        first = until(link, lambda state: state["charger_mv"] > 1000)
        # USB PD fixed levels: Renesas Engineer School, USB PD table; +-5 % at the source: value from memory
        assert 4750 <= first["charger_mv"] <= 5250
        last = until(link, lambda state: state["charger_mv"] > 6000)
        assert 19000 <= last["charger_mv"] <= 21000
        assert 0.5 < (last["t_us"] - first["t_us"]) / 1e6 < 2.5
        # The sensor is powered at all times, machine off included: common practice, no source
        assert last["state"] == "S5"
        assert last["VM"] > 1600


def test_charger_levels_as_the_jig_measures_them() -> None:
    with bench("[machine]\ncharger = false\n") as link, jig_on(link) as jig:
        scale_mv = names.CHANNEL_FULL_SCALE[names.CH_CHARGER_V] / 65535.0

        def charger_mv() -> float:
            return jig.measure("charger_v", 16).mean_raw * scale_mv

        # USB PD specification, vSafe0V at most 0.8 V: value from memory
        assert charger_mv() < 800
        link.tell_operator("connect-charger")
        seen = [charger_mv() for _ in range(300)]
        levels = [mv for mv in seen if mv > 1000]
        # USB PD fixed levels: Renesas Engineer School, USB PD table; +-5 % at the source: value from memory
        assert 4750 <= levels[1] <= 5250  # the first mean may straddle the step
        assert 19000 <= levels[-1] <= 21000


def test_sleep_signals_follow_acpi_states() -> None:
    with bench(name="healthy-alder-14") as link, jig_on(link) as jig:

        def slp() -> tuple[int, int]:
            lines = jig.status().lines
            return lines["observer_1"], lines["observer_2"]

        # SLP_S3# low in S3, S4, S5; SLP_S4# low in S4, S5: value from memory, ACPI
        assert slp() == (0, 0)
        link.tell_operator("press-power")
        jig.wait_event(edge(names.LINE_OBS1, 1), Deadline(jig.clock, 10.0))
        jig.idle(4.0)
        assert link.look()["state"] == "S0"
        assert slp() == (1, 1)
        link.tell_operator("shut-lid")
        jig.wait_event(edge(names.LINE_OBS1, 0), Deadline(jig.clock, 10.0))
        jig.idle(1.0)
        assert link.look()["state"] == "S3"
        assert slp() == (0, 1)


@pytest.mark.parametrize("model", models())
def test_healthy_machine_starts_sleeps_and_wakes(model: str, vm: str) -> None:
    with bench(name=f"healthy-{model}", vm=vm) as link:
        link.tell_operator("press-power")
        until_state(link, "S0")
        for turn in range(1, 3):
            link.tell_operator("shut-lid")
            assert until_state(link, "S3")["sleeps"] == turn
            link.tell_operator("open-lid")
            assert until_state(link, "S0")["wakes"] == turn
        link.tell_operator("force-off")
        until_state(link, "S5")


# The trade's rule for a dead hinge sensor: common practice, no source


def test_trade_rule_dead_sensor_fitted_charges_but_never_starts() -> None:
    with bench("[machine]\ncharger = false\n" + fault("sensor", "dead")) as link:
        link.tell_operator("connect-charger")
        until(link, lambda state: 4750 <= state["charger_mv"] <= 5250)
        until(link, lambda state: 19000 <= state["charger_mv"] <= 21000)
        for _ in range(3):
            link.tell_operator("press-power")
            pass_time(link, 10.0)
        state = link.look()
        assert state["state"] == "S5" and state["starts"] == 0 and state["refused_starts"] == 3
        assert state["shut"] is True  # it takes its lid for shut although that is open
        assert state["lid_mdeg"] == 110000


def test_trade_rule_dead_sensor_unplugged_starts_but_never_sleeps() -> None:
    with bench("[jig]\nsensor_fitted = false\n" + fault("sensor", "dead")) as link:
        link.tell_operator("press-power")
        until_state(link, "S0")
        link.tell_operator("shut-lid")
        pass_time(link, 60.0)
        state = link.look()
        assert state["lid_mdeg"] == 0
        assert state["state"] == "S0" and state["sleeps"] == 0


def test_trade_rule_dead_sensor_replaced_by_the_standin_starts_sleeps_and_wakes() -> None:
    with bench(fault("sensor", "dead")) as link, jig_on(link) as jig:
        jig.arm()
        jig.set_route(Route.STANDIN)
        jig.idle(0.3)
        link.tell_operator("press-power")
        jig.wait_event(edge(names.LINE_OBS1, 1), Deadline(jig.clock, 10.0))
        jig.idle(4.0)
        jig.move(0.0, 0.4)
        jig.wait_event(edge(names.LINE_OBS1, 0), Deadline(jig.clock, 5.0))
        jig.move(100.0, 0.4)
        jig.wait_event(edge(names.LINE_OBS1, 1), Deadline(jig.clock, 5.0))


def test_lid_input_is_debounced_and_has_hysteresis() -> None:
    # Latency from the stand-in's edge to sleep is never below the machine's shortest, and a dip shorter than the
    # debounce is not believed: 0.4 s down and up again within 20 ms (three samples of 10 ms are needed).
    with bench(name="healthy-alder-14") as link, jig_on(link) as jig:
        jig.arm()
        jig.set_route(Route.STANDIN)
        link.tell_operator("press-power")
        jig.wait_event(edge(names.LINE_OBS1, 1), Deadline(jig.clock, 10.0))
        jig.idle(4.0)
        before = link.look()["lid_changes"]
        jig.move(0.0, 0.0)
        jig.move(100.0, 0.012)
        jig.idle(3.0)
        state = link.look()
        assert state["lid_changes"] == before and state["state"] == "S0"


def test_supply_loss_while_armed_lets_go_and_the_machine_is_not_back_powered() -> None:
    with bench(name="healthy-alder-14") as link, jig_on(link) as jig:
        jig.arm()
        jig.set_route(Route.STANDIN)
        jig.move(0.0, 0.0)
        jig.idle(0.1)
        assert link.look()["M1"] < 100
        link.tell_operator("disconnect-charger")
        jig.wait_event(lambda e: e.name == "lock" and e.data["state"] == names.TRIPPED, Deadline(jig.clock, 10.0))
        assert jig.status().reason == names.REASON_SUPPLY_LOSS
        jig.idle(0.5)
        state = link.look()
        assert state["state"] == "G3"
        assert max(state[node] for node in ("VM", "M1", "M2", "VB", "B1")) <= 5  # mV
