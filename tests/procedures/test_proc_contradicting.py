"""Observers that fit no power state together: a machine is neither blamed nor passed by them."""

from __future__ import annotations

import pytest
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle
from lidjig.procedures.observe import Contradicting
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
    assert "charger_i 2" in report.error and "light 0" in report.error
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
