"""lidjig trim as a command: the simulated bench by itself, exit statuses, the JSON object, a recording played back."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.bench import trim as trims
from lidjig.procedures import trim_meter

from tests.cli.conftest import ROOT, Ran

LARCH = ("--link", "twin:healthy-larch-14", "--vm", "cpython")


@pytest.mark.parametrize("scenario", ["healthy-larch-14", "healthy-larch-14-dac"])
def test_the_simulated_bench_needs_nobody(scenario: str, run: Callable[..., Ran]) -> None:
    ran = run("trim", "--link", f"twin:{scenario}", "--points", "5", "--json")
    assert (ran.status, ran.json["outcome"], ran.json["findings"]) == (0, "pass", []), ran.err
    found = {m["name"]: m for m in ran.json["measurements"]}
    assert found["largest error between points"]["outcome"] == "pass"
    assert found["uncertainty of the angle, k = 2"]["value"] > 0.0
    assert any("stored for sensor hinge-v" in note for note in ran.json["notes"])
    for part in ("mV, untrimmed", "Uncertainty budget", "in a current jack", "ripple: arcsine"):
        assert part in ran.err


@pytest.mark.parametrize("output", ["sin", "cos"])
def test_sine_and_cosine_need_nobody_either(output: str, run: Callable[..., Ran]) -> None:
    ran = run("trim", "--link", "twin:healthy-maple-14", "--points", "5", "--output", output, "--json")
    assert (ran.status, ran.json["outcome"], ran.json["findings"]) == (0, "pass", []), ran.err
    notes = ran.json["notes"]
    assert any(f"stored for sensor hinge-w1, {output} (CRC" in note for note in notes)
    assert any("is steepest and alone tells the angle" in note for note in notes)
    shown = run("show", "r-000001")
    assert shown.status == 0 and f"hinge-w1, {output}" in shown.out


def test_what_it_prints(run: Callable[..., Ran]) -> None:
    ran = run("trim", *LARCH, "--points", "3")
    assert ran.status == 0
    assert "uncertainty of the trimmed output at" in ran.out and "Outcome: PASS" in ran.out
    shown = run("show", "r-000001")
    assert shown.status == 0 and "largest error between points" in shown.out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--link", "twin:healthy-elm-14"), "family 'analog'"),
        (("--link", "twin:healthy-maple-14"), "--output"),
        (("--link", "twin:healthy-maple-14", "--output", "tan"), "sin or cos"),
        ((*LARCH, "--output", "sin"), "--output"),
        (("--link", "twin"), "family 'analog'"),
        ((*LARCH, "--points", "2"), "points"),
        ((*LARCH, "--points", "34"), "points"),
        ((*LARCH, "--meter", "typed"), "--accuracy"),
        ((*LARCH, "--meter", "typed", "--accuracy", "0.5%+3"), "--resolution"),
        ((*LARCH, "--accuracy", "fine", "--resolution", "1 mV"), "0.5%+3"),
        ((*LARCH, "--meter", "a meter", "--accuracy", "0.5%+3", "--resolution", "1 mV"), "serial port"),
        ((*LARCH, "--sensor", "nonsense"), "nonsense"),
    ],
)
def test_bad_input(words: tuple[str, ...], says: str, run: Callable[..., Ran]) -> None:
    ran = run("trim", *words)
    assert ran.status == 2 and says in ran.err + ran.out
    assert "Traceback" not in ran.err


def test_no_jig(run: Callable[..., Ran]) -> None:
    sheet = ("--accuracy", "0.5%+3", "--resolution", "1 mV")
    ran = run("trim", "--link", "/dev/ttyNoJigHere", "--machine", "larch-14", *sheet)
    assert ran.status == 3 and "Traceback" not in ran.err


def test_an_output_that_does_not_follow(run: Callable[..., Ran], tmp_path: Path) -> None:
    path = tmp_path / "off.toml"
    path.write_text(
        '[machine]\nmodel = "larch-14"\n[jig]\nstage_gain_percent = 20.0\nstage_offset_mv = 200.0\n', encoding="utf-8"
    )
    ran = run("trim", "--link", f"twin:{path}", "--vm", "cpython", "--json", "--points", "17")
    assert ran.status == 1
    assert "does not follow" in ran.json["error"]["text"] and "saturates" in ran.json["error"]["next"]


def test_a_stage_is_off_only_where_there_is_one(run: Callable[..., Ran], tmp_path: Path) -> None:
    path = tmp_path / "off.toml"
    path.write_text('[machine]\nmodel = "elm-14"\n[jig]\nstage_gain_percent = 1.0\n', encoding="utf-8")
    ran = run("hold", "40", "--seconds", "1", "--link", f"twin:{path}")
    assert ran.status == 2 and "jig.stage_gain_percent" in ran.err
    path.write_text('[machine]\nmodel = "larch-14"\n[jig]\nstage_2_gain_percent = 1.0\n', encoding="utf-8")
    ran = run("hold", "40", "--seconds", "1", "--link", f"twin:{path}")
    assert ran.status == 2 and "jig.stage_2_gain_percent" in ran.err and "family sincos" in ran.err


def test_a_meter_that_does_not_answer(run: Callable[..., Ran], tmp_path: Path) -> None:
    port = str(tmp_path / "no port")
    ran = run("trim", *LARCH, "--meter", f"ASRL{port}::INSTR", "--accuracy", "0.5%+3", "--resolution", "1 mV", "--json")
    assert ran.status in (2, 3) and ran.json["outcome"] == "error" and "Traceback" not in ran.err


def test_lines_from_a_pipe_are_typed_lines(store: str, tmp_path: Path) -> None:
    """Where they end, nobody types any more. The readings are those of a sound bench at 3.3 V."""
    meter = ("--meter", "typed", "--accuracy", "0.5%+3", "--resolution", "1 mV")
    command = [sys.executable, "-m", "lidjig", "trim", *LARCH, *meter, "--points", "3", "--store", store]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "host"), str(ROOT)])}
    readings = ["3.299", "0.330", "1.650", "2.969", "0.990", "2.309", "3.299"]
    for count, status in ((7, 0), (4, 3)):
        lines = "".join(f"{reading}\n" for reading in readings[:count])
        ran = subprocess.run(command, input=lines, capture_output=True, text=True, env=environment, timeout=120)
        assert ran.returncode == status, ran.stderr
    assert "nobody typed a reading" in ran.stdout


def test_a_recording_has_the_meters_readings(run: Callable[..., Ran], tmp_path: Path) -> None:
    recording = str(tmp_path / "trim.txt")
    first = run("trim", *LARCH, "--points", "3", "--recording", recording, "--json")
    assert first.status == 0, first.err
    assert " m output " in Path(recording).read_text(encoding="utf-8")
    again = run("trim", "--link", f"replay:{recording}", "--points", "3", "--json")
    assert again.status == 0, again.err
    assert again.json["measurements"] == first.json["measurements"]


def test_runs_on_an_untrimmed_output_say_so(run: Callable[..., Ran]) -> None:
    for words in (("hold", "40", "--seconds", "1"), ("confirm", "--repeat", "1"), ("cycle", "--count", "1")):
        notes = run(*words, *LARCH, "--json").json["notes"]
        assert len([note for note in notes if note.startswith("The output is not trimmed")]) == 1, words
    notes = run("hold", "40", "--seconds", "1", "--link", "twin:healthy-elm-14", "--json").json["notes"]
    assert not [note for note in notes if "trim" in note]


def test_help(run: Callable[..., Ran]) -> None:
    ran = run("trim", "--help")
    assert ran.status == 0
    for word in ("--output", "--points", "--meter", "--accuracy", "--resolution", "--range", "0.5%+3"):
        assert word in ran.out


def test_the_table_has_room_for_what_the_command_takes() -> None:
    from lidjig.procedures.trim_output import POINTS_MAX, POINTS_MIN

    assert POINTS_MAX == trims.POINTS_MAX and trims.POINTS_MIN <= POINTS_MIN
    assert trim_meter.TYPED == "typed"
