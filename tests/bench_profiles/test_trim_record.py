"""A trim as data: to the board's record and back, records that are none, and why a trim may not be relied on."""

from __future__ import annotations

import math
import struct
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench import load_sensor
from lidjig.bench.meter import MeterSpec
from lidjig.bench.trim import FULL, TRIM_FIELDS, Trim, crc_of_record, doubts, from_record, new_trim
from lidjig.errors import BadInput
from lidjig.measure.trim_budget import OutputInputs, output_budget
from lidjig.measure.trim_fit import between, fit

MADE = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
PARTS = [(0.0, 0.004), (0.25, 0.252), (0.5, 0.498), (1.0, 0.991)]


def trim(**changes: object) -> Trim:
    values: dict[str, object] = {
        "profile": "hinge-v1",
        "profile_crc": 0xC0FFEE01,
        "made": MADE,
        "meter": "Ostwald M-6000 no. 17",
        "supply_v": 3.3,
        "parts": PARTS,
    }
    return new_trim(**(values | changes))  # type: ignore[arg-type]


def test_record_has_the_layout_that_the_board_reads() -> None:
    data = trim().to_record()
    # Packed by hand: version, crc, time, supply, points, then 33 pairs, then the meter's name to the end.
    head = struct.pack("<BIIHB", 1, 0xC0FFEE01, 1773480600, 3300, 4)
    used = struct.pack("<8H", 0, 262, 16384, 16515, 32768, 32636, 65535, 64945)
    assert data == head + used + bytes(29 * 4) + b"Ostwald M-6000 no. 17"
    assert [name for name, *_rest in TRIM_FIELDS[5:7]] == ["command_1", "output_1"]
    assert len(TRIM_FIELDS) == 5 + 66 + 1


def test_date_is_that_of_the_calendar() -> None:
    assert trim().made_utc == MADE
    there = MADE.astimezone(timezone(timedelta(hours=-7)))
    assert trim(made=there).made_utc_s == trim().made_utc_s


def test_a_record_read_back_is_the_trim() -> None:
    assert from_record(trim().to_record(), "hinge-v1") == trim()
    assert from_record(trim().to_record()).profile == ""  # the board keeps a CRC, no name
    assert trim().parts()[1] == (pytest.approx(0.25, abs=0.5 / FULL), pytest.approx(0.252, abs=0.5 / FULL))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 1900), st.integers(0, 1900)), min_size=2, max_size=33).filter(
        lambda steps: any(up for _c, up in steps[1:])
    ),
    st.integers(0, 0xFFFFFFFF),
    st.integers(1, 0xFFFFFFFF),
    st.integers(1000, 5500),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=32),
)
def test_any_trim_comes_back(steps: list[tuple[int, int]], crc: int, made_s: int, supply_mv: int, meter: str) -> None:
    points, command, output = [], 0, 0
    for across, up in steps:
        command, output = command + across, output + up
        points.append((command, output))
    one = Trim(
        profile="", profile_crc=crc, made_utc_s=made_s, meter=meter, supply_mv=supply_mv, points=tuple(points)
    )
    assert from_record(one.to_record()) == one


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_trim_or_refused(data: bytes) -> None:
    try:
        from_record(data)
    except BadInput as error:
        assert "lidjig trim" in error.next_step or error.key == "trim.meter"


def test_damaged_records_are_refused_by_what_is_wrong() -> None:
    good = trim().to_record()
    for data, key in (
        (b"", "trim.version"),
        (bytes([2]) + good[1:], "trim.version"),
        (good[:11] + bytes([1]) + good[12:], "trim.points"),
        (good[:11] + bytes([34]) + good[12:], "trim.points"),
        (good[:11] + bytes([5]) + good[12:], "trim.points"),  # the fifth point is 0, 0: commands no longer ascend
        (good[:144], "trim.meter"),  # no name of a meter
        (good + bytes(40), "trim.meter"),
        (good[:-1] + b"\xff", "trim.meter"),
        (good[:-1] + b"\n", "trim.meter"),
    ):
        with pytest.raises(BadInput) as caught:
            from_record(data)
        assert caught.value.key == key, data


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"meter": ""}, "trim.meter"),
        ({"meter": "m" * 33}, "trim.meter"),
        ({"meter": "Meßgerät"}, "trim.meter"),
        ({"parts": PARTS[:1]}, "trim.points"),
        ({"parts": [(k / 40, k / 40) for k in range(34)]}, "trim.points"),
        ({"parts": [(0.0, 0.1), (0.0, 0.2)]}, "trim.points"),
        ({"parts": [(0.0, 0.2), (0.5, 0.1)]}, "trim.points"),
        ({"parts": [(0.0, 0.2), (0.5, 0.2)]}, "trim.points"),
        ({"supply_v": 12.0}, "trim.supply_mv"),
    ],
)
def test_what_a_trim_cannot_hold(changes: dict[str, object], key: str) -> None:
    with pytest.raises(BadInput) as caught:
        trim(**changes)
    assert caught.value.key == key and caught.value.accepted


