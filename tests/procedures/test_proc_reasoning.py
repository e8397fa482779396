"""The table and what is concluded from it, apart from any bench."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lidjig.procedures.isolate_table import CAUSES, HEALTHY, Cause
from lidjig.procedures.reasoning import Seen, conclude, likelihood, posterior
from lidjig.twin import catalogue

WORKS = {"start_standin": "yes", "sleep_standin": "always", "wake_standin": "always"}


def seen(**values: str) -> list[Seen]:
    return [Seen(name, value, f"{name} is {value}") for name, value in values.items()]


def test_the_rule_of_the_trade_falls_out() -> None:
    """Plugged it will not start; unplugged it starts and never sleeps; by the stand-in it starts, sleeps and wakes."""
    # common practice, no source
    finding = conclude(seen(start_through="no", start_open="yes", sleep_open="no", **WORKS))[0]
    assert finding.where == "sensor"
    assert finding.probability is not None and finding.probability > 0.8
    # Which fault of the sensor it is, these observations cannot tell, and so it is not told.
    assert finding.what is None
    assert any("not told apart" in line and "dead" in line for line in finding.evidence)


def test_no_part_of_the_rule_is_enough() -> None:
    plugged = conclude(seen(start_through="no"))[0]
    assert plugged.where != "sensor" or (plugged.probability or 0.0) < 0.8
    assert conclude(seen(start_open="yes", sleep_open="no"))[0].where != "sensor"


@pytest.mark.parametrize("cause", CAUSES, ids=[f"{c.where}-{c.what}-{i}" for i, c in enumerate(CAUSES)])
def test_probabilities_of_each_observation_add_up(cause: Cause) -> None:
    for name, values in HEALTHY.items():
        total = sum(likelihood(cause, name, value) for value in values)
        assert total == pytest.approx(1.0, abs=2e-3), f"{name}: {total}"


def test_rows_speak_of_known_observations_only() -> None:
    for cause in CAUSES:
        for name, values in cause.sees.items():
            assert set(values) <= set(HEALTHY[name]), f"{cause.where} {cause.what}: {name}"
            assert sum(values.values()) <= 1.0 + 1e-9
    assert sum(cause.prior for cause in CAUSES) <= 1.0 + 1e-9


def test_every_fault_of_the_catalogue_has_a_row() -> None:
    places = {"sensor": "sensor", "wiring": "wiring", "machine": "board"}
    rows = {(cause.where, cause.what) for cause in CAUSES}
    for fault in catalogue.FAULTS:
        if fault.where in places:
            assert (places[fault.where], fault.kind) in rows


def test_every_row_says_what_to_do() -> None:
    for cause in CAUSES:
        assert cause.says and cause.todo.endswith(".")


def test_nothing_seen_concludes_nothing() -> None:
    assert conclude([])[0].where == "unknown"


def test_contradictions_conclude_nothing() -> None:
    """Half of the observations speak for one place, half for another: no place is named with confidence."""
    finding = conclude(seen(pull="ground", sensor_current="none", sensor_open="operated", start_open="yes"))[0]
    assert finding.where == "unknown" or finding.probability is not None and finding.probability < 0.99


def test_what_was_not_tested_is_neither_blamed_nor_cleared() -> None:
    observations = seen(start_through="no", sensor_open="operated", sensor_current="none")
    assert conclude(observations)[0].where == "sensor"
    assert all(finding.where != "sensor" for finding in conclude(observations, untested=("sensor",)))


def test_line_open_and_pull_missing_are_told_apart_by_a_hard_drive() -> None:
    both = {"supply": "right", "pull": "none"}
    opened = conclude(seen(**both, start_open="yes", start_standin="yes", sleep_standin="never", sleep_driven="no"))
    floating = conclude(seen(**both, start_open="no", start_standin="no", start_driven="yes", sleep_driven="yes"))
    assert (opened[0].where, opened[0].what) == ("wiring", "line-open")
    assert (floating[0].where, floating[0].what) == ("wiring", "pull-missing")


def test_a_refusal_to_start_while_shut_speaks_for_a_setting() -> None:
    """A machine that takes notice of the lid before its system runs has a working lid input."""
    board = {"supply": "right", "pull": "right", "start_open": "yes", "start_standin": "yes", "sleep_standin": "never"}

    def share(start_shut: str) -> float:
        ranked = posterior({**board, "sleep_driven": "no", "start_shut": start_shut})
        return sum(p for c, p in ranked if c.where == "setting")

    assert share("no") > 2.0 * share("yes")


@given(st.fixed_dictionaries({}, optional={name: st.sampled_from(sorted(values)) for name, values in HEALTHY.items()}))
def test_any_observations_give_probabilities(observations: dict[str, str]) -> None:
    ranked = posterior(observations)
    assert sum(p for _cause, p in ranked) == pytest.approx(1.0)
    findings = conclude(seen(**observations))
    assert findings
    for finding in findings:
        assert finding.probability is None or 0.0 <= finding.probability <= 0.99
    with pytest.raises(KeyError):
        likelihood(CAUSES[0], "supply", "purple")
