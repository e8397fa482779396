"""lidjig replay of runs of trim: fit, budget and verdict once more from the meter's readings that the record has."""

from __future__ import annotations

import html
import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from export_runs import Run
from lidjig.bench.meter import MeterReading, MeterSpec
from lidjig.cli import main
from lidjig.cli.session import EnterKey
from lidjig.procedures import trim_meter
from replay_runs import change

LARCH = ("--link", "twin:healthy-larch-14", "--vm", "cpython", "--points", "5")
PARTS = 6  # of an uncertainty budget
SHEET = ("--accuracy", "0.05%+2", "--resolution", "0.1 mV")
# As a sound bench at 3.3 V gives them: supply, 5 points, 4 between, supply; 10 to 90 % of it.
SHOWN = ["3.2990", "0.3299", "0.9897", "1.6495", "2.3093", "2.9691", "0.6598", "1.3196", "1.9794", "2.6392", "3.2992"]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One trim, by the bench's own meter."""
    path = tmp_path_factory.mktemp("trimmed") / "runs.db"
    assert main.run(["trim", *LARCH, "--json", "--store", str(path)]) == 0
    return path


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    path = tmp_path / "copy.db"
    shutil.copy(record, path)
    return path


def steps(path: Path, name: str) -> list[tuple[int, dict[str, Any]]]:
    connection = sqlite3.connect(path)
    query = "SELECT place, result FROM steps WHERE name = ? AND state = 'done' ORDER BY place"
    found = [(place, json.loads(result)) for place, result in connection.execute(query, (name,))]
    connection.close()
    return found


def same(run: Run, made: Any) -> Any:
    """What replay says of a run that it must give again."""
    again = run("replay", "last", "--json")
    assert again.json["differences"] == [] and again.json["notes"] == [] and again.json["holes"] == []
    assert again.status == 0 and again.json["same"] and again.json["concluded"]
    assert (again.json["outcome"], again.json["findings"]) == (made.json["outcome"], made.json["findings"])
    assert again.json["measurements"] == made.json["measurements"]
    return again


@pytest.mark.parametrize(
    ("scenario", "output"),
    [("healthy-larch-14", ""), ("healthy-larch-14-dac", ""), ("healthy-maple-14", "sin"), ("healthy-maple-14", "cos")],
)
def test_by_the_benchs_own_meter(run: Run, scenario: str, output: str) -> None:
    which = ("--output", output) if output else ()
    made = run("trim", "--link", f"twin:{scenario}", "--points", "5", *which, "--json")
    assert made.json["outcome"] == "pass", made.err
    again = same(run, made)
    # What was stored on the board follows from the readings too, point by point.
    assert again.json["agreeing"]["trim"] == 5 + 1 + PARTS
    # Supply, charger, idle level and pull of each line are no meter's.
    assert again.json["as_recorded"] == (6 if output else 4)


