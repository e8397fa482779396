"""The state tables of both halves, walked pair by pair."""

from __future__ import annotations

import itertools

import pytest
from proto_strategies import BOARD_INFO
from proto_wire import BOOT, hello, sent, wire

from shared_proto import names, session_board, session_host
from shared_proto.frame import DELIMITER, encode_frame
from shared_proto.session_board import BoardSession
from shared_proto.session_host import HostSession

BOARD_STATES = (session_board.CLOSED, session_board.OPEN)
ARRIVALS = (
    session_board.HELLO_NEW,
    session_board.HELLO_AGAIN,
    session_board.HELLO_PAST,
    session_board.HELLO_FOREIGN,
    session_board.REJOIN,
    session_board.REJOIN_OTHER,
    session_board.REQUEST_NEW,
    session_board.REQUEST_PENDING,
    session_board.REQUEST_ANSWERED,
    session_board.REQUEST_OLD,
    session_board.REQUEST_FULL,
    session_board.REQUEST_STRANGE,
    session_board.BEAT,
    session_board.ACK,
    session_board.RESEND,
)
HOST_STATES = ("new", "opening", "cut", "open", "down", "rejoining")
HAPPENINGS = (
    session_host.HELLO,
    session_host.WELCOMED,
    session_host.TURNED_AWAY,
    session_host.UNHEARD,
    session_host.OTHER_BOOT,
    session_host.SESSION_GONE,
    session_host.DROP,
    session_host.BACK,
)

REPLIES = {  # what is done: (name of what is sent, refusal reason, requests handed out)
    session_board.BEGIN: ("hello_result", None, 0),
    session_board.WELCOME: ("hello_result", None, 0),
    session_board.GO_ON: ("rejoin_result", None, 0),
    session_board.PERFORM: (None, None, 1),
    session_board.IGNORE: (None, None, 0),
    session_board.REPEAT: ("arm_result", None, 0),
    session_board.REFUSE: ("refusal", names.REFUSED_STALE, 0),
    session_board.REFUSE_BUSY: ("refusal", names.REFUSED_BUSY, 0),
    session_board.REFUSE_STRANGE: ("refusal", names.REFUSED_UNKNOWN, 0),
    session_board.REFUSE_VERSION: ("refusal", names.REFUSED_VERSION, 0),
    session_board.REFUSE_NO_SESSION: ("refusal", names.REFUSED_NO_SESSION, 0),
    session_board.PULSE: ("pulse", None, 0),
    session_board.RELEASE: (None, None, 0),
    session_board.REWIND: (None, None, 0),
}


def board_before(state: str, arrived: str) -> tuple[BoardSession, bytes]:
    """A board in that state to which `arrived` really can arrive, and the bytes that make it arrive."""
    board = BoardSession(BOARD_INFO)
    if state == session_board.OPEN:
        board.receive(hello(6, seq=1), 0)
        board.receive(hello(7, seq=2), 0)
        for message in board.receive(wire("arm", 3), 0):
            board.answer(message)
        board.receive(wire("disarm", 4), 0)  # being performed
        if arrived == session_board.REQUEST_FULL:
            board.receive(wire("stop", 5) + wire("status", 6) + wire("clear", 7), 0)
        board.take(4096)
    data = {
        session_board.HELLO_NEW: hello(8, 9),
        session_board.HELLO_AGAIN: hello(7, 9),
        session_board.HELLO_PAST: hello(6, 9),
        session_board.HELLO_FOREIGN: hello(8, 9, major=2),
        session_board.REJOIN: wire("rejoin", 9, session=7, boot_id=BOOT),
        session_board.REJOIN_OTHER: wire("rejoin", 9, session=7, boot_id=BOOT + 1),
        session_board.REQUEST_NEW: wire("stop", 9),
        session_board.REQUEST_PENDING: wire("disarm", 4),
        session_board.REQUEST_ANSWERED: wire("arm", 3),
        session_board.REQUEST_OLD: wire("stop", 2),
        session_board.REQUEST_FULL: wire("stop", 9),
        session_board.REQUEST_STRANGE: DELIMITER + encode_frame(b"\x3f\x09\x00"),
        session_board.BEAT: wire("beat"),
        session_board.ACK: wire("ack", counter=0, boot_id=BOOT),
        session_board.RESEND: wire("resend", counter=0, boot_id=BOOT),
    }
    return board, data[arrived]


# On a closed board every hello is new, every rejoin is another's and every request is refused alike.
SEEN_AS = {
    session_board.HELLO_AGAIN: session_board.HELLO_NEW,
    session_board.HELLO_PAST: session_board.HELLO_NEW,
    session_board.REJOIN: session_board.REJOIN_OTHER,
    session_board.REQUEST_PENDING: session_board.REQUEST_NEW,
    session_board.REQUEST_ANSWERED: session_board.REQUEST_NEW,
    session_board.REQUEST_OLD: session_board.REQUEST_NEW,
    session_board.REQUEST_FULL: session_board.REQUEST_NEW,
}


@pytest.mark.parametrize(("state", "arrived"), list(itertools.product(BOARD_STATES, ARRIVALS)))
def test_board_table_pair_by_pair(state: str, arrived: str) -> None:
    board, data = board_before(state, arrived)
    assert board.state == state
    seen = SEEN_AS.get(arrived, arrived) if state == session_board.CLOSED else arrived
    rule = session_board.NEXT.get((state, seen))
    ignored = board.ignored
    requests = board.receive(data, 1000)
    replies = sent(board.take(4096))
    if rule is None:
        assert (board.state, board.ignored, requests, replies) == (state, ignored + 1, [], [])
        return
    after, what = rule
    reply, reason, handed_out = REPLIES[what]
    assert (board.state, board.ignored, len(requests)) == (after, ignored, handed_out)
    assert [message.name for message in replies] == ([reply] if reply else [])
    if reason is not None:
        assert replies[0].fields["reason"] == reason


def test_board_table_names_nothing_else() -> None:
    assert {state for state, _ in session_board.NEXT} == set(BOARD_STATES)
    assert {arrived for _, arrived in session_board.NEXT} == set(ARRIVALS)
    assert {what for _, what in session_board.NEXT.values()} == set(REPLIES)


@pytest.mark.parametrize(("state", "happened"), list(itertools.product(HOST_STATES, HAPPENINGS)))
def test_host_table_pair_by_pair(state: str, happened: str) -> None:
    host = HostSession(7)
    host.state = state
    after = session_host.NEXT.get((state, happened))
    if after is None:
        with pytest.raises(RuntimeError, match=happened):
            host._go(happened)
        assert host.state == state
    else:
        host._go(happened)
        assert host.state == after


def test_host_table_has_no_dead_end() -> None:
    assert {state for state, _ in session_host.NEXT} == set(HOST_STATES)
    assert {happened for _, happened in session_host.NEXT} == set(HAPPENINGS)
    for state in HOST_STATES:
        assert (state, session_host.DROP) in session_host.NEXT  # a cable can be pulled at any time
        reached = {state}
        while True:
            more = {after for (before, _), after in session_host.NEXT.items() if before in reached}
            if more <= reached:
                break
            reached |= more
        assert session_host.OPEN in reached
