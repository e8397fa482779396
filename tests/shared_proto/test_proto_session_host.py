"""Single rules of PROTOCOL.md section 4: the host's half."""

from __future__ import annotations

import pytest
from proto_strategies import BOARD_INFO
from proto_wire import BOOT, event, hello, hello_result, open_board, open_host, pulse, sent, wire

from shared_proto import codec, names, session, session_host
from shared_proto.codec import Message
from shared_proto.frame import DELIMITER, encode_frame
from shared_proto.session_board import BoardSession
from shared_proto.session_host import HostSession


def test_a_request_is_repeated_with_its_number_and_given_up_in_the_end() -> None:
    host = open_host()
    host.request("arm", 10_000)
    first = host.take()
    outcomes = []
    copies = 1
    for now_us in range(20_000, 8_000_000, 10_000):
        host.receive(pulse(), now_us)
        outcomes += host.poll(now_us)
        copies += sum(DELIMITER + encode_frame(codec.encode("arm", 2)) in part for part in [host.take()])
        if outcomes:
            break
    assert first == wire("arm", 2)
    assert copies == session_host.TRIES
    assert [(outcome.kind, outcome.detail) for outcome in outcomes] == [
        (session.UNKNOWN, session_host.UNANSWERED)
    ]
    assert outcomes[0].message.name == "arm"
    assert now_us == 10_000 + session_host.TRIES * session_host.RETRY_US
    host.request("disarm", now_us)  # and life goes on, with another number
    assert sent(host.take())[-1].seq == 3
    assert [o.kind for o in host.receive(wire("arm_result", 2, t_us=0), now_us)] == [session.STRAY]


def test_misuse_raises() -> None:
    host = HostSession(7)
    with pytest.raises(RuntimeError, match="hello comes first"):
        host.request("arm", 0)
    host.request("hello", 0)
    with pytest.raises(RuntimeError, match="a request is open"):
        host.request("arm", 0)
    host = open_host()
    with pytest.raises(ValueError, match="accepted 0..360000"):
        host.request("move", 0, angle_mdeg=-1, duration_ms=0, shape=0)
    with pytest.raises(ValueError, match="beat is no request"):
        host.request("beat", 0)
    with pytest.raises(ValueError, match="session_nonce: 0"):
        HostSession(0)
    assert host.open_request is None


def test_hello_without_an_answer_ends_as_unknown() -> None:
    host = HostSession(7)
    host.request("hello", 0)
    outcomes = []
    for now_us in range(0, 6_000_000, 50_000):
        outcomes += host.poll(now_us)
    kinds = [outcome.kind for outcome in outcomes]
    assert kinds.count(session.UNKNOWN) == 1 and host.state == session_host.NEW
    silent_us = [outcome.detail for outcome in outcomes if outcome.kind == session.SILENT]
    assert silent_us == [1_000_000, 2_000_000, 3_000_000, 4_000_000, 5_000_000]


def test_heartbeats_and_silence() -> None:
    host = open_host()
    beats = 0
    told = []
    for now_us in range(2_000, 3_002_000, 10_000):
        told += [(outcome.kind, outcome.detail) for outcome in host.poll(now_us)]
        beats += host.take().count(wire("beat"))
    assert beats == 12  # four a second
    assert [kind for kind, _ in told] == [session.SILENT] * 2
    assert host.receive(pulse(), 3_010_000)[0].kind == session.PULSE
    assert host.poll(3_500_000) == []


