"""Frames: a body and its CRC-32, stuffed by COBS, ended by a zero byte.

The check is CRC-32/ISO-HDLC (check value 0xCBF43926 over b"123456789"), little-endian, over the body.
binascii.crc32 is written in C on both interpreters.
"""

import binascii

from shared_proto import cobs
from shared_proto.messages import MAX_BODY

DELIMITER = b"\x00"
CRC_BYTES = 4
MIN_BODY = 3  # message id and sequence number
# One code byte, as body and CRC together are shorter than a COBS block, and one delimiter on either side.
MAX_FRAME = 200
_MAX_STUFFED = MAX_BODY + CRC_BYTES + 1


def encode_frame(body: bytes) -> bytes:
    """COBS(body + CRC-32) and the closing delimiter. ValueError when the body is longer than MAX_BODY."""
    if len(body) > MAX_BODY:
        raise ValueError("body of " + str(len(body)) + " bytes, accepted up to " + str(MAX_BODY))
    body = bytes(body)
    crc = binascii.crc32(body) & 0xFFFFFFFF
    return cobs.encode(body + crc.to_bytes(4, "little")) + DELIMITER


class FrameDecoder:
    """Finds the good frames in any stream of bytes. Never raises on any bytes.

    Memory is bounded: between calls at most MAX_FRAME bytes are kept, whatever came. Nothing between two
    delimiters is an idle line and counts as nothing; everything else that is no good frame is counted once,
    in one of bad_cobs, bad_crc, short (too few bytes for a message) and oversize (longer than a frame can
    be).
    """

    def __init__(self) -> None:
        self.good = 0
        self.bad_cobs = 0
        self.bad_crc = 0
        self.short = 0
        self.oversize = 0
        self._kept = b""
        self._skipping = False  # inside something too long: wait for the next delimiter

    @property
    def rejects(self) -> int:
        """Everything that was no good frame, since the start."""
        return self.bad_cobs + self.bad_crc + self.short + self.oversize

    @property
    def held(self) -> int:
        """Bytes kept for a frame that has not ended yet, at most MAX_FRAME."""
        return len(self._kept)

    def reset(self) -> None:
        """Forgets a frame begun and not ended (after a lost link). The counts stay."""
        self._kept = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Bodies of the good frames that end in data, in order; any chunking gives the same bodies."""
        bodies: list[bytes] = []
        data = bytes(data)
        start = 0
        while True:
            end = data.find(DELIMITER, start)
            if end < 0:
                self._keep(data, start, len(data))
                return bodies
            self._keep(data, start, end)
            start = end + 1
            stuffed = self._kept
            self._kept = b""
            if self._skipping:
                self._skipping = False
            elif stuffed:
                body = self._open(stuffed)
                if body is not None:
                    bodies.append(body)

    def _keep(self, data: bytes, start: int, end: int) -> None:
        if self._skipping:
            return
        if len(self._kept) + end - start > _MAX_STUFFED:
            self.oversize += 1
            self._skipping = True
            self._kept = b""
            return
        if end > start:
            self._kept += data[start:end]

    def _open(self, stuffed: bytes) -> bytes | None:
        plain = cobs.decode(stuffed)
        if plain is None:
            self.bad_cobs += 1
            return None
        if len(plain) < MIN_BODY + CRC_BYTES:
            self.short += 1
            return None
        body = plain[:-CRC_BYTES]
        if binascii.crc32(body) & 0xFFFFFFFF != int.from_bytes(plain[-CRC_BYTES:], "little"):
            self.bad_crc += 1
            return None
        self.good += 1
        return body
