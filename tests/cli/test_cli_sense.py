"""lidjig sense as a command: what it says of good and bad sensors, exit statuses, record, replay, page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.bench.profiles import load_sensor
from lidjig.record.store import open_store
from lidjig.show.report.words import Words

from shared_proto import names
from tests.cli.conftest import Ran

Run = Callable[..., Ran]
EVERY_15, EVERY_20 = (",".join(str(one) for one in range(0, 181, step)) for step in (15, 20))
ALL_ANGLE = ("larch-14", "maple-14", "elm-14", "fir-14", "oak-14", "hazel-14", "juniper-14")


def on(scenario: object, *words: str) -> tuple[str, ...]:
    return ("sense", "--link", f"twin:{scenario}", "--vm", "cpython", *words)


def figures(ran: Ran) -> dict[str, dict[str, object]]:
    return {one["name"]: one for one in ran.json["measurements"]}


def written(path: Path, text: str) -> Path:
    file = path / "bench.toml"
    file.write_text(text, encoding="utf-8")
    return file


# -- good sensors


@pytest.mark.parametrize("machine", ALL_ANGLE)
def test_a_good_sensor_passes_and_nothing_is_said_of_the_machine(machine: str, run: Run) -> None:
    ran = run(*on(f"healthy-{machine}", "--json"))
    assert (ran.status, ran.json["outcome"], ran.first[0]) == (0, "pass", "none"), ran.err
    assert "the machine was not tested: the sensor was read by itself" in ran.json["notes"]
    assert "ESD strap" in ran.err
    assert not any("trim" in note for note in ran.json["notes"])


@pytest.mark.parametrize(("machine", "line_1"), [("alder-14", "released"), ("birch-13", "released")])
def test_a_switch_has_levels_and_no_angle(machine: str, line_1: str, run: Run) -> None:
    ran = run(*on(f"healthy-{machine}", "--json"))
    found = figures(ran)
    assert (ran.status, ran.json["outcome"]) == (0, "pass")
    assert "sensor line 1, as the lid is" in found and "sensor angle" not in found
    assert any(f"the sensor says {line_1}" in note for note in ran.json["notes"])
    assert "--at" not in ran.json["findings"][0]["next"]


def test_what_it_prints(run: Run) -> None:
    ran = run(*on("healthy-oak-14"))
    assert ran.status == 0 and "Finding: none" in ran.out and "Outcome: PASS" in ran.out
    # ams AS5600 datasheet v1-06, p.18: what the registers beside the angle are called
    for name in ("agc", "magnitude", "zpos", "mpos", "mang", "conf", "zmco"):
        assert f" {name} " in ran.out
    assert "whether it follows the lid was not tested" in ran.out.lower()
    shown = run("show", "last")
    assert shown.status == 0 and "sensor angle" in shown.out


def test_the_count_is_what_was_asked_for(run: Run) -> None:
    ran = run(*on("healthy-oak-14", "--count", "7", "--json"))
    assert figures(ran)["sensor readings lost"]["n"] == figures(ran)["sensor angle"]["n"] == 7


# -- bad sensors


@pytest.mark.parametrize(
    ("scenario", "what", "says"),
    [
        ("sensor-dead-elm-14", "dead", "draws 0.00 mA"),
        ("sensor-dead-larch-14", "dead", "still holds its line"),
        ("sensor-dead", "dead", "still holds its line"),
        ("unplugged-sensor-larch-14", None, "lets its line go"),
        ("unplugged-sensor", None, "lets its line go"),
        ("sensor-magnet-missing-oak-14", "magnet-missing", "no magnet"),
        ("sensor-intermittent-maple-14", "intermittent", "scattered"),
    ],
)
def test_a_bad_sensor_is_told_with_its_evidence(scenario: str, what: str | None, says: str, run: Run) -> None:
    ran = run(*on(scenario, "--json"))
    assert (ran.status, ran.json["outcome"], ran.first) == (1, "fail", ("sensor", what)), ran.err
    finding = ran.json["findings"][0]
    assert says in " ".join(finding["evidence"]) and finding["next"] and "ESD" in finding["caution"]


def test_a_wrong_profile_is_asked_about(run: Run, tmp_path: Path) -> None:
    """The part sends at 920 Hz (AS5600 datasheet v1-06, p.19), the profile says 460: no period has its time."""
    text = load_sensor("hinge-p1")[1].replace("frequency_hz = 920.0", "frequency_hz = 460.0")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text.replace("update_hz = 500.0", "update_hz = 400.0"), encoding="utf-8")
    ran = run(*on("healthy-elm-14", "--sensor", str(wrong), "--json"))
    assert (ran.status, ran.first[0]) == (1, "sensor"), ran.err
    assert "Is --sensor the profile of this sensor?" in ran.json["findings"][0]["next"]
    assert any("bad timing" in note for note in ran.json["notes"])


def test_what_was_not_read_is_not_measured_and_no_pass(run: Run) -> None:
    found = figures(run(*on("sensor-dead-elm-14", "--json")))
    assert (found["sensor angle"]["value"], found["sensor angle"]["outcome"]) == (None, "not measured")
    assert found["sensor readings lost"]["outcome"] == "fail"


def test_a_stuck_sensor_shows_as_soon_as_the_lid_is_moved(run: Run) -> None:
    still = run(*on("sensor-stuck-open-hazel-14", "--json"))
    assert still.first[0] == "none" and "Whether it follows the lid was not tested" in still.json["findings"][0]["next"]
    moved = run(*on("sensor-stuck-open-hazel-14", "--at", "0,30,60,90", "--json"))
    assert (moved.status, moved.first[0]) == (1, "sensor")
    assert "the sensor's angle went 0.00 deg" in " ".join(moved.json["findings"][0]["evidence"])


def test_a_supply_that_is_too_high_keeps_the_jig_from_feeding(run: Run, tmp_path: Path) -> None:
    text = '[machine]\nmodel = "oak-14"\n[sensor]\nprofile = "hinge-r1"\n'
    text += '[[event]]\nat_s = 0.0\ndo = "set-rail"\nvolts = 5.2\n'
    ran = run(*on(written(tmp_path, text), "--json"))
    assert (ran.status, ran.json["outcome"]) == (3, "incomplete"), ran.err
    assert any("machine's supply is too high" in note for note in ran.json["notes"])
    assert all(one["outcome"] == "not measured" for one in ran.json["measurements"])


# -- angles that are set


def off_centre(path: Path, machine: str, profile: str) -> Path:
    """Magnet and sensor off the axis of rotation, in mm: measure/magnet_field.py, checked in test_ref_magnet.py."""
    mounting = "sensor_offset_mm = [0.5, 0.0]\nmagnet_offset_mm = [2.0, 0.0]\n"
    text = f'[machine]\nmodel = "{machine}"\n[sensor]\nprofile = "{profile}"\n[sensor.mounting]\n{mounting}'
    return written(path, text)


@pytest.mark.parametrize(
    ("machine", "profile", "vm"), [("oak-14", "hinge-r1", "cpython"), ("elm-14", "hinge-p1", "micropython")]
)
def test_a_magnet_off_centre_is_named(machine: str, profile: str, vm: str, run: Run, tmp_path: Path) -> None:
    file = off_centre(tmp_path, machine, profile)
    words = ("sense", "--link", f"twin:{file}", "--vm", vm, "--at", EVERY_20, "--turns", "1", "--angle-u", "0.1")
    ran = run(*words, "--json")
    assert (ran.status, ran.first) == (1, ("sensor", "magnet-off-centre")), ran.err
    evidence = " ".join(ran.json["findings"][0]["evidence"])
    assert "magnet off centre is likely" in evidence and "1st harmonic" in evidence
    assert "offset of the sine or cosine signal" in evidence  # what the curve does not tell from it
    assert figures(ran)["INL, least squares"]["outcome"] == "fail"


def test_by_a_poorer_protractor_the_same_curve_fails_nobody(run: Run, tmp_path: Path) -> None:
    file = off_centre(tmp_path, "oak-14", "hinge-r1")
    ran = run(*on(file, "--at", EVERY_20, "--angle-u", "4", "--json"))
    assert (ran.status, ran.json["outcome"], ran.first[0]) == (3, "incomplete", "unknown"), ran.err
    assert not [one for one in ran.json["measurements"] if one["outcome"] == "fail"]
    # Up to 30 deg of 180 is no measurement, and "none" is not said of what was not measured.
    assert figures(ran)["1st harmonic"]["outcome"] == "not measured"
    assert any("1st harmonic was not measured" in note for note in ran.json["notes"])
    assert not any("none that the figures show" in note for note in ran.json["notes"])


def test_a_new_sensors_zero_is_told(run: Run) -> None:
    """Zero is the one value that a replacement lacks: the model's is 3 deg off, told with what it has to become."""
    ran = run(*on("sensor-zero-off-oak-14", "--at", "0,30,60,90,120,150,180", "--angle-u", "0.2", "--json"))
    assert (ran.status, ran.first) == (1, ("sensor", "zero-off"))
    zero = figures(ran)["zero of the sensor"]
    assert zero["low"] <= 357.0 <= zero["high"]  # type: ignore[operator]
    assert "has to become 0 deg" in ran.json["findings"][0]["next"]
    assert "Open the lid to 30 deg" in ran.err and "Shut the lid to 150 deg" in ran.err


