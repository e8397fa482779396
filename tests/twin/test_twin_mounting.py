"""A mounting in millimetres, down to the sensor's output on the bench, and back to its cause from what was recorded."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path
from typing import Any

import lidjig.twin
import magpylib
import numpy as np
import numpy.typing as npt
import pytest
import tomli_w
from lidjig.bench.families.base import Seen, Wave
from lidjig.bench.profiles import load_sensor
from lidjig.errors import BadInput
from lidjig.jig_types import Route
from lidjig.link.twin import TwinLink
from lidjig.measure import curve_why
from lidjig.measure import magnet_field as mf
from lidjig.measure import sensor_errors as se
from lidjig.measure.curve import Recording, Scale, figures
from lidjig.measure.curve_why import LIKELY, MAGNET_OFF, MISMATCH, NONE, SENSOR_OFF, Known
from lidjig.twin.facts import make_facts
from lidjig.twin.mounting import InsidePart, MountingPart
from lidjig.twin.scenario import parse_scenario
from twin_bench import jig_on, pass_time

Floats = npt.NDArray[np.float64]

DOCUMENT = (Path(lidjig.twin.__file__).parent / "SCENARIOS.md").read_text(encoding="utf-8")
ELM = '[machine]\nmodel = "elm-14"\n'
BOTH_OFF = "[sensor.mounting]\nsensor_offset_mm = [0.35, 0.35]\nmagnet_offset_mm = [0.6, 0.0]\n"
CENTRED = "[sensor.mounting]\ngap_mm = 1.5\n"
# As well as a hinge is built: errors of some hundredths of a degree, below half a step of the format.
GOOD = "[sensor.mounting]\nsensor_offset_mm = [0.08, 0.05]\nmagnet_offset_mm = [0.0, 0.06]\n"
MAGNET = mf.Magnet(3.0, 2.5, 1.2)  # the scenarios' own, where none is given
TURN_DEG = np.arange(361.0)


def facts_of(text: str) -> dict[str, Any]:
    found: dict[str, Any] = make_facts(parse_scenario(text, "mine.toml"), 1)["sensor"]["angle"]
    return found


# The table.


def test_without_a_mounting_there_is_the_profiles_table_alone() -> None:
    plain = facts_of(ELM)
    assert plain["errors_mdeg"] == [0] * 37 and plain["errors_turn"] == 0
    centred = facts_of(ELM + CENTRED)
    assert centred["errors_mdeg"] == [0] * 361 and centred["errors_turn"] == 1


def test_the_table_is_the_fields_own_error() -> None:
    table = facts_of(
        f"{ELM}[sensor.mounting]\ngap_mm = 1.2\nsensor_offset_mm = [0.5, -0.3]\nmagnet_offset_mm = [0.2, 0.4]\n"
        "sensor_tilt_deg = [3.0, -2.0]\nmagnet_tilt_deg = [-1.0, 4.0]\nradius_mm = 2.5\nheight_mm = 3.0\n"
        "polarisation_t = 1.1\n"
    )["errors_mdeg"]
    mounting = mf.Mounting(1.2, (0.5, -0.3), (0.2, 0.4), magnet_tilt_deg=(-1.0, 4.0), sensor_tilt_deg=(3.0, -2.0))
    wanted = 1000.0 * mf.angle_error_deg(mf.Magnet(2.5, 3.0, 1.1), mounting, TURN_DEG)
    assert np.abs(wanted).max() > 1000.0
    np.testing.assert_allclose(table, wanted, atol=0.5001)


def test_the_table_is_that_of_an_independent_field() -> None:
    """magpylib turns a cylinder about the hinge; the field in front of its face points against the polarisation."""
    table = facts_of(ELM + BOTH_OFF)["errors_mdeg"]
    for lid_deg in (0, 77, 180, 291):
        magnet = magpylib.magnet.Cylinder(polarization=(1.2, 0, 0), dimension=(6e-3, 2.5e-3))
        magnet.position = (0.6e-3, 0.0, -1.25e-3)
        magnet.rotate_from_angax(float(lid_deg), "z", anchor=(0, 0, 0))
        bx, by, _bz = magnet.getB((0.35e-3, 0.35e-3, 1.5e-3))
        error = (np.degrees(np.arctan2(-by, -bx)) - lid_deg + 180.0) % 360.0 - 180.0
        assert table[lid_deg] == pytest.approx(1000.0 * error, abs=0.6), lid_deg


def test_inside_works_on_the_angle_of_the_field_and_the_profile_adds_its_own() -> None:
    text = f"{ELM}{BOTH_OFF}[sensor.inside]\noffset_sin = 0.02\noffset_cos = -0.01\ncos_gain = 0.97\nphase_deg = 1.0\n"
    mounting = mf.Mounting(1.5, (0.35, 0.35), (0.6, 0.0))
    field = mf.angle_error_deg(MAGNET, mounting, TURN_DEG)
    own = se.angle_error_deg(se.Terms(0.02, -0.01, 0.97, 1.0), TURN_DEG + field)
    np.testing.assert_allclose(facts_of(text)["errors_mdeg"], 1000.0 * (field + own), atol=0.5001)

    profile = (
        '[sensor.parameters]\nname = "bent"\ntitle = "bent"\nfamily = "pwm"\n'
        "supply = {min_v = 3.0, max_v = 3.6}\ntiming = {update_hz = 500.0}\nlid = {shut_deg = 8.0, open_deg = 12.0}\n"
        'encoding = {frequency_hz = 920.0, drive = "push-pull"}\n'
        "transfer = {error_deg = [[0.0, 0.0], [90.0, 2.0], [360.0, 0.0]]}\n"
        'range = {angle_min_deg = 0.0, angle_max_deg = 180.0, start_deg = 100.0, safe_route = "through"}\n'
    )
    bent = np.interp(TURN_DEG, [0.0, 90.0, 360.0], [0.0, 2.0, 0.0])
    np.testing.assert_allclose(facts_of(ELM + BOTH_OFF + profile)["errors_mdeg"], 1000.0 * (field + bent), atol=0.5001)


# Through the bench.

FRAME_S = 1 / 920
CODES = 4096
LOW_DEG, HIGH_DEG, LID_S = 10.0, 350.0, 60.0
ANGLES = 36
# From the lid's step to the end of the frame that tells it: a look every 2 ms, a frame waited for and a frame sent, and
# the lid moves in steps of 5 ms. The middle of that.
LATE_S = 0.005


def lid_operator(lid_deg: float) -> str:
    return (
        f"[operator]\nlid_deg = {lid_deg}\nshut_deg = {LOW_DEG}\nopen_deg = {HIGH_DEG}\nlid_s = {LID_S}\n"
        "reaction_min_s = 0.0\nreaction_max_s = 0.0\n"
    )


def told_deg(link: TwinLink, coded: Any) -> float:
    """Angle of the last frame at the machine's board."""
    found = link.wave("1", 4 * FRAME_S)
    times = [0.0, *((t - found["begin"]) / 125.0 for t, _level in found["edges"])]
    levels = np.array([found["level"], *(level for _t, level in found["edges"])], dtype=np.int8)
    wave = Wave(np.array(times), levels, (found["end"] - found["begin"]) / 125.0)
    readings = coded.decode(Seen(3.3, waves={"out": wave}))
    assert readings and not [r.fault for r in readings if r.fault]
    return 360.0 * float(readings[-1].part)


