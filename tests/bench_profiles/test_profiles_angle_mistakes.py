"""Sensors that tell an angle: each mistake in a profile gives one BadInput with file, key, value, what is accepted."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench import load_sensor, parse_sensor
from lidjig.bench.families.table import FAMILIES as TABLE
from lidjig.errors import BadInput

from tests.bench_profiles.angle_profiles import FAMILIES, changed, good

Mistake = tuple[str, str, str, object, str]  # before, after, key, value, part of what is accepted

# For every family alike.
COMMON: list[Mistake] = [
    ("span_deg = ", "span_deg = 0.0 #", "transfer.span_deg", 0.0, "18..360: the codes spread over it, so a span of 0"),
    ("span_deg = ", "span_deg = -90.0 #", "transfer.span_deg", -90.0, "direction = 'down', not a span below 0"),
    ("span_deg = ", "span_deg = 5.0 #", "transfer.span_deg", 5.0, "18..360: the codes spread over it"),
    ("span_deg = ", "span_deg = 400.0 #", "transfer.span_deg", 400.0, "a turn is all there is"),
    ("span_deg = ", "slope_deg = ", "transfer.slope_deg", None, "did you mean 'span_deg'"),
    ("[transfer]\n", "[transfer]\nzero_deg = 360.0 #", "transfer.zero_deg", 360.0, "at least 0, below 360"),
    ("[transfer]\n", '[transfer]\ndirection = "left"\n', "transfer.direction", "left", "one of 'down', 'up'"),
    ("[transfer]\n", "[transfer]\nhysteresis_deg = -1.0\n", "transfer.hysteresis_deg", -1.0, "a number 0..10"),
    ("[transfer]\n", "[transfer]\nlag_ms = 2000.0\n", "transfer.lag_ms", 2000.0, "a number 0..1000"),
    ("[transfer]\n", "[transfer]\nnoise_deg = 9.0\n", "transfer.noise_deg", 9.0, "a number 0..5"),
    ("[transfer]\n", '[transfer]\nbelow = "clamp"\n', "transfer.below", "clamp", "'error', 'high', 'hold', 'low'"),
    ("[transfer]\n", '[transfer]\npower_up = 1\n', "transfer.power_up", 1, "'error', 'high', 'hold', 'low'"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[0, 0], [50, 40]]\n", "transfer.error_deg[1]", 40.0, "up to 30 deg"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[50, 1], [40, 0]]\n", "transfer.error_deg[1]", 40.0, "above 50"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[0, 20], [10, 0]]\n", "transfer.error_deg", -2.0, "would turn back"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[0, 0], [400, 0]]\n", "transfer.error_deg[1]", 400.0, "0..360 deg"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[0]]\n", "transfer.error_deg[0]", [0], "a list of 2 entries: a number"),
    ("[transfer]\n", "[transfer]\nerror_deg = [[0, 'x']]\n", "transfer.error_deg[0][1]", "x", "a number"),
    ("[transfer]\n", "[transfre]\n", "transfre", None, "did you mean 'transfer'"),
    ("shut_deg = 8.0", "shut_deg = 0.0", "lid.shut_deg", 0.0, "between range.angle_min_deg = 0"),
    ("open_deg = 12.0", "open_deg = 7.0", "lid.open_deg", 7.0, "above lid.shut_deg = 8"),
    ("open_deg = 12.0", "open_deg = 181.0", "lid.open_deg", 181.0, "range.angle_max_deg = 180"),
    ("open_deg = 12.0\n", "", "lid.open_deg", None, "the key is missing"),
    ("[lid]\nshut_deg = 8.0\nopen_deg = 12.0\n", "", "lid", None, "a table [lid] (the key is missing)"),
    ("max_v = 3.6", "max_v = 5.6", "supply.max_v", 5.6, "a number 1..5.5"),
    ("[lid]", "[[output]]\nline = 1\ndrive = 'push-pull'\nactive = 'low'\noperate_deg = 8\nrelease_deg = 9\n[lid]",
     "output", "a table", "no such table: family"),
]  # fmt: skip

# By family: its own keys, and what the format asks of the rest of the profile.
OWN: dict[str, list[Mistake]] = {
    "analog": [
        ("high_percent = 90.0", "high_percent = 110.0", "encoding.high_percent", 110.0, "cannot leave the supply"),
        ("low_percent = 10.0", "low_percent = -1.0", "encoding.low_percent", -1.0, "0..100, in percent of the supply"),
        ("high_percent = 90.0", "high_percent = 10.0", "encoding.high_percent", 10.0, "without a slope tells no angle"),
        ("pwm_hz = 20000", "pwm_hz = 100000", "encoding.pwm_hz", 100000, "at most"),
        ("pwm_hz = 20000", "pwm_hz = 50", "encoding.pwm_hz", 50, "timing.update_hz = 100"),
        ('via = "filtered-pwm"', 'via = "dac"', "encoding.pwm_hz", 20000, "no pwm_hz with via = 'dac'"),
        ('via = "filtered-pwm"', 'via = "relay"', "encoding.via", "relay", "one of 'dac', 'filtered-pwm'"),
        ("pwm_hz = 20000", "fault_low_percent = 12.0", "encoding.fault_low_percent", 12.0, "low_percent = 10"),
        ("pwm_hz = 20000", "tick_us = 3.0", "encoding.tick_us", 3.0, "low_percent, high_percent"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "push-pull"),
        ("[transfer]\n", "[transfer]\nwrap = true #", "transfer.span_deg", 180.0, "360 where transfer.wrap = true"),
    ],
    "pwm": [
        ("max_v = 3.6", "max_v = 5.0", "encoding.drive", "push-pull", "drive the machine's line that high"),
        ('drive = "push-pull"\n', "", "encoding.drive", None, "the key is missing"),
        ('drive = "push-pull"', 'drive = "both"', "encoding.drive", "both", "'open-drain', 'push-pull'"),
        ("frequency_hz = 920.0", "frequency_hz = 9000.0", "encoding.frequency_hz", 9000.0, "cannot time the steps"),
        ("frequency_hz = 920.0", "frequency_hz = 90.0", "timing.update_hz", 100.0, "at most 90"),
        ("frequency_hz = 920.0", "frequency_hz = 0", "encoding.frequency_hz", 0, "a number 8..20000"),
        ("tail_clocks = 128\n", "", "encoding.tail_clocks", None, "both head_clocks and tail_clocks"),
        ("head_clocks = 128", "head_clocks = 4", "encoding.head_clocks", 4, "at least 5"),
        ("head_clocks = 128\ntail_clocks = 128", "duty_low_percent = 90\nduty_high_percent = 10",
         "encoding.duty_high_percent", 10.0, "above encoding.duty_low_percent = 90"),
        ("head_clocks = 128\n", "steps_per_turn = 4096\n", "encoding.steps_per_turn", 4096, "frequency_hz, drive"),
        ("zero_deg = 0.0\nspan_deg = 180.0", "wrap = true", "transfer.wrap", True, "two ends of the span"),
    ],
    "sent": [
        ("tick_us = 3.0", "tick_us = 2.0", "encoding.tick_us", 2.0, "3..90 us"),
        ("tick_us = 3.0", "tick_us = 91.0", "encoding.tick_us", 91.0, "3..90 us"),
        ("tick_us = 3.0\n", "", "encoding.tick_us", None, "the key is missing"),
        ('format = "H.2"', 'format = "H.8"', "encoding.format", "H.8", "'H.6', 'H.7'"),
        ('crc = "recommended"', 'crc = "none"', "encoding.crc", "none", "'legacy', 'recommended'"),
        ("low_ticks = 5", "low_ticks = 11", "encoding.low_ticks", 11, "4..10"),
        ("low_ticks = 5", "frame_ticks = 100", "encoding.frame_ticks", 100, "0 for no pause pulse, or"),
        ("low_ticks = 5", "status = 16", "encoding.status", 16, "a whole number 0..15"),
        ("tick_us = 3.0", "tick_us = 90.0", "timing.update_hz", 100.0, "a frame of"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "push-pull"),
        ("low_ticks = 5", "frequency_hz = 920.0", "encoding.frequency_hz", 920.0, "tick_us, format"),
        ("zero_deg = 0.0\nspan_deg = 180.0", "wrap = true", "transfer.wrap", True, "two ends of the span"),
    ],
    "i2c": [
        ("address = 0x36", "address = 0x07", "encoding.address", 7, "8..119 (0x08..0x77)"),
        ("address = 0x36", "address = 200", "encoding.address", 200, "0..127"),
        ('layout = "12-bit"', 'layout = "16-bit"', "encoding.layout", "16-bit", "'12-bit', '14-bit'"),
        ("address = 0x36", "zpos = 100", "encoding.burns", 0, "1..3 where zpos or mpos are set"),
        ("address = 0x36", "mang = 100", "encoding.mang", 100, "takes none that is narrower"),
        ("address = 0x36", "conf = 0x30", "encoding.conf", 0x30, "3 is reserved"),
        ("address = 0x36", "zpos = 4096", "encoding.zpos", 4096, "0..4095"),
        ("address = 0x36\nwrap = true", "address = 0x36", "encoding.wrap", False, "counts a whole turn"),
        ("wrap = true\nspan_deg = 360.0", "span_deg = 180.0", "encoding.wrap", True, "both must count alike"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "3.3 V inputs"),
        ("address = 0x36", "tick_us = 3.0", "encoding.tick_us", 3.0, "layout, address"),
    ],
    "ssi": [
        ("clock_max_hz = 1000000", "clock_max_hz = 20000000", "encoding.clock_max_hz", 20000000, "1000..15625000"),
        ("pause_us = 20.0", "pause_us = 1.0", "encoding.pause_us", 1.0, "a shorter rest does not end a word"),
        ("status = 0", "status = 16", "encoding.status", 16, "0..15"),
        ("status = 0", 'sample_edge = "both"', "encoding.sample_edge", "both", "'falling', 'rising'"),
        ("status = 0\nwrap = true", "status = 0\nwrap = false", "encoding.wrap", False, "true"),
        ("wrap = true\nspan_deg = 360.0", "span_deg = 180.0", "encoding.wrap", True, "transfer.wrap"),
        ("clock_max_hz = 1000000\npause_us = 20.0", "clock_max_hz = 2000\npause_us = 2000",
         "timing.update_hz", 100.0, "a word of 24 bits"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "push-pull"),
        ("status = 0", "layout = '12-bit'", "encoding.layout", "12-bit", "clock_max_hz, sample_edge"),
    ],
    "quadrature": [
        ("steps_per_turn = 4096", "steps_per_turn = 4098", "encoding.steps_per_turn", 4098, "a multiple of 4"),
        ("steps_per_turn = 4096\n", "", "encoding.steps_per_turn", None, "the key is missing"),
        ("index_quarters = 1", "index_quarters = 3", "encoding.index_quarters", 3, "1, 2, 4"),
        ("rate_max_hz = 100000", "rate_max_hz = 50", "encoding.rate_max_hz", 50, "timing.update_hz = 100"),
        ("rate_max_hz = 100000", "rate_max_hz = 0", "encoding.rate_max_hz", 0, "1..2000000"),
        ("rate_max_hz = 100000\nwrap = true", "rate_max_hz = 100000", "encoding.wrap", False, "counts a whole turn"),
        ("rate_max_hz = 100000", 'leads = "c"', "encoding.leads", "c", "'a', 'b'"),
        ("wrap = true\nspan_deg = 360.0", "span_deg = 180.0", "encoding.wrap", True, "both must count alike"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "push-pull"),
        ("index_quarters = 1", "clock_max_hz = 1000000", "encoding.clock_max_hz", 1000000, "steps_per_turn"),
    ],
    "sincos": [
        ("amplitude_percent = 40.0", "amplitude_percent = 60.0", "encoding.amplitude_percent", 60.0, "at most 50"),
        ("amplitude_percent = 40.0", "amplitude_percent = 0.0", "encoding.amplitude_percent", 0.0, "above 0"),
        ("offset_sin_percent = 50.0", "offset_sin_percent = 70.0", "encoding.offset_sin_percent", 70.0, "40..60"),
        ("cos_gain = 1.0", "cos_gain = 1.5", "encoding.cos_gain", 1.5, "the cosine must fit in the supply"),
        ("cos_gain = 1.0", "phase_deg = 90.0", "encoding.phase_deg", 90.0, "-45..45"),
        ("cos_gain = 1.0", "pwm_hz = 500000", "encoding.pwm_hz", 500000, "at most"),
        ("wrap = true\nspan_deg = 360.0", "span_deg = 180.0", "transfer.wrap", False, "counts a whole turn"),
        ("max_v = 3.6", "max_v = 5.0", "supply.max_v", 5.0, "push-pull"),
        ("cos_gain = 1.0", "high_percent = 90.0", "encoding.high_percent", 90.0, "amplitude_percent"),
    ],
}  # fmt: skip


def refused(text: str) -> BadInput:
    with pytest.raises(BadInput) as caught:
        parse_sensor(text, "mine.toml")
    error = caught.value
    assert error.file == "mine.toml" and error.accepted
    # What a technician reads: file, key, value, what is accepted, what to do.
    said = "is not given" if error.value is None else f"= {error.value!r} is not usable"
    assert str(error).startswith(f"mine.toml: {error.key} {said}. Accepted: ")
    assert error.next_step == f"Correct {error.key} in mine.toml, then repeat the command."
    return error


def check(family: str, mistake: Mistake) -> None:
    before, after, key, value, accepted = mistake
    error = refused(changed(good(family), before, after))
    assert error.key == key
    if value is not None or "missing" in accepted:
        assert error.value == value
    assert accepted in error.accepted, error.accepted


def test_every_family_is_here() -> None:
    assert set(FAMILIES) == set(OWN) == set(TABLE) - {"switch"}
    assert min(map(len, OWN.values())) >= 5


@pytest.mark.parametrize("family", FAMILIES)
def test_the_good_ones_are_accepted(family: str) -> None:
    sensor = parse_sensor(good(family), "mine.toml")
    assert sensor.family == family and sensor.coded().codes > 1 and sensor.to_blob()


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("mistake", COMMON, ids=lambda m: f"{m[2]}={m[3]}"[:40])
def test_mistakes_in_what_all_have(family: str, mistake: Mistake) -> None:
    check(family, mistake)


@pytest.mark.parametrize(
    ("family", "mistake"), [(family, mistake) for family, mistakes in OWN.items() for mistake in mistakes],
    ids=lambda m: m if isinstance(m, str) else f"{m[2]}={m[3]}"[:40],
)  # fmt: skip
def test_mistakes_in_a_familys_own(family: str, mistake: Mistake) -> None:
    check(family, mistake)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_span_that_ends_past_the_turn_is_refused(family: str) -> None:
    text = good(family)
    if "wrap = true\nspan_deg" in text:
        # Where it wraps it may begin anywhere.
        parse_sensor(changed(text, "[transfer]\n", "[transfer]\nzero_deg = 300.0\n"), "mine.toml")
        return
    error = refused(changed(text, "zero_deg = 0.0", "zero_deg = 200.0"))
    assert (error.key, error.value) == ("transfer.span_deg", 180.0)
    assert "at most 160: from transfer.zero_deg up to 360 deg" in error.accepted


@pytest.mark.parametrize("family", FAMILIES)
def test_without_its_transfer_table_it_is_refused(family: str) -> None:
    text = good(family)
    start, end = text.index("[transfer]"), text.index("[encoding]")
    error = refused(text[:start] + text[end:])
    assert (error.key, error.value) == ("transfer", None)
    assert f"family {family!r} has one" in error.accepted


@pytest.mark.parametrize(
    ("family", "key"), [("pwm", "frequency_hz"), ("sent", "tick_us"), ("quadrature", "steps_per_turn")]
)
def test_without_its_encoding_table_the_first_key_is_missed(family: str, key: str) -> None:
    text = good(family)
    error = refused(text[: text.index("[encoding]")])
    assert (error.key, error.value) == (f"encoding.{key}", None) and "the key is missing" in error.accepted


@pytest.mark.parametrize("family", FAMILIES)
def test_a_family_that_does_not_exist_is_refused_with_the_list(family: str) -> None:
    error = refused(changed(good(family), f'family = "{family}"', 'family = "resolver"'))
    assert (error.key, error.value) == ("family", "resolver")
    assert all(repr(name) in error.accepted for name in TABLE)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("other", FAMILIES)
def test_the_encoding_of_another_family_is_refused(family: str, other: str) -> None:
    if family == other:
        return
    text, foreign = good(family), good(other)
    mixed = text[: text.index("[encoding]")] + foreign[foreign.index("[encoding]") :]
    assert refused(mixed).key.startswith("encoding.")


@pytest.mark.parametrize("family", FAMILIES)
def test_a_switch_with_the_tables_of_an_angle_is_refused(family: str) -> None:
    own = good(family)
    for table in ("transfer", "lid", "encoding"):
        rest = own[own.index(f"[{table}]") :]
        end = rest.find("\n[", 1)
        error = refused(load_sensor("hinge-a1")[1] + "\n" + (rest if end < 0 else rest[:end]))
        assert error.key == table and "family 'switch' has output, magnet" in error.accepted


def test_a_pulse_width_on_five_volts_may_be_open_drain() -> None:
    text = changed(changed(good("pwm"), "max_v = 3.6", "max_v = 5.0"), '"push-pull"', '"open-drain"')
    assert parse_sensor(text, "mine.toml").supply.max_v == 5.0


@settings(max_examples=200, deadline=None)
@given(data=st.data(), family=st.sampled_from(FAMILIES))
def test_any_damage_is_met_with_bad_input_or_accepted(data: st.DataObject, family: str) -> None:
    text = good(family)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        put = data.draw(st.text(max_size=6) | st.sampled_from(["\n[a]\n", "= 1e999", "-", "[[", "{", "'''", "0", "9"]))
        text = text[:at] + put + text[at + data.draw(st.integers(0, 12)) :]
    try:
        parse_sensor(text, "mine.toml")
    except BadInput as error:
        assert error.file == "mine.toml" and error.key and error.accepted and str(error)
