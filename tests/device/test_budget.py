"""The sum of the tick's work against a quarter of the board's time."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import family_budget
import family_records
import loop_budget
import pytest
import tick_budget
import viper_budget

from shared_proto.family_blobs import FAMILIES

WIRING = Path(__file__).resolve().parents[2] / "device" / "WIRING.md"


@pytest.fixture(scope="module")
def cases(micropython: str) -> dict[str, list[Counter[str]]]:
    return tick_budget.count_apart(micropython)


def test_tick_fits(cases: dict[str, list[Counter[str]]]) -> None:
    text, figures = tick_budget.table(cases), tick_budget.figures(cases)
    print(text)
    sampling = (tick_budget.SAMPLING, tick_budget.MOVING_SAMPLED, tick_budget.BOUNDARY_SAMPLED)
    for case in (tick_budget.STANDING, tick_budget.MOVING):
        assert figures[case][0] <= tick_budget.BUDGET_US, text
    for case in sampling[:2]:
        assert figures[case][0] <= tick_budget.SAMPLING_BUDGET_US, text
    for case, (_mean, worst) in figures.items():
        assert worst <= (tick_budget.TICK_US if case in sampling else tick_budget.ONCE_US), text


def test_counting_counts(cases: dict[str, list[Counter[str]]]) -> None:
    # The means would also be small if nothing were counted: each case has to show what it is named for.
    for ticks in cases.values():
        for counts in ticks:
            assert counts["ADC read"] >= 1 and counts["ticks_us"] >= 1 and counts[tick_budget.VIPER] > 100
    assert all(counts["Pin read"] == 2 for counts in cases[tick_budget.STANDING])
    assert sum(counts["Pin write"] for counts in cases[tick_budget.ONCE]) >= 4
    assert min(counts[tick_budget.CALL] for counts in cases[tick_budget.MOVING]) == 2
    assert all(counts["ADC read"] == 3 for counts in cases[tick_budget.SAMPLING])  # supply, light and the switch


def test_derived_costs() -> None:
    # Emulated RP2040 at 125 MHz, MicroPython 1.28, flash cache misses included: empty loop turn 3.2 us, CRC-16 table
    # loop over 64 bytes 687 us, Pin.value() 6.8 us, p(1) 5.4 us.
    cost = tick_budget.COST_US
    assert 6 * cost[tick_budget.LIGHT] + 2 * cost[tick_budget.ARITHMETIC] == pytest.approx(3.2)
    turn = 10 * cost[tick_budget.LIGHT] + 6 * cost[tick_budget.ARITHMETIC] + cost[tick_budget.INDEX]
    assert 0 <= 687 / 64 - turn <= 1.5  # left for the iterator
    assert cost[tick_budget.LOOKUP] == pytest.approx(6.8 - 5.4)


def test_the_table_in_the_document(cases: dict[str, list[Counter[str]]]) -> None:
    # Rounded as printed; newer CPythons execute the same lines, so the figures are the same there.
    rows = re.findall(r"^\| [^|]+ \| (\d+) \| (\d+) \|$", WIRING.read_text(encoding="utf-8"), re.MULTILINE)
    figures = list(tick_budget.figures(cases).values())
    assert len(rows) == len(figures)
    for (mean, worst), figure in zip(rows, figures, strict=True):
        assert (float(mean), float(worst)) == pytest.approx(figure, rel=0.1), figure


@pytest.fixture(scope="module")
def family_counts(micropython: str) -> family_budget.Counts:
    return family_budget.count_apart(micropython)


@pytest.mark.parametrize("family", FAMILIES[1:])
def test_tick_fits_with_every_family(family_counts: family_budget.Counts, family: str) -> None:
    if family in family_records.missing():
        pytest.skip(f"{family}: {family_records.missing()[family]}")
    families = {name: row[0] for name, row in family_records.measured().items()}
    text = family_budget.table(family_counts, families)
    figures = family_budget.figures(family_counts)
    for profile in [name for name in families if families[name] == family]:
        cases = figures[profile]
        assert cases[family_budget.STANDING][0] <= tick_budget.BUDGET_US, text
        assert cases[family_budget.MOVING][0] <= tick_budget.FAMILY_BUDGET_US, text
        for case in family_budget.TICKS:
            assert cases[case][1] <= tick_budget.TICK_US, (case, text)
    print(text)


def test_viper_pays(micropython: str) -> None:
    # Every function that is viper takes less than the same in plain Python.
    rows = viper_budget.count_apart(micropython)
    assert len(rows) >= 10
    for _part, plain_us, viper_us in rows:
        assert viper_us < 0.9 * plain_us, viper_budget.text(rows)


def test_families_are_counted_at_work(family_counts: family_budget.Counts) -> None:
    # What is to be dear has to happen: codes go out while moving, and other levels come under an override.
    for name, (family, _data) in family_records.measured().items():
        cases = family_counts[name]
        moving, override = cases[family_budget.MOVING], cases[family_budget.OVERRIDE]
        if family in ("pwm", "sent", "ssi", "quadrature"):
            frames = cases.get(family_budget.INTERRUPT, [])  # where each has a word of its own
            assert sum(counts["state machine: put"] for counts in [*moving, *frames]) >= 20, name
            assert sum(counts["state machine: active, exec, restart"] for counts in override) >= 8, name
        elif family == "sincos" or name == "hinge-v1":
            assert sum(counts["PWM.duty_u16"] for counts in moving) >= 20, name
        elif family == "i2c":
            assert sum(counts["Pin.init"] for counts in override) >= 8, name
            assert cases[family_budget.INTERRUPT], name
        assert max(counts[tick_budget.CALL] for counts in moving) >= (4 if family != "switch" else 2), name


@pytest.fixture(scope="module")
def loop_cases(micropython: str) -> dict[str, list[Counter[str]]]:
    return loop_budget.count_apart(micropython)


def test_samples_leave_room(loop_cases: dict[str, list[Counter[str]]], cases: dict[str, list[Counter[str]]]) -> None:
    # What the tick leaves: three inputs at their full rate, or both monitors, beside an armed jig that moves.
    figures = loop_budget.figures(loop_cases)
    moving = tick_budget.figures(cases)[tick_budget.MOVING_SAMPLED][0] / tick_budget.TICK_US
    for what, share in loop_budget.shares(figures).items():
        assert 0.05 < share and moving + share <= 0.9, (what, share)


def test_steps_leave_room(loop_cases: dict[str, list[Counter[str]]], cases: dict[str, list[Counter[str]]]) -> None:
    # The most that are counted for good (sensor_count.py: one for each 128 us), beside an armed jig.
    step_us = loop_budget.figures(loop_cases)[loop_budget.STEP]
    standing = tick_budget.figures(cases)[tick_budget.STANDING][0] / tick_budget.TICK_US
    assert 20.0 < step_us and standing + step_us / 128.0 <= 0.8


def test_samples_leave_room_with_every_family(
    loop_cases: dict[str, list[Counter[str]]], family_counts: family_budget.Counts
) -> None:
    # Three inputs at their full rate, or both monitors, as above.
    inputs, monitors = loop_budget.shares(loop_budget.figures(loop_cases)).values()
    for name, cases in family_budget.figures(family_counts).items():
        assert cases[family_budget.SAMPLED][0] / tick_budget.TICK_US + inputs <= 0.9, name
        assert cases[family_budget.MOVING][0] / tick_budget.TICK_US + monitors <= 0.9, name


def test_the_loop_table_in_the_document(loop_cases: dict[str, list[Counter[str]]]) -> None:
    rows = re.findall(r"^\| one [^|]+ \| (\d+) \|$", WIRING.read_text(encoding="utf-8"), re.MULTILINE)
    figures = list(loop_budget.figures(loop_cases).values())
    assert [float(row) for row in rows] == pytest.approx(figures, rel=0.1)


def test_beats_read_four_registers(loop_cases: dict[str, list[Counter[str]]]) -> None:
    assert all(counts[tick_budget.REGISTER] == 4 for counts in loop_cases[loop_budget.BEAT])
    assert all(counts[tick_budget.PORT] >= 1 for counts in loop_cases[loop_budget.DIRECT])
