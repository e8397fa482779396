"""The self-test on the simulated bench: passes on a sound jig, and names what is wrong with one that is
not.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest
from lidjig.board.selftest import PlugMap, SelfTest, declarations, load_map
from lidjig.errors import BadInput, JigTimeout
from lidjig.firmware_path import firmware_dir
from lidjig.jig import Jig, Lock, Measurement
from lidjig.link.find import open_link
from lidjig.procedures.progress import Quiet
from lidjig.procedures.report import Report
from lidjig.record.model import Finding, MeasuredValue

from shared_proto import names
from tests.host.fake_board import MemorySink

SCENARIO = """
title = "self-test plug"
seed = 11
[machine]
model = "alder-14"
[sensor]
profile = "hinge-a1"
[jig]
fitted = "{fitted}"
sensor_fitted = {sensor}
"""


class Run(MemorySink):
    """A run's record in memory."""

    id = "r-000001"

    def __init__(self) -> None:
        super().__init__()
        self.measured: list[MeasuredValue] = []
        self.findings: list[Finding] = []
        self.notes: list[str] = []
        self.outcome = ""

    def measurement(self, m: MeasuredValue) -> None:
        self.measured.append(m)

    def finding(self, f: Finding) -> None:
        self.findings.append(f)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def finish(self, outcome: str) -> None:
        self.outcome = outcome


class Prompted(Quiet):
    """Keeps what the operator was shown."""

    def __init__(self) -> None:
        self.prompts: list[tuple[str, str]] = []

    def prompt(self, text: str, caution: str) -> None:
        self.prompts.append((text, caution))


def perform(
    tmp_path: Path,
    *,
    fitted: str = "selftest-plug",
    sensor: bool = False,
    change: Callable[[Jig], None] = lambda _jig: None,
    check_stop: Callable[[], None] = lambda: None,
) -> tuple[Report, Run, SelfTest, Prompted]:
    path = tmp_path / "plug.toml"
    path.write_text(SCENARIO.format(fitted=fitted, sensor=str(sensor).lower()), encoding="utf-8")
    record, shown = Run(), Prompted()
    with Jig(open_link(f"twin:{path}"), sink=record, nonce_seed=1) as jig:
        before = jig.read_blob(names.BLOB_PROFILE)
        change(jig)
        test = SelfTest(jig, record, shown, load_map(firmware_dir()), check_stop)
        report = test.run()
        status = jig.status()
        assert status.lock is Lock.DISARMED
        assert jig.read_blob(names.BLOB_PROFILE) == before or not before
    return report, record, test, shown


def spoil(jig: Jig, channel: str, factor: float, only: Callable[[], bool] = lambda: True) -> None:
    """One channel reads wrong, as with a damaged part in front of it."""
    real = jig.measure

    def measure(name: str, n: int = 64) -> Measurement:
        found = real(name, n)
        if name != channel or not only():
            return found
        return Measurement(name, n, found.mean_raw * factor, found.sd_raw, found.low, found.high, found.t_us)

    jig.measure = measure  # type: ignore[method-assign]


def test_a_sound_jig_passes_every_declared_measurement(tmp_path: Path) -> None:
    report, record, test, shown = perform(tmp_path)
    assert report.outcome == "pass" == record.outcome and test.failure is None
    assert {m.name for m in report.measurements} == {d.name for d in declarations(load_map(firmware_dir()))}
    assert [m.name for m in report.measurements if m.outcome != "pass"] == []
    assert len(record.measured) == len(report.measurements) > 30
    assert all(m.low is not None and m.high is not None and m.n > 0 for m in report.measurements)
    assert [finding.where for finding in record.findings] == ["none"]
    # ESD caution at the prompt to touch the connector
    assert "ESD" in shown.prompts[0][1]
    by_name = {m.name: m for m in report.measurements}
    # Divider rule: 10 kohm to 3.3 V against 220 ohm to ground is 71 mV, equal resistors halve it (Ohm's law).
    assert by_name["output_1_low"].value == pytest.approx(3300 * 220 / 10220, abs=40)
    assert by_name["load_2_low"].value == pytest.approx(3300 / 2, abs=60)


def test_a_dead_output_is_named_with_its_parts(tmp_path: Path) -> None:
    report, record, _, _ = perform(
        tmp_path, change=lambda jig: setattr(jig, "drive", lambda _output, _state: None)
    )
    assert report.outcome == "fail"
    failed = {m.name for m in report.measurements if m.outcome == "fail"}
    assert "output_1_low" in failed and "output_1_low_line" in failed and "output_2_low_observer" in failed
    (finding,) = record.findings
    assert finding.where == "elsewhere" and "drive buffer" in finding.next and finding.caution
    assert any("output_1_low" in line and "limits 0..200" in line for line in finding.evidence)


def test_a_wrong_divider_is_caught(tmp_path: Path) -> None:
    report, record, _, _ = perform(tmp_path, change=lambda jig: spoil(jig, "jig_3v3", 0.9))
    assert [m.name for m in report.measurements if m.outcome == "fail"] == ["jig_3v3"]
    assert "own supply" in record.findings[0].next