@pytest.mark.parametrize("machine", ["hazel-14", "juniper-14"])
def test_three_angles_leave_a_limit_unmeasured_and_pass_nothing(machine: str, run: Run) -> None:
    """Of 0, 90 and 150 only 90 is come to from both sides: no INL."""
    ran = run(*on(f"healthy-{machine}", "--at", "0,90,150", "--json"))
    found = figures(ran)
    assert (ran.status, ran.json["outcome"], ran.first[0]) == (3, "incomplete", "unknown"), ran.err
    assert found["INL, least squares"]["outcome"] == found["repeatability"]["outcome"] == "not measured"
    assert "INL, least squares was not measured" in ran.json["findings"][0]["evidence"]
    assert "Set more angles" in ran.json["findings"][0]["next"]
    assert any("INL was not measured" in note for note in ran.json["notes"])
    assert not any("none that the figures show" in note for note in ran.json["notes"])


def test_five_angles_measure_all_that_has_a_limit(run: Run) -> None:
    ran = run(*on("healthy-hazel-14", "--at", "0,30,60,90,120", "--turns", "2", "--json"))
    assert (ran.status, ran.json["outcome"], ran.first[0]) == (0, "pass", "none"), ran.err
    assert figures(ran)["repeatability"]["outcome"] != "not measured"


