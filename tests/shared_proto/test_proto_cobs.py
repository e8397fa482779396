"""COBS against the published vectors and an independent implementation."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_proto import cobs

oracle: Any = pytest.importorskip("cobs.cobs", reason="the cobs package comes with the dev extra")


def run(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


# cobs-python, src/cobs/cobs/test.py: predefined encodings, and cases of its general rule
FROM_COBS_PYTHON = [
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x00\x00", b"\x01\x01\x01\x01"),
    (b"1", b"\x021"),
    (b"12345", b"\x0612345"),
    (b"12345\x006789", b"\x0612345\x056789"),
    (b"\x0012345\x006789", b"\x01\x0612345\x056789"),
    (b"12345\x006789\x00", b"\x0612345\x056789\x01"),
    (run(1, 0xFD), b"\xfe" + run(1, 0xFD)),
    (run(1, 0xFE), b"\xff" + run(1, 0xFE)),
    (run(1, 0xFF), b"\xff" + run(1, 0xFE) + b"\x02\xff"),
    (run(0, 0xFF), b"\x01\xff" + run(1, 0xFE) + b"\x02\xff"),
    (run(2, 0xFF) + b"\x00", b"\xff" + run(2, 0xFF) + b"\x01\x01"),
]

# Wikipedia, Consistent Overhead Byte Stuffing, table of encoding examples; value from memory
FROM_WIKIPEDIA = [
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (b"\x00" + run(1, 0xFE), b"\x01\xff" + run(1, 0xFE)),
    (run(3, 0xFF) + b"\x00\x01", b"\xfe" + run(3, 0xFF) + b"\x02\x01"),
]


@pytest.mark.parametrize(("data", "encoded"), FROM_COBS_PYTHON + FROM_WIKIPEDIA)
def test_published_vectors(data: bytes, encoded: bytes) -> None:
    assert cobs.encode(data) == encoded
    assert cobs.decode(encoded) == data


# cobs-python, src/cobs/cobs/test.py: decode errors
@pytest.mark.parametrize("bad", [b"\x00", b"\x05123", b"\x051234\x00", b"\x0512\x004"])
def test_published_refusals(bad: bytes) -> None:
    assert cobs.decode(bad) is None


data_with_zeros = st.one_of(
    st.binary(max_size=800),
    st.lists(st.sampled_from([b"\x00", b"\x01", bytes(run(1, 0xFE)), b"\xff" * 253]), max_size=5).map(b"".join),
)


@given(data_with_zeros)
def test_same_as_the_cobs_package(data: bytes) -> None:
    encoded = cobs.encode(data)
    assert encoded == oracle.encode(data)
    assert cobs.decode(encoded) == data
    assert 0 not in encoded
    # cobs-python, doc/source/intro.rst: at most n + 1 + floor(n/254) bytes
    assert len(encoded) <= len(data) + 1 + len(data) // 254


@given(st.binary(max_size=600))
def test_decodes_what_the_cobs_package_decodes_and_nothing_else(data: bytes) -> None:
    try:
        expected = oracle.decode(data)
    except oracle.DecodeError:
        expected = None
    if data == b"":
        expected = None  # the package calls nothing an empty message; no encoder ever writes it
    assert cobs.decode(data) == expected


def test_n_zeros_take_n_plus_one_bytes() -> None:
    # by the rule: each zero is one empty block, and the last block stays
    for n in range(600):
        assert cobs.encode(bytes(n)) == b"\x01" * (n + 1)
