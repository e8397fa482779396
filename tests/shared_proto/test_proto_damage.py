"""Damage in a frame: flipped bits, truncation, repeated and spliced pieces. Nothing of it may pass as another message.

Two arguments and a sample. Flips that leave the code bytes of COBS alone and make no byte zero hit only bytes under the
CRC, and of those every pattern of 1 to 4 is proven to be caught (test_crc_distance). A flip that moves a code byte can
change many bytes at once: there the CRC is a lottery of 1 in 2**32, the length and range checks apart. So such patterns
are tried: all of 1 and 2 flips for every message, all of 3 or 4 for short ones, and many of 3 and 4.
"""

from __future__ import annotations

import binascii
import itertools
import random
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from proto_strategies import edge_fields, messages

from shared_proto import codec
from shared_proto.frame import CRC_BYTES, DELIMITER, FrameDecoder, encode_frame
from shared_proto.messages import MAX_BODY, MESSAGES
from tests.conftest import LONG

NEXT_FRAME = DELIMITER + encode_frame(codec.encode("beat"))
BEAT = codec.encode("beat")


def on_the_wire(body: bytes) -> bytes:
    return DELIMITER + encode_frame(body)


def body_of(name: str, which: str = "middle") -> bytes:
    row = next(row for row in MESSAGES if row[1] == name)
    return codec.encode(name, 0x0102, **edge_fields(row, which))


def accepted(stream: bytes) -> list[bytes]:
    """Bodies that pass the frame checks and are messages, from a stream that is followed by a good frame."""
    bodies = FrameDecoder().feed(stream + NEXT_FRAME)
    assert bodies[-1:] == [BEAT], "the next good frame was not found"
    return [body for body in bodies[:-1] if codec.decode(body) is not None]


def flipped(stream: bytes, bits: Iterable[int]) -> bytes:
    out = bytearray(stream)
    for bit in bits:
        out[bit >> 3] ^= 1 << (bit & 7)
    return bytes(out)


def may_pass(stream: bytes, bits: tuple[int, ...], body: bytes) -> bool:
    """Flips outside the frame proper (in the delimiter before it) can leave an intact frame; that is no harm."""
    return accepted(flipped(stream, bits)) in ([], [body])


def test_crc_distance() -> None:
    """No pattern of 1 to 4 flipped bits in the longest body and its CRC leaves the CRC right: exhaustive.

    Agrees with: CRC-32 polynomial 0x04C11DB7 keeps a Hamming distance of at least 5 up to 2974 data bits (computed by
    exhaustive count; HD 5 in Koopman, "32-bit cyclic redundancy codes for Internet applications", DSN 2002: value from
    memory).
    """
    length = MAX_BODY + CRC_BYTES
    clean = binascii.crc32(bytes(length))
    syndromes = []
    for bit in range(8 * length):  # CRC is affine: the change by one bit does not depend on the rest
        syndromes.append(binascii.crc32(flipped(bytes(length), [bit])) ^ clean)
    single = np.array(syndromes, dtype=np.uint32)
    # over data followed by its CRC the residue is constant, so a change passes when its syndrome is zero
    left, right = np.triu_indices(len(single), k=1)
    pairs = np.sort(single[left] ^ single[right])
    assert (single != 0).all()  # 1 flip
    assert len(np.unique(single)) == len(single)  # 2 flips
    assert not np.isin(single, pairs).any()  # 3 flips
    assert (np.diff(pairs) != 0).all()  # 4 flips: two different pairs would cancel


@pytest.mark.parametrize("row", MESSAGES, ids=[row[1] for row in MESSAGES])
def test_every_single_and_double_flip(row: tuple[int, str, str, str, tuple[object, ...]]) -> None:
    for which in ("low", "middle"):
        body = body_of(row[1], which)
        stream = on_the_wire(body)
        bits = range(8 * len(stream))
        for bit in bits:
            assert may_pass(stream, (bit,), body), (which, bit)
    if len(stream) > 40:  # the longest ones: those pairs that meet a code byte or a delimiter
        pairs: Iterable[tuple[int, int]] = (
            (one, other) for one in structural_bits(stream) for other in bits if one != other
        )
    else:
        pairs = itertools.combinations(bits, 2)
    for pair in pairs:
        assert may_pass(stream, pair, body), pair


def structural_bits(stream: bytes) -> list[int]:
    """Bits of the delimiters and the code bytes of one frame."""
    found = [0, len(stream) - 1]
    at = 1
    while at < len(stream) - 1:
        found.append(at)
        at += stream[at]
    return [8 * byte + bit for byte in found for bit in range(8)]


