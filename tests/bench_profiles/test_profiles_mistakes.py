"""Each mistake in a profile gives one BadInput: file, key, value, what is accepted."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench import check_pair, load_machine, load_sensor, parse_machine, parse_sensor, shipped
from lidjig.errors import BadInput

SENSOR = load_sensor("hinge-a1")[1]
PAIR = load_sensor("hinge-b2")[1]
MACHINE = load_machine("alder-14")[1]
BIRCH = load_machine("birch-13")[1]


def changed(text: str, before: str, after: str) -> str:
    assert text.count(before) >= 1, f"{before!r} does not stand in the profile"
    return text.replace(before, after, 1)


# (before, after, key, value, part of what is accepted)
SENSOR_MISTAKES = [
    ("update_hz", "update_hertz", "timing.update_hertz", 200.0, "did you mean 'update_hz'"),
    ("[supply]", "colour = 3\n[supply]", "colour", 3, "name, title, family"),
    ("min_v = 2.7", 'min_v = "2.7"', "supply.min_v", "2.7", "a number 1..5.5"),
    ("min_v = 2.7", "min_v = true", "supply.min_v", True, "a number 1..5.5"),
    ("min_v = 2.7", "min_v = 0.3", "supply.min_v", 0.3, "a number 1..5.5"),
    ("min_v = 2.7", "min_v = nan", "supply.min_v", None, "a finite number"),
    ("max_v = 3.6", "max_v = inf", "supply.max_v", None, "a finite number"),
    ("max_v = 3.6", "max_v = 12.0", "supply.max_v", 12.0, "a number 1..5.5"),
    ("max_v = 3.6", "max_v = 2.0", "supply.max_v", 2.0, "above supply.min_v = 2.7"),
    ("min_v = 2.7\n", "", "supply.min_v", None, "the key is missing"),
    ("current_max_ma = 4.0\n", "", "supply.current_max_ma", None, "both current limits or neither"),
    (
        "current_max_ma = 4.0",
        "current_max_ma = 1.0",
        "supply.current_max_ma",
        1.0,
        "above supply.current_min_ma = 1.5",
    ),
    ('family = "switch"', 'family = "ratio"', "family", "ratio", "one of 'analog', 'i2c'"),
    (
        'drive = "open-drain"',
        'drive = "open_drain"',
        "output[0].drive",
        "open_drain",
        "'open-drain', 'push-pull'",
    ),
    ('active = "low"', "active = 0", "output[0].active", 0, "'high', 'low'"),
    ("line = 1", "line = 3", "output[0].line", 3, "a whole number 1..2"),
    ("line = 1", "line = 2", "output[0].line", 2, "line 1 for a single output"),
    ("line = 1", "line = 1.5", "output[0].line", 1.5, "a whole number 1..2"),
    (
        "release_deg = 14.0",
        "release_deg = 8.0",
        "output[0].release_deg",
        8.0,
        "another angle than operate_deg",
    ),
    (
        "release_deg = 14.0",
        "release_deg = 300.0",
        "output[0].release_deg",
        300.0,
        "range.angle_max_deg = 180",
    ),
    (
        "operate_deg = 8.0",
        "operate_deg = 0.0",
        "output[0].operate_deg",
        0.0,
        "between range.angle_min_deg = 0",
    ),
    ("operate_deg = 8.0", "operate_deg = -4.0", "output[0].operate_deg", -4.0, "a number 0..360"),
    ("operate_deg = 8.0", "operate_deg = 30.0", "output", [30.0], "operate_deg below release_deg"),
    ("update_hz = 200.0", "update_hz = 0", "timing.update_hz", 0, "a number 1..1000"),
    ("start_deg = 100.0", "start_deg = 200.0", "range.start_deg", 200.0, "0..180"),
    (
        "angle_max_deg = 180.0",
        "angle_max_deg = 0.0",
        "range.angle_max_deg",
        0.0,
        "above range.angle_min_deg = 0",
    ),
    ('safe_route = "through"', 'safe_route = "standin"', "range.safe_route", "standin", "'open', 'through'"),
    ('name = "hinge-a1"', 'name = "Hinge A1"', "name", "Hinge A1", "matching"),
    ('name = "hinge-a1"', f'name = "{"x" * 33}"', "name", "x" * 33, "1..32 characters"),
    ("[timing]", "timing = 3\n[other]", "output[0].timing", 3, "the keys line, drive"),
    (
        "operate_mt = 3.5",
        "operate_mt = 3.0",
        "magnet.operate_mt",
        3.0,
        "the field at 8 deg, as output[0] states: 3.5 mT",
    ),
    ("release_mt = 2.0", "release_mt = 4.0", "magnet.release_mt", 4.0, "below magnet.operate_mt = 3.5"),
    ("shut_mt = 5.08", "shut_mt = 3.0", "magnet.shut_mt", 3.0, "never seen shut"),
]


@pytest.mark.parametrize("mistake", SENSOR_MISTAKES, ids=lambda m: f"{m[2]}={m[3]}"[:40])
def test_sensor_mistakes(mistake: tuple[str, str, str, object, str]) -> None:
    before, after, key, value, accepted = mistake
    with pytest.raises(BadInput) as caught:
        parse_sensor(changed(SENSOR, before, after), "mine.toml")
    error = caught.value
    assert (error.file, error.key) == ("mine.toml", key)
    if "finite" not in accepted:  # nan equals nothing
        assert error.value == value and type(error.value) is type(value)
    assert accepted in error.accepted
    assert "mine.toml" in str(error) and key in str(error)


MACHINE_MISTAKES = [
    ("[observers.light]", "[observers.lihgt]", "observers.lihgt", None, "did you mean 'light'"),
    ('unit = "permille"', 'unit = "mV"', "observers.light.unit", "mV", "'permille' on this channel"),
    ('unit = "permille"', 'unit = "lux"', "observers.light.unit", "lux", "one of 'Hz', 'mA', 'mV', 'permille'"),
    ("thresholds = [250]", "thresholds = []", "observers.light.thresholds", [], "1..3 entries"),
    (
        "thresholds = [250]",
        "thresholds = [1200]",
        "observers.light.thresholds[0]",
        1200.0,
        "below 1000 permille",
    ),
    ("thresholds = [250]", 'thresholds = ["x"]', "observers.light.thresholds[0]", "x", "a number above 0"),
    (
        "thresholds = [70, 400]",
        "thresholds = [400, 70]",
        "observers.charger_i.thresholds[1]",
        70.0,
        "ascending",
    ),
    ("hysteresis = 24", "hysteresis = 200", "observers.charger_i.hysteresis", 200.0, "below 140 mA"),
    ("hysteresis = 24", "hysteresis = 0", "observers.charger_i.hysteresis", 0, "a number above 0"),
    ("dwell_ms = 100", "dwell_ms = 0.5", "observers.charger_i.dwell_ms", 0.5, "a whole number 0..10000"),
    ("dwell_ms = 100", "dwell_ms = 99999", "observers.charger_i.dwell_ms", 99999, "a whole number 0..10000"),
    ("min_v = 3.0", "min_v = 3.7", "supply.max_v", 3.6, "above supply.min_v = 3.7"),
    ("nominal_v = 3.3", "nominal_v = 2.5", "supply.nominal_v", 2.5, "3..3.6"),
    ("nominal_v = 3.3", "nominal_v = 12", "supply.nominal_v", 12, "a number 1..5.5"),
    ("number = 1", "number = 2", "line[0].number", 2, "number 1 for a single line"),
    ('pull = "up"', 'pull = "down"', "line[0].pull", "down", "one of 'none', 'up'"),
    ('pull = "up"', 'pull = "none"', "line[0].pull_kohm", 47.0, "no resistance where pull = 'none'"),
    ("pull_kohm = 47.0\n", "", "line[0].pull_kohm", None, "the key is missing"),
    (
        "pull_min_kohm = 35.0",
        "pull_min_kohm = 70.0",
        "line[0].pull_max_kohm",
        60.0,
        "above line[0].pull_min_kohm = 70",
    ),
    ("pull_kohm = 47.0", "pull_kohm = 20.0", "line[0].pull_kohm", 20.0, "35..60"),
    (
        "pull_max_kohm = 60.0",
        "pull_max_kohm = 900.0",
        "line[0].pull_max_kohm",
        900.0,
        "survey.open_min_kohm = 400",
    ),
    (
        "pull_min_kohm = 35.0",
        "pull_min_kohm = 0.3",
        "line[0].pull_min_kohm",
        0.3,
        "survey.short_max_ohm = 400",
    ),
    ("contract_v = 20", "contract_v = 12", "charger.contract_v", 12, "one of 5, 9, 15, 20"),
    ("observer_1 = 1", "observer_1 = 2", "states.S0.observer_1", 2, "a whole number 0..1"),
    ("charger_i = 2", "charger_i = 4", "states.S0.charger_i", 4, "a whole number 0..3 or a list"),
    ("charger_i = 2", "charger_i = [1, 7]", "states.S0.charger_i[1]", 7, "a whole number 0..3"),
    ("charger_i = 2", "charger_i = 3", "states.S0.charger_i", 3, "0..2: charger_i has 2 thresholds"),
    ("[states.S0]", "[states.S1]", "states.S1", None, "the keys S0, S3, S5, G3"),
    (
        "close_max_deg = 11.0",
        "close_max_deg = 3.0",
        "windows.close_max_deg",
        3.0,
        "above windows.close_min_deg = 4",
    ),
    (
        "open_max_deg = 20.0",
        "open_max_deg = 5.0",
        "windows.open_max_deg",
        5.0,
        "above windows.open_min_deg = 11",
    ),
    ("open_min_deg = 11.0", "open_min_deg = 9.0", "windows.open_min_deg", 9.0, "the windows overlap"),
    ("sleep_s = 3.0", "sleep_s = 0", "limits.sleep_s", 0, "a number above 0"),
    ("sleep_s = 3.0", "sleep_s = -1.0", "limits.sleep_s", -1.0, "a number above 0"),
    ("[limits]", "[limits]\nmarginal_percent = 80", "limits.marginal_percent", 80, "a number 0..50"),
    ('starts_by = "power-button"', 'starts_by = "magic"', "starts_by", "magic", "'charger', 'power-button'"),
    ('active = "low"', 'active = "down"', "line[0].active", "down", "'high', 'low'"),
    ('lid_rule = "all"', 'lid_rule = "both"', "lid_rule", "both", "'all', 'any'"),
]


@pytest.mark.parametrize("mistake", MACHINE_MISTAKES, ids=lambda m: f"{m[2]}={m[3]}"[:40])
def test_machine_mistakes(mistake: tuple[str, str, str, object, str]) -> None:
    before, after, key, value, accepted = mistake
    with pytest.raises(BadInput) as caught:
        parse_machine(changed(MACHINE, before, after), "mine.toml")
    error = caught.value
    assert (error.file, error.key) == ("mine.toml", key)
    if value is not None or "missing" in accepted:
        assert error.value == value
    assert accepted in error.accepted


def test_states_that_the_wired_observers_cannot_tell_are_refused() -> None:
    text = changed(BIRCH, "charger_i = 1\nlight = 0", "charger_i = [0, 1]\nlight = 0")
    with pytest.raises(BadInput) as caught:
        parse_machine(text, "birch.toml")
    assert caught.value.key == "states.S5"
    assert "confuse with states.S3" in caught.value.accepted and "charger_i" in caught.value.accepted


def test_a_state_by_an_observer_that_is_not_wired_is_refused() -> None:
    text = changed(BIRCH, "charger_i = 1\n", "charger_i = 1\nobserver_1 = 0\n")
    with pytest.raises(BadInput) as caught:
        parse_machine(text, "birch.toml")
    assert (caught.value.key, caught.value.value) == ("states.S3.observer_1", [0])
    assert "wired on this bench: charger_i, light, supply_ok" in caught.value.accepted


def test_a_push_pull_output_on_five_volts_is_refused() -> None:
    _, text = load_sensor("hinge-c1")
    with pytest.raises(BadInput) as caught:
        parse_sensor(changed(text, "max_v = 3.6", "max_v = 5.5"), "mine.toml")
    assert (caught.value.key, caught.value.value) == ("output[0].drive", "push-pull")
    assert "drive the machine's line that high" in caught.value.accepted
    # An open-drain output only pulls down, and may stand on 5 V.
    assert parse_sensor(changed(SENSOR, "max_v = 3.6", "max_v = 5.5"), "mine.toml").supply.max_v == 5.5


def test_two_outputs_on_one_line_are_refused() -> None:
    with pytest.raises(BadInput) as caught:
        parse_sensor(changed(PAIR, "line = 2", "line = 1"), "mine.toml")
    assert (caught.value.key, caught.value.value) == ("output[1].line", 1)


@pytest.mark.parametrize(
    ("text", "key", "value"),
    [
        (changed(SENSOR, "max_v = 3.6", "max_v = 3.6\nmin_v = 3.0"), "supply.min_v", "3.0"),
        (changed(SENSOR, 'title = "', 'name = "again"\ntitle = "'), "name", '"again"'),
        (SENSOR + "\n[timing]\nupdate_hz = 5.0\n", "timing", "[timing]"),
    ],
    ids=["key in a table", "key at the top", "table"],
)
def test_repeated_keys_are_named(text: str, key: str, value: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_sensor(text, "mine.toml")
    assert (caught.value.file, caught.value.key, caught.value.value) == ("mine.toml", key, value)
    assert "once" in caught.value.accepted and "first in line" in caught.value.accepted


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("name = \n", "line 1"),
        ("name = 'x", "line 1"),
        ("[supply\nmin_v = 1", "line 1"),
        ("= 3", "line 1"),
        ("a = 1 2", "line 1"),
    ],
)
def test_broken_toml_names_its_line(text: str, part: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_sensor(text, "mine.toml")
    assert caught.value.file == "mine.toml" and part in caught.value.accepted


def test_an_empty_file_names_the_first_key_that_is_missing() -> None:
    with pytest.raises(BadInput) as caught:
        parse_sensor("", "mine.toml")
    assert (caught.value.key, caught.value.value) == ("name", None)


@pytest.mark.parametrize(
    ("given_name", "wanted"), [("hinge-a2", "hinge-a1"), ("hinge_a1", "hinge-a1"), ("slow20", "slow-20")]
)
def test_an_unknown_name_gets_the_nearest_and_the_list(given_name: str, wanted: str) -> None:
    with pytest.raises(BadInput) as caught:
        load_sensor(given_name)
    assert (caught.value.key, caught.value.value) == ("sensor", given_name)
    assert f"did you mean '{wanted}'" in caught.value.accepted or wanted in caught.value.accepted
    assert all(name in caught.value.accepted for name in shipped("sensors"))


def test_files_that_cannot_be_read_are_refused(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b"title = '\xe4'")
    (tmp_path / "huge.toml").write_bytes(b"#" * 300_000)
    cases: list[tuple[str | Path, str]] = [
        (tmp_path / "none.toml", "an existing TOML file"),
        (tmp_path, "an existing TOML file"),
        (tmp_path / "latin.toml", "UTF-8"),
        (tmp_path / "huge.toml", "at most"),
        ("a\0b.toml", "TOML file"),
        ("x" * 5000 + ".toml", "TOML file"),
        ("", "one of"),
    ]
    for given_path, accepted in cases:
        with pytest.raises(BadInput) as caught:
            load_machine(given_path)
        assert accepted in caught.value.accepted


def test_sensors_that_do_not_fit_the_machine_are_refused() -> None:
    alder, birch, cedar = (load_machine(name)[0] for name in ("alder-14", "birch-13", "cedar-15"))
    a1, b2, c1, slow = (load_sensor(name)[0] for name in ("hinge-a1", "hinge-b2", "hinge-c1", "slow-20"))
    cases = [
        (a1, cedar, "supply.min_v", 2.7, "cedar-15 gives 1.65..1.98 V"),
        (b2, alder, "output[1].line", 2, "alder-14 has no other"),
        (a1, birch, "output", ["line 1"], "an output for each line"),
    ]
    for sensor, machine, key, value, accepted in cases:
        with pytest.raises(BadInput) as caught:
            check_pair(sensor, machine)
        assert (caught.value.key, caught.value.value) == (key, value)
        assert accepted in caught.value.accepted
    high = parse_machine(changed(MACHINE, 'active = "low"', 'active = "high"'), "x")
    check_pair(c1, high)  # push-pull on a pulled line does no harm
    check_pair(slow, alder)
    without = 'active = "low"\npull_kohm = 47.0\npull_min_kohm = 35.0\npull_max_kohm = 60.0'
    bare = parse_machine(MACHINE.replace(f'pull = "up"\n{without}', 'pull = "none"'), "x")
    check_pair(c1, parse_machine(MACHINE.replace(f'pull = "up"\n{without}', 'pull = "none"\nactive = "high"'), "x"))
    with pytest.raises(BadInput, match="has no pull to give the high level"):
        check_pair(a1, bare)


def test_a_sensor_that_says_shut_by_the_other_level_is_refused() -> None:
    """Standing in with it would turn open and shut round and convict a healthy machine."""
    alder, birch = load_machine("alder-14")[0], load_machine("birch-13")[0]
    with pytest.raises(BadInput) as caught:
        check_pair(load_sensor("hinge-c1")[0], alder)
    assert (caught.value.key, caught.value.value) == ("output[0].active", "high")
    assert "hinge-c1" in caught.value.file
    assert "alder-14 has line[0].active = 'low'" in caught.value.accepted
    second = parse_sensor(PAIR[: (at := PAIR.rindex('active = "low"'))] + PAIR[at:].replace("low", "high", 1), "x")
    with pytest.raises(BadInput) as caught:
        check_pair(second, birch)
    assert caught.value.key == "output[1].active" and "line[1].active" in caught.value.accepted
    # A machine profile without the key means low, as nearly every lid line is.
    assert parse_machine(changed(MACHINE, 'active = "low"\n', ""), "x").line[0].active == "low"


def test_a_sensor_outside_the_machines_windows_is_refused() -> None:
    alder, _ = load_machine("alder-14")
    wide = SENSOR[: SENSOR.index("# Magnet in the lid")]
    early = parse_sensor(changed(wide, "operate_deg = 8.0", "operate_deg = 2.0"), "x")
    late = parse_sensor(changed(wide, "release_deg = 14.0", "release_deg = 40.0"), "x")
    with pytest.raises(BadInput, match="closing window of machine alder-14"):
        check_pair(early, alder)
    with pytest.raises(BadInput, match="opening window of machine alder-14"):
        check_pair(late, alder)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), kind=st.sampled_from(["sensor", "machine"]))
def test_any_damage_to_a_profile_is_met_with_bad_input_or_accepted(data: st.DataObject, kind: str) -> None:
    text = SENSOR if kind == "sensor" else MACHINE
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 12))
        text = (
            text[:at]
            + data.draw(st.text(max_size=6) | st.sampled_from(["\n[a]\n", "= 1e999", "-", "[[", "{", "'''"]))
            + text[at + length :]
        )
    try:
        (parse_sensor if kind == "sensor" else parse_machine)(text, "mine.toml")
    except BadInput as error:
        assert error.file == "mine.toml" and error.key and error.accepted and str(error)
