"""Frames: the check, any chunking, any garbage, bounded memory."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from proto_strategies import messages

from shared_proto import codec, frame
from shared_proto.messages import MAX_BODY

bodies = st.binary(min_size=frame.MIN_BODY, max_size=MAX_BODY)


def test_check_value() -> None:
    # Greg Cook, Catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC: check value, residue (second hand)
    assert binascii.crc32(b"123456789") == 0xCBF43926
    crc = binascii.crc32(b"123456789").to_bytes(4, "little")
    assert binascii.crc32(b"123456789" + crc) ^ 0xFFFFFFFF == 0xDEBB20E3
    # the frame carries exactly that value, lowest byte first
    assert frame.encode_frame(b"123456789") == b"\x0e123456789\x26\x39\xf4\xcb\x00"


def test_longest_frame_fits() -> None:
    # MicroPython on rp2 takes 256 byte pieces from USB; frames stay at or under 200
    assert len(frame.encode_frame(b"\xff" * MAX_BODY)) + 1 <= frame.MAX_FRAME
    with pytest.raises(ValueError, match="accepted up to 180"):
        frame.encode_frame(b"x" * (MAX_BODY + 1))


@given(st.lists(bodies, max_size=6), st.data())
def test_any_chunking_gives_the_same_bodies(sent: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(frame.encode_frame(body) for body in sent)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    decoder = frame.FrameDecoder()
    got: list[bytes] = []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        got += decoder.feed(stream[start:end])
    assert got == sent
    assert (decoder.good, decoder.rejects) == (len(sent), 0)


def test_byte_by_byte() -> None:
    stream = b"".join(frame.encode_frame(codec.encode("beat")) for _ in range(3))
    decoder = frame.FrameDecoder()
    assert sum(len(decoder.feed(bytes([byte]))) for byte in stream) == 3


@given(st.lists(st.binary(max_size=400), max_size=8), bodies)
def test_any_bytes_never_raise_stay_bounded_and_the_next_good_frame_is_found(
    garbage: list[bytes], body: bytes
) -> None:
    decoder = frame.FrameDecoder()
    for piece in garbage:
        decoder.feed(piece)
        assert decoder.held <= frame.MAX_FRAME
    # what a sender writes: a delimiter on either side
    assert decoder.feed(frame.DELIMITER + frame.encode_frame(body))[-1:] == [body]
    assert decoder.held == 0


def test_a_stack_trace_in_the_stream_costs_nothing_but_itself() -> None:
    trace = b'Traceback (most recent call last):\r\n  File "main.py", line 3, in <module>\r\nMemoryError\r\n'
    body = codec.encode("beat")
    decoder = frame.FrameDecoder()
    stream = frame.encode_frame(body) + trace * 5 + frame.DELIMITER + frame.encode_frame(body)
    assert decoder.feed(stream) == [body, body]
    assert decoder.rejects == 1


def test_every_reject_is_counted_once_under_its_cause() -> None:
    decoder = frame.FrameDecoder()
    good = frame.encode_frame(codec.encode("beat"))
    decoder.feed(b"\x09abc\x00")
    assert decoder.bad_cobs == 1
    decoder.feed(b"\x04abc\x00")
    assert decoder.short == 1
    decoder.feed(good[:1] + bytes([good[1] ^ 1]) + good[2:])
    assert decoder.bad_crc == 1
    decoder.feed(b"x" * 5000 + b"\x00")
    assert decoder.oversize == 1
    decoder.feed(b"\x00\x00\x00")  # an idle line is no reject
    assert decoder.rejects == 4
    assert decoder.feed(good) == [codec.encode("beat")]


@settings(max_examples=30)
@given(st.integers(1, 3000), st.integers(1, 300))
def test_endless_bytes_without_delimiter_are_one_reject(length: int, chunk: int) -> None:
    decoder = frame.FrameDecoder()
    stream = b"U" * length
    for start in range(0, length, chunk):
        decoder.feed(stream[start : start + chunk])
        assert decoder.held <= frame.MAX_FRAME
    decoder.feed(b"\x00")
    assert decoder.rejects == 1


@given(st.lists(messages, min_size=1, max_size=5))
def test_messages_through_frames(sent: list[tuple[str, int, dict[str, object]]]) -> None:
    stream = b"".join(frame.encode_frame(codec.encode(name, seq, **fields)) for name, seq, fields in sent)
    got = [codec.decode(body) for body in frame.FrameDecoder().feed(stream)]
    assert [(m.name, m.seq, m.fields) for m in got if m] == sent


def test_reset_forgets_a_frame_begun() -> None:
    decoder = frame.FrameDecoder()
    good = frame.encode_frame(codec.encode("beat"))
    decoder.feed(good[:4])
    decoder.reset()
    assert decoder.feed(good) == [codec.encode("beat")]
    assert decoder.rejects == 0
