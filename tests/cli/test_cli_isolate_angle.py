"""isolate as a command, on machines whose sensor tells an angle: each shipped bench by its right name, and again from
its record.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.twin.scenario import load_scenario

from tests.twin.conftest import vm

__all__ = ["vm"]

Run = Callable[..., Any]
ISOLATE = ("isolate", "--json", "--repeat", "1", "--watch", "1", "--link")
HEALTHY = (
    "healthy-larch-14", "healthy-larch-14-dac", "healthy-elm-14", "healthy-fir-14", "healthy-oak-14",
    "healthy-hazel-14", "healthy-juniper-14", "healthy-maple-14",
)  # fmt: skip
FAULTY = (
    "sensor-dead-larch-14", "sensor-dead-elm-14", "sensor-dead-juniper-14", "sensor-stuck-shut-fir-14",
    "sensor-stuck-open-hazel-14", "sensor-zero-off-larch-14", "sensor-zero-off-oak-14", "sensor-magnet-missing-oak-14",
    "wiring-line-open-elm-14",
)  # fmt: skip


def figures(ran: Any) -> dict[str, dict[str, Any]]:
    return {measured["name"]: measured for measured in ran.json["measurements"]}


def again(run: Run) -> None:
    """The record gives the same once more."""
    replayed = run("replay", "last", "--json")
    assert replayed.status == 0, replayed.out


@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_bench_passes(name: str, run: Run) -> None:
    ran = run(*ISOLATE, f"twin:{name}", "--vm", "cpython")
    assert (ran.status, ran.json["outcome"], ran.first) == (0, "pass", ("none", None)), ran.out
    told = figures(ran)
    assert not [name for name, measured in told.items() if measured["outcome"] == "not measured"]
    lid = load_scenario(name).operator
    if "sensor travel" in told:
        travel = told["sensor travel"]
        assert travel["low"] <= lid.open_deg - lid.shut_deg <= travel["high"]
    else:
        for place, truth in (("open", lid.open_deg), ("shut", lid.shut_deg)):
            angle = told[f"sensor angle, lid {place}"]
            assert angle["low"] <= truth <= angle["high"], angle
    again(run)


@pytest.mark.parametrize("name", FAULTY)
def test_a_fault_is_named(name: str, run: Run) -> None:
    (fault,) = load_scenario(name).faults
    ran = run(*ISOLATE, f"twin:{name}", "--vm", "cpython")
    assert (ran.status, ran.json["outcome"], ran.first) == (1, "fail", (fault.where, fault.kind)), ran.out
    again(run)


def test_a_loose_contact_is_named(run: Run) -> None:
    """Watched for longer, since it comes and goes."""
    ran = run("isolate", "--json", "--repeat", "1", "--watch", "8", "--link", "twin:sensor-intermittent-maple-14")
    assert (ran.status, ran.first) == (1, ("sensor", "intermittent")), ran.out
    assert figures(ran)["sensor spread, lid at rest"]["outcome"] == "fail"
    again(run)


def test_a_sensor_that_is_not_there_is_not_called_dead(run: Run) -> None:
    ran = run(*ISOLATE, "twin:unplugged-sensor-larch-14", "--vm", "cpython")
    assert (ran.status, ran.first) == (1, ("sensor", None)), ran.out
    assert "plugged into the jig" in ran.json["findings"][0]["next"]
    # What was not measured is said, and by what it was not.
    assert figures(ran)["sensor angle, lid open"]["outcome"] == "not measured"
    assert any("no good reading of" in line for line in ran.json["findings"][0]["evidence"])


@pytest.mark.parametrize("offset_deg", [25.0, -40.0])
def test_a_displaced_zero_is_told_with_its_number(offset_deg: float, run: Run, tmp_path: Path) -> None:
    """Either way; the sensor of oak-14 begins its turn anew below 0."""
    text = (Path(__file__).resolve().parents[2] / "host/lidjig/twin/scenarios/sensor-zero-off-oak-14.toml").read_text()
    path = tmp_path / "off.toml"
    path.write_text(text.replace("offset_deg = 3.0", f"offset_deg = {offset_deg}"), encoding="utf-8")
    ran = run(*ISOLATE, f"twin:{path}", "--vm", "cpython")
    assert ran.first == ("sensor", "zero-off"), ran.out
    told = re.search(r"tells as (-?[\d.]+) deg has to become 0 deg", ran.json["findings"][0]["next"])
    assert told is not None and float(told.group(1)) == pytest.approx(offset_deg, abs=0.1)


@pytest.mark.parametrize("vm", ["micropython"], indirect=True)
@pytest.mark.parametrize("name", ["healthy-elm-14", "sensor-magnet-missing-oak-14"])
def test_on_the_boards_interpreter(name: str, run: Run, vm: str) -> None:
    faults = load_scenario(name).faults
    wanted = (faults[0].where, faults[0].kind) if faults else ("none", None)
    ran = run(*ISOLATE, f"twin:{name}", "--vm", vm)
    assert ran.first == wanted, ran.out


@pytest.mark.parametrize(
    ("machine", "kind", "accepted"),
    [("alder-14", "zero-off", "tells an angle"), ("elm-14", "magnet-missing", "tells of its magnet")],
)
def test_a_fault_that_a_sensor_cannot_have_is_refused(
    machine: str, kind: str, accepted: str, run: Run, scenario: Callable[..., str]
) -> None:
    ran = run("isolate", "--json", "--link", scenario("sensor", kind, machine))
    assert ran.status == 2 and kind in ran.json["error"]["text"] and accepted in ran.json["error"]["text"]
