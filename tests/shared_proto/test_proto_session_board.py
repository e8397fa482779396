"""Single rules of PROTOCOL.md section 4: the board's half."""

from __future__ import annotations

import pytest
from proto_strategies import BOARD_INFO
from proto_wire import BOOT, counters, event, hello, hello_result, open_board, open_host, pulse, sent, wire

from shared_proto import names, session_board
from shared_proto.frame import DELIMITER, encode_frame
from shared_proto.session_board import BoardSession

# --- requests ---


def test_a_repeated_request_gets_the_same_bytes_and_is_performed_once() -> None:
    board = open_board()
    (request,) = board.receive(wire("arm", 2), 100)
    assert board.receive(wire("arm", 2), 150) == []  # still being performed
    assert board.take(99) == b""
    board.answer(request)
    first = board.take(4096)
    for now_us in (200, 5000):
        assert board.receive(wire("arm", 2), now_us) == []
        assert board.take(4096) == first


def test_a_repeat_costs_no_second_frame_while_the_answer_waits_to_be_sent() -> None:
    board = open_board()
    (request,) = board.receive(wire("arm", 2), 0)
    board.answer(request)
    for _ in range(30):
        board.receive(wire("arm", 2), 0)
    assert [message.name for message in sent(board.take(4096))] == ["arm_result"]
    assert board.tx_dropped == 0


def test_an_answer_is_kept_for_eight_requests() -> None:
    board = open_board()
    for seq in range(2, 11):
        (request,) = board.receive(wire("status", seq), 0)
        board.refuse(request, names.REFUSED_BUSY)
    board.take(4096)
    for seq, reason in ((2, names.REFUSED_STALE), (3, names.REFUSED_BUSY), (10, names.REFUSED_BUSY)):
        assert board.receive(wire("status", seq), 0) == []
        assert sent(board.take(4096))[0].fields["reason"] == reason


def test_the_same_number_with_another_request_is_not_answered_with_the_old_answer() -> None:
    board = open_board()
    (request,) = board.receive(wire("arm", 2), 0)
    board.answer(request)
    board.take(4096)
    assert board.receive(wire("disarm", 2), 0) == []
    assert sent(board.take(4096))[0].fields["reason"] == names.REFUSED_STALE


@pytest.mark.parametrize(
    ("newest", "seq", "newer"),
    [(1, 2, True), (1, 1, False), (100, 99, False), (65535, 1, True), (65530, 5, True), (1, 65535, False),
     (1, 32768, True), (1, 32769, False), (40000, 7231, True), (40000, 7232, False)],
)  # fmt: skip
def test_newer_is_modulo_half_the_numbers(newest: int, seq: int, newer: bool) -> None:
    board = BoardSession(BOARD_INFO)
    board.receive(hello(7, seq=newest), 0)
    assert bool(board.receive(wire("arm", seq), 0)) == newer


def test_number_zero_is_never_performed() -> None:
    board = open_board()
    assert board.receive(wire("arm", 0), 0) == []
    assert sent(board.take(4096))[0].fields["reason"] == names.REFUSED_STALE


def test_a_new_session_drops_what_the_old_one_waits_for() -> None:
    board = open_board()
    (old,) = board.receive(wire("measure", 2, channel=0, n=9), 0)
    board.receive(hello(8, seq=1), 0)
    board.take(4096)
    (new,) = board.receive(wire("measure", 2, channel=0, n=9), 0)
    fields = {"channel": 0, "n": 9, "total": 1, "low": 0, "high": 1, "total_sq": 1}
    board.answer(old, **fields)
    assert board.take(4096) == b""
    board.answer(new, **{**fields, "total": 2})
    assert sent(board.take(4096))[0].fields["total"] == 2


def test_what_was_sent_before_hello_is_not_carried_out_after_it() -> None:
    board = BoardSession(BOARD_INFO)
    board.receive(hello(7, seq=40), 0)
    assert board.receive(wire("arm", 39), 0) == []
    assert len(board.receive(wire("arm", 41), 0)) == 1


def test_only_the_last_four_superseded_sessions_are_remembered() -> None:
    board = BoardSession(BOARD_INFO)
    for nonce in range(1, 7):
        board.receive(hello(nonce), 0)
    board.take(4096)
    replies = []
    for nonce in (2, 3, 4, 5, 6, 1):
        board.receive(hello(nonce), 0)
        replies += [message.name for message in sent(board.take(4096))]
    assert replies == ["refusal"] * 4 + ["hello_result"] * 2


def test_an_answer_out_of_range_is_the_firmwares_fault_and_said_so() -> None:
    board = open_board()
    (request,) = board.receive(wire("set_route", 2, route=2), 0)
    with pytest.raises(ValueError, match=r"set_route_result\.route: 256, accepted 0\.\.255"):
        board.answer(request, route=256)


def test_unreadable_requests_are_refused_and_counted() -> None:
    board = open_board()
    board.receive(DELIMITER + encode_frame(b"\x07\x09\x00\x01"), 0)  # move, too short
    (refusal,) = sent(board.take(4096))
    assert refusal.fields == {"request": 7, "reason": names.REFUSED_UNKNOWN, "detail": 0}
    assert refusal.seq == 9
    board.receive(DELIMITER + encode_frame(b"\xee\x00\x00"), 0)
    assert board.take(4096) == b""
    assert board.rejects == 2