@pytest.mark.parametrize(("name", "flips"), [("beat", 3), ("beat", 4), ("arm", 3), ("set_route", 3)])
def test_every_flip_of_a_short_frame(name: str, flips: int) -> None:
    if flips > 3 and not LONG:
        pytest.skip("half a million frames: LIDJIG_LONG=1 runs them")
    body = body_of(name, "low")
    stream = on_the_wire(body)
    for bits in itertools.combinations(range(8 * len(stream)), flips):
        if not set(bits) & set(structural_bits_of(stream)):
            continue  # proven by test_crc_distance, unless a byte became zero: then the pieces are too short
        assert may_pass(stream, bits, body), bits


_STRUCTURAL: dict[bytes, frozenset[int]] = {}


def structural_bits_of(stream: bytes) -> frozenset[int]:
    if stream not in _STRUCTURAL:
        _STRUCTURAL[stream] = frozenset(structural_bits(stream))
    return _STRUCTURAL[stream]


@pytest.mark.parametrize("flips", [3, 4])
def test_many_flips_that_meet_a_code_byte(flips: int) -> None:
    chance = random.Random(flips)
    for row in MESSAGES:
        body = body_of(row[1])
        stream = on_the_wire(body)
        structural = structural_bits(stream)
        every = range(8 * len(stream))
        for _ in range(600):
            bits = {chance.choice(structural)}
            while len(bits) < flips:
                bits.add(chance.choice(every))
            assert may_pass(stream, tuple(bits), body), (row[1], sorted(bits))


@given(messages, st.data())
@settings(max_examples=200)
def test_any_message_any_flips(sent: tuple[str, int, dict[str, object]], data: st.DataObject) -> None:
    name, seq, fields = sent
    body = codec.encode(name, seq, **fields)
    stream = on_the_wire(body)
    bits = data.draw(st.sets(st.integers(0, 8 * len(stream) - 1), min_size=1, max_size=4))
    assert may_pass(stream, tuple(bits), body)


@pytest.mark.parametrize("row", MESSAGES, ids=[row[1] for row in MESSAGES])
def test_every_truncation_and_every_missing_piece(row: tuple[int, str, str, str, tuple[object, ...]]) -> None:
    body = body_of(row[1])
    stream = on_the_wire(body)
    for cut in range(1, len(stream) - 1):
        assert accepted(stream[:cut]) == []  # the end is missing, the delimiter too
        assert accepted(stream[:cut] + DELIMITER) == []
        assert accepted(DELIMITER + stream[cut + 1 :]) in ([], [body])
    for start in range(1, len(stream) - 1):
        for end in range(start + 1, min(start + 12, len(stream) - 1)):
            assert accepted(stream[:start] + stream[end:]) == []


@pytest.mark.parametrize("name", ["beat", "arm", "move", "hello", "edge", "ack", "refusal", "move_result"])
def test_every_repeated_piece(name: str) -> None:
    body = body_of(name)
    stream = on_the_wire(body)
    for start in range(1, len(stream) - 1):
        for end in range(start + 1, len(stream)):
            again = stream[:end] + stream[start:end] + stream[end:]
            # Repeating the end from a delimiter on leaves the frame itself whole.
            assert accepted(again) in ([], [body])


def test_every_splice_of_two_frames() -> None:
    names = ["arm", "disarm", "move", "set_route", "ack", "edge", "mark", "output", "pulse", "move_result"]
    streams = {name: on_the_wire(body_of(name)) for name in names}
    for head, tail in itertools.permutations(names, 2):
        fine = ([], [body_of(head)], [body_of(tail)])
        for end in range(1, len(streams[head])):
            for start in range(1, len(streams[tail]), 2):
                assert accepted(streams[head][:end] + streams[tail][start:]) in fine


def test_splices_of_one_message_with_different_values() -> None:
    one = codec.encode("move", 7, angle_mdeg=90000, duration_ms=400, shape=1)
    other = codec.encode("move", 8, angle_mdeg=12000, duration_ms=500, shape=1)
    first, second = on_the_wire(one), on_the_wire(other)
    assert len(first) == len(second)
    for end in range(1, len(first)):
        for start in range(1, len(second)):
            assert accepted(first[:end] + second[start:]) in ([], [one], [other])


def test_a_repeated_frame_is_whole_and_left_to_the_session() -> None:
    stream = on_the_wire(body_of("move"))
    assert accepted(stream * 3) == [body_of("move")] * 3


def test_what_the_crc_alone_lets_pass_is_still_no_message() -> None:
    """A body with a right CRC and a wrong length, id or range is refused by the message table."""
    good = body_of("move")
    for wrong in (good + b"\x00", good[:-1], b"\x3f" + good[1:], good[:3] + b"\xff\xff\xff\x7f" + good[7:]):
        assert FrameDecoder().feed(encode_frame(wrong)) == [wrong]
        assert accepted(on_the_wire(wrong)) == []
