"""Frames put together by hand, and sessions brought to where a test begins."""

from __future__ import annotations

from typing import Any

from proto_strategies import BOARD_INFO

from shared_proto import codec, names, session
from shared_proto.codec import Message
from shared_proto.frame import DELIMITER, FrameDecoder, encode_frame
from shared_proto.session_board import BoardSession
from shared_proto.session_host import HostSession

BOOT = BOARD_INFO["boot_id"]


def wire(name: str, seq: int = 0, **fields: Any) -> bytes:
    return DELIMITER + encode_frame(codec.encode(name, seq, **fields))


def hello(nonce: int, seq: int = 1, major: int = names.PROTOCOL_MAJOR) -> bytes:
    return wire("hello", seq, major=major, minor=0, session=nonce)


def sent(data: bytes) -> list[Message]:
    found = [codec.decode(body) for body in FrameDecoder().feed(data)]
    assert None not in found
    return [message for message in found if message is not None]


def open_board(keep: int = 64, events: bool = True) -> BoardSession:
    board = BoardSession(BOARD_INFO, keep)
    board.receive(hello(7), 0)
    if events:
        board.receive(wire("resend", counter=0, boot_id=BOOT), 0)
    board.take(4096)
    return board


def open_host() -> HostSession:
    host = HostSession(7)
    host.request("hello", 0)
    assert sent(host.take())[0].fields == {"major": 1, "minor": names.PROTOCOL_MINOR, "session": 7}
    outcomes = host.receive(hello_result(1), 1000)
    assert [outcome.kind for outcome in outcomes] == [session.RESULT]
    host.take()
    return host


def hello_result(
    seq: int, session: int = 7, boot_id: int = BOOT, first: int = 1, following: int = 1
) -> bytes:
    fields = dict(BOARD_INFO, boot_id=boot_id, major=1, minor=0, session=session, t_us=5)
    return wire("hello_result", seq, **fields, first_event=first, next_event=following)


def pulse(boot_id: int = BOOT, next_event: int = 1) -> bytes:
    fields = {name: 0 for name in codec.BY_NAME["pulse"].names}
    return wire("pulse", **{**fields, "boot_id": boot_id, "next_event": next_event})


def event(counter: int) -> bytes:
    return wire("mark", counter=counter, t_us=counter, pressed=1)


def counters(data: bytes) -> list[int]:
    return [message.fields["counter"] for message in sent(data)]
