"""Bytes on a link as lines of text: for the frames stored with a run, for recordings, for messages."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from shared_proto import codec
from shared_proto.frame import FrameDecoder

_SHOWN_BYTES = 48  # of a run of bytes that is no frame


def frame_texts(direction: str, data: bytes) -> list[str]:
    """Text of each whole frame in data ("> move seq=2 ..."); what is no frame is shown as "? 17 bytes
    4f4b0d0a..".
    """
    pieces = data.split(b"\x00")
    texts = [_piece_text(direction, piece) for piece in pieces[:-1] if piece]
    if pieces[-1]:
        texts.append(_bytes_text(direction, pieces[-1]))
    return texts


def _piece_text(direction: str, piece: bytes) -> str:
    for body in FrameDecoder().feed(piece + b"\x00"):
        message = codec.decode(body)
        if message is not None:
            return str(codec.text(message, direction))
    return _bytes_text(direction, piece)


def _bytes_text(direction: str, piece: bytes) -> str:
    dots = ".." if len(piece) > _SHOWN_BYTES else ""
    return f"{direction} ? {len(piece)} bytes {piece[:_SHOWN_BYTES].hex()}{dots}"


class Transcript:
    """The last bytes of both directions, bounded; turned into text only when somebody asks.

    Chunks are kept as they came: decoding everything twice would cost more than a run needs, since the
    text is wanted only on a trip or an error.
    """

    def __init__(self, chunks: int = 256) -> None:
        self._chunks: deque[tuple[float, str, bytes]] = deque(maxlen=chunks)

    def add(self, time_s: float, direction: str, data: bytes) -> None:
        """data moved at time_s, on the link's clock; direction ">" to the board, "<" from it."""
        self._chunks.append((time_s, direction, data))

    def lines(self) -> list[str]:
        """One line a frame in order of its end: "12.345678 > move seq=2 angle_mdeg=12000 ..."."""
        return list(self._lines())

    def _lines(self) -> Iterator[str]:
        rest = {">": b"", "<": b""}
        for time_s, direction, data in self._chunks:
            whole, zero, tail = (rest[direction] + data).rpartition(b"\x00")
            rest[direction] = tail[-_SHOWN_BYTES * 8 :]
            for text in frame_texts(direction, whole + zero):
                yield f"{time_s:.6f} {text}"
        for direction, tail in rest.items():
            if tail:
                yield f"(unfinished) {_bytes_text(direction, tail)}"