def recorded(text: str) -> Recording:
    """The operator opens the lid slowly, then shuts it; the jig leaves the sensor through to the machine."""
    scenario = parse_scenario(ELM + lid_operator(LOW_DEG) + text, "mine.toml")
    coded = scenario.profile.coded()
    # The lid moves smoothly, 3 x^2 - 2 x^3: these times give about even angles.
    x = np.linspace(0.0, 1.0, 1001)
    times_s = LID_S * np.interp((np.arange(ANGLES) + 0.5) / ANGLES, 3.0 * x**2 - 2.0 * x**3, x)
    rows: list[tuple[float, float, bool, int]] = []
    with contextlib.closing(TwinLink(scenario, vm="cpython")) as link, jig_on(link, "hinge-p1", "elm-14") as jig:
        assert jig.status().route is Route.THROUGH
        for action in ("open-lid", "shut-lid"):
            link.tell_operator(action)
            begin_s = link.clock.now_s()
            for time_s in times_s:
                pass_time(link, begin_s + time_s - link.clock.now_s())
                lid_deg = link.look()["lid_mdeg"] / 1000.0
                pass_time(link, LATE_S)
                rows.append((lid_deg, told_deg(link, coded), action == "open-lid", 0))
            pass_time(link, begin_s + LID_S + 1.0 - link.clock.now_s())
    return Recording.of(*(np.array(column) for column in zip(*rows, strict=True)))


