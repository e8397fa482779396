"""One seed and the same commands give the same bytes at the same times, on one interpreter and across both."""

from __future__ import annotations

import random

import pytest
from lidjig.errors import LidjigError
from lidjig.jig_types import Route
from lidjig.link import twin_process
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from twin_bench import bench, fault, jig_on, pass_time

from shared_proto import names


def session(vm: str, text: str, seed: int, monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """Everything that passed between host and bench in a session with something of everything."""
    passed: list[object] = []
    ask = twin_process.BenchProcess.ask

    def noted(self: twin_process.BenchProcess, code: int, data: bytes = b"", number: int = 0) -> twin_process.Answer:
        answer = ask(self, code, data, number)
        if code == twin_process.ADVANCE:
            passed.append((data, number, answer.kind, answer.flags, answer.now_us, answer.data))
        return answer

    monkeypatch.setattr(twin_process.BenchProcess, "ask", noted)
    with bench(text, vm=vm, seed=seed) as link, jig_on(link, machine=link.details["machine"]) as jig:
        commands(link, jig)
        passed.append({key: value for key, value in link.look().items() if key != "solved"})
    monkeypatch.setattr(twin_process.BenchProcess, "ask", ask)
    return passed


def commands(link: TwinLink, jig) -> None:  # type: ignore[no-untyped-def]
    choose = random.Random(5)
    try:
        metered = link.details["machine"] == "dogwood-14"
        jig.watch("light", [16000], 5200, 20)
        if metered:
            jig.idle(2.5)  # until the power monitor was found
            jig.watch("meter_1_i", [33000, 34400], 80, 100)
            channels = ("supply", "machine_1", "light", "meter_1_v", "meter_1_i")
            for channel in channels[2:]:
                jig.sample(channel, 0.005)
        else:
            jig.watch("charger_i", [1390, 7950], 480, 100)
            channels = names.CHANNELS[:10]
        for channel in channels:
            jig.measure(channel, 8)
        jig.arm()
        jig.set_route(Route.STANDIN)
        link.tell_operator("press-power")
        jig.idle(7.0)
        for _ in range(3):
            jig.move(0.0, choose.uniform(0.1, 0.5))
            jig.idle(2.0)
            jig.load("sensor_1", choose.choice(("low", "high", "off")))
            jig.move(100.0, choose.uniform(0.1, 0.5))
            jig.idle(2.0)
        jig.disarm()
        link.tell_operator("shut-lid")
        jig.idle(4.0)
        jig.reset(Deadline(jig.clock, 5.0))
        jig.idle(0.5)
    except LidjigError as error:  # a faulty bench may end it early, but always in the same way
        link.tell_operator(f"ended by {type(error).__name__}")


SCENARIOS = {
    "healthy": "",
    "faults": fault("sensor", "intermittent") + fault("machine", "random-miss", probability=0.4, on="both"),
    "habits": """
[machine]
model = "dogwood-14"
[machine.parameters]
charging = { ma = 1200.0, constant_s = 3.0, taper_s = 5.0 }
screen = { dim_after_s = 1.0 }
power_light = { period_ms = 700.0, on_ms = 200.0 }
background = { period_s = 1.0, on_ms = 300.0, s0ix = true }
drift = { light_permille = 30.0, current_ma = 20.0, period_s = 9.0, ripple_percent = 250 }
"""
    + fault("bus", "meter-drops", rate=0.01, forgets="yes")
    + fault("bus", "hung", at_s=8.0, clocks=5),
    "observers": """
[machine]
model = "alder-14"
[machine.parameters]
wired = { observer_3 = "tach", observer_4 = "backlight", observer_1 = "none" }
fan = { pulses_hz = 90.0 }
external_display = { connected = true }
""",
    "bad-link": fault("link", "drop", rate=0.03)
    + fault("link", "corrupt", rate=0.03)
    + fault("link", "stall", rate=10.0),
}


@pytest.mark.parametrize("kind", SCENARIOS)
def test_same_seed_same_bytes_on_both_interpreters(kind: str, vm: str, monkeypatch: pytest.MonkeyPatch) -> None:
    first = session(vm, SCENARIOS[kind], 21, monkeypatch)
    assert len(first) > 50
    (end,) = (entry for entry in first if isinstance(entry, dict))
    assert kind == "bad-link" or end["asked_unknown"] == []  # nothing cut it short
    assert session(vm, SCENARIOS[kind], 21, monkeypatch) == first
    if vm == "micropython":
        assert session("cpython", SCENARIOS[kind], 21, monkeypatch) == first


def test_another_seed_gives_other_latencies(monkeypatch: pytest.MonkeyPatch) -> None:
    assert session("cpython", "", 21, monkeypatch) != session("cpython", "", 22, monkeypatch)


def test_asking_the_bench_changes_nothing() -> None:
    def came(ask: bool) -> bytes:
        with bench("") as link:
            out = b""
            link.tell_operator("press-power")
            for _ in range(50):
                if ask:
                    link.look()
                    link.heap()
                out += pass_time(link, 0.1)
            out += repr(link.look()["M1"]).encode() + repr(link.look()["t_us"]).encode()
            return out

    assert came(True) == came(False)
