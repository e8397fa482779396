"""The firmware on the fake board, under CPython and under MicroPython: scripts of on_both/, one process each."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import family_records
import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SCRIPTS = sorted(path.stem for path in (HERE / "on_both").glob("*.py") if not path.stem.startswith("fake_"))

WITH_RECORDS = ("heap_families", "sensor_reads")  # find records of all shipped families in their folder


def run_script(command: list[str], script: str, folder: Path) -> str:
    """Output of one script; its failure is this test's failure."""
    if script in WITH_RECORDS:
        family_records.write(folder / "records")
    paths = os.pathsep.join(str(path) for path in (HERE / "on_both", ROOT / "device", ROOT))
    environment = dict(os.environ, PYTHONPATH=paths, PYTHONDONTWRITEBYTECODE="1")
    # MicroPython separates with a colon everywhere.
    environment["MICROPYPATH"] = paths.replace(os.pathsep, ":")
    done = subprocess.run(
        [*command, str(HERE / "on_both" / f"{script}.py"), folder.as_posix()],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment,
        check=False,
    )
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    assert "ok check_" in done.stdout
    return done.stdout


@pytest.mark.parametrize("script", SCRIPTS)
def test_cpython(script: str, tmp_path: Path) -> None:
    run_script([sys.executable], script, tmp_path)


@pytest.mark.parametrize("script", SCRIPTS)
def test_micropython(script: str, tmp_path: Path, micropython: str) -> None:
    run_script([micropython], script, tmp_path)


def test_all_scripts_are_there() -> None:
    assert SCRIPTS == [
        "basic", "capture", "curve", "data_pin", "heap", "heap_families", "heap_whole", "interlock", "lines", "meters",
        "motion", "no_heap", "outputs", "parts", "persistence", "pulses", "requests", "safety", "sampling",
        "sensor_reads", "streams", "supply", "trim",
    ]  # fmt: skip
