"""A switch in mT: which angles follow from a field, and what is refused with which reason."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lidjig.bench import load_sensor, parse_sensor
from lidjig.bench.field import Field, with_angles
from lidjig.bench.magnet import Magnet
from lidjig.bench.sensor import AngleRange, Output, SensorProfile, SensorSupply, Timing
from lidjig.bench.sensor_words import sensor_sections
from lidjig.errors import BadInput
from lidjig.twin.scenario import parse_scenario

SENSOR = load_sensor("hinge-b3")[1]
POINTS = SENSOR[SENSOR.index("points = [") :]
GUIDE = (Path(__file__).resolve().parents[2] / "host" / "GUIDE.md").read_text(encoding="utf-8")
SECTION = GUIDE[GUIDE.index("### Sensor profile") : GUIDE.index("### Sensor that tells an angle")]


def with_field(points: str, **changes: str) -> str:
    text = SENSOR.replace(POINTS, points + "\n")
    for key, value in changes.items():
        text = re.sub(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
    return text


def stated(text: str) -> tuple[float, float]:
    (output,) = parse_sensor(text, "mine.toml").output
    return output.operate_deg, output.release_deg


def test_by_hand() -> None:
    # Halfway from 3.6 to 2.4 mT, and a quarter of the way from 2.4 to 1.6 mT.
    assert stated(SENSOR) == (10.0, 13.0)


# TI DRV5033-Q1, SLIS164C, front page: version FA operates at 3.5 mT and releases at 2 mT, AJ at 6.9 and 3.5 mT; either
# pole.
@pytest.mark.parametrize(("operate", "release"), [(3.5, 2.0), (6.9, 3.5)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_an_omnipolar_part_sees_either_pole(operate: float, release: float, sign: float) -> None:
    """A field that falls evenly, 0.5 mT a degree from 10 mT: (10 - B) / 0.5 degrees."""
    points = f"points = [[0.0, {10.0 * sign}], [20.0, 0.0], [180.0, 0.0]]"
    text = with_field(points, operate_mt=str(operate), release_mt=str(release), pole='"any"')
    assert stated(text) == pytest.approx(((10.0 - operate) / 0.5, (10.0 - release) / 0.5))


def test_a_part_for_the_north_pole() -> None:
    points = "points = [[0.0, -10.0], [20.0, 0.0], [180.0, 0.0]]"
    assert stated(with_field(points, pole='"north"')) == pytest.approx((14.0, 15.6))


def test_an_output_for_a_lid_folded_open_needs_a_field_that_grows() -> None:
    """Beside one that reports a shut lid: a second magnet that comes near past 150 deg."""
    second = '[[output]]\nline = 2\ndrive = "open-drain"\nactive = "low"\noperate_mt = 3.0\nrelease_mt = 2.0\n'
    points = "points = [[0.0, 6.0], [20.0, 0.0], [150.0, 0.0], [180.0, -6.0]]"
    text = with_field(points).replace("[timing]", f'{second}pole = "north"\n\n[timing]')
    shut, folded = parse_sensor(text, "mine.toml").output
    assert (shut.operate_deg, shut.release_deg) == pytest.approx((10.0, 12.667), abs=1e-3)
    assert (folded.operate_deg, folded.release_deg) == (165.0, 160.0)
    assert shut.operated_when_shut and not folded.operated_when_shut


def test_a_bump_that_stays_above_the_release_point_is_one_window() -> None:
    """Between the points nothing changes: what dips and rises again there is still operated."""
    points = "points = [[0.0, 2.5], [3.0, 6.0], [8.0, 2.5], [10.0, 4.0], [12.0, 2.0], [180.0, 0.0]]"
    assert stated(with_field(points)) == pytest.approx((11.0, 11.8))


def test_by_the_magnets_place() -> None:
    """The law of [magnet], whose angles hinge-a1 states: 8 and 14 deg (tests/references/test_ref_parts.py)."""
    place = "shut_mt = 5.08\ngap_mm = 5.25\nradius_mm = 20.0"
    magnet = load_sensor("hinge-a1")[0].magnet
    assert isinstance(magnet, Magnet)
    found = stated(with_field(place, operate_mt="3.5", release_mt="2.0"))
    assert found == pytest.approx((magnet.angle_deg(3.5), magnet.angle_deg(2.0)), abs=0.01)
    assert found == pytest.approx((8.0, 14.0), abs=0.15)
    turned = place.replace("5.08", "-5.08")
    assert stated(with_field(turned, operate_mt="3.5", release_mt="2.0", pole='"north"')) == found


# (points, changes of the profile, key, part of what is accepted)
CANNOT = [
    ("points = [[0.0, -6.0], [20.0, 0.0], [180.0, 0.0]]", {}, "output[0].pole", "strong enough (6 mT) at the north"),
    ("points = [[0.0, 2.9], [20.0, 0.0], [180.0, 0.0]]", {}, "output[0].operate_mt", "below 2.9, the strongest field"),
    ("points = [[0.0, -2.9], [20.0, 0.0], [180.0, 0.0]]", {}, "output[0].operate_mt", "below 0, the strongest field"),
    ("points = [[0.0, 6.0], [20.0, 2.3], [180.0, 2.3]]", {}, "output[0].release_mt", "above 2.3, the weakest field"),
    ("points = [[0.0, 6.0], [20.0, 0.0], [90.0, 0.0], [120.0, 6.0], [150.0, 0.0], [180.0, 0.0]]", {},
     "output[0].operate_mt", "operates at 0..10, 105..135 deg"),
    ("points = [[0.0, 6.0], [20.0, 0.0], [150.0, 0.0], [180.0, -6.0]]", {"pole": '"any"'}, "output[0].operate_mt",
     "two angles cannot say"),
    ("points = [[0.0, 0.0], [10.0, 6.0], [20.0, 0.0], [180.0, 0.0]]", {}, "output[0].operate_mt",
     "operates at 5..15 deg"),
    ("points = [[0.0, 6.0], [180.0, 5.0]]", {"release_mt": "2.9", "operate_mt": "4.0"}, "output[0].release_mt",
     "above 5"),
    ("points = [[0.0, 6.0], [20.0, 0.0], [180.0, 0.0]]", {"release_mt": "3.0"}, "output[0].release_mt",
     "below operate_mt = 3"),
    ("points = [[0.0, 6.0], [20.0, 0.0], [90.0, 0.0]]", {}, "field.points", "to range.angle_max_deg = 180"),
    ("points = [[0.0, 6.0], [20.0, 0.0], [20.0, 0.0]]", {}, "field.points[2]", "above 20"),
    ("points = [[0.0, 6.0]]", {}, "field.points", "at least two rows"),
    ("points = [[0.0, 2000.0], [180.0, 0.0]]", {}, "field.points[0][1]", "-1000..1000"),
    ("shut_mt = 6.0\ngap_mm = 5.0", {}, "field.radius_mm", "all of shut_mt, gap_mm, radius_mm"),
    ("points = [[0.0, 6.0], [180.0, 0.0]]\nshut_mt = 6.0", {}, "field.shut_mt", "either points or"),
    ("points = [[0.0, 6.0], [180.0, 0.0]]", {"pole": '"west"'}, "output[0].pole", "'any', 'north', 'south'"),
]  # fmt: skip


@pytest.mark.parametrize(("points", "changes", "key", "accepted"), CANNOT, ids=lambda v: str(v)[:30])
def test_what_cannot_work_is_refused(points: str, changes: dict[str, str], key: str, accepted: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_sensor(with_field(points, **changes), "mine.toml")
    assert refused.value.key == key and accepted in refused.value.accepted, refused.value


@pytest.mark.parametrize(
    ("change", "key", "accepted"),
    [
        (lambda t: t.replace("operate_mt = 3.0", "operate_mt = 3.0\noperate_deg = 8.0"), "output[0].operate_mt",
         "either"),
        (lambda t: t.replace("operate_mt = 3.0\n", ""), "output[0].operate_mt", "the key is missing"),
        (lambda t: t.replace("operate_mt = 3.0\nrelease_mt = 2.2", "operate_deg = 8.0"), "output[0].release_deg",
         "the key is missing"),
        (lambda t: t.replace("operate_mt = 3.0\nrelease_mt = 2.2\npole = \"south\"", ""), "output[0].operate_deg",
         "operate_mt and release_mt with a table [field]"),
        (lambda t: t[: t.index("[field]")], "field", "a table [field]"),
        (lambda t: t.replace("operate_mt = 3.0\nrelease_mt = 2.2", "operate_deg = 8.0\nrelease_deg = 9.0"),
         "output[0].pole", "an angle has no pole"),
        (lambda t: t.replace("operate_mt = 3.0\nrelease_mt = 2.2\npole = \"south\"",
                             "operate_deg = 8.0\nrelease_deg = 9.0"), "field", "no output has operate_mt"),
        (lambda t: t + "[magnet]\noperate_mt = 3.0\nrelease_mt = 2.0\nshut_mt = 6.0\ngap_mm = 5.0\nradius_mm = 20.0\n",
         "magnet", "the angles follow from [field]"),
    ],
)  # fmt: skip
def test_tables_that_do_not_go_together(change: object, key: str, accepted: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_sensor(change(SENSOR), "mine.toml")  # type: ignore[operator]
    assert refused.value.key == key and accepted in refused.value.accepted, refused.value


def walked(field: np.ndarray, seen: str, operate: float, release: float, state: int) -> list[int]:
    """The part itself, one look after another: its state at each."""
    states = []
    for value in field.tolist():
        strength = abs(value) if seen == "any" else value if seen == "south" else -value
        state = 1 if strength > operate else 0 if strength < release else state
        states.append(state)
    return states


@given(
    points=st.lists(st.floats(-8.0, 8.0).map(lambda v: round(v, 1)), min_size=2, max_size=7),
    pole=st.sampled_from(["any", "south", "north"]),
)
def test_the_angles_do_what_the_part_does(points: list[float], pole: str) -> None:
    """Any field: where it is accepted, an output by the two angles says the same as the part, looked at every 0.05 deg
    while the lid opens and closes; where it is refused, no two angles could.
    """
    lid = np.linspace(0.0, 180.0, 3601)
    at = np.linspace(0.0, 180.0, len(points))
    field = np.interp(lid, at, points)
    operate, release = 3.03, 2.01  # beside every point of the tables
    output = Output(line=1, drive="open-drain", active="low", operate_mt=operate, release_mt=release, pole=pole)  # type: ignore[arg-type]
    sensor = SensorProfile(
        name="x", title="x", family="switch", supply=SensorSupply(min_v=1.6, max_v=3.5), output=[output],
        timing=Timing(update_hz=20.0), field=Field(points=list(zip(at.tolist(), points, strict=True))),
        range=AngleRange(angle_min_deg=0.0, angle_max_deg=180.0, start_deg=90.0, safe_route="open"),
    )  # fmt: skip
    strength = np.abs(field) if pole == "any" else field if pole == "south" else -field
    operated, released = np.flatnonzero(strength > operate), np.flatnonzero(strength < release)
    try:
        (found,) = with_angles(sensor, "x").output
    except BadInput:
        apart = operated.size and released.size and (operated[-1] < released[0] or released[-1] < operated[0])
        inner = apart and 4 < min(operated[-1], released[-1]) and max(operated[0], released[0]) < len(lid) - 4
        assert not inner, points
        return
    below = found.operate_deg < found.release_deg
    for way in (1, -1):
        path = slice(None, None, way)
        part = walked(field[path], pole, operate, release, -1)
        state, ours = -1, []
        for angle in lid[path].tolist():
            if angle < found.operate_deg if below else angle > found.operate_deg:
                state = 1
            elif angle > found.release_deg if below else angle < found.release_deg:
                state = 0
            ours.append(state)
        # Before either point was passed a part is indeterminate (TI DRV5033 data sheet), and so are the two angles.
        # Angles are whole thousandths.
        edge = np.minimum(np.abs(lid[path] - found.operate_deg), np.abs(lid[path] - found.release_deg)) < 0.002
        told = zip(part, ours, edge.tolist(), strict=True)
        differ = [i for i, (a, b, at_edge) in enumerate(told) if a != b and -1 not in (a, b) and not at_edge]
        assert not differ, (points, found)


def test_describe_says_pole_and_points() -> None:
    rows = dict(row for section in sensor_sections(load_sensor("hinge-b3")[0]) for row in section.rows)
    assert rows["pole"] == "one pole: sees the south pole only"
    assert rows["field points"] == "operates above 3 mT, releases below 2.2 mT"
    assert rows["south positive"].startswith("9 points, +6.4 mT at 0 deg")
    either = parse_sensor(SENSOR.replace('pole = "south"', 'pole = "any"'), "mine.toml")
    rows = dict(row for section in sensor_sections(either) for row in section.rows)
    assert rows["pole"] == "omnipolar: sees either pole"


def test_the_guide_has_every_key_of_a_switch() -> None:
    for table, struct in (("output", Output), ("field", Field), ("magnet", Magnet)):
        told = " ".join(re.findall(rf"\| `\[+{table}\]+ ([^|]*?) \|", SECTION))
        for row in msgspec.structs.fields(struct):
            assert re.search(rf"\b{row.name}\b", told), f"[{table}] {row.name}"


BENCH = '[machine]\nmodel = "cedar-15"\n[sensor]\nprofile = "{sensor}"\n[sensor.magnet]\nturned_over = true\n'


@pytest.mark.parametrize(("sensor", "accepted"), [("slow-20", "only a profile with operate_mt and [field]")])
def test_a_magnet_can_be_turned_over_where_its_field_is_known(sensor: str, accepted: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_scenario(BENCH.format(sensor=sensor), "bench.toml")
    assert refused.value.key == "sensor.magnet.turned_over" and accepted in refused.value.accepted
    parse_scenario(BENCH.format(sensor="hinge-b3"), "bench.toml")
