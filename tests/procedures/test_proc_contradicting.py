"""Observers that fit no power state together: a machine is neither blamed nor passed by them."""

from __future__ import annotations

import re
from importlib import resources

import msgspec
import pytest
from lidjig.bench import load_machine
from lidjig.bench.remaining import SUPPLY_CURRENT, Remaining
from lidjig.errors import Contradicting
from lidjig.procedures.base import Bench
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle
from lidjig.procedures.hold import Hold
from lidjig.procedures.reasoning import Seen, conclude
from lidjig.record.store import Store

from tests.procedures.conftest import Make

DOGWOOD = '[machine]\nmodel = "dogwood-14"\nstart_state = "S0"\n'
CHARGING = "[machine.parameters.charging]\nma = 1500.0\nconstant_s = 3000.0\ntaper_s = 60.0\n"
HIDDEN = "[machine.parameters.battery]\nshare_percent = 100\n"


def test_a_machine_that_charges_is_not_blamed(bench: Make, store: Store) -> None:
    """A pack that charges draws far more than a sleeping machine (common practice, no source)."""
    here = bench(DOGWOOD + CHARGING, machine="dogwood-14")
    procedure = Confirm(here, repeat=2)
    report = procedure.run()
    assert report.outcome == "error" and isinstance(procedure.failure, Contradicting)
    assert not any(finding.is_fault for finding in report.findings)
    assert not any(measured.outcome == "fail" for measured in report.measurements)
    # The invented model draws 60 mA asleep, to which this pack adds what it charges with.
    told = re.search(r"charger_i (\d+) mA \(\d+ to \d+, n 16\)", report.error)
    assert told is not None and float(told.group(1)) > 250.0 and "supply_ok high" in report.error
    assert re.search(r"light [\d.]+ permille \(", report.error)
    charging, _, taught = report.error_next.partition("Where a machine that does none of this")
    assert "let it charge full" in charging and "teach" not in charging and "teach" in taught
    assert store.run(here.recorder.id).outcome == "error"


def test_a_machine_that_its_battery_carries_is_not_blamed(bench: Make) -> None:
    """The charger gives nothing while the pack carries the load (common practice, no source): light on, no current."""
    here = bench('[machine]\nmodel = "dogwood-14"\n' + HIDDEN, machine="dogwood-14")
    procedure = Cycle(here, count=2)
    report = procedure.run()
    assert isinstance(procedure.failure, Contradicting) and report.outcome == "error"
    assert not report.findings or not report.findings[0].is_fault


def test_a_dark_screen_alone_says_neither_awake_nor_asleep(bench: Make) -> None:
    """The lid is shut and an external display keeps the machine awake: current as in S0, light as in S3."""
    here = bench(DOGWOOD + "[machine.parameters.external_display]\nconnected = true\n", machine="dogwood-14")
    procedure = Confirm(here, repeat=1)
    report = procedure.run()
    assert isinstance(procedure.failure, Contradicting), report
    assert "external display" in report.error_next


@pytest.mark.parametrize(
    "seen", [[], [Seen("supply", "right", "3.3 V"), Seen("charger", "right", "20 V"), Seen("pull", "right", "47 kohm")]]
)
def test_nothing_is_blamed_that_nothing_speaks_for(seen: list[Seen]) -> None:
    """The board is what fails most often; that alone is no evidence."""
    (finding,) = conclude(seen)
    assert finding.where == "unknown"


# -- a supply current that may include charging, on a machine whose own lines tell its state

ALDER = '[machine]\nmodel = "alder-14"\n'
CHARGES = "[machine.parameters.charging]\nma = 1200.0\nconstant_s = {constant_s}\ntaper_s = 60.0\n"
ALWAYS = CHARGES.format(constant_s=3000.0)


def of_current(notes: list[str]) -> list[str]:
    return [note for note in notes if note.startswith(f"not told by {SUPPLY_CURRENT}")]


def blames_nobody(procedure: Confirm) -> None:
    assert isinstance(procedure.failure, Contradicting)
    assert not any(finding.is_fault for finding in procedure.findings)
    assert not any(measured.outcome == "fail" for measured in procedure.sheet.taken())


def shipped_scenario(name: str) -> str:
    return (resources.files("lidjig.twin") / "scenarios" / f"{name}.toml").read_text(encoding="utf-8")


def test_the_machines_own_lines_outrank_a_current_that_charges(bench: Make, store: Store) -> None:
    """SLP_S3# and SLP_S4# low is S4 or S5 (ACPI), whatever the pack takes (common practice, no source)."""
    here = bench(shipped_scenario("habit-charging-alder-14"))
    report = Confirm(here, repeat=2).run()
    assert (report.outcome, report.findings[0].where) == ("pass", "none")
    (note,) = of_current(report.notes)
    assert "it shows above 400 mA where S5 has at most 70 mA, as while a pack charges" in note
    assert "was not seen" in note
    assert of_current(store.run(here.recorder.id).notes) == [note]


