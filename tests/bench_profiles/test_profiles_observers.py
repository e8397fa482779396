"""Observers by power monitor and tach line: calibration, scales, wiring record, and contradictions."""

from __future__ import annotations

from typing import Any

import pytest
from lidjig.bench import load_machine, parse_machine
from lidjig.bench.observers import Meter, Scale, calibration
from lidjig.errors import BadInput

from shared_proto import blobs, names

ALDER = load_machine("alder-14")[1]
DOGWOOD = load_machine("dogwood-14")[1]
METER_2 = """
[[meter]]
number = 2
address = 0x41
shunt_mohm = 1000.0
max_a = 0.08
"""
SENSOR_I = """
[observers.sensor_i]
unit = "mA"
thresholds = [1.0]
hysteresis = 0.4
dwell_ms = 20
"""
TACH = """
[tach]
line = "observer_2"
"""
PULSES = """
[observers.pulses]
unit = "Hz"
thresholds = [30]
hysteresis = 20
dwell_ms = 0
"""
NO_SLP_S4 = [f"observer_2 = {level}\n" for level in (0, 1)]


def wiring(text: str) -> dict[str, Any]:
    values, bad = blobs.unpack(blobs.WIRING_FIELDS, parse_machine(text, "mine.toml").wiring_blob())
    assert bad == -1
    return values


def names_of(mask: int, order: tuple[str, ...]) -> set[str]:
    return {name for bit, name in enumerate(order) if mask >> bit & 1}


def tachless(text: str) -> str:
    """alder-14 with SLP_S4# out of its signatures, so that its line is free to count."""
    for line in NO_SLP_S4:
        text = text.replace(line, "")
    # S3 and S5 are still told apart by the current.
    return text


@pytest.mark.parametrize(
    ("current_lsb_a", "shunt_ohm", "register"),
    [
        # TI SBOS547 p.15-16: 10 A, 2 mohm, Current_LSB 1 mA (15 A / 32768 = 457.76 uA, rounded up): 2560 = 0xA00
        (0.001, 0.002, 2560),
        # 0.01 ohm, Current_LSB 0.25 mA: 2048 = 0x0800 (TI E2E forum example, recomputed)
        (0.00025, 0.01, 2048),
        # Cut off, not rounded: 0.00512 / (5 A / 2**15 * 10 mohm) = 3355.44 (computed from SBOS547 p.15)
        (5.0 / 2**15, 0.01, 3355),
    ],
)
def test_calibration_by_the_data_sheets_formula(current_lsb_a: float, shunt_ohm: float, register: int) -> None:
    assert calibration(current_lsb_a, shunt_ohm) == register


def test_the_data_sheets_example_in_registers() -> None:
    """TI SBOS547 p.15-16: 20 mV over the shunt is 8000; 8000 * 2560 / 2048 = 10000, which is 10 A; 11.98 V is 9584."""
    machine = parse_machine(DOGWOOD.replace("shunt_mohm = 10.0", "shunt_mohm = 2.0"), "mine.toml")
    # Its Current_LSB is rounded to 1 mA, so max_a is 2**15 steps of that.
    meter = Meter(number=1, address=0x40, shunt_mohm=2.0, max_a=32.768)
    assert meter.calibration == 2560
    assert meter.step_ma == pytest.approx(1.0)
    shunt_register = round(20.0 / 0.0025)
    assert shunt_register == 8000
    current_register = shunt_register * meter.calibration // 2048
    assert current_register == 10000 and current_register * meter.step_ma == pytest.approx(10_000.0)
    assert machine.scale("meter_1_v").value(9584) == pytest.approx(11_980.0)


def test_step_of_the_current_follows_from_what_stands_in_the_register() -> None:
    """The calibration is cut off to a whole number, so the step is a little larger than max_a / 2**15."""
    machine, _ = load_machine("dogwood-14")
    (meter,) = machine.meter
    assert meter.calibration == 3355
    # Current in the register = shunt register * calibration / 2048 (SBOS547 p.15): 1 A over 10 mohm is 4000 steps.
    register = 4000 * 3355 / 2048
    scale = machine.scale("meter_1_i")
    assert scale.unit == "mA" and scale.offset == names.METER_ZERO
    assert scale.value(register + names.METER_ZERO) == pytest.approx(1000.0, rel=1e-9)
    assert scale.value(names.METER_ZERO) == 0.0 and scale.value(names.METER_ZERO - register) == pytest.approx(-1000.0)