def magnet(path: Path, line: str) -> Path:
    return written(path, f'[machine]\nmodel = "oak-14"\n[sensor]\nprofile = "hinge-r1"\n[sensor.magnet]\n{line}\n')


def test_a_zero_beside_its_window_by_less_than_the_protractor_is_not_called_good(run: Run, tmp_path: Path) -> None:
    """The window is -3 to 1 deg (test_proc_isolate_angle.py), wider by 1.96 deg at u = 1 deg; the zero is 2.5 off."""
    file = magnet(tmp_path, "offset_deg = 2.5")
    ran = run(*on(file, "--at", "0,30,60,90,120,150,180", "--json"))
    assert (ran.status, ran.json["outcome"], ran.first[0]) == (3, "incomplete", "unknown"), ran.err
    finding = ran.json["findings"][0]
    assert "window -4.96 to 2.96 deg: -3 to 1 deg" in " ".join(finding["evidence"])
    assert "not told from one outside its limits" in finding["evidence"][0]
    assert "lidjig isolate" in finding["next"] and "--angle-u" in finding["next"]
    assert run("replay", "last").status == 0
    better = run(*on(file, "--at", "0,30,60,90,120,150,180", "--angle-u", "0.2", "--json"))
    assert (better.status, better.first) == (1, ("sensor", "zero-off"))


def test_a_gain_that_is_off_is_named(run: Run, tmp_path: Path) -> None:
    """Field angle = 0.983 of the lid's: -1.7 %, 3.06 deg over 180."""
    ran = run(*on(magnet(tmp_path, "gain = 0.983"), "--at", EVERY_15, "--angle-u", "0.2", "--json"))
    gain = figures(ran)["gain error"]
    assert gain["low"] <= -1.7 <= gain["high"]  # type: ignore[operator]
    assert any(note.startswith("gain error -1.7") and "told from 0" in note for note in ran.json["notes"])
    (shape,) = (note for note in ran.json["notes"] if "the curve's shape" in note)
    assert "none beside the gain error" in shape and figures(ran)["1st harmonic"]["low"] == 0.0


def test_what_is_read_where_nothing_draws_current_is_not_the_sensors(run: Run) -> None:
    for scenario in ("sensor-dead-larch-14", "unplugged-sensor-larch-14"):
        ran = run(*on(scenario, "--json"))
        assert any("dead, or nothing is plugged in" in note for note in ran.json["notes"]), scenario
        assert not any("readings with a fault" in note for note in ran.json["notes"])
        evidence = " ".join(ran.json["findings"][0]["evidence"])
        assert "as if the lid were shut" not in evidence and "no good reading of 20: silent" in evidence


def test_a_spread_that_is_too_wide_is_told_as_it_was(run: Run) -> None:
    ran = run(*on("sensor-intermittent-maple-14", "--json"))
    spread = figures(ran)["sensor spread (sd), lid at rest"]["value"]
    assert f"scattered by {spread:.3f} deg" in " ".join(ran.json["findings"][0]["evidence"])


def test_steps_by_themselves_say_no_more_than_others(run: Run) -> None:
    ran = run(*on("healthy-juniper-14", "--json"))
    finding = ran.json["findings"][0]
    assert (ran.status, finding["where"], finding["probability"]) == (0, "none", None)
    assert "lidjig isolate" in finding["next"] and "Nothing to mend" not in finding["next"]