def test_events_once_in_order_and_holes_are_asked_for() -> None:
    host = open_host()
    now_us = 1_000_000
    assert [o.message.fields["counter"] for o in host.receive(event(1) + event(2), now_us)] == [1, 2]
    assert host.receive(event(1) + event(4) + event(5), now_us + 300_000) == []
    assert host.stats.repeats == 1
    (asked,) = sent(host.take())
    assert (asked.name, asked.fields) == ("resend", {"counter": 2, "boot_id": BOOT})
    got = host.receive(event(3) + event(4) + event(4), now_us + 310_000)
    assert [o.message.fields["counter"] for o in got] == [3, 4]
    host.ack(4)
    assert sent(host.take())[-1].fields == {"counter": 4, "boot_id": BOOT}
    host.receive(event(3), now_us + 320_000)  # the board did not hear the acknowledgement
    assert sent(host.take())[-1].name == "ack"
    host.ack(9)  # never delivered: nothing is acknowledged that was not
    assert host.take() == b""


def test_events_that_do_not_come_are_asked_for() -> None:
    host = open_host()
    host.receive(pulse(next_event=3), 1_000_000)
    assert [(m.name, m.fields["counter"]) for m in sent(host.take())] == [("resend", 0)]


def test_loss_told_by_the_board_is_a_gap_and_an_event() -> None:
    host = open_host()
    outcomes = host.receive(wire("lost", counter=1, t_us=5, count=36), 2000)
    assert [(outcome.kind, outcome.detail) for outcome in outcomes] == [
        (session.GAP, 36),
        (session.EVENT, None),
    ]


def test_rejoining_goes_on_with_the_open_request_and_the_events() -> None:
    host = open_host()
    host.receive(event(1), 2000)
    host.request("arm", 3000)
    request = host.take()
    host.link_lost()
    host.ack(1)
    assert (host.take(), host.poll(9_000_000)) == (b"", [])
    host.link_back(10_000_000)
    (rejoin,) = sent(host.take())
    assert (rejoin.name, rejoin.fields) == ("rejoin", {"session": 7, "boot_id": BOOT})
    assert host.receive(event(2), 10_001_000)[0].kind == session.STRAY  # whose it is, nobody knows yet
    outcomes = host.receive(
        wire("rejoin_result", rejoin.seq, t_us=0, first_event=2, next_event=3), 10_002_000
    )
    assert [outcome.kind for outcome in outcomes] == [session.REJOINED]
    data = host.take()
    assert [message.name for message in sent(data)] == ["ack", "resend", "arm"]
    assert request in data
    assert host.receive(wire("arm_result", 2, t_us=9), 10_003_000)[0].kind == session.RESULT
    assert host.receive(event(2), 10_004_000)[0].kind == session.EVENT


def test_events_acknowledged_by_another_are_a_gap() -> None:
    host = open_host()
    host.receive(event(1), 2000)
    host.link_lost()
    host.link_back(3000)
    (rejoin,) = sent(host.take())
    outcomes = host.receive(wire("rejoin_result", rejoin.seq, t_us=0, first_event=5, next_event=9), 4000)
    assert [(o.kind, o.detail) for o in outcomes] == [(session.REJOINED, None), (session.GAP, 3)]


@pytest.mark.parametrize("news", ["pulse", "hello_result", "no_session", "stale", "rejoin refused"])
def test_a_restart_is_told_and_the_open_request_is_unknown(news: str) -> None:
    host = open_host()
    host.request("arm", 2000)
    host.take()
    outcomes = []
    if news == "pulse":
        outcomes += host.receive(pulse(boot_id=5), 3000)
    elif news == "hello_result":
        outcomes += host.receive(hello_result(1, boot_id=5), 3000)
    elif news == "rejoin refused":
        host.link_lost()
        host.link_back(2500)
        (rejoin,) = sent(host.take())
        reason = names.REFUSED_NO_SESSION
        outcomes += host.receive(wire("refusal", rejoin.seq, request=0x15, reason=reason, detail=0), 3000)
    else:
        reason = names.REFUSED_NO_SESSION if news == "no_session" else names.REFUSED_STALE
        outcomes += host.receive(wire("refusal", 2, request=3, reason=reason, detail=0), 3000)
    (again,) = sent(host.take())
    assert again.name == "hello" and again.fields["session"] != 7
    outcomes += host.receive(hello_result(again.seq, again.fields["session"], boot_id=5), 4000)
    assert [(o.kind, o.detail) for o in outcomes] == [
        (session.RESTARTED, (BOOT, 5)),
        (session.UNKNOWN, session_host.RESET),
        (session.REJOINED, None),
    ]
    assert host.open_request is None
    late = pulse() + hello_result(again.seq, again.fields["session"])  # of the old boot
    assert [o.kind for o in host.receive(late, 5000)] == [session.STRAY] * 2
    assert "arm" not in [message.name for message in sent(host.take())]