@pytest.fixture
def typing(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """typing(lines): who types these, and nothing after them."""

    def begin(*lines: str) -> None:
        left: Iterator[str] = iter(lines)

        def line(_self: EnterKey) -> str:
            try:
                return next(left)
            except StopIteration:
                raise EOFError from None

        monkeypatch.setattr(EnterKey, "line", line)

    return begin


def test_by_readings_that_were_typed(run: Run, typing: Callable[..., None]) -> None:
    typing(*SHOWN)
    made = run("trim", *LARCH, "--meter", "typed", *SHEET, "--json")
    assert made.json["outcome"] == "pass", made.err
    same(run, made)


def test_by_an_instrument(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    left = iter(SHOWN)

    class Instrument:
        name = "bench meter 7"

        def __init__(self, spec: MeterSpec) -> None:
            self.spec = spec

        def read_volts(self) -> MeterReading:
            v = float(next(left))
            return MeterReading(v, self.spec.u_v(v), self.spec.resolution_v, f"{v:+.6e}")

        def close(self) -> None:
            """Nothing."""

    monkeypatch.setattr(trim_meter, "open_meter", lambda _where, spec: Instrument(spec))
    made = run("trim", *LARCH, "--meter", "/dev/ttyMeter", *SHEET, "--json")
    assert made.json["outcome"] == "pass", made.err
    same(run, made)


def test_one_that_was_not_good_enough(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "bent.toml"
    path.write_text('[machine]\nmodel = "larch-14"\n[jig]\nstage_bend_percent = 5.0\n', encoding="utf-8")
    made = run("trim", "--link", f"twin:{path}", "--vm", "cpython", "--points", "3", "--json")
    assert made.json["outcome"] == "fail"
    assert same(run, made).json["agreeing"]["trim"] == PARTS


def test_one_in_which_nothing_was_driven(run: Run) -> None:
    made = run("trim", "--link", "twin:wiring-line-short-ground", "--machine", "larch-14", "--json")
    assert made.json["outcome"] in ("fail", "incomplete"), made.err
    same(run, made)


def test_one_that_met_an_error(run: Run, typing: Callable[..., None]) -> None:
    """Nobody typed any more half way: what was read gives what was told until then, and nothing is concluded."""
    typing(*SHOWN[:8])
    made = run("trim", *LARCH, "--meter", "typed", *SHEET, "--json")
    assert made.json["outcome"] == "error"
    again = run("replay", "last", "--json")
    assert again.status == 0 and again.json["same"] and not again.json["concluded"], again.json["differences"]


@pytest.mark.parametrize(
    ("which", "differ"),
    [(2, {"output, bend", "point 3"}), (6, {"largest error between points", "uncertainty by fit"})],
)
def test_a_reading_that_was_changed(copy: Path, run: Run, which: int, differ: set[str]) -> None:
    """One of the 5 that the table is made of, one of the 4 between them."""
    place, result = steps(copy, "trim_point")[which]
    changed = json.dumps({**result, "v": result["v"] + 0.003})
    change(copy, "UPDATE steps SET result = ? WHERE place = ?", changed, place)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and not ran.json["same"]
    assert differ <= {one["name"] for one in ran.json["differences"]}


def test_a_data_sheet_that_was_changed(copy: Path, run: Run) -> None:
    [(place, result)] = steps(copy, "trim_meter")
    change(copy, "UPDATE steps SET result = ? WHERE place = ?", json.dumps({**result, "counts": 50.0}), place)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and "uncertainty by meter" in {one["name"] for one in ran.json["differences"]}


def test_a_reading_that_is_missing(copy: Path, run: Run) -> None:
    """Nothing is concluded from the rest, and no fault."""
    place, _result = steps(copy, "trim_point")[2]
    change(copy, "DELETE FROM steps WHERE place = ?", place)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 1 and ran.json["holes"] and ran.json["outcome"] == "incomplete"
    assert [finding["where"] for finding in ran.json["findings"]] == ["unknown"]


@pytest.mark.parametrize("name", ["trim_supply", "trim_meter"])
def test_an_older_record_says_what_it_lacks(copy: Path, run: Run, name: str) -> None:
    """Runs of trim kept neither the supply's readings nor the meter's data sheet once."""
    rows = len(steps(copy, name))
    change(copy, "UPDATE steps SET name = 'of another kind' WHERE name = ?", name, rows=rows)
    ran = run("replay", "1", "--json", store=copy)
    assert ran.status == 2 and "an older lidjig made it" in ran.json["error"]["text"]


def test_the_report_has_what_was_wanted_and_the_budget(copy: Path, run: Run, tmp_path: Path) -> None:
    """Beside each reading, in the reader's language; the parts of the budget stand among the notes, and in `show`."""
    shown = run("show", "1", store=copy).out + run("show", "1", "--json", store=copy).out
    assert shown.count("uncertainty by ripple: arcsine") == 2 and shown.count(" V for ") == 2 * (5 + 4)
    said = {
        "en": ("untrimmed: ", " wanted, off by ", "uncertainty by ripple: arcsine", "Uncertainty budget drawn up"),
        "de": ("nicht abgeglichen: ", ", Abweichung ", "Welligkeit: arkussinusvert", "Unsicherheitsbilanz aufgestellt"),
    }
    for lang, (untrimmed, off, part, drawn) in said.items():
        page = tmp_path / f"{lang}.html"
        assert run("report", "1", "--lang", lang, "--out", str(page), store=copy).status == 0
        text = html.unescape(page.read_text(encoding="utf-8"))
        assert text.count(off) == 5 + 4 and text.count(untrimmed) >= 5 and part in text and drawn in text
        assert "trim_budget" not in text


def test_the_report_has_a_line_for_each(copy: Path, run: Run, tmp_path: Path) -> None:
    for lang, said in (("en", "Supply read by the meter"), ("de", "Versorgung am Messgerät abgelesen")):
        page = tmp_path / f"{lang}.html"
        assert run("report", "1", "--lang", lang, "--out", str(page), store=copy).status == 0
        text = page.read_text(encoding="utf-8")
        assert text.count(said) == 2
        assert "trim_supply" not in text and "trim_meter" not in text and "trim_stored" not in text