def test_numbers_out_of_their_field_are_refused() -> None:
    one = Trim(
        profile="", profile_crc=1 << 32, made_utc_s=1, meter="m", supply_mv=3300, points=((0, 0), (FULL, FULL))
    )
    with pytest.raises(BadInput, match=r"trim\.profile_crc"):
        one.to_record()
    with pytest.raises(ValueError, match="time zone"):
        trim(made=MADE.replace(tzinfo=None))


def test_a_meters_error_at_the_ends_is_kept_as_the_end() -> None:
    assert trim(parts=[(0.0, -0.0004), (1.0, 1.003)]).points == ((0, 0), (FULL, FULL))


def test_an_output_trimmed_by_what_the_board_keeps_is_within_the_budget() -> None:
    """An output with a bow, read by a meter with an error and steps, trimmed through the record, read without error."""

    def output_v(command: float) -> float:
        return 3.3 * (0.004 + 0.985 * command + 0.01 * command * (1.0 - command))

    def shown_v(command: float) -> float:
        return round(output_v(command) * 1.003, 3)  # within +/-(0.5 % + 3 steps of 1 mV)

    spec = MeterSpec(resolution_v=0.001, reading_percent=0.5, counts=3)
    at = [k / 16 for k in range(17)]
    found = fit([(c, shown_v(c), 0.001 / math.sqrt(12.0)) for c in at], 3.3)
    checked = between(found.table, [(c + 1 / 32, shown_v(c + 1 / 32)) for c in at[:-1:4]])
    kept = from_record(trim(parts=[(c, v / 3.3) for c, v in zip(at, found.table.output_v, strict=True)]).to_record())
    commands, outputs = zip(*kept.parts(), strict=True)
    for wanted in (0.1, 0.27, 0.5, 0.73, 0.9):
        command = float(np.interp(wanted, outputs, commands))
        budget = output_budget(
            OutputInputs(3.3 * wanted, 3.3, spec.half_width_v(3.3 * wanted), 0.001, 0.0, 0.0, checked.rms_v, checked.df)
        )
        assert abs(output_v(command) - 3.3 * wanted) < budget.expanded
    # Untrimmed it is farther off than that: the last of them by 28 mV (3.3 V * 0.0086).
    assert abs(output_v(0.9) - 3.3 * 0.9) == pytest.approx(0.0284, abs=1e-4) and budget.expanded < 0.022


def test_crc_is_the_boards() -> None:
    # CRC-32/ISO-HDLC of "123456789" is 0xCBF43926 (catalogue of parametrised CRC algorithms; value from memory)
    assert crc_of_record(b"123456789") == 0xCBF43926
    assert crc_of_record(load_sensor("hinge-a1")[0].to_blob()) != crc_of_record(load_sensor("hinge-b2")[0].to_blob())


def test_a_fresh_trim_of_this_profile_and_supply_is_in_no_doubt() -> None:
    assert doubts(trim(), 0xC0FFEE01, 3300, MADE + timedelta(hours=1)) == []
    assert doubts(trim(), 0xC0FFEE01, 3366, MADE + timedelta(days=365)) == []  # 2 % and a year are just allowed
    assert doubts(trim(), 0xC0FFEE01, 3234, MADE - timedelta(hours=12)) == []


@pytest.mark.parametrize(
    ("crc", "supply_mv", "later", "words"),
    [
        (0xC0FFEE02, 3300, timedelta(0), ["'hinge-v1' (CRC c0ffee01, the one in force has c0ffee02)"]),
        (0xC0FFEE01, 3367, timedelta(0), ["at a supply of 3.300 V; it is 3.367 V now (+2.0 %)"]),
        (0xC0FFEE01, 3233, timedelta(0), ["3.233 V now (-2.0 %)"]),
        (0xC0FFEE01, None, timedelta(0), ["The supply is not known"]),
        (0xC0FFEE01, 3300, timedelta(days=365, seconds=1), ["2026-03-14, 365 days ago"]),
        (0xC0FFEE01, 3300, timedelta(days=-30), ["still to come"]),
        (0, 5000, timedelta(days=800), ["the one in force has 00000000", "800 days ago", "5.000 V now (+51.5 %)"]),
    ],
)
def test_doubts(crc: int, supply_mv: float | None, later: timedelta, words: list[str]) -> None:
    found = doubts(trim(), crc, supply_mv, MADE + later)
    assert len(found) == len(words)
    for sentence, part in zip(found, words, strict=True):
        assert part in sentence and sentence.endswith(".")


def test_no_trim_is_a_doubt() -> None:
    assert len(doubts(None, 1, 3300, MADE)) == 1 and "lidjig trim" in doubts(None, 1, None, MADE)[0]
    with pytest.raises(ValueError, match="time zone"):
        doubts(None, 1, 3300, MADE.replace(tzinfo=None))


def test_a_boards_record_has_no_profile_name() -> None:
    one = from_record(trim().to_record())
    assert "made for another sensor profile (CRC c0ffee01" in doubts(one, 2, 3300, MADE)[0]