def causes(text: str, known: Known) -> dict[str, curve_why.Cause]:
    # A count of the turn: its gain cannot be off.
    scale = Scale(unit="deg", lsb=360.0 / (CODES - 1), gain_known=True)
    return {cause.name: cause for cause in curve_why.likely_causes(figures(recorded(text), scale), known)}


def test_both_off_centre_are_named_from_what_the_machine_is_sent() -> None:
    found = causes(BOTH_OFF, Known(MAGNET, 1.5, axis_deg=0.0))
    assert {MAGNET_OFF, SENSOR_OFF} <= set(found) and MISMATCH not in found
    assert next(iter(found)) == MAGNET_OFF and found[MAGNET_OFF].standing == LIKELY


def test_a_good_mounting_has_no_cause() -> None:
    found = causes(GOOD, Known(MAGNET, 1.5, axis_deg=0.0))
    assert list(found) == [NONE], found


@pytest.mark.parametrize(("lid_deg", "magnet_deg"), [(30.0, 350.0), (57.3, 17.3), (133.0, 93.0), (359.5, 319.5)])
def test_every_angle_between_the_entries_and_beyond_the_turn(vm: str, lid_deg: float, magnet_deg: float) -> None:
    """The magnet is turned by -40 deg: at lid angle 30 its field stands at -10 deg, with the error of 350."""
    # Unequal amplitudes for an error that is steep, up to 0.4 deg per deg.
    text = '[machine]\nmodel = "oak-14"\n[sensor.magnet]\noffset_deg = -40.0\n[sensor.inside]\ncos_gain = 0.7\n'
    text += BOTH_OFF + lid_operator(lid_deg)
    with contextlib.closing(TwinLink(parse_scenario(text, "mine.toml"), vm=vm)) as link:
        pass_time(link, 1.0)
        raw = link.transfer(0x36, b"\x0c", 2)  # RAW ANGLE: ams AS5600 data sheet v1-06, p.18
    assert raw is not None
    field_deg = float(mf.field_angle_deg(MAGNET, mf.Mounting(1.5, (0.35, 0.35), (0.6, 0.0)), magnet_deg))
    wanted = field_deg + float(se.angle_error_deg(se.Terms(cos_gain=0.7), field_deg))
    told = 360.0 * int.from_bytes(raw, "big") / CODES
    # Half a step of the format; 1 mdeg for the entries, and 10 deg * (2 * 1 deg)^2 / 8 for what lies between two.
    assert abs((told - wanted + 180.0) % 360.0 - 180.0) <= 0.5 * 360.0 / CODES + 0.001 + 0.002


@pytest.mark.parametrize(("lid_deg", "error_deg"), [(30.0, 3.0), (40.0, 3.0), (85.0, 4.5), (130.0, 6.0), (230.0, 6.0)])
def test_a_profiles_own_error_alone_holds_beyond_its_ends(lid_deg: float, error_deg: float) -> None:
    profile = load_sensor("hinge-r1")[1].replace("[transfer]", "[transfer]\nerror_deg = [[0.0, 3.0], [90.0, 6.0]]")
    table = tomllib.loads(profile)
    text = '[machine]\nmodel = "oak-14"\n[sensor.magnet]\noffset_deg = -40.0\n' + lid_operator(lid_deg)
    text += tomli_w.dumps({"sensor": {"parameters": table}}).replace("[sensor]\n", "")
    with contextlib.closing(TwinLink(parse_scenario(text, "mine.toml"), vm="cpython")) as link:
        pass_time(link, 1.0)
        raw = link.transfer(0x36, b"\x0c", 2)
    assert raw is not None
    off = 360.0 * int.from_bytes(raw, "big") / CODES - (lid_deg - 40.0) - error_deg
    assert abs((off + 180.0) % 360.0 - 180.0) <= 0.5 * 360.0 / CODES + 0.001


