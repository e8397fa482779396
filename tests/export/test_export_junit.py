"""A .junit.xml read back with junitparser."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from export_runs import Made
from lidjig.record.export import Wishes, export_run
from lidjig.record.export.junit_file import clean
from lidjig.record.model import DECLARED_STEP, OBSERVERS_STEP, WEIGHED_STEP, MeasuredValue
from lidjig.record.store import Store, open_store
from lidjig.show.numbers import measured_line

junitparser = pytest.importorskip("junitparser", reason="junitparser is not installed (pip install junitparser)")


@pytest.fixture
def suite(opened: Store, made: Made, tmp_path: Path) -> Any:
    file = tmp_path / "run.junit.xml"
    export_run(opened, made.run, file, Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(file))
    return suite


def properties_of(case: Any) -> dict[str, str]:
    return {one.name: one.value for one in case.child(junitparser.Properties)}


def said(case: Any) -> str:
    return ",".join(type(result).__name__.lower() for result in case.result)


def test_outcomes_of_measurements(suite: Any) -> None:
    cases = {case.name: case for case in suite if case.classname == "lidjig.confirm.measurements"}
    assert {name: said(case) for name, case in cases.items()} == {
        "supply": "", "near": "", "wake misses": "failure", "start": "skipped",
    }  # fmt: skip
    properties = properties_of(cases["supply"])
    assert float(properties["value"]) == 3.3 and float(properties["limit_high"]) == 3.6 and properties["n"] == "64"
    assert properties["outcome"] == "pass" and properties["unit"] == "V"
    assert "value" not in properties_of(cases["start"])
    assert "not measured" in cases["start"].result[0].message


def test_steps(suite: Any) -> None:
    cases = [case for case in suite if case.classname == "lidjig.confirm.steps"]
    assert [(case.name, said(case)) for case in cases] == [
        ("1: round 1", ""), ("2: round 2", "failure"), ("3: let go", "error"),
    ]  # fmt: skip
    assert "no reaction" in cases[1].result[0].message and "not <heard> & seen" in cases[2].result[0].message


def test_verdict_and_counts(suite: Any, made: Made) -> None:
    (verdict,) = [case for case in suite if case.name == "outcome"]
    assert said(verdict) == "failure" and "board: never-wakes" in verdict.result[0].message
    assert "CAUTION: 20 V on it." in verdict.result[0].text
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (8, 3, 1, 1)
    assert len(list(suite)) == suite.tests
    properties = {p.name: p.value for p in suite.properties()}
    assert properties["run"] == made.run and properties["machine"] == "alder-14"
    assert properties["gap_2"] == "lost-events: 3 events were lost"


@pytest.mark.parametrize(
    ("outcome", "wanted"), [("pass", ""), ("fail", "failure"), ("error", "error"), ("incomplete", "error")]
)
def test_only_a_pass_is_green(tmp_path: Path, outcome: str, wanted: str) -> None:
    with open_store(tmp_path / "runs.db") as store:
        store.start_run("confirm").finish(outcome)
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    assert [said(case) for case in suite] == [wanted]


@pytest.mark.parametrize("command", ["watch", "hold"])
@pytest.mark.parametrize(("outcome", "wanted"), [("pass", "skipped"), ("error", "error"), ("fail", "failure")])
def test_a_run_that_only_looked_is_not_green(tmp_path: Path, command: str, outcome: str, wanted: str) -> None:
    with open_store(tmp_path / "runs.db") as store:
        store.start_run(command).finish(outcome)
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    (verdict,) = list(suite)
    assert said(verdict) == wanted and suite.skipped == (wanted == "skipped")
    assert wanted != "skipped" or "nothing was judged" in verdict.result[0].message


def test_only_what_was_judged_is_green(tmp_path: Path) -> None:
    """What only keeps the record is no case; a figure without a limit and a step that judges nothing are skipped."""
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("confirm")
        for name in (DECLARED_STEP, WEIGHED_STEP, OBSERVERS_STEP):
            with run.step(name):
                pass
        with run.step("start", observation="start_open", measured="start, lines open", how="lines open"):
            pass
        run.measurement(MeasuredValue.exact("looks", 20.0, "1"))
        run.measurement(MeasuredValue.exact("rounds", 20.0, "1", limit_low=20.0))
        run.finish("pass")
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    assert [(case.name, said(case)) for case in suite] == [
        ("outcome", ""), ("looks", "skipped"), ("rounds", ""), ("4: start, lines open", "skipped"),
    ]  # fmt: skip
    assert "no limit" in list(suite)[1].result[0].message


def test_a_watch_has_no_pass(tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        store.start_run("watch").finish("pass")
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    assert {p.name: p.value for p in suite.properties()}["outcome"] == "ended"


def test_a_killed_run_is_not_green(tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("cycle")
        step = run.step("cycle", number=1)
        step.__enter__()
        run.flush()
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    assert [(case.name, said(case)) for case in suite] == [("outcome", "error"), ("1: cycle 1", "skipped")]


def test_a_killed_run_says_that_it_was_never_closed(tmp_path: Path) -> None:
    """What the operator was asked last is no cause of anything."""
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("confirm")
        run.note("the jig was found tripped")
        run.note("asked the operator: Press the machine's power button")
        export_run(store, "last", tmp_path / "killed.junit.xml", Wishes())
        run.finish("incomplete")
        export_run(store, "last", tmp_path / "closed.junit.xml", Wishes())
    told = []
    for name in ("killed", "closed"):
        (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / f"{name}.junit.xml"))
        told.append(str(next(iter(suite)).result[0].message))
    assert told[0] == ("incomplete: no findings; the run was never closed: the program was killed, or is still running")
    assert told[1] == "incomplete: no findings; the jig was found tripped"


def test_a_count_has_no_unit_and_no_fraction(tmp_path: Path) -> None:
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("watch")
        run.measurement(MeasuredValue.exact("looks", 650.0, "1"))
        run.measurement(MeasuredValue("supply", 3.75, "V", 3.7, 3.8, 64, 3.0, 3.6))
        run.measurement(MeasuredValue("start", None, "s", limit_high=6.0))
        run.finish("pass")
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    assert [str(case.result[0].message) for case in list(suite)[1:]] == [
        "not judged: 650 (exact), no limit", "3.75 V (3.7 to 3.8, n 64), limits 3 to 3.6: fail",
        "not measured; limit at most 6",
    ]  # fmt: skip


def test_figures_are_told_in_the_words_of_show(tmp_path: Path) -> None:
    figures = (
        MeasuredValue("reaction", 18.5, "s", 18.5, None, 1, None, 6.0),
        MeasuredValue("transfer", 0.015150251590819307, "1", 0.0139, 0.0164, 12, 0.7, None),
        MeasuredValue("misses", 0.0, "1", 0.0, 0.045, 80, None, 0.01),
    )
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("confirm")
        for one in figures:
            run.measurement(one)
        run.finish("fail")
        export_run(store, "last", tmp_path / "run.junit.xml", Wishes())
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "run.junit.xml"))
    _, late, low, near = list(suite)
    assert late.result[0].message == "at least 18.5 s, limit at most 6: fail"
    assert low.result[0].message == "0.01515 (0.0139 to 0.0164, n 12), limit at least 0.7: fail"
    for case, one in ((late, figures[0]), (low, figures[1])):
        figure, limit = case.result[0].message.removesuffix(": fail").rsplit(", ", 1)
        assert measured_line(one) == f"{one.name}: {figure} [{limit}]"
    assert said(near) == "" and properties_of(near)["outcome"] == "marginal"
    assert near.system_out == "0 (0 to 0.045, n 80), limit at most 0.01: marginal"


def test_what_broke_a_run_off_is_its_message(tmp_path: Path) -> None:
    """Where no finding says it: the step that failed, then a link lost for good, then the last note."""

    def message(file: str, *, step: bool, lost: bool) -> str:
        with open_store(tmp_path / f"{file}.db") as store:
            run = store.start_run("watch")
            if step:
                with pytest.raises(OSError), run.step("look"):
                    raise OSError("unplugged")
            if lost:
                run.gap("link-lost", "the port closed", 5)
            run.note("nothing was judged")
            run.finish("error")
            export_run(store, "last", tmp_path / f"{file}.junit.xml", Wishes())
        (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / f"{file}.junit.xml"))
        return str(next(case for case in suite if case.name == "outcome").result[0].message)

    assert "unplugged" in message("both", step=True, lost=True)
    assert message("lost", step=False, lost=True) == "error: no findings; the port closed"
    assert message("neither", step=False, lost=False) == "error: no findings; nothing was judged"


def test_characters_that_xml_does_not_take(opened: Store, made: Made, tmp_path: Path) -> None:
    """XML 1.0, 2.2: no control characters but tab, line feed and carriage return."""
    assert clean("a\x00b\x07c\ud800d\ufffee\tf\n") == "a\N{REPLACEMENT CHARACTER}b\N{REPLACEMENT CHARACTER}c" + (
        "\N{REPLACEMENT CHARACTER}d\N{REPLACEMENT CHARACTER}e\tf\n"
    )
    export_run(opened, made.run, tmp_path / "run.junit.xml", Wishes())
    told = ElementTree.parse(tmp_path / "run.junit.xml").findtext("testsuite/system-out") or ""
    assert "naïve café" in told and "\N{REPLACEMENT CHARACTER} twice" in told