def test_every_channel_of_a_bench_has_a_scale() -> None:
    meter_1 = METER_2.replace("number = 2", "number = 1").replace("0x41", "0x40")
    machine = parse_machine(tachless(ALDER) + METER_2 + meter_1 + TACH, "x")
    assert machine.wired_channels() == [c for c in names.CHANNELS if c not in ("machine_2", "sensor_2")]
    units = {channel: machine.scale(channel).unit for channel in names.CHANNELS}
    assert tuple(units.values())[:10] == names.CHANNEL_UNITS
    assert {units[c] for c in ("meter_1_v", "meter_2_v")} == {"mV"}
    assert {units[c] for c in ("meter_1_i", "meter_2_i")} == {"mA"}
    # Rising edges in 100 ms: one is 10 Hz (PROTOCOL.md).
    assert machine.scale("pulses") == Scale("Hz", 10.0, 0, 255)
    assert machine.scale("supply").value(65535) == pytest.approx(6600.0)
    for channel in names.CHANNELS:
        scale = machine.scale(channel)
        assert scale.raw(scale.value(12345)) == pytest.approx(12345)


def test_the_current_of_a_monitor_that_is_not_wired_has_no_scale() -> None:
    machine, _ = load_machine("alder-14")
    for channel in ("meter_1_i", "meter_2_i", "nonsense"):
        with pytest.raises(KeyError):
            machine.scale(channel)


def test_observers_come_in_where_the_profile_says() -> None:
    taps, meter = load_machine("alder-14")[0], load_machine("dogwood-14")[0]
    assert (taps.channel_of("charger_v"), meter.channel_of("charger_v")) == ("charger_v", "meter_1_v")
    assert (taps.channel_of("charger_i"), meter.channel_of("charger_i")) == ("charger_i", "meter_1_i")
    assert meter.observer_of("meter_1_i") == "charger_i" and taps.observer_of("charger_i") == "charger_i"
    # The taps are there, but are no observer of a bench that goes by the meter.
    assert meter.observer_of("charger_i") is None and taps.observer_of("meter_1_i") is None
    assert meter.channel_of("light") == "light" and meter.channel_of("sensor_i") == "meter_2_i"
    with pytest.raises(KeyError):
        meter.channel_of("observer_1")
    assert list(meter.analog()) == ["charger_v", "charger_i", "light"]


def test_wiring_record_of_a_bench_with_a_meter() -> None:
    values = wiring(DOGWOOD + METER_2 + SENSOR_I)
    assert (values["bus"], values["meter_1"], values["cal_1"]) == (1, 0x40, 3355)
    # 0.00512 / (0.08 A / 2**15 * 1 ohm) = 2097.15 (computed from SBOS547 p.15)
    assert (values["meter_2"], values["cal_2"], values["tach"]) == (0x41, 2097, 0)
    channels = names_of(values["scan"], names.CHANNELS)
    assert {"meter_1_v", "meter_1_i", "meter_2_v", "meter_2_i", "light"} <= channels
    assert not channels & {"charger_v", "charger_i", "pulses"}
    plain = wiring(ALDER)
    assert [plain[key] for key in ("bus", "meter_1", "cal_1", "meter_2", "cal_2")] == [0] * 5


def test_tach_line_is_counted_and_not_told() -> None:
    text = tachless(ALDER).replace('signal = "SLP_S4#"', 'signal = "FAN_TACH"\ninvert = true') + TACH + PULSES
    machine = parse_machine(text, "mine.toml")
    assert "observer_2" not in machine.digital() and "observer_2" not in machine.watched_lines()
    values = wiring(text)
    assert values["tach"] == names.LINE_OBS2 + 1
    assert "observer_2" in names_of(values["lines_used"], names.LINES)
    assert names_of(values["invert"], names.LINES) == {"observer_2"}
    assert "pulses" in names_of(values["scan"], names.CHANNELS)
    # 30 Hz is 3 edges in 100 ms, 20 Hz of hysteresis 2.
    comparator = machine.comparator("pulses")
    assert (comparator.channel, comparator.thresholds_raw, comparator.hysteresis_raw) == ("pulses", (3,), 2)


def test_four_digital_observers_without_a_bus() -> None:
    more = "".join(f'\n[observers.observer_{n}]\nsignal = "BL_EN_{n}"\n' for n in (3, 4))
    machine = parse_machine(ALDER + more, "mine.toml")
    assert list(machine.digital()) == ["observer_1", "observer_2", "observer_3", "observer_4"]
    assert {"observer_3", "observer_4"} <= names_of(wiring(ALDER + more)["lines_used"], names.LINES)


