"""The shipped profiles load, fit each other, and become what the board and the comparators expect."""

from __future__ import annotations

from pathlib import Path

import pytest
from lidjig.bench import (
    DEMO_MACHINE,
    DEMO_SENSOR,
    check_pair,
    closing_angle_deg,
    load_machine,
    load_sensor,
    opening_angle_deg,
    shipped,
)
from lidjig.bench.families.table import FAMILIES

from shared_proto import blobs, family_blobs, names

SENSORS, MACHINES = shipped("sensors"), shipped("machines")


def test_what_is_shipped() -> None:
    assert {"hinge-a1", "hinge-b2", "slow-20", "hinge-c1"} <= set(SENSORS)
    assert {"alder-14", "birch-13", "cedar-15", "dogwood-14"} <= set(MACHINES)
    assert DEMO_SENSOR in SENSORS and DEMO_MACHINE in MACHINES


@pytest.mark.parametrize("name", SENSORS)
def test_sensor_becomes_a_record_that_the_board_parses(name: str) -> None:
    sensor, text = load_sensor(name)
    assert sensor.name == name and f'name = "{name}"' in text
    number = FAMILIES[sensor.family].number
    rows = blobs.PROFILE_FIELDS if sensor.is_switch else family_blobs.fields(number)
    values, bad = blobs.unpack(rows, sensor.to_blob())
    assert bad == -1
    assert values["name"] == name.encode() and values["family"] == number
    assert values.get("outputs", 0) == len(sensor.output)
    assert values["supply_min_mv"] == round(sensor.supply.min_v * 1000)
    assert values["update_us"] == round(1e6 / sensor.timing.update_hz)
    assert names.ROUTES[values["safe_route"]] == sensor.range.safe_route
    for output in sensor.output:
        assert values[f"operate_mdeg_{output.line}"] == round(output.operate_deg * 1000)
        assert values[f"release_mdeg_{output.line}"] == round(output.release_deg * 1000)
        assert blobs.DRIVES[values[f"drive_{output.line}"]] == output.drive
        assert values[f"active_high_{output.line}"] == (output.active == "high")


@pytest.mark.parametrize("name", SENSORS)
def test_shut_and_open_angles_are_beyond_doubt(name: str) -> None:
    sensor, _ = load_sensor(name)
    for output in sensor.output:
        low, high = sorted((output.operate_deg, output.release_deg))
        assert sensor.shut_deg() < low
        assert sensor.open_deg() > high if output.operated_when_shut else sensor.open_deg() < low
    assert sensor.range.angle_min_deg <= sensor.shut_deg() < sensor.open_deg() <= sensor.range.angle_max_deg


@pytest.mark.parametrize("name", MACHINES)
def test_machine_fits_the_sensor_it_names(name: str) -> None:
    machine, text = load_machine(name)
    sensor, _ = load_sensor(machine.sensor)
    check_pair(sensor, machine)
    assert machine.name == name and f'name = "{name}"' in text
    shut, opened = closing_angle_deg(sensor, machine.lid_rule), opening_angle_deg(sensor, machine.lid_rule)
    assert shut < opened


@pytest.mark.parametrize("name", MACHINES)
def test_wiring_record_names_what_is_wired(name: str) -> None:
    machine, _ = load_machine(name)
    values, bad = blobs.unpack(blobs.WIRING_FIELDS, machine.wiring_blob())
    assert bad == -1 and values["name"] == name.encode()
    lines = {line for bit, line in enumerate(names.LINES) if values["lines_used"] >> bit & 1}
    channels = {channel for bit, channel in enumerate(names.CHANNELS) if values["scan"] >> bit & 1}
    assert {"supply_ok", "mark", "machine_1", "sensor_1"} <= lines
    assert ("machine_2" in lines) is (len(machine.line) == 2)
    assert {line for line in lines if line.startswith("observer")} == set(machine.digital())
    own = {"supply", "sensor_supply", "jig_3v3", *(f"{side}_{n}" for n in (1, 2) for side in ("machine", "sensor"))}
    assert channels - own == {machine.channel_of(observer) for observer in machine.analog()}
    assert {"supply", "machine_1", "sensor_supply", "jig_3v3"} <= channels
    assert values["bus"] == bool(machine.meter) and values["tach"] == 0


def test_observers_differ_as_described() -> None:
    wired = {name: {*load_machine(name)[0].analog(), *load_machine(name)[0].digital()} for name in MACHINES}
    assert wired["alder-14"] == {"charger_v", "charger_i", "light", "observer_1", "observer_2"}
    assert wired["birch-13"] == {"charger_i", "light"}
    assert wired["cedar-15"] == {"observer_1", "observer_2"}
    assert wired["dogwood-14"] == {"charger_v", "charger_i", "light"}


@pytest.mark.parametrize("name", MACHINES)
def test_comparators_are_raw_readings_of_the_channel(name: str) -> None:
    machine, _ = load_machine(name)
    assert [machine.observer_of(c.channel) for c in machine.comparators()] == list(machine.analog())
    for comparator in machine.comparators():
        scale = machine.scale(comparator.channel)
        observer = machine.analog()[machine.channels()[comparator.channel]]
        back = [scale.value(raw) for raw in comparator.thresholds_raw]
        assert back == pytest.approx(observer.thresholds, abs=scale.per_raw)
        assert comparator.hysteresis_raw * scale.per_raw == pytest.approx(observer.hysteresis, abs=scale.per_raw)
        assert 0 < comparator.thresholds_raw[0] and comparator.thresholds_raw[-1] < 65535
        # Wider than the converter's own steps (12 bits in 16; a monitor has 16), or noise would chatter across it.
        step = 1 if comparator.channel.startswith("meter_") else 16
        assert comparator.hysteresis_raw > 10 * step


def test_inverted_observer_is_told_to_the_board(tmp_path: Path) -> None:
    _, text = load_machine("cedar-15")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('signal = "SLP_S4#"', 'signal = "SLP_S4"\ninvert = true'))
    machine, _ = load_machine(path)
    values, _ = blobs.unpack(blobs.WIRING_FIELDS, machine.wiring_blob())
    assert values["invert"] == 1 << names.LINE_OBS2


def test_fold_output_is_operated_far_open_only() -> None:
    from lidjig.bench import parse_sensor

    _, text = load_sensor("hinge-b2")
    head, _, second = text.rpartition("operate_deg = 13.0")
    fold = (head + "operate_deg = 170.0" + second).replace("release_deg = 19.0", "release_deg = 160.0")
    sensor = parse_sensor(fold, "fold.toml")
    assert [o.operated_when_shut for o in sensor.output] == [True, False]
    assert [o.line for o in sensor.lid_outputs()] == [1]
    assert sensor.open_deg() < sensor.output[1].release_deg


def test_a_profile_may_be_given_as_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, text = load_sensor("hinge-a1")
    path = tmp_path / "mine.toml"
    path.write_bytes(
        b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()
    )  # as some editors on Windows save it
    for given in (path, str(path)):
        sensor, kept = load_sensor(given)
        assert sensor.name == "hinge-a1" and "SLIS164C" in kept
    monkeypatch.chdir(tmp_path)
    assert load_sensor("mine.toml")[0].name == "hinge-a1"
