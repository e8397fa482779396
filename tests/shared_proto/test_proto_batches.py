"""Batches of samples: sent once, behind everything else, never kept for later."""

from __future__ import annotations

from proto_wire import BOOT, open_board, open_host, sent, wire

from shared_proto import session
from shared_proto.session_board import BATCHES_MAX, QUEUE_MAX, SILENT_US, BoardSession

READINGS = bytes(range(128))


def give(board: BoardSession, number: int) -> bool:
    return board.batch(9, number, 1000 * number, 63000, READINGS)


def batch(number: int = 1, boot_id: int = BOOT, data: bytes = READINGS) -> bytes:
    return wire("batch", channel=9, number=number, boot_id=boot_id, t_us=5000, span_us=63000, data=data)


def test_batches_come_once_and_after_events_and_answers() -> None:
    board = open_board()
    assert give(board, 1) and give(board, 2)
    board.event("mark", 10, pressed=1)
    board.receive(wire("status", 2), 20)
    (request,) = board.receive(wire("arm", 3), 30)
    board.answer(request)
    names = [message.name for message in sent(board.take(4096))]
    assert names == ["arm_result", "mark", "batch", "batch"]
    board.poll(900000)
    assert [message.name for message in sent(board.take(4096))] == ["mark"]  # events again, batches never


def test_a_full_buffer_drops_the_new_batch_and_says_so() -> None:
    board = open_board()
    assert [give(board, number) for number in range(1, BATCHES_MAX + 2)] == [True] * BATCHES_MAX + [False]
    assert [m.fields["number"] for m in sent(board.take(8192))] == list(range(1, BATCHES_MAX + 1))
    assert give(board, 9)


def test_nothing_is_sent_to_a_silent_host_or_before_a_session() -> None:
    board = open_board()
    assert give(board, 1)
    board.poll(SILENT_US + 1)
    assert not give(board, 2)
    assert board.take(4096) == b""
    assert not give(open_board(events=False), 1)
    assert QUEUE_MAX > BATCHES_MAX


def test_a_new_session_forgets_what_waited() -> None:
    board = open_board()
    assert give(board, 1)
    board.receive(wire("hello", 9, major=1, minor=0, session=8), 0)
    assert "batch" not in [message.name for message in sent(board.take(4096))]


def test_the_host_takes_batches_of_this_boot_only() -> None:
    host = open_host()
    (outcome,) = host.receive(batch(3), 2000)
    assert outcome.kind == session.BATCH
    assert outcome.message.fields["number"] == 3
    assert outcome.message.fields["data"] == READINGS
    assert [o.kind for o in host.receive(batch(4, boot_id=BOOT + 1), 2000)] == [session.STRAY]
    assert [o.kind for o in host.receive(batch(4, data=b"\x01\x02\x03"), 2000)] == [session.STRAY]