def test_a_board_taken_by_another_host_leaves_the_request_unknown() -> None:
    host = open_host()
    host.request("arm", 2000)
    host.take()
    host.receive(wire("refusal", 2, request=3, reason=names.REFUSED_STALE, detail=0), 3000)
    (again,) = sent(host.take())
    outcomes = host.receive(hello_result(again.seq, again.fields["session"]), 4000)
    assert [(o.kind, o.detail) for o in outcomes] == [
        (session.UNKNOWN, session_host.SUPERSEDED),
        (session.REJOINED, None),
    ]


def test_a_copy_of_hello_that_meets_a_reset_board_is_noticed() -> None:
    """hello comes twice, the board is reset in between: the second copy opens the session on the new boot."""
    host = HostSession(7)
    host.request("hello", 0)
    copy = host.take()
    old = BoardSession(BOARD_INFO)
    old.receive(copy, 0)
    host.receive(old.take(4096), 1000)
    new = BoardSession(dict(BOARD_INFO, boot_id=5))
    new.event("boot", 0, cause=0)
    new.receive(copy, 0)
    new.take(4096)  # its hello_result is lost
    new.receive(host.take(), 2000)  # resend, for the old boot
    assert new.take(4096) == b"", "an event of the new boot would count as the old one's"
    host.poll(300_000)
    new.receive(host.take(), 300_000)
    assert [o.kind for o in host.receive(new.take(4096), 301_000)] == [session.RESTARTED]


def test_no_more_than_one_frame_of_a_kind_waits_when_nobody_takes_them() -> None:
    host = open_host()
    host.request("arm", 0)
    for now_us in range(0, 4_000_000, 10_000):
        host.receive(pulse(next_event=9), now_us)
        host.poll(now_us)
    assert sorted(message.name for message in sent(host.take())) == ["arm", "beat", "resend"]


def test_another_major_is_refused_with_the_boards_version() -> None:
    board = BoardSession(BOARD_INFO)
    board.receive(hello(7, 1, major=9), 0)
    (refusal,) = sent(board.take(4096))
    assert refusal.fields["detail"] == names.PROTOCOL_MAJOR * 256 + names.PROTOCOL_MINOR
    host = HostSession(7)
    host.request("hello", 0)
    outcomes = host.receive(DELIMITER + encode_frame(codec.encode("refusal", 1, **refusal.fields)), 10)
    assert [(o.kind, o.detail) for o in outcomes] == [(session.REFUSAL, names.REFUSED_VERSION)]
    assert host.state == session_host.NEW


def test_numbers_wrap_past_zero() -> None:
    board = open_board()
    host = open_host()
    host._seq = 65534
    seen = []
    for _ in range(3):
        host.request("arm", 0)
        seen.append(sent(host.take())[0].seq)
        host.receive(wire("arm_result", seen[-1], t_us=0), 0)
    assert seen == [65535, 1, 2]
    for seq in (30000, 60000, 65535, 1, 2):
        assert len(board.receive(wire("beat") + wire("arm", seq), 0)) == 1
        board.refuse(Message(3, "arm", seq, {}), 1)  # another object: nothing is answered
        board._pending.clear()


def test_names_are_found_under_session() -> None:
    for name in session.__all__:
        assert getattr(session, name) is not None
    with pytest.raises(AttributeError, match="no attribute Nobody"):
        _ = session.Nobody  # type: ignore[attr-defined]