@pytest.mark.parametrize("constant_s", [0.0, 6.0, 3000.0])
def test_a_pack_that_charges_changes_no_latency(bench: Make, constant_s: float) -> None:
    """In every phase of charging; the lines and the light move as without it."""
    figures = []
    for habit in ("", CHARGES.format(constant_s=constant_s)):
        report = Confirm(bench(ALDER + habit), repeat=2).run()
        assert report.outcome == "pass"
        figures.append({m.name: m.value for m in report.measurements if m.name.endswith("latency, slowest")})
    plain, charging = figures
    # The model's current follows the state with the lines; the stamp of a band is good to a scan of the channels.
    assert all(charging[name] == pytest.approx(plain[name], abs=0.15) for name in plain)


@pytest.mark.parametrize(
    ("fault", "what"),
    [("never-wakes", "wake misses"), ("ignores-lid", "sleep misses"), ("slow-sleep", "sleep latency")],
)
def test_a_machine_that_charges_is_still_found_faulty(bench: Make, fault: str, what: str) -> None:
    here = bench(f'{ALDER}{ALWAYS}[[fault]]\nwhere = "machine"\nkind = "{fault}"\n')
    report = Confirm(here, repeat=2).run()
    assert report.outcome == "fail" and report.findings[0].where == "board"
    assert any(m.name.startswith(what) and m.outcome == "fail" for m in report.measurements)


@pytest.mark.parametrize("stuck", ["observer_1", "observer_2"])
@pytest.mark.parametrize("habit", ["", ALWAYS])
def test_a_line_that_has_come_off_is_a_contradiction_and_blames_nobody(bench: Make, stuck: str, habit: str) -> None:
    """The light is on and the line says asleep or off."""
    procedure = Confirm(bench(f'{ALDER}{habit}[machine.parameters.wired]\n{stuck} = "none"\n'), repeat=1)
    assert procedure.run().outcome == "error"
    blames_nobody(procedure)
    assert stuck in str(procedure.failure)


@pytest.mark.parametrize("scenario", ["habit-external-display", "habit-background"])
def test_light_and_lines_that_contradict_one_another_stay_a_contradiction(bench: Make, scenario: str) -> None:
    for habit in ("", ALWAYS):
        procedure = Confirm(bench(shipped_scenario(scenario) + habit), repeat=1)
        assert procedure.run().outcome == "error"
        blames_nobody(procedure)
        assert "light" in str(procedure.failure) and "observer_1" in str(procedure.failure)


def test_a_current_that_is_too_small_is_no_charging(bench: Make) -> None:
    procedure = Confirm(bench(ALDER + HIDDEN.replace("100", "98")), repeat=1)
    report = procedure.run()
    assert report.outcome == "error" and of_current(report.notes) == []
    blames_nobody(procedure)


def without_light(here: Bench) -> Bench:
    machine = here.machine
    states = {
        state: msgspec.structs.replace(getattr(machine.states, state), light=None) for state in ("S0", "S3", "S5", "G3")
    }
    observers = msgspec.structs.replace(machine.observers, light=None)
    here.machine = msgspec.structs.replace(
        machine, observers=observers, states=msgspec.structs.replace(machine.states, **states)
    )
    return here


def test_a_single_line_does_not_outrank_the_current(bench: Make) -> None:
    """Without the light a line that has come off would make a working machine a sleeping one that charges."""
    for wired in ("", '[machine.parameters.wired]\nobserver_1 = "none"\n'):
        procedure = Confirm(without_light(bench(ALDER + ALWAYS + wired)), repeat=1)
        assert procedure.run().outcome == "error"
        blames_nobody(procedure)


def test_after_a_restart_of_the_board_the_lines_still_tell(bench: Make) -> None:
    here = bench(ALDER + ALWAYS + '[[fault]]\nwhere = "link"\nkind = "reset"\nat_s = 32.0\n')
    report = Confirm(here, repeat=3).run()
    assert report.outcome == "pass" and here.repeats >= 1
    assert len(of_current(report.notes)) == 1


def test_holding_an_angle_tells_the_state_by_the_same_rule(bench: Make) -> None:
    """Not before the machine has had its time: on its way lines and current differ without any charging."""
    shown: list[str] = []
    start = ALDER + 'start_state = "S0"\n'
    report = Hold(bench(start + ALWAYS), 5.0, 10.0, shown.append).run()
    assert report.outcome == "pass" and len(of_current(report.notes)) == 1
    assert shown[-1].startswith("machine: S3") and not any("the machine is in" in note for note in report.notes)
    plain: list[str] = []
    report = Hold(bench(start), 5.0, 10.0, plain.append).run()
    assert plain[-1].startswith("machine: S3") and of_current(report.notes) == []


def test_which_lines_can_do_without_the_current() -> None:
    alder, dogwood, birch, cedar = (load_machine(n)[0] for n in ("alder-14", "dogwood-14", "birch-13", "cedar-15"))
    without = Remaining(alder, frozenset()).by_lines()
    assert without is not None and without.confused() == ()
    assert all(SUPPLY_CURRENT not in signature for signature in without.signatures().values())
    # No lines; no lines; no current that could be outranked.
    assert [Remaining(machine, frozenset()).by_lines() for machine in (dogwood, birch, cedar)] == [None] * 3
    # Lines and light each alone are not enough; left out already, there is nothing to outrank.
    for blind in ({"light"}, {"observer_1"}, {"observer_2"}, {SUPPLY_CURRENT}):
        assert Remaining(alder, frozenset(blind)).by_lines() is None
