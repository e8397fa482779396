"""Latencies in the report are the trials that the procedure judged: which line told the machine, which were lost."""

from __future__ import annotations

import contextlib
import io
from dataclasses import replace
from pathlib import Path

import pytest
from lidjig.cli import main
from lidjig.record.model import ROUND_STEP
from lidjig.record.store import open_store
from lidjig.record.stored import StoredRun
from lidjig.show.report.content import ReportContent
from lidjig.show.report.page import make, page

# Somebody holds the power button in the middle of the rounds until the machine is off.
OFF = 'seed = 5\n[[event]]\nat_s = 22.0\ndo = "force-off"\n'


def confirmed(folder: Path, link: str, status: int) -> StoredRun:
    """A run of `lidjig confirm` as it is read back."""
    store = str(folder / "runs.db")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main.run(["confirm", "--repeat", "8", "--link", link, "--store", store]) == status
    with open_store(store, create=False) as opened:
        return opened.run("last")


@pytest.fixture(scope="module")
def two_lines(tmp_path_factory: pytest.TempPathFactory) -> StoredRun:
    """A machine with two lid lines and the rule "all": both must say shut."""
    return confirmed(tmp_path_factory.mktemp("birch"), "twin:healthy-birch-13", 0)


@pytest.fixture(scope="module")
def went_off(tmp_path_factory: pytest.TempPathFactory) -> StoredRun:
    folder = tmp_path_factory.mktemp("off")
    (folder / "off.toml").write_text(OFF, encoding="utf-8")
    return confirmed(folder, f"twin:{folder / 'off.toml'}", 1)


def measured(run: StoredRun, name: str) -> tuple[float | None, int]:
    return next((m.value, m.n) for m in run.measurements if m.name == name)


def slowest(content: ReportContent, verb: str) -> float:
    (series,) = [one for one in content.latencies if one.verb == verb]
    return max(value for value in series.latency_s if value is not None)


def test_every_round_is_in_the_record_with_its_trials(two_lines: StoredRun) -> None:
    rounds = [step for step in two_lines.steps if step.name == ROUND_STEP]
    assert [step.arguments["number"] for step in rounds] == list(range(1, 9))
    assert all([trial["state"] for trial in step.result] == ["S3", "S0"] for step in rounds)


@pytest.mark.parametrize("verb", ["sleep", "wake"])
def test_with_two_lines_the_one_that_told_the_machine_is_the_stimulus(two_lines: StoredRun, verb: str) -> None:
    built = make(two_lines, "en")
    value, n = measured(two_lines, f"{verb} latency, slowest")
    assert slowest(built.content, verb) == pytest.approx(value, abs=1e-9)
    (series,) = [one for one in built.content.latencies if one.verb == verb]
    assert len(series.latency_s) == n == 8
    # Both must say shut: the last one shuts, the first one opens (lid_rule of the machine profile).
    outputs = [event for event in two_lines.events if event.name == "output"]
    for stimulus_us in series.stimulus_us:
        near = [e.t_us for e in outputs if abs(e.t_us - stimulus_us) < 300_000 and e.data["output"] in (0, 1)]
        assert len(near) == 2 and stimulus_us == (max(near) if verb == "sleep" else min(near))


def test_a_lost_trial_is_no_miss(went_off: StoredRun) -> None:
    assert measured(went_off, "states lost")[0] == 1.0
    assert measured(went_off, "sleep misses")[0] == measured(went_off, "wake misses")[0] == 0.0
    content = make(went_off, "en").content
    assert [series.misses for series in content.latencies] == [0, 0]
    counted = [measured(went_off, f"{verb} misses")[1] for verb in ("sleep", "wake")]
    assert [len(series.cycle) for series in content.latencies] == counted
    assert not any(None in series.latency_s for series in content.latencies)


def test_a_run_that_recorded_no_trials_says_why_it_has_no_latencies(two_lines: StoredRun) -> None:
    """As runs of versions that kept no rounds are."""
    older = replace(two_lines, steps=[])
    built = make(older, "en")
    assert built.content.latencies == () and built.trials == []
    assert "without recording them one by one" in built.content.latency_none
    assert built.content.latency_none in page(built) and 'id="h-latency"' in page(built)
    assert make(two_lines, "en").content.latency_none == ""
    none = make(replace(older, measurements=[]), "en").content.latency_none
    assert none.startswith("The jig completed no movement of the lid")
    watched = make(replace(older, measurements=[], command="watch"), "en").content.latency_none
    assert watched.startswith("This kind of test times no movements")


def test_rounds_are_counted_as_rounds(two_lines: StoredRun) -> None:
    built = make(two_lines, "en")
    (chart,) = [figure for figure in built.content.figures if figure.name == "run-chart"]
    assert "against its round" in chart.description and "cycle" not in chart.description
    svg = built.drawings["run-chart"]()
    assert ">round<" in svg and ">cycle<" not in svg
