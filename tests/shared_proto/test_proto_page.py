"""PROTOCOL.md says what the tables say, and its examples are what other tools make of them."""

from __future__ import annotations

import re
import zlib
from typing import Any

import pytest

from shared_proto import codec, docgen, session_board, session_host
from shared_proto.docgen import EXAMPLES
from shared_proto.messages import MESSAGES

oracle: Any = pytest.importorskip("cobs.cobs", reason="the cobs package comes with the dev extra")
PAGE = docgen.PROTOCOL.read_text(encoding="utf-8")


def test_page_is_up_to_date() -> None:
    assert docgen.render(PAGE) == PAGE, "run python -m shared_proto.docgen"


def test_a_difference_is_noticed() -> None:
    changed = PAGE.replace("| `angle_mdeg` | i32 |", "| `angle_mdeg` | u32 |")
    assert changed != PAGE and docgen.render(changed) == PAGE
    with pytest.raises(ValueError, match="no part 'overview'"):
        docgen.render("")


def test_every_message_and_every_transition_is_there() -> None:
    for row in MESSAGES:
        assert f"| `0x{row[0]:02X}` | `{row[1]}` |" in PAGE
    for (state, happened), after in session_host.NEXT.items():
        assert f"    {state} --> {after}: {happened}\n" in PAGE
    for (state, arrived), (after, what) in session_board.NEXT.items():
        assert f"| {state} | {arrived} | {what} | {after} |" in PAGE


def test_examples_hold_with_other_tools() -> None:
    """The bytes printed on the page, taken apart by zlib and the cobs package instead of our code."""
    found = re.findall(r"^\d+\. `(.+)`$(?:.|\n)*?on the wire: `(.+)`$", PAGE, flags=re.MULTILINE)
    assert [line for line, _wire in found] == list(EXAMPLES)
    assert len({codec.parse_text(line)[1].name for line, _wire in found}) >= 6
    for line, wire in found:
        data = bytes.fromhex(wire)
        assert data[0] == data[-1] == 0
        plain = oracle.decode(data[1:-1])
        body, crc = plain[:-4], int.from_bytes(plain[-4:], "little")
        assert zlib.crc32(body) == crc
        direction, message = codec.parse_text(line)
        assert codec.decode(body) == message
        assert codec.BY_NAME[message.name].direction == direction


def test_check_says_when_it_differs(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    page = tmp_path / "PROTOCOL.md"
    page.write_text(PAGE.replace("`disarm_result` |", "`dismay_result` |"), encoding="utf-8")
    monkeypatch.setattr(docgen, "PROTOCOL", page)
    assert docgen.main(["--check"]) == 1
    assert docgen.main([]) == 0
    assert docgen.main(["--check"]) == 0
    assert page.read_text(encoding="utf-8") == PAGE
