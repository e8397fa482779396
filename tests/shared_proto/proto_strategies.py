"""Hypothesis strategies drawn from the message table, and the parts that several tests of the protocol share."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from shared_proto import codec
from shared_proto.messages import MESSAGES

Field = tuple[str, str, int, int, str]

BOARD_INFO = {
    "fw_major": 0,
    "fw_minor": 1,
    "fw_patch": 0,
    "board_id": 0x00E6614C311B8B2F,
    "boot_id": 0x7F3A0001,
    "reset_cause": 0,
    "abilities": 7,
}


def value(field: Field) -> st.SearchStrategy[Any]:
    """Values of one field over its whole range, its ends often."""
    _name, code, low, high, _doc = field
    if code == "*":
        return st.binary(min_size=low, max_size=high)
    return st.one_of(st.sampled_from([low, high]), st.integers(low, high))


def message_of(row: tuple[int, str, str, str, tuple[Field, ...]]) -> st.SearchStrategy[tuple[str, int, dict[str, Any]]]:
    """(name, sequence number, fields) of one message."""
    _number, name, _direction, _doc, fields = row
    values = st.fixed_dictionaries({field[0]: value(field) for field in fields})
    return st.tuples(st.just(name), st.integers(0, codec.SEQ_MAX), values)


messages = st.sampled_from(MESSAGES).flatmap(message_of)


def edge_fields(row: tuple[int, str, str, str, tuple[Field, ...]], which: str) -> dict[str, Any]:
    """Fields all at their lowest or highest value, or in between without a zero byte ("low", "high", "middle")."""
    fields: dict[str, Any] = {}
    for name, code, low, high, _doc in row[4]:
        if code == "*":
            length = {"low": low, "high": high, "middle": min(high, max(low, 16))}[which]
            fields[name] = bytes((37 * k + 1) & 0xFF for k in range(length))
        else:
            fields[name] = {"low": low, "high": high, "middle": low + (high - low) // 3}[which]
    return fields