def test_its_own_echo_does_nothing() -> None:
    board = open_board()
    board.receive(hello_result(1) + event(1) + pulse(), 2_000_000)
    assert (board.take(4096), board.ignored, board.last_heard_us) == (b"", 3, 0)
    host = open_host()
    host.request("arm", 0)
    assert host.receive(host.take(), 0) == []


# --- events, board ---


def test_no_event_before_the_host_has_shown_that_it_knows_the_boot() -> None:
    board = open_board(events=False)
    board.event("mark", 1, pressed=1)
    assert board.take(4096) == b""
    board.receive(wire("resend", counter=0, boot_id=BOOT + 1), 0)
    assert board.take(4096) == b""
    board.receive(wire("resend", counter=0, boot_id=BOOT), 0)
    assert counters(board.take(4096)) == [1]
    board.receive(hello(8, 9), 0)  # a new session asks again
    assert [message.name for message in sent(board.take(4096))] == ["hello_result"]


def test_eight_in_flight_and_again_from_the_oldest_after_250_ms() -> None:
    board = open_board()
    for _ in range(20):
        board.event("mark", 1, pressed=1)
    assert counters(board.take(9000)) == [1, 2, 3, 4, 5, 6, 7, 8]
    board.poll(249_000)
    assert board.take(9000) == b""
    board.poll(250_000)
    assert counters(board.take(9000)) == [1, 2, 3, 4, 5, 6, 7, 8]
    board.receive(wire("ack", counter=3, boot_id=BOOT), 300_000)
    assert counters(board.take(9000)) == [9, 10, 11]
    board.poll(549_000)
    assert board.take(9000) == b""
    board.poll(550_000)
    assert counters(board.take(9000)) == [4, 5, 6, 7, 8, 9, 10, 11]
    assert (board.events_kept, board.next_event) == (17, 21)


def test_acknowledgements_that_cannot_be_meant_are_ignored() -> None:
    board = open_board()
    for _ in range(3):
        board.event("mark", 1, pressed=1)
    board.take(30)  # one frame at most
    board.receive(wire("ack", counter=3, boot_id=BOOT), 0)  # never sent
    board.receive(wire("ack", counter=1, boot_id=BOOT + 1), 0)  # another boot
    assert board.events_kept == 3
    board.receive(wire("ack", counter=1, boot_id=BOOT), 0)
    assert board.events_kept == 2
    board.receive(wire("ack", counter=1, boot_id=BOOT), 0)
    assert board.events_kept == 2


def test_a_silent_host_is_sent_no_events() -> None:
    board = open_board()
    board.event("mark", 1, pressed=1)
    board.poll(1_000_000)
    assert board.take(4096) == b""
    board.receive(wire("beat"), 1_200_000)
    assert [message.name for message in sent(board.take(4096))] == ["pulse", "mark"]


def test_a_full_buffer_says_how_many_were_lost_and_where() -> None:
    board = open_board(keep=4)
    for t_us in range(10, 18):
        board.event("mark", t_us, pressed=0)
    assert (board.events_kept, board.events_lost) == (4, 4)
    assert counters(board.take(9000)) == [1, 2, 3, 4]
    board.receive(wire("ack", counter=2, boot_id=BOOT), 0)
    board.event("mark", 18, pressed=1)
    told = [
        (m.name, m.fields["counter"], m.fields["t_us"], m.fields.get("count")) for m in sent(board.take(9000))
    ]
    assert told == [("lost", 5, 14, 4), ("mark", 6, 18, None)]
    assert (board.events_kept, board.events_lost) == (4, 4)


def test_events_lost_before_they_came_here_are_told_as_well() -> None:
    board = open_board(keep=4)
    board.event("mark", 10, pressed=0)
    board.lose(3, 11)
    board.event("mark", 12, pressed=1)
    told = [(message.name, message.fields.get("count")) for message in sent(board.take(9000))]
    assert told == [("mark", None), ("lost", 3), ("mark", None)]
    assert board.events_lost == 3


def test_take_cuts_frames_anywhere_and_loses_nothing() -> None:
    whole = open_board()
    cut = open_board()
    for board in (whole, cut):
        for _ in range(3):
            board.event("mark", 1, pressed=1)
        board.receive(wire("beat") + wire("arm", 2), 0)
    pieces = []
    while piece := cut.take(7):
        assert len(piece) <= 7
        pieces.append(piece)
    assert b"".join(pieces) == whole.take(4096)


def test_a_flood_that_nobody_reads_is_bounded_and_counted() -> None:
    board = open_board(keep=8)
    for seq in range(2, 3000):
        board.receive(wire("status", seq) + wire("beat") + hello(7, seq), 0)
        board.event("mark", 1, pressed=1)
    replies = board.take(1 << 20)
    assert len(replies) <= (session_board.QUEUE_MAX + 2 + session_board.WINDOW) * 200
    assert board.tx_dropped > 2000
    assert board.events_lost > 2000
    assert board.events_kept == 8
