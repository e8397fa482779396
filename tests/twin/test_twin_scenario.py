"""Scenario files: what is accepted, how each mistake is told, and that SCENARIOS.md says it all."""

from __future__ import annotations

import contextlib
import json
import tomllib
from pathlib import Path
from typing import Any

import lidjig.twin
import msgspec
import pytest
from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.errors import BadInput
from lidjig.jig import Jig
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from lidjig.twin import catalogue, scenario
from lidjig.twin.facts import make_facts
from lidjig.twin.habits import SIGNALS, ModelMeter
from lidjig.twin.model import MachineModel, ModelLine
from lidjig.twin.mounting import InsidePart, MountingPart
from lidjig.twin.scenario import load_scenario, models, parse_scenario, shipped

from shared_proto import names

DOCUMENT = (Path(lidjig.twin.__file__).parent / "SCENARIOS.md").read_text(encoding="utf-8")

METER = "[[machine.parameters.meter]]\nnumber = 1\naddress = 64\nshunt_mohm = 10.0\n"
DOGWOOD = '[machine]\nmodel = "dogwood-14"\n'

MISTAKES = [
    ("sead = 1", "sead", "seed"),
    ("seed = -1", "seed", "0.."),
    ("seed = 1\nseed = 2", "seed", "once"),
    ("seed = ", "seed", "TOML"),
    ("title = 3", "title", "text"),
    ('[machine]\nmodel = "aldr-14"', "machine.model", "alder-14"),
    ('[machine]\nstart_state = "S4"', "machine.start_state", "S3"),
    ("[machine.parameters.rail]\nvolts = 99", "machine.parameters.rail.volts", "6.5"),
    ("[machine.parameters]\nspeed = 1", "machine.parameters.speed", "latency"),
    ("[[machine.parameters.line]]\nnumber = 2", "machine.parameters.line[0].number", "1"),
    ("[machine.parameters.latency.sleep]\nsigma = 0.1", "machine.parameters.latency.sleep.median_ms", "missing"),
    ('[sensor]\nprofile = "hinge-x9"', "sensor.profile", "hinge-a1"),
    ('[sensor]\nprofile = "hinge-a1"\n[sensor.parameters]\nname = "x"', "sensor.profile", "either"),
    ('[sensor.parameters]\nname = "x"', "sensor.parameters.title", "missing"),
    ("[sensor.magnet]\ngain = 0", "sensor.magnet.gain", "0.1"),
    ('[jig]\nfitted = "sideways"', "jig.fitted", "between"),
    ('[jig]\nboard_id = "xyz"', "jig.board_id", ""),
    ('[jig]\nkept = "alder-15"', "jig.kept", "alder-14"),
    ('[jig]\nkept = 3', "jig.kept", ""),
    ('[machine.parameters]\nname = "own"\n[jig]\nkept = true', "jig.kept", "own"),
    ("[operator]\nreaction_min_s = 3.0", "operator.reaction_max_s", "at least"),
    ("[operator]\nlid_s = nan", "operator.lid_s", "finite"),
    ('[[event]]\nat_s = 1\ndo = "dance"', "event[0].do", "press-power"),
    ('[[event]]\nat_s = 1\ndo = "set-rail"', "event[0].volts", "set-rail"),
    ('[[event]]\nat_s = 1\ndo = "press-power"\nvolts = 3.3', "event[0].volts", "only there"),
    ('[[fault]]\nkind = "dead"', "fault[0].where", "sensor"),
    ('[[fault]]\nwhere = "senser"\nkind = "dead"', "fault[0].where", "did you mean 'sensor'"),
    ('[[fault]]\nwhere = "sensor"', "fault[0].kind", "dead"),
    ('[[fault]]\nwhere = "sensor"\nkind = "daed"', "fault[0].kind", "did you mean 'dead'"),
    ('[[fault]]\nwhere = "machine"\nkind = "dead"', "fault[0].kind", "ignores-lid"),
    ('[[fault]]\nwhere = "sensor"\nkind = "dead"\nohm = 3', "fault[0].ohm", "leak_ohm"),
    ('[[fault]]\nwhere = "wiring"\nkind = "line-open"\nline = 2', "fault[0].line", "alder-14 has: 1"),
    ('[[fault]]\nwhere = "sensor"\nkind = "stuck-shut"\nline = 2', "fault[0].line", "hinge-a1 has: 1"),
    ('[[fault]]\nwhere = "wiring"\nkind = "line-open"\nline = 1.5', "fault[0].line", "whole"),
    ('[[fault]]\nwhere = "link"\nkind = "drop"\nrate = 2', "fault[0].rate", "0..1"),
    ('[[fault]]\nwhere = "link"\nkind = "drop"\nrate = true', "fault[0].rate", "number"),
    ('[[fault]]\nwhere = "machine"\nkind = "random-miss"\non = "sometimes"', "fault[0].on", "both"),
    ('[[fault]]\nwhere = "machine"\nkind = "no-start"\n' * 2, "fault[1].kind", "once"),
    ('[machine.parameters.wired]\nobserver_1 = "slp_s5"', "machine.parameters.wired.observer_1", "backlight"),
    (f'{METER}[machine.parameters.wired]\nobserver_4 = "tach"', "machine.parameters.wired.observer_4", "bus"),
    (f"{METER}{METER}", "machine.parameters.meter[1].number", "once"),
    (f"{METER}{METER.replace('number = 1', 'number = 2')}", "machine.parameters.meter[1].address", "of its own"),
    (METER.replace("64", "32"), "machine.parameters.meter[0].address", "64"),
    ("[[machine.parameters.meter]]\nnumber = 1\naddress = 64", "machine.parameters.meter[0].shunt_mohm", "missing"),
    (
        "[machine.parameters]\ncharging.ma = 9.0\nbattery.share_percent = 5",
        "machine.parameters.battery.share_percent",
        "charges",
    ),
    ("[machine.parameters.power_light]\nperiod_ms = 300.0", "machine.parameters.power_light.on_ms", "below"),
    ("[machine.parameters.fan]\nrpm = 3000", "machine.parameters.fan.rpm", "pulses_hz"),
    ('[[fault]]\nwhere = "bus"\nkind = "hung"', "fault[0].kind", "alder-14 has none"),
    (f'{DOGWOOD}[[fault]]\nwhere = "bus"\nkind = "meter-missing"\nmeter = 2', "fault[0].meter", "has: 1"),
    (f'{DOGWOOD}[[fault]]\nwhere = "bus"\nkind = "meter-drops"\nmeter = 0.5', "fault[0].meter", "whole"),
    (f'{DOGWOOD}[[fault]]\nwhere = "bus"\nkind = "hung"\nclocks = 1.5', "fault[0].clocks", "whole"),
    (f'{DOGWOOD}[[fault]]\nwhere = "bus"\nkind = "hung"\nholds = "both"', "fault[0].holds", "scl"),
]


