"""lidjig profiles: the list, what is said of a sensor, its drawing, and what is refused."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from lidjig.bench import load_sensor, shipped

from tests.bench_profiles.angle_profiles import FAMILIES, changed, good, lid_at

Run = Callable[..., Any]


@pytest.fixture
def profile(tmp_path: Path) -> Callable[[str], str]:
    """A profile text as a file; returns its path."""

    def put(text: str) -> str:
        path = tmp_path / "mine.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return put


# -- the list


def test_the_list_has_family_and_resolution(run: Run) -> None:
    lines = run("profiles").out.splitlines()
    for name in shipped("sensors"):
        sensor, _ = load_sensor(name)
        line = next(line for line in lines if line.startswith(f"  {name} "))
        step = "shut or open" if sensor.is_switch else f"{sensor.curve().lsb_deg(sensor.coded().codes):.4g} deg"
        assert re.fullmatch(rf"  {name} +{sensor.family} +{re.escape(step)} +{re.escape(sensor.title)}", line)


def test_the_list_as_data(run: Run) -> None:
    rows = {row["name"]: row for row in run("profiles", "--json").json["sensors"]}
    assert set(rows) == set(shipped("sensors"))
    assert all(set(row) == {"name", "title", "family", "resolution_deg"} for row in rows.values())
    assert rows["hinge-a1"]["family"] == "switch" and rows["hinge-a1"]["resolution_deg"] is None
    # 4096 codes on 360 deg with both ends: 360 / 4095.
    assert rows["hinge-p1"]["resolution_deg"] == pytest.approx(360 / 4095)


# -- one sensor


def test_a_switch_is_explained(run: Run) -> None:
    ran = run("profiles", "--sensor", "hinge-a1")
    assert ran.status == 0 and not ran.err
    told = re.sub(" +", " ", ran.out)
    for part in ("switch: one or two lines", "operates: below 8 deg", "releases: above 14 deg", "200 Hz, every 5 ms"):
        assert part in told
    assert "[=]" not in told


@pytest.mark.parametrize("family", FAMILIES)
def test_an_angle_sensor_is_explained_and_drawn(family: str, run: Run, profile: Callable[[str], str]) -> None:
    ran = run("profiles", "--sensor", profile(good(family)), "--draw")
    assert ran.status == 0 and not ran.err
    for part in ("  electrical\n", "  transfer function\n", "slope:", "at power-up:", "[=] the jig accepts"):
        assert part in ran.out
    assert "\x1b" not in ran.out and max(map(len, ran.out.split("  lid\n")[1].splitlines())) <= 80


def test_beside_fits_stand_the_words_and_the_verdict_is_last(run: Run) -> None:
    ran = run("profiles", "--sensor", "hinge-p1", "--machine", "elm-14", "--draw")
    assert ran.status == 0 and ran.out.endswith("\nthey fit each other\n")
    assert "128 + 4095 + 128 clocks" in ran.out and "+11.38 codes per degree" in ran.out


def test_a_machine_alone_stays_short_and_its_sensor_is_drawn_where_asked_for(run: Run) -> None:
    assert len(run("profiles", "--machine", "alder-14").out.splitlines()) == 3
    ran = run("profiles", "--machine", "alder-14", "--draw")
    assert "its sensor hinge-a1" in ran.out and "operates 8, releases 14" in ran.out


def test_the_same_as_data(run: Run, profile: Callable[[str], str]) -> None:
    told = run("profiles", "--sensor", profile(good("sent")), "--draw", "--json").json
    assert set(told) == {"command", "checked", "sensor", "drawing"}
    assert (told["sensor"]["family"], told["sensor"]["codes"]) == ("sent", 4088)
    assert {"what": "check", "value": "CRC-4, recommended"} in told["sensor"]["sections"]["electrical"]
    (trace,) = told["drawing"]["traces"]
    assert trace["opening"]["value"][0] == 1 and len(trace["opening"]["value"]) == len(trace["opening"]["lid_deg"])
    assert trace["marks"] == [{"deg": 8.0, "what": "shut"}, {"deg": 12.0, "what": "open"}]
    text = changed(good("pwm"), "zero_deg = 0.0", 'below = "low"\nzero_deg = 50.0')
    told = run("profiles", "--sensor", profile(lid_at(text, 60.0, 70.0)), "--draw", "--json").json["drawing"]
    assert told["traces"][0]["opening"]["value"][0] is None
    assert told["no_angle"][0]["output"] == "low" and told["no_angle"][0]["begin_deg"] == 0.0
    assert set(run("profiles", "--sensor", "hinge-a1", "--json").json) == {"command", "checked", "sensor"}


# -- the picture


def test_the_picture_is_written_whole_and_once(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a1.svg"
    ran = run("profiles", "--sensor", "hinge-a1", "--svg", str(path))
    assert ran.status == 0 and f"drawn in {path}\n" in ran.out
    first = path.read_bytes()
    assert "Hinge switch A1" in (ET.fromstring(first).findtext("{http://www.w3.org/2000/svg}title") or "")
    again = run("profiles", "--sensor", "hinge-b2", "--svg", str(path))
    assert again.status == 2 and "--force" in again.err and path.read_bytes() == first
    forced = run("profiles", "--sensor", "hinge-b2", "--svg", str(path), "--force", "--json")
    assert forced.json["svg"] == str(path) and path.read_bytes() != first
    assert [entry.name for entry in tmp_path.iterdir() if entry.suffix != ".db"] == ["a1.svg"]


@pytest.mark.parametrize("given", ["a1.png", "a1", "none/a1.svg", ".", "a\0b.svg"])
def test_a_place_that_cannot_be_drawn_in_is_refused(given: str, run: Run, tmp_path: Path) -> None:
    place = str(tmp_path / given)
    ran = run("profiles", "--sensor", "hinge-a1", "--svg", place, "--json")
    assert ran.status == 2 and ran.json["error"]["text"].startswith("--svg = ") and ran.json["error"]["next"]
    assert not list(tmp_path.glob("*.svg")) and not list(tmp_path.glob(".*"))


def test_a_sensor_that_is_refused_leaves_no_picture(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a1.svg"
    assert run("profiles", "--sensor", "hinge-a1", "--machine", "birch-13", "--svg", str(path)).status == 2
    assert not path.exists()


# -- what is refused


@pytest.mark.parametrize("words", [("--draw",), ("--svg", "x.svg")])
def test_a_drawing_of_nothing_is_refused(words: tuple[str, ...], run: Run) -> None:
    ran = run("profiles", *words)
    assert ran.status == 2 and "one sensor is drawn at a time" in ran.err and "--sensor hinge-a1 --draw" in ran.err


@pytest.mark.parametrize(
    ("family", "before", "after", "told"),
    [
        ("pwm", "span_deg = 180.0", "span_deg = 0.0", "transfer.span_deg = 0.0 is not usable. Accepted: a number"),
        ("analog", "high_percent = 90.0", "high_percent = 110.0", "an output cannot leave the supply that it"),
        ("sent", "tick_us = 3.0", "tick_us = 2.0", "encoding.tick_us = 2.0 is not usable. Accepted: 3..90 us"),
        ("pwm", "max_v = 3.6", "max_v = 5.0", "encoding.drive = 'push-pull' is not usable. Accepted: 'open-drain'"),
        ("ssi", 'family = "ssi"', 'family = "resolver"', "family = 'resolver' is not usable. Accepted: one of"),
    ],
)  # fmt: skip
def test_a_bad_profile_is_refused_with_the_reason(
    family: str, before: str, after: str, told: str, run: Run, profile: Callable[[str], str]
) -> None:
    path = profile(changed(good(family), before, after))
    ran = run("profiles", "--sensor", path, "--draw")
    assert ran.status == 2 and not ran.out and "Traceback" not in ran.err
    assert ran.err.startswith(f"lidjig: {path}: ") and told in ran.err and f"in {path}" in ran.err


def test_a_profile_that_is_not_there_is_refused(run: Run, tmp_path: Path) -> None:
    ran = run("profiles", "--sensor", str(tmp_path / "none.toml"), "--draw")
    assert ran.status == 2 and "an existing TOML file" in ran.err
    ran = run("profiles", "--sensor", "hinge-a7")
    assert ran.status == 2 and "did you mean 'hinge-a1'" in ran.err
    assert run("profiles", "--sensor").status == 2