MISTAKES = [
    # (text, key, value, part of what is accepted)
    (DOGWOOD.replace("[[meter]]", "[[meters]]", 1), "meters", None, "did you mean 'meter'"),
    (DOGWOOD.replace("number = 1\naddress", "number = 2\naddress"), "observers.charger_v.by", "meter", "number = 1"),
    (ALDER + SENSOR_I, "observers.sensor_i", "wired", "[[meter]] table with number = 2"),
    (DOGWOOD.replace('by = "meter"', 'by = "shunt"', 1), "observers.charger_v.by", "shunt", "'meter', 'tap'"),
    (DOGWOOD.replace("[observers.light]", '[observers.light]\nby = "tap"'), "observers.light.by", "tap", "the keys"),
    (DOGWOOD + METER_2.replace("number = 2", "number = 1"), "meter[1].number", 1, "each number once"),
    (DOGWOOD + METER_2.replace("0x41", "0x40"), "meter[1].address", "0x40", "another address than meter 1's"),
    (DOGWOOD.replace("0x40", "0x50"), "meter[0].address", "0x50", "0x40..0x4f"),
    (DOGWOOD.replace("0x40", "0x400"), "meter[0].address", 0x400, "a whole number 0..127"),
    (DOGWOOD + METER_2.replace("number = 2", "number = 3"), "meter[1].number", 3, "a whole number 1..2"),
    # 81.92 mV over 10 mohm (SBOS547 p.15)
    (DOGWOOD.replace("max_a = 5.0", "max_a = 9.0"), "meter[0].max_a", 9.0, "at most 8.192 A with a shunt of 10 mohm"),
    # 0.00512 / (0.5 A / 2**15 * 10 mohm) = 33554, above 0x7fff; it fits from 0.512 A on
    (DOGWOOD.replace("max_a = 5.0", "max_a = 0.5"), "meter[0].max_a", 0.5, "above 0.512 A with a shunt of 10 mohm"),
    (DOGWOOD.replace("max_a = 5.0", "max_a = 0.0"), "meter[0].max_a", 0.0, "above 0"),
    (DOGWOOD.replace("thresholds = [30, 250]", "thresholds = [30, 6000]"), "observers.charger_i.thresholds[1]", 6000.0,
     "below 5000.51 mA"),
    (DOGWOOD.replace("7000, 17500]", "7000, 37000]"), "observers.charger_v.thresholds[2]", 37000.0, "below 36000 mV"),
    (DOGWOOD.replace("hysteresis = 12", "hysteresis = 0.1"), "observers.charger_i.hysteresis", 0.1, "at least 0.153"),
    (DOGWOOD + '\n[observers.observer_3]\nsignal = "BL_EN"\n', "observers.observer_3", "BL_EN", "no observer_3 beside"),
    (DOGWOOD + TACH, "tach.line", "observer_2", "[observers.observer_2]"),
    (ALDER + PULSES, "observers.pulses", "wired", "without a [tach] table"),
    (ALDER + TACH.replace("observer_2", "mark"), "tach.line", "mark", "'observer_1', 'observer_2'"),
    # A line that is counted tells no level, so no state can stand on it.
    (ALDER + TACH, "states.S0.observer_2", [1], "an observer that is wired on this bench"),
    (tachless(ALDER) + TACH + PULSES.replace("= 20\n", "= 5\n"), "observers.pulses.hysteresis", 5.0, "at least 10 Hz"),
    (tachless(ALDER) + TACH + PULSES.replace("[30]", "[2600]"), "observers.pulses.thresholds[0]", 2600.0, "below 2550"),
    (tachless(ALDER) + TACH + PULSES.replace('"Hz"', '"mA"'), "observers.pulses.unit", "mA", "'Hz' on this channel"),
    (DOGWOOD.replace("light = 1\n", "light = 1\nsensor_i = 1\n"), "states.S0.sensor_i", [1], "wired on this bench"),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda m: f"{m[1]}={m[2]}"[:40])
def test_contradictions_are_named(mistake: tuple[str, str, object, str]) -> None:
    text, key, value, accepted = mistake
    with pytest.raises(BadInput) as caught:
        parse_machine(text, "mine.toml")
    assert (caught.value.file, caught.value.key) == ("mine.toml", key)
    if value is not None:
        assert caught.value.value == value
    assert accepted in caught.value.accepted
