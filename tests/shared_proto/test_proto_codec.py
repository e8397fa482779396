"""The message table and what is made of it."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from proto_strategies import Field, edge_fields, messages

from shared_proto import codec
from shared_proto.messages import MAX_BODY, MESSAGES, RESULT_OFFSET, TO_BOARD, TO_HOST

Row = tuple[int, str, str, str, tuple[Field, ...]]
BY_ROW_NAME = [row[1] for row in MESSAGES]
FIXED = [row for row in MESSAGES if all(field[1] != "*" for field in row[4])]
FIELDS = [(row, field) for row in MESSAGES for field in row[4]]


@given(messages)
def test_round_trip(sent: tuple[str, int, dict[str, Any]]) -> None:
    name, seq, fields = sent
    message = codec.decode(codec.encode(name, seq, **fields))
    assert message is not None
    assert (message.name, message.seq, message.fields) == (name, seq, fields)


@given(messages)
def test_text_round_trip(sent: tuple[str, int, dict[str, Any]]) -> None:
    name, seq, fields = sent
    message = codec.decode(codec.encode(name, seq, **fields))
    assert message is not None
    direction = codec.BY_ID[message.id].direction
    assert codec.parse_text(codec.text(message, direction)) == (direction, message)


@pytest.mark.parametrize("row", MESSAGES, ids=BY_ROW_NAME)
def test_byte_order_and_layout(row: Row) -> None:
    """Each field written on its own by int.to_bytes must give the same body: no padding, little-endian."""
    sizes = {"B": 1, "b": 1, "H": 2, "h": 2, "I": 4, "i": 4, "Q": 8}
    for which in ("low", "middle", "high"):
        fields = edge_fields(row, which)
        expected = bytes([row[0]]) + (0x1234).to_bytes(2, "little")
        for name, code, low, _high, _doc in row[4]:
            if code == "*":
                expected += fields[name]
            else:
                expected += fields[name].to_bytes(sizes[code], "little", signed=code.islower())
            assert low >= 0 or code.islower()
        assert codec.encode(row[1], 0x1234, **fields) == expected
        assert len(expected) <= MAX_BODY


@pytest.mark.parametrize(("row", "field"), FIELDS, ids=[f"{row[1]}.{field[0]}" for row, field in FIELDS])
def test_out_of_range_is_refused_by_name(row: Row, field: Field) -> None:
    name, code, low, high, _doc = field
    fields = edge_fields(row, "low")
    wrong: list[object] = [None, 1.0, "1"]
    if code == "*":
        wrong += [b"x" * (high + 1)] + ([b"x" * (low - 1)] if low else [])
    else:
        wrong += [low - 1, high + 1, -(1 << 70), 1 << 70, float("nan")]
    for value in wrong:
        with pytest.raises(ValueError, match=rf"{row[1]}\.{name}: .*accepted {low}\.\.{high}"):
            codec.encode(row[1], 1, **{**fields, name: value})
    del fields[name]
    with pytest.raises(ValueError, match="missing"):
        codec.encode(row[1], 1, **fields)


@pytest.mark.parametrize(("row", "field"), FIELDS, ids=[f"{row[1]}.{field[0]}" for row, field in FIELDS])
def test_out_of_range_on_the_wire_is_no_message(row: Row, field: Field) -> None:
    name, code, low, high, _doc = field
    fields = edge_fields(row, "low")
    if code == "*":
        body = codec.encode(row[1], 1, **fields)
        body = body[: len(body) - low]  # without the tail
        assert codec.decode(body + bytes(high)) is not None
        assert codec.decode(body + bytes(high + 1)) is None
        assert low == 0 or codec.decode(body) is None
        return
    at = codec.HEADER_BYTES
    for other, other_code, *_rest in row[4]:
        if other == name:
            break
        at += struct.calcsize("<" + other_code)
    size = struct.calcsize("<" + code)
    body = codec.encode(row[1], 1, **fields)
    for value in (low - 1, high + 1):
        try:
            raw = value.to_bytes(size, "little", signed=code.islower())
        except OverflowError:
            continue  # the field cannot hold it
        assert codec.decode(body[:at] + raw + body[at + size :]) is None


def test_unknown_names_are_refused() -> None:
    with pytest.raises(ValueError, match="no message is named dance"):
        codec.encode("dance")
    with pytest.raises(ValueError, match="beat has no field tempo"):
        codec.encode("beat", tempo=1)
    with pytest.raises(ValueError, match=r"arm\.seq: 65536, accepted 0\.\.65535"):
        codec.encode("arm", 65536)
    assert codec.encode("sensor_power", 1, on=True) == codec.encode("sensor_power", 1, on=1)


@given(st.binary(max_size=MAX_BODY))
def test_any_body_is_a_message_or_none(body: bytes) -> None:
    message = codec.decode(body)
    if message is not None:  # then it is the only way to write that message
        assert codec.encode(message.name, message.seq, **message.fields) == body


@pytest.mark.parametrize("row", FIXED, ids=[row[1] for row in FIXED])
def test_every_other_length_is_no_message(row: Row) -> None:
    body = codec.encode(row[1], 1, **edge_fields(row, "low"))
    for length in range(MAX_BODY + 1):
        assert (codec.decode((body + bytes(MAX_BODY))[:length]) is not None) == (length == len(body))


def test_the_table_keeps_its_own_rules() -> None:
    assert len(codec.BY_ID) == len(codec.BY_NAME) == len(MESSAGES)
    for number, name, direction, doc, fields in MESSAGES:
        assert doc
        if number < RESULT_OFFSET:
            assert direction == TO_BOARD
            result = codec.BY_ID[number + RESULT_OFFSET]
            assert (result.name, result.direction) == (name + "_result", TO_HOST)
        if 0x80 <= number < 0xC0:
            assert [field[0] for field in fields][:2] == ["counter", "t_us"]
        for _field, code, low, high, _doc in fields:
            assert code in "BHIQbhi*" and low <= high
            if code != "*":
                bits = 8 * struct.calcsize("<" + code)
                floor = -(1 << (bits - 1)) if code.islower() else 0
                assert floor <= low and high < floor + (1 << bits)
        assert all(code != "*" for _field, code, *_rest in fields[:-1])


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("", "no message line"),
        ("= arm seq=1", "no message line"),
        ("> dance seq=1", "no message is named dance"),
        ("> arm seq", "no field: seq"),
        ("> move seq=1 angle_mdeg=1 angle_mdeg=2", "no field: angle_mdeg=2"),
        ("> move seq=1 angle_mdeg=1", "move.duration_ms: missing"),
    ],
)
def test_lines_that_are_no_message(line: str, wrong: str) -> None:
    with pytest.raises(ValueError, match=wrong):
        codec.parse_text(line)


def test_a_line_as_in_a_transcript() -> None:
    line = "> move seq=2 angle_mdeg=12000 duration_ms=400 shape=0"
    direction, message = codec.parse_text(line)
    assert codec.text(message, direction) == line
