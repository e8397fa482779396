"""The real sensor of each family, read by the jig: firmware, capture or bus, record, decoder, lid angle.

What the board said is taken from the record and worked out here once more by the published formats, with none of the
host's decoders: ams AS5600 datasheet v1-06, p.18 (registers), p.25-26 (10 to 90 % of the supply), p.27 (128 + 4095 +
128 clocks); SAE J2716 (56 ticks of calibration, 12 + n ticks a nibble, three nibbles with the highest first in H.2,
codes 1 to 4088; value from memory); MagnTek MT6701 data sheet, 7.8.2 (14 bits of angle first, of 24); a sine and cosine
around half the supply (TI SBAA539A); four quarter steps to a period.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from lidjig.bench.profiles import load_sensor
from lidjig.bench.sensor import SensorProfile
from lidjig.procedures.sensor_looks import Looked
from lidjig.procedures.sensor_reading import said_of, travel_deg
from lidjig.record.model import ANGLES_STEP
from lidjig.record.store import open_store

Json = dict[str, Any]
FULL = 65535.0
LID_DEG = (20.0, 90.0, 135.0)


def volts(one: Json, line: int) -> float:
    """The board's dividers halve: 6.6 V at full scale (WIRING.md)."""
    return 6.6 * float(one[f"sensor_{line}"]["mean_raw"]) / FULL


def supply(looked: Json, place: int) -> float:
    return 6.6 * float(looked["supply"][place]["mean_raw"]) / FULL


def edges(one: Json) -> list[tuple[float, int]]:
    """(us, level from then on) of a capture."""
    at, level, out = 0.0, int(one["first"]), []
    for run in one["runs"]:
        out.append((at * one["step_ps"] / 1e6, level))
        at, level = at + run, 1 - level
    return out


def analog(looked: Json) -> float:
    shares = [volts(one, 1) / supply(looked, place) for place, one in enumerate(looked["looks"])]
    return (sum(shares) / len(shares) - 0.1) / 0.8 * 180.0


def sincos(looked: Json) -> float:
    """hinge-w1: its turn begins at a lid angle of 340 deg."""
    one, volt = looked["looks"][0], supply(looked, 0)
    turned = math.degrees(math.atan2(volts(one, 1) / volt - 0.5, volts(one, 2) / volt - 0.5))
    return (turned + 340.0) % 360.0


def pwm(looked: Json) -> float:
    changes = edges(looked["looks"][0])[1:]
    begin = next(k for k, (_us, level) in enumerate(changes) if level)
    high, low, again = (changes[begin + k][0] for k in range(3))
    clocks = (low - high) / (again - high) * (128 + 4095 + 128)
    return (clocks - 128) / 4095 * 360.0


def sent(looked: Json) -> float:
    falls = [us for us, level in edges(looked["looks"][0])[1:] if level == 0]
    pulses = [after - before for before, after in zip(falls, falls[1:], strict=False)]
    # No nibble is longer than 27 ticks of 3 us: what is longer is the calibration.
    first = next(k for k, us in enumerate(pulses) if us > 100.0)
    nibbles = [round(56.0 * us / pulses[first]) - 12 for us in pulses[first + 1 : first + 6]]
    code = nibbles[1] << 8 | nibbles[2] << 4 | nibbles[3]  # after the status
    return (code - 1) / 4087 * 360.0


def i2c(looked: Json) -> float:
    read = {part["first"]: bytes.fromhex(part["data"]) for part in looked["looks"][0]["parts"]}
    return ((read[0x0E][0] & 0x0F) << 8 | read[0x0E][1]) / 4096 * 360.0


def ssi(looked: Json) -> float:
    return float(looked["looks"][0]["word"] >> 10) / 16384 * 360.0


WORKED_OUT: dict[str, tuple[str, Callable[[Json], float]]] = {
    "larch-14": ("hinge-v1", analog), "maple-14": ("hinge-w1", sincos), "elm-14": ("hinge-p1", pwm),
    "fir-14": ("hinge-t1", sent), "oak-14": ("hinge-r1", i2c), "hazel-14": ("hinge-s1", ssi),
}  # fmt: skip