@pytest.mark.parametrize(("text", "key", "accepted"), MISTAKES)
def test_each_mistake_names_file_key_value_and_what_is_accepted(text: str, key: str, accepted: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_scenario(text, "mine.toml")
    assert caught.value.file == "mine.toml"
    assert caught.value.key == key
    assert accepted in caught.value.accepted


def test_a_jig_that_was_used_before_has_profile_and_wiring() -> None:
    assert parse_scenario("", "mine.toml").kept is None
    dogwood, cedar = load_machine("dogwood-14")[0], load_machine("cedar-15")[0]
    sensor = load_sensor("hinge-a1")[0]
    own = parse_scenario(f"{DOGWOOD}[jig]\nkept = true\n", "mine.toml")
    assert own.kept == (sensor.to_blob(), dogwood.wiring_blob())
    other = parse_scenario(f'{DOGWOOD}[jig]\nkept = "cedar-15"\n', "mine.toml")
    assert other.kept == (sensor.to_blob(), cedar.wiring_blob())
    with contextlib.closing(TwinLink(own)) as link:
        jig = Jig(link, nonce_seed=1)
        jig.connect(Deadline(link.clock, 5.0))
        assert jig.read_blob(names.BLOB_WIRING) == dogwood.wiring_blob()
        assert jig.read_blob(names.BLOB_PROFILE) == sensor.to_blob()


def test_files_by_name_and_by_path(tmp_path: Path) -> None:
    assert load_scenario("healthy-cedar-15").machine.name == "cedar-15"
    with pytest.raises(BadInput, match="healthy-cedar-15"):
        load_scenario("healthy-ceder-15")
    with pytest.raises(BadInput, match="existing TOML file"):
        load_scenario(tmp_path / "none.toml")
    own = tmp_path / "own.toml"
    text = load_sensor("hinge-c1")[1].replace('name = "hinge-c1"', 'name = "mine"')
    (tmp_path / "sensor.toml").write_text(text, encoding="utf-8")
    own.write_text('[sensor]\nprofile = "sensor.toml"\n', encoding="utf-8")
    assert load_scenario(own).profile.name == "mine"  # from the scenario's folder
    (tmp_path / "sensor.toml").write_text(text.replace("min_v = 1.65", "min_v = 9"), encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        load_scenario(own)
    assert caught.value.file.endswith("sensor.toml") and caught.value.key == "supply.min_v"


def test_parameters_override_the_model_key_by_key() -> None:
    read = parse_scenario('[machine]\nmodel = "birch-13"\n[machine.parameters.lid]\nsamples = 9\n', "x.toml")
    assert read.machine.lid.samples == 9
    assert read.machine.lid.sample_ms == 20.0 and len(read.machine.line) == 2
    assert read.profile.name == "hinge-b2"  # the model's own sensor
    plain = parse_scenario("[machine.parameters.rail]\nvolts = 2.5\n", "x.toml")
    assert plain.machine == MachineModel(rail=msgspec.structs.replace(MachineModel().rail, volts=2.5))


@pytest.mark.parametrize("name", shipped())
def test_shipped_scenarios_load_and_become_integers(name: str) -> None:
    read = load_scenario(name)
    sound = name.startswith(("healthy", "habit", "selftest", "unplugged"))
    assert read.title and (read.faults or read.sensor.magnet.turned_over or sound)

    def walk(node: Any) -> None:
        # the two interpreters read decimal fractions differently, so none may cross over
        assert not isinstance(node, float)
        for child in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
            walk(child)

    walk(make_facts(read, 5))
    assert "\n" not in json.dumps(make_facts(read, 5))


@pytest.mark.parametrize("name", models())
def test_models_lie_inside_what_their_profiles_expect(name: str) -> None:
    model = parse_scenario(f'[machine]\nmodel = "{name}"\n', "x.toml").machine
    expected = load_machine(name)[0]
    assert model.sensor == expected.sensor and model.lid.rule == expected.lid_rule
    assert expected.supply.min_v < model.rail.volts < expected.supply.max_v
    assert [line.number for line in model.line] == [line.number for line in expected.line]
    for own, line in zip(model.line, expected.line, strict=True):
        assert own.pull == line.pull
        if line.pull == "up":
            assert line.pull_min_kohm is not None and line.pull_max_kohm is not None
            assert line.pull_min_kohm < own.pull_kohm < line.pull_max_kohm
    meters = [(meter.number, meter.address, meter.shunt_mohm) for meter in expected.meter]
    assert [(meter.number, meter.address, meter.shunt_mohm) for meter in model.meter] == meters
    for observer, signal in zip(("observer_1", "observer_2"), model.wired.signals(), strict=False):
        named = getattr(expected.observers, observer)
        assert named is None or signal == {"SLP_S3#": "slp_s3", "SLP_S4#": "slp_s4"}[named.signal]
    for observer in ("charger_v", "charger_i"):
        analog = getattr(expected.observers, observer)
        assert analog is None or model.wired.charger_taps == (analog.by == "tap")
    limits = expected.limits
    own_and_limit_s = (
        (model.latency.start, limits.start_s),
        (model.latency.sleep, limits.sleep_s),
        (model.latency.wake, limits.wake_s),
    )
    for latency, limit_s in own_and_limit_s:
        assert latency.max_ms / 1000.0 < limit_s
    # and the slow one lies outside
    assert 6.0 * model.latency.sleep.min_ms / 1000.0 > 0.75 * limits.sleep_s
    assert 6.0 * model.latency.sleep.median_ms / 1000.0 > limits.sleep_s


def test_document_names_every_key() -> None:
    missing = []
    for struct in vars(scenario).values():
        if isinstance(struct, type) and issubclass(struct, msgspec.Struct) and struct.__module__ == scenario.__name__:
            names = [f"`{name}`" for name in struct.__struct_fields__ if name != "magnet"]
            missing += [name for name in names if name not in DOCUMENT and f".{name[1:]}" not in DOCUMENT]
    for info in msgspec.structs.fields(MachineModel):
        child = info.type
        inner = getattr(child, "__struct_fields__", ())
        missing += [f"{info.name}.{name}" for name in inner if f"{info.name}.{name}`" not in DOCUMENT]
        assert f"`{info.name}`" in DOCUMENT or inner
    parts = (("line", ModelLine), ("meter", ModelMeter), ("mounting", MountingPart), ("inside", InsidePart))
    for table, struct in parts:
        missing += [f"{table}.{name}" for name in struct.__struct_fields__ if f"`{table}.{name}`" not in DOCUMENT]
    for word in (*models(), *SIGNALS):
        missing += [] if f"`{word}`" in DOCUMENT else [word]
    assert missing == []


def default_rows() -> list[tuple[str, str]]:
    """Key and default of the document's rows on what is wired and on habits."""
    part = DOCUMENT.split("#### What is wired")[1].split("## `[sensor]`")[0]
    rows = []
    for line in part.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if line.startswith("| `") and "." in cells[0] and "must be given" not in line:
            keys = [key.strip(" `") for key in cells[0].split(",")]
            values = [value.split("(")[0].strip(" `") for value in cells[2].split(",")]
            rows += list(zip(keys, values * (1 if len(values) > 1 else len(keys)), strict=True))
    return rows


@pytest.mark.parametrize(("key", "default"), default_rows())
def test_documents_defaults_are_the_models(key: str, default: str) -> None:
    table, name = key.split(".")
    struct = ModelMeter(number=1, address=64, shunt_mohm=1.0) if table == "meter" else getattr(MachineModel(), table)
    value = getattr(struct, name)
    assert tomllib.loads(f"x = {default}")["x"] == value and isinstance(value, bool) == (default in ("true", "false"))


def test_every_habit_has_a_shipped_scenario_and_is_off_elsewhere() -> None:
    plain = MachineModel()
    fields = msgspec.structs.fields(MachineModel)
    habits = [info.name for info in fields if info.type.__module__ == "lidjig.twin.habits"]
    assert len(habits) >= 9
    seen = set()
    for name in shipped():
        model = load_scenario(name).machine
        changed = {habit for habit in habits if getattr(model, habit) != getattr(plain, habit)} - {"wired"}
        assert bool(changed) == name.startswith("habit-"), name
        seen |= changed
    assert seen == set(habits) - {"wired"}


def test_document_has_the_catalogue_as_it_is() -> None:
    inside = DOCUMENT.split("<!-- faults begin -->")[1].split("<!-- faults end -->")[0]
    assert inside.strip() == catalogue.as_markdown().strip()


def test_documents_example_is_accepted() -> None:
    example = DOCUMENT.split("```toml\n")[1].split("```")[0]
    assert parse_scenario(example, "example.toml").faults[0].kind == "line-open"
