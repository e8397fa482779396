"""A trim of two outputs as data: to the board's record and back, records that are none, and its doubts."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench.trim import Trim, new_trim
from lidjig.bench.trim_pair import PAIR_FIELDS, TrimPair, pair_from_record
from lidjig.errors import BadInput

MADE = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
CRC = 0xC0FFEE01
PARTS = [(0.02, 0.024), (0.5, 0.498), (0.98, 0.97)]


def half(**changes: object) -> Trim:
    values = {"profile": "", "profile_crc": CRC, "made": MADE, "meter": "M-6000", "supply_v": 3.3, "parts": PARTS}
    return new_trim(**(values | changes))  # type: ignore[arg-type]


def pair(**outputs: Trim) -> TrimPair:
    return TrimPair(profile_crc=CRC, outputs=outputs)


def test_record_has_the_layout_that_the_board_reads() -> None:
    data = pair(cos=half()).to_record()
    # Packed by hand: version, crc, an empty sine, then time, supply, points, 33 pairs, then both names of meters.
    head = struct.pack("<BI", 2, CRC)
    used = struct.pack("<IHB6H", 1773480600, 3300, 3, 1311, 1573, 32768, 32636, 64224, 63569)
    assert data == head + bytes(139) + used + bytes(30 * 4) + b"\nM-6000"
    assert len(PAIR_FIELDS) == 2 + 2 * 69 + 1
    longest = half(meter="m" * 32, parts=[(k / 32, k / 32) for k in range(33)])
    assert len(pair(sin=longest, cos=longest).to_record()) == 348 < 1024  # what the board takes in one record


def test_a_record_read_back_is_the_trim() -> None:
    for one in (
        pair(sin=half(), cos=half(meter="another", supply_v=3.4)),
        pair(sin=half()),
        pair(cos=half()),
        pair(),
    ):
        assert pair_from_record(one.to_record()) == one


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_a_trim_or_refused(data: bytes) -> None:
    for given_data in (data, b"\x02" + data):
        try:
            pair_from_record(given_data)
        except BadInput as error:
            assert "lidjig trim" in error.next_step or error.key.startswith("trim.")


def test_damaged_records_are_refused_by_what_is_wrong() -> None:
    good = pair(sin=half(), cos=half()).to_record()
    for data, key in (
        (b"", "trim.version"),
        (b"\x01" + good[1:], "trim.version"),
        (good[:11] + bytes([34]) + good[12:], "trim.sin_points"),
        (good[:11] + bytes([1]) + good[12:], "trim.points"),
        (good[:150] + bytes([4]) + good[151:], "trim.points"),  # the fourth point is 0, 0: commands no longer ascend
        (good[:5] + bytes(4) + good[9:], "trim.sin_made_utc_s"),
        (good[:148] + bytes(2) + good[150:], "trim.supply_mv"),
        (good[:283], "trim.meters"),
        (good[:283] + b"one", "trim.meters"),
        (good[:283] + b"\n", "trim.meter"),  # trimmed, but by nothing
        (good[:283] + b"a\nb\nc", "trim.meters"),
        (good[:-1] + b"\xff", "trim.meters"),
        (good + bytes(70), "trim.meters"),
    ):
        with pytest.raises(BadInput) as caught:
            pair_from_record(data)
        assert caught.value.key == key, (data, key)


def test_what_it_cannot_hold() -> None:
    with pytest.raises(BadInput, match="ascend"):
        pair(sin=msgspec.structs.replace(half(), points=((5, 1), (5, 2)))).to_record()
    with pytest.raises(BadInput, match=r"trim\.profile_crc"):
        TrimPair(profile_crc=1 << 32, outputs={"sin": half()}).to_record()


def test_doubts_of_each() -> None:
    sound = pair(sin=half(), cos=half())
    later = MADE + timedelta(hours=1)
    assert sound.doubts(CRC, 3300, later) == []
    (told,) = sound.doubts(CRC + 1, 5000, MADE + timedelta(days=800))
    assert told.startswith("The trim was made for another sensor profile (CRC c0ffee01, the one in force has c0ffee02)")
    assert pair().doubts(CRC, 3300, later)[0].startswith("Neither output is trimmed")
    (told,) = pair(sin=half()).doubts(CRC, 3300, later)
    assert told.startswith("cosine output: The output is not trimmed")
    mixed = pair(sin=half(made=MADE - timedelta(days=400)), cos=half(supply_v=3.0))
    old, other = mixed.doubts(CRC, 3300, later)
    assert old.startswith("sine output: The trim is of 2025-02-07") and "over a year old" in old
    assert other.startswith("cosine output: The trim was made at a supply of 3.000 V; it is 3.300 V now (+10.0 %)")