def steps_of(store: str, run: str) -> list[tuple[float | None, Json]]:
    """(lid angle that was set, what was seen) of a recorded run."""
    with open_store(store, create=False) as opened:
        found = [step for step in opened.run(run).steps if step.name == ANGLES_STEP]
        return [(step.arguments.get("lid_deg"), step.result) for step in found]


def sensed(run: Callable[..., Any], scenario: str, vm: str) -> Json:
    ran = run("sense", "--at", "20,60,90,135", "--count", "5", "--link", f"twin:{scenario}", "--vm", vm, "--json")
    assert ran.status == 0, ran.err
    return ran.json  # type: ignore[no-any-return]


@pytest.mark.parametrize("machine", WORKED_OUT)
def test_each_family_tells_the_lids_angle(machine: str, run: Callable[..., Any], store: str, vm: str) -> None:
    """No further off than a step of the format and what the reading says of itself; so by the published format too."""
    name, worked_out = WORKED_OUT[machine]
    sensor: SensorProfile = load_sensor(name)[0]
    report = sensed(run, f"healthy-{machine}", vm)
    visits = [(lid, looked) for lid, looked in steps_of(store, report["run"]) if lid is not None]
    assert sorted(lid for lid, _looked in visits) == [20.0, 20.0, 60.0, 60.0, 90.0, 90.0, 135.0]
    for lid_deg, looked in visits:
        said = said_of(sensor, Looked.from_json(looked))
        angle = said.angle()
        assert angle is not None and angle.low is not None and angle.high is not None and said.clear >= 8
        room = said.lsb_deg + 0.5 * (angle.high - angle.low)
        assert abs((angle.value or 0.0) - lid_deg) <= room, (lid_deg, angle, room)
        assert abs(worked_out(looked) - lid_deg) <= room, (lid_deg, worked_out(looked), room)
        # Stated is not anything: digital formats are known to a step, voltages to what the jig's converter is worth.
        assert room < (3.0 if machine in ("larch-14", "maple-14") else 0.3)


def test_steps_tell_how_far_the_lid_went(run: Callable[..., Any], store: str, vm: str) -> None:
    report = sensed(run, "healthy-juniper-14", vm)
    sensor = load_sensor("hinge-q1")[0]
    seen = [(lid, looked["looks"][-1]["steps"]) for lid, looked in steps_of(store, report["run"]) if lid is not None]
    begin_deg, begin = seen[0]
    assert begin_deg == 20.0
    for lid_deg, steps in seen:
        # 4096 quarter steps a turn (hinge-q1), A ahead of B as the lid opens
        assert abs((steps - begin) * 360.0 / 4096 - (lid_deg - 20.0)) <= 360.0 / 4096
        assert travel_deg(sensor, steps) == pytest.approx(steps * 360.0 / 4096)
    assert not [m for m in report["measurements"] if m["name"].startswith("zero")]


def test_a_count_that_falls_short_is_no_pass(run: Callable[..., Any]) -> None:
    """The lid is asked for fully open and shut; without --at that is how such a sensor is seen to follow."""
    ran = run("sense", "--link", "twin:healthy-juniper-14", "--vm", "cpython", "--json")
    figures = {m["name"]: m for m in ran.json["measurements"]}
    assert (ran.status, ran.json["outcome"]) == (0, "pass")
    assert figures["sensor travel"]["value"] == pytest.approx(110.0, abs=2 * 360.0 / 4096)
    dead = run("sense", "--link", "twin:sensor-dead-juniper-14", "--vm", "cpython", "--json")
    assert dead.status == 1 and dead.first == ("sensor", "dead")
    figures = {m["name"]: m for m in dead.json["measurements"]}
    assert (figures["sensor travel"]["value"], figures["sensor travel"]["outcome"]) == (0.0, "fail")