def test_a_stuck_relay_and_a_missing_feed_are_caught(tmp_path: Path) -> None:
    def no_feed(jig: Jig) -> None:
        jig.sensor_power = lambda _on: None  # type: ignore[method-assign]

    report, record, _, _ = perform(tmp_path, change=no_feed)
    assert [m.name for m in report.measurements if m.outcome == "fail"] == ["feed_on"]
    assert "47 ohm" in record.findings[0].next


def deaf_operator(jig: Jig) -> None:
    jig.link.tell_operator = lambda _action: None  # type: ignore[method-assign]


def test_with_a_machine_still_there_nothing_is_driven_into_it(tmp_path: Path) -> None:
    driven: list[object] = []

    def change(jig: Jig) -> None:
        deaf_operator(jig)
        jig.drive = lambda *what: driven.append(what)  # type: ignore[method-assign]

    report, record, _, _ = perform(tmp_path, fitted="between", sensor=True, change=change)
    assert driven == [] and report.outcome in ("fail", "incomplete")
    assert any("is it fitted?" in note for note in record.notes)
    unset = {m.name for m in report.measurements if m.outcome == "not measured"}
    assert {"output_1_low", "output_2_high_line"} <= unset


def test_without_supply_and_operator_there_is_no_verdict(tmp_path: Path) -> None:
    def change(jig: Jig) -> None:
        deaf_operator(jig)
        real = jig.status
        lines = dict.fromkeys(names.LINES, 0)
        jig.status = lambda: dataclasses.replace(real(), lines=lines)  # type: ignore[method-assign]

    report, _, test, _ = perform(tmp_path, fitted="between", change=change)
    assert report.outcome == "error" and isinstance(test.failure, JigTimeout)
    assert "mark switch" in report.error


def test_a_broken_mark_switch_fails_alone(tmp_path: Path) -> None:
    def no_mark(jig: Jig) -> None:
        real = jig.wait_event

        def wait(match: object, deadline: object, awaited: str = "", **_: object) -> object:
            if "mark switch" in awaited:
                jig.idle(3.0)  # the operator acts, and presses in vain
                raise JigTimeout(awaited, 3.0, 0, 0, 0.0)
            return real(match, deadline, awaited)  # type: ignore[arg-type]

        jig.wait_event = wait  # type: ignore[assignment, method-assign]

    report, _, _, _ = perform(tmp_path, change=no_mark)
    assert [m.name for m in report.measurements if m.outcome == "fail"] == ["mark_switch"]


def test_stopping_leaves_it_incomplete_and_disarmed(tmp_path: Path) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    report, record, _, _ = perform(tmp_path, check_stop=stop)
    assert report.outcome == "incomplete" == record.outcome
    assert any("stopped by the operator" in note for note in record.notes)


def test_the_boards_map_is_read_from_its_own_file(tmp_path: Path) -> None:
    plug = load_map(firmware_dir())
    assert isinstance(plug, PlugMap) and [loop.number for loop in plug.loops] == [1, 2]
    assert plug.loops[0].observer == "observer_1" and 0.0 < plug.settle_s < 1.0
    with pytest.raises(BadInput):
        load_map(tmp_path)
    (tmp_path / "boards").mkdir()
    path = tmp_path / "boards" / "selftest_map.py"
    path.write_text("LOOP_BACK = ((0, 0, 99, 1),)\nTOLERANCES_MV = ()\nSETTLE_MS = 1\n", encoding="utf-8")
    with pytest.raises(BadInput):
        load_map(tmp_path)
    path.write_text("LOOP_BACK = ()\nTOLERANCES_MV = ()\nSETTLE_MS = 1\n", encoding="utf-8")
    with pytest.raises(BadInput) as missing:
        load_map(tmp_path)
    assert missing.value.key == "TOLERANCES_MV" and "pulled_up" in str(missing.value)


def test_the_operator_unplugs_the_sensor_as_asked(tmp_path: Path) -> None:
    report, _, _, _ = perform(tmp_path, fitted="between", sensor=True)
    assert report.outcome == "pass"


def test_a_sensor_that_stays_plugged_in_is_asked_for(tmp_path: Path) -> None:
    """Two outputs with 5 mA and more behind the plug's 100 ohm: the plug's supply falls out of its window."""
    report, record, _, _ = perform(
        tmp_path, sensor=True, change=lambda jig: (deaf_operator(jig), spoil(jig, "supply", 0.85))[0]
    )
    assert [m.outcome for m in report.measurements if m.name == "supply"] == ["fail"]
    assert "is the sensor unplugged?" in record.findings[0].next


def test_the_shipped_scenario_is_what_the_wiring_page_says(tmp_path: Path) -> None:
    """WIRING.md, Self-test plug: nothing on the sensor's side."""
    from lidjig.twin.scenario import load_scenario

    scenario = load_scenario("selftest-plug")
    assert scenario.jig.fitted == "selftest-plug" and not scenario.jig.sensor_fitted
