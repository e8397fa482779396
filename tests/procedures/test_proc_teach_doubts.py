"""Teaching believes no answer that the machine speaks against, and learns nothing where an observer is silent."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from lidjig.bench import load_machine
from lidjig.measure.estimate import Estimate
from lidjig.procedures import taught_sleep
from lidjig.procedures.base import Bench
from lidjig.procedures.observe import NotSeen
from lidjig.procedures.report import Report
from lidjig.procedures.teaching import Teach

from tests.procedures.conftest import Make

DISPLAY = "[machine.parameters.external_display]\nconnected = true\nless_ma = 220.0\n"
S0IX = "[machine.parameters.background]\nperiod_s = 6.0\non_ms = 900.0\nma = 420.0\ns0ix = true\n"
SECONDS = 6.0


def scenario(model: str, habit: str = "") -> str:
    return f'seed = 54\n[machine]\nmodel = "{model}"\n{habit}'


def teach(bench: Bench, base: str, *, s0ix: bool = False) -> tuple[Report, list[str], Teach]:
    written: list[str] = []

    def write(text: str) -> str:
        written.append(text)
        return "new.toml"

    procedure = Teach(bench, (base, load_machine(base)[1]), write, SECONDS, s0ix=s0ix)
    return procedure.run(), written, procedure


@pytest.mark.parametrize("s0ix", [False, True])
@pytest.mark.parametrize(("model", "signal"), [("alder-14", True), ("dogwood-14", False)])
def test_a_machine_that_a_display_keeps_awake_is_not_learned_as_asleep(
    bench: Make, model: str, signal: bool, s0ix: bool
) -> None:
    """With an external display the panel goes dark and the machine stays in S0 (common practice, no source)."""
    here = bench(scenario(model, DISPLAY), vm="cpython", machine=model)
    report, written, _ = teach(here, model, s0ix=s0ix)
    assert report.outcome == "incomplete" and not written
    (finding,) = report.findings
    assert finding.evidence[0].startswith("the machine does not look asleep: ")
    told = " ".join(finding.evidence)
    assert ("SLP_S3# (observer_1) was high" in told) == (signal and not s0ix)
    # The invented models draw 900 and 750 mA working; the display's lid takes 220 mA off.
    asleep, working = (float(value) for value in re.findall(r"(\d+) mA (?:asleep|working)", told))
    due = {"alder-14": 900.0, "dogwood-14": 750.0}[model]
    assert working == pytest.approx(due, abs=15.0) and asleep == pytest.approx(due - 220.0, abs=15.0)
    assert "n = 12 half seconds" in told and "common practice" in told
    assert "external displays" in finding.next and "indicator" in finding.next
    assert "--s0ix" not in finding.next, "the current says awake, which the word does not change"
    assert any("no profile was written" in note for note in report.notes)


def test_sleep_in_s0ix_needs_the_word(bench: Make) -> None:
    """In S0ix the platform stays in S0, so that SLP_S3# stays high (common practice, no source)."""
    here = bench(scenario("alder-14", S0IX), vm="cpython")
    report, written, _ = teach(here, "alder-14")
    assert report.outcome == "incomplete" and not written
    assert "--s0ix" in report.findings[0].next and len(report.findings[0].evidence) == 1


def test_sleep_in_s0ix_is_learned_with_the_word(bench: Make) -> None:
    here = bench(scenario("alder-14", S0IX), vm="cpython")
    report, written, _ = teach(here, "alder-14", s0ix=True)
    assert report.outcome == "pass", report
    made = tomllib.loads(written[0])
    assert made["states"]["S3"]["observer_1"] == 1
    assert "S0ix" in made["learned"]["how"]