def test_a_board_that_restarts_in_between_is_met(run: Run, tmp_path: Path) -> None:
    text = '[machine]\nmodel = "oak-14"\n[sensor]\nprofile = "hinge-r1"\n'
    text += '[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 9.0\n'
    ran = run(*on(written(tmp_path, text), "--at", "0,45,90,135,180", "--json"))
    assert (ran.status, ran.json["outcome"]) == (0, "pass"), ran.err
    assert figures(ran)["angles read"]["value"] == 9
    assert any("was repeated" in note for note in ran.json["notes"])
    assert run("replay", "last").status == 0


def test_firmware_from_before_is_told_what_updates_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """No board has that bit; voltages are read by requests that have always been there."""
    monkeypatch.setattr(names, "ABILITY_READING", 1 << 15)
    ran = run(*on("healthy-oak-14"))
    assert ran.status == 3 and "reads no sensor that tells an angle" in ran.out and "lidjig flash" in ran.out
    assert run(*on("healthy-larch-14")).status == 0


# -- bad input


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (on("healthy-oak-14", "--count", "2"), "--count"),
        (on("healthy-oak-14", "--turns", "0"), "--turns"),
        (on("healthy-oak-14", "--angle-u", "-1"), "--angle-u"),
        (on("healthy-oak-14", "--at", "0,x"), "--at"),
        (on("healthy-oak-14", "--at", "0,30,30"), "--at"),
        (on("healthy-oak-14", "--at", "0"), "3 to 72 different angles"),
        (on("healthy-oak-14", "--at", "0,30"), "3 to 72 different angles"),
        (on("healthy-oak-14", "--turns", "2"), "only with --at"),
        (on("healthy-oak-14", "--at", "0,90,270"), "0 to 180 deg"),
        (on("healthy-alder-14", "--at", "0,30,90"), "a switch"),
        (on("healthy-oak-14", "--sensor", "nonsense"), "nonsense"),
        (("sense", "--link", "/dev/ttyNoJigHere"), "--machine"),
    ],
)
def test_bad_input(words: tuple[str, ...], says: str, run: Run, store: str) -> None:
    ran = run(*words)
    assert ran.status in (2, 3) and "Traceback" not in ran.err
    if "/dev/ttyNoJigHere" not in words:
        assert ran.status == 2 and says in ran.err + ran.out
    with open_store(store) as opened:
        assert opened.runs() == []


def test_a_sensor_by_itself_needs_no_machine_to_be_named() -> None:
    from lidjig.cli.session import machine_of

    assert machine_of("hinge-r1") == "oak-14"
    assert machine_of("hinge-a1") == "alder-14"


# -- what is kept


@pytest.mark.parametrize(
    "words",
    [
        *(on(f"healthy-{machine}") for machine in (*ALL_ANGLE, "alder-14")),
        on("sensor-dead-larch-14"), on("sensor-magnet-missing-oak-14"), on("sensor-dead-juniper-14"),
        on("healthy-elm-14", "--at", EVERY_15), on("healthy-juniper-14", "--at", "0,45,90,135"),
        on("sensor-intermittent-maple-14"), on("healthy-oak-14", "--at", "0,90,150"),
    ],
    ids=lambda words: " ".join(words[2:3] + words[5:6]),
)  # fmt: skip
def test_the_record_gives_it_again_and_is_told_in_every_language(words: tuple[str, ...], run: Run, store: str) -> None:
    run(*words)
    again = run("replay", "last")
    assert again.status == 0, again.out
    german = Words("de")
    with open_store(store, create=False) as opened:
        kept = opened.run("last")
    told = [one.name for one in kept.measurements] + [one.text for one in kept.observations] + kept.notes
    told += [text for one in kept.findings for text in (*one.evidence, one.next, one.caution) if text]
    assert [text for text in told if german.sentence(text).lang is not None] == []


def test_a_page_of_it_is_written(run: Run, tmp_path: Path) -> None:
    run(*on("healthy-hazel-14", "--at", "0,30,60,90"))
    for lang, says in (("en", "Real sensor read, lid set to 30"), ("de", "Echter Sensor gelesen, Deckel auf 30")):
        page = tmp_path / f"{lang}.html"
        assert run("report", "last", "--lang", lang, "--out", str(page)).status == 0
        assert says in page.read_text(encoding="utf-8")


def test_a_run_is_small_enough_to_keep(run: Run, store: str) -> None:
    """Edges are kept as runs of equal samples: 65536 of them a watch would be a megabyte in twenty."""
    run(*on("healthy-fir-14", "--count", "50"))
    assert Path(store).stat().st_size < 1_000_000