MISTAKES = [
    ("[sensor.mounting]\ngap_mm = 0.0", "sensor.mounting.gap_mm", "0.1"),
    ("[sensor.mounting]\ngap_mm = -1.0", "sensor.mounting.gap_mm", "0.1"),
    ("[sensor.mounting]\ngap = 1.0", "sensor.mounting.gap", "gap_mm"),
    ("[sensor.mounting]\nradius_mm = 0", "sensor.mounting.radius_mm", "0.1"),
    ("[sensor.mounting]\nsensor_offset_mm = [1.0]", "sensor.mounting.sensor_offset_mm", "2 entries"),
    ("[sensor.mounting]\nsensor_offset_mm = [1.0, 99.0]", "sensor.mounting.sensor_offset_mm[1]", "20"),
    ("[sensor.mounting]\nmagnet_tilt_deg = [0.0, nan]", "sensor.mounting.magnet_tilt_deg[1]", "finite"),
    # 2 mm beside the axis, and the near face leans up by 2 mm * tan(40 deg) there.
    (
        "[sensor.mounting]\ngap_mm = 1.0\nsensor_offset_mm = [2.0, 0.0]\nmagnet_tilt_deg = [0.0, 40.0]",
        "sensor.mounting.gap_mm",
        "outside the magnet",
    ),
    # Far beside the magnet its field turns the other way round.
    ("[sensor.mounting]\nsensor_offset_mm = [8.0, 0.0]", "sensor.mounting", "turn back"),
    ("[sensor.inside]\noffset_sin = 1.0", "sensor.inside.offset_sin", "signal"),
    ("[sensor.inside]\noffset_sin = 0.6\noffset_cos = -0.9", "sensor.inside.offset_cos", "signal"),
    ("[sensor.inside]\ncos_gain = 0.0", "sensor.inside.cos_gain", "0.1"),
    ("[sensor.inside]\nphase_deg = 90.0", "sensor.inside.phase_deg", "below 90"),
    ("[sensor.inside]\nphase = 1.0", "sensor.inside.phase", "phase_deg"),
]


@pytest.mark.parametrize(("text", "key", "accepted"), MISTAKES)
def test_what_cannot_be_is_refused(text: str, key: str, accepted: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_scenario(f"{ELM}{text}\n", "mine.toml")
    assert (caught.value.file, caught.value.key) == ("mine.toml", key)
    assert accepted in caught.value.accepted


@pytest.mark.parametrize("table", ["mounting", "inside"])
def test_a_switch_has_no_angle_to_be_wrong(table: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_scenario(f'[sensor]\nprofile = "hinge-a1"\n[sensor.{table}]\n', "mine.toml")
    assert (caught.value.file, caught.value.key) == ("mine.toml", f"sensor.{table}")
    assert "hinge-a1 is a switch" in caught.value.accepted


def test_documents_example_is_accepted() -> None:
    part = DOCUMENT.split("### `[sensor.mounting]`")[1].split("```toml\n")[1].split("```")[0]
    assert parse_scenario(part, "example.toml").sensor.mounting is not None


@pytest.mark.parametrize("struct", [MountingPart, InsidePart])
def test_documents_defaults_are_the_tables(struct: type[MountingPart] | type[InsidePart]) -> None:
    name = "mounting" if struct is MountingPart else "inside"
    rows = [[c.strip() for c in line.strip("|").split("|")] for line in DOCUMENT.splitlines() if f"| `{name}." in line]
    told = {key.strip(" `"): row[2].strip("`") for row in rows for key in row[0].split(",")}
    assert set(told) == {f"{name}.{field}" for field in struct.__struct_fields__}
    for key, text in told.items():
        value = tomllib.loads(f"x = {text}")["x"]
        given = getattr(struct(), key.partition(".")[2])
        assert (tuple(value) if isinstance(value, list) else value) == given, key