def _light_only(folder: Path) -> str:
    """alder-14 on a bench with a light sensor and SLP_S4#: sleep shows by the light alone."""
    import tomli_w

    table = tomllib.loads(load_machine("alder-14")[1])
    gone = ("charger_v", "charger_i", "observer_1")
    for rows in (table["observers"], *table["states"].values()):
        for name in gone:
            rows.pop(name, None)
    path = folder / "light-only.toml"
    path.write_text(tomli_w.dumps(table), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("habit", ["", DISPLAY])
def test_a_dark_panel_alone_is_no_sleep(bench: Make, tmp_path: Path, habit: str) -> None:
    base = _light_only(tmp_path)
    report, written, _ = teach(bench(scenario("alder-14", habit), vm="cpython", machine=base), base)
    assert report.outcome == "incomplete" and not written
    assert "nothing but the light changed" in report.findings[0].evidence[0]
    assert "SLP_S3#" in report.findings[0].next and "power monitor" in report.findings[0].next
    assert not any(finding.is_fault for finding in report.findings)


def test_a_machine_that_did_not_start_is_not_learned_as_working(bench: Make) -> None:
    text = scenario("alder-14") + '[[fault]]\nwhere = "machine"\nkind = "no-start"\n'
    report, written, _ = teach(bench(text, vm="cpython"), "alder-14")
    assert not written
    assert any("does not look working: SLP_S3#" in finding.evidence[0] for finding in report.findings)


def test_a_bench_is_advised_only_what_it_lacks(bench: Make) -> None:
    """dogwood-14 has a power monitor in the charger's lead and a light sensor. The pack hides the current here."""
    habit = "[machine.parameters.charging]\nma = 1200\nconstant_s = 0\ntaper_s = 200\n"
    report, written, _ = teach(bench(scenario("dogwood-14", habit), machine="dogwood-14"), "dogwood-14")
    assert report.outcome == "incomplete" and not written and report.findings
    for finding in report.findings:
        assert "monitor" not in finding.next and "light sensor" not in finding.next
        assert "Let the pack charge full, or disconnect it by its connector" in finding.next
        assert "by its connector only" in finding.caution


def test_a_current_asleep_that_reads_below_nothing_has_its_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pack that carries the load leaves a few mA on either side of zero."""
    rows = {"S3": Estimate(-2.0, None, -3.0, 1.0, 40, "mA"), "S0": Estimate(400.0, None, 390.0, 410.0, 60, "mA")}
    monkeypatch.setattr(taught_sleep, "mostly", lambda _recordings, state, _name, _unit: rows[state])
    monkeypatch.setattr(taught_sleep, "_current_tells", lambda _found: True)
    machine = load_machine("dogwood-14")[0]
    share = taught_sleep.sleep_share(None, [], machine)  # type: ignore[arg-type]
    assert share.value == pytest.approx(-0.005)
    assert (share.low, share.high) == (pytest.approx(-3.0 / 390.0), pytest.approx(1.0 / 390.0)) and share.n == 40
    rows["S3"] = Estimate(-20.0, None, -21.0, -19.0, 40, "mA")
    assert taught_sleep.sleep_share(None, [], machine).value is None  # type: ignore[arg-type]
    rows["S0"] = Estimate(1.0, None, -1.0, 2.0, 60, "mA")
    assert taught_sleep.sleep_share(None, [], machine).value is None  # type: ignore[arg-type]


def test_a_monitor_that_is_missing_is_named_before_anybody_is_asked(bench: Make) -> None:
    text = scenario("dogwood-14") + '[[fault]]\nwhere = "bus"\nkind = "meter-missing"\nmeter = 1\n'
    here = bench(text, machine="dogwood-14")
    asked: list[str] = []
    ask = here.operator.ask

    def heard(bench: Bench, action: str) -> tuple[int, int]:
        asked.append(action)
        return ask(bench, action)

    here.operator.ask = heard  # type: ignore[method-assign,assignment]
    report, written, procedure = teach(here, "dogwood-14")
    assert report.outcome == "error" and isinstance(procedure.failure, NotSeen)
    assert report.error.startswith("power monitor 1") and "charger_i" in report.error
    assert not asked and not written and not report.findings
    assert all(measured.outcome == "not measured" for measured in report.measurements)


def test_a_monitor_that_fails_while_it_is_learned_from_is_named(bench: Make) -> None:
    text = scenario("dogwood-14") + '[[fault]]\nwhere = "bus"\nkind = "hung"\nat_s = 6.0\nclocks = 0\nholds = "scl"\n'
    report, written, _ = teach(bench(text, machine="dogwood-14"), "dogwood-14")
    assert report.outcome == "error" and not written and not report.findings
    assert "power monitor" in report.error


def test_a_monitor_that_keeps_failing_blames_nothing_else(bench: Make) -> None:
    """What was recorded while it failed is recorded again; where that does not help, the monitor is named."""
    text = scenario("dogwood-14") + '[[fault]]\nwhere = "bus"\nkind = "meter-drops"\nrate = 0.01\nforgets = "yes"\n'
    report, written, _ = teach(bench(text, machine="dogwood-14"), "dogwood-14")
    assert report.outcome == "error" and not written and not report.findings
    assert "power monitor 1" in report.error
    assert any("repeated" in note for note in report.notes)
