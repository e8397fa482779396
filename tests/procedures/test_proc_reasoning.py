"""The table and what is concluded from it, apart from any bench."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lidjig.procedures.isolate_table import CAUSES, HEALTHY, Cause
from lidjig.procedures.reasoning import TWO_FAULTS, Seen, conclude, likelihood, posterior, what_rounds_show
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
    for kind in ("switch", "angle"):
        assert sum(cause.prior for cause in CAUSES if cause.only in ("", kind)) <= 1.0 + 1e-9


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


CONTRADICTIONS = {
    "a sensor that draws nothing and works": {
        "sensor_current": "none", "sensor_open": "released", "sensor_shut": "operated", "sensor_unfed": "released",
    },
    "a machine that sleeps when driven hard and else never": {
        "pull": "right", "start_open": "yes", "sleep_standin": "never", "sleep_driven": "yes",
    },
}  # fmt: skip


@pytest.mark.parametrize("observations", CONTRADICTIONS.values(), ids=CONTRADICTIONS)
def test_contradictions_conclude_nothing(observations: dict[str, str]) -> None:
    """Each observation speaks against the place that the others speak for: none is named, and all are told."""
    findings = conclude(seen(**observations))
    assert [(f.where, f.what, f.probability) for f in findings] == [("unknown", None, None)]
    for name, value in observations.items():
        assert f"{name} is {value}" in findings[0].evidence


def test_two_places_out_of_order_are_no_certainty_for_one() -> None:
    """A line at ground speaks for the wiring, no current and an operated output for the sensor: both are named."""
    found = conclude(seen(pull="ground", sensor_current="none", sensor_open="operated", start_open="yes"))
    assert [finding.where for finding in found] == ["sensor", "wiring"]
    assert all(finding.evidence[0] == TWO_FAULTS for finding in found)


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
        against = [text.removeprefix("does not fit: ") for text in finding.evidence if text.startswith("does not fit")]
        assert not set(against) & set(finding.evidence), finding
    with pytest.raises(KeyError):
        likelihood(CAUSES[0], "supply", "purple")


def test_sleeping_now_and_then_does_not_fit_a_setting() -> None:
    shown = {"supply": "right", "charger": "right", "pull": "right", "start_standin": "yes", "wake_standin": "always"}
    main, *others = conclude(seen(**shown, sleep_standin="sometimes"), untested=("sensor",))
    setting = next(finding for finding in others if finding.where == "setting")
    (text,) = [text for text in setting.evidence if "sleep_standin" in text]
    assert main.what == "random-miss" and text.startswith("does not fit: ")


# -- observations that once convicted the wrong place


def test_a_level_the_other_way_round_is_no_dead_board() -> None:
    """It starts with its lines open, not when told open, and when told shut: the profiles have the level wrong."""
    finding = conclude(
        seen(supply="right", pull="right", start_open="yes", start_standin="no", start_driven="no", start_shut="yes"),
        untested=("sensor",),
    )[0]
    assert finding.where == "setting" and "active" in finding.next
    # Without the start told shut the same observations must not sound as certain.
    less = conclude(seen(start_open="yes", start_standin="no", start_driven="no"), untested=("sensor",))[0]
    assert less.where == "unknown" or (less.probability or 0.0) < (finding.probability or 0.0)


@pytest.mark.parametrize("value", ["low", "high"])
def test_a_supply_outside_its_window_is_told_with_a_caution(value: str) -> None:
    finding = conclude(seen(supply=value, charger="right"), untested=("sensor",))[0]
    assert (finding.where, finding.what) == ("board", None)
    assert "window" in finding.evidence[0] and "--machine" in finding.next and "20 V" in finding.caution


def test_a_late_start_is_not_called_no_start() -> None:
    finding = conclude(seen(**{**WORKS, "start_open": "late"}))[0]
    assert (finding.where, finding.what) == ("board", None)
    assert "later" in finding.evidence[0]


@pytest.mark.parametrize("pull", ["leak-ground", "leak-supply"])
def test_a_leak_is_cleaned_first(pull: str) -> None:
    """Whether the machine works in spite of it or not."""
    broken = {"start_open": "no", "start_standin": "no"} if pull == "leak-ground" else {"sleep_standin": "never"}
    for others in (WORKS, broken):
        finding = conclude(seen(supply="right", pull=pull, **others), untested=("sensor",))[0]
        assert (finding.where, finding.what) == ("wiring", None), finding
        assert finding.next.startswith("Clean") and "lithium" in finding.caution


def test_one_of_two_outputs_that_is_stuck() -> None:
    """The machine goes by both, so it starts, sleeps and wakes as long as one of them works."""
    fed = {"sensor_current": "right", "sensor_open": "operated", "sensor_shut": "operated", "sensor_unfed": "released"}
    through = {"start_through": "yes", "sleep_through": "yes", "wake_through": "yes"}
    finding = conclude(seen(**fed, **through, **WORKS, sensor_steady="yes", start_open="yes", sleep_open="no"))[0]
    assert (finding.where, finding.what) == ("sensor", "stuck-shut")


DEAD = {
    "sensor_current": "none",
    "sensor_open": "operated",
    "sensor_shut": "operated",
    "sensor_steady": "yes",
    "sensor_unfed": "operated",
}
IGNORES = {"pull": "right", "start_open": "yes", "start_standin": "yes", "sleep_standin": "never", "sleep_driven": "no"}


def test_two_faults_are_both_named_and_put_in_order() -> None:
    found = conclude(seen(supply="right", **DEAD, **IGNORES, start_through="no", start_shut="yes"))
    assert [(f.where, f.what) for f in found] == [("sensor", "dead"), ("board", "ignores-lid")]
    assert all(f.evidence[0] == TWO_FAULTS for f in found)
    assert "first" in found[0].next and "next" in found[1].next


def test_one_fault_is_never_told_as_two() -> None:
    """Each side alone: a sensor's fault with a machine that works, a machine's fault with a sensor that works."""
    fine = {"sensor_current": "right", "sensor_open": "released", "sensor_shut": "operated", "sensor_steady": "yes"}
    for observations in (
        seen(supply="right", pull="right", start_through="no", start_open="yes", **DEAD, **WORKS),
        seen(supply="right", **fine, **IGNORES, start_shut="yes"),
    ):
        assert not any(TWO_FAULTS in finding.evidence for finding in conclude(observations))


def test_no_supply_and_no_start_say_what_to_measure_first() -> None:
    observations = seen(supply="missing", charger="right", start_open="no", start_through="no")
    found = conclude(observations, failed=["sensor supply", "start, lines open"])
    assert (found[0].where, found[0].what) == ("board", "no-start")
    assert "sensor supply" in found[0].next
    assert "sensor supply is outside its limits" in found[0].evidence
    assert "start, lines open is outside its limits" in found[0].evidence


def test_few_clean_rounds_do_not_make_certain() -> None:
    clean = seen(supply="right", pull="right", start_open="yes", **WORKS)
    # Rule of succession: (n + 1) / (n + 2). value from memory
    for rounds, at_most in ((1, 2 / 3), (3, 4 / 5), (8, 9 / 10)):
        finding = conclude(clean, untested=("sensor",), rounds=rounds)[0]
        assert finding.where == "none" and (finding.probability or 1.0) <= at_most + 1e-3
    # 1 - 0.05 ** (1 / n), NIST e-Handbook 7.2.4.1 (exact bound for no failures)
    assert "up to 95%" in what_rounds_show(1) and "up to 14%" in what_rounds_show(20)


def test_who_is_told_to_solder_or_measure_unpowered_is_told_to_disconnect() -> None:
    for cause in CAUSES:
        acts = cause.where != "none"
        if acts and any(word in cause.todo for word in ("replace", "Replace", "mend", "power off")):
            assert "lithium pack" in cause.caution and "ESD" in cause.caution, cause.says
        if any(word in cause.todo for word in ("mend the trace", "resistor")):
            assert "hot air" in cause.caution or "20 V" in cause.caution, cause.says
