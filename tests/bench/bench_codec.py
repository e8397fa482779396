"""Frames per second of the codec, beside JSON lines and beside the `cobs` package, in one run.

    python tests/bench/bench_codec.py [--seconds S]

Each row takes the same messages through the same number of rounds, best of three. Not a test: nothing fails here.
"""

from __future__ import annotations

import argparse
import binascii
import json
import platform
import time
from collections.abc import Callable

from cobs import cobs as reference_cobs

from shared_proto import cobs, codec
from shared_proto.frame import FrameDecoder, encode_frame

MESSAGES: list[tuple[str, int, dict[str, object]]] = [
    ("beat", 0, {}),
    ("move", 2, {"angle_mdeg": 12000, "duration_ms": 400, "shape": 1}),
    ("output", 0, {"counter": 7, "t_us": 123456789, "output": 0, "operated": 1, "angle_mdeg": 11990}),
    ("band", 0, {"counter": 8, "t_us": 123999999, "channel": 9, "band": 0, "raw": 512}),
    ("blob_write", 3, {"kind": 1, "offset": 0, "data": bytes(range(120))}),
]


def _json_default(value: object) -> str:
    return bytes(value).hex() if isinstance(value, bytes | bytearray) else str(value)


def json_line(name: str, seq: int, fields: dict[str, object]) -> bytes:
    """The alternative: one JSON object a line, with a CRC-32 so that both sides catch the same errors."""
    text = json.dumps({"name": name, "seq": seq, **fields}, default=_json_default).encode()
    return text + b" %08x\n" % binascii.crc32(text)


def parse_json_line(line: bytes) -> object:
    text, crc = line[:-10], line[-9:-1]
    if int(crc, 16) != binascii.crc32(text):
        raise ValueError("crc")
    return json.loads(text)


def best_rate(work: Callable[[], int], seconds: float) -> float:
    """Items per second: the best of three windows of `seconds` each."""
    best = 0.0
    for _ in range(3):
        done, start = 0, time.perf_counter()
        while (spent := time.perf_counter() - start) < seconds:
            done += work()
        best = max(best, done / spent)
    return best


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=0.5)
    seconds = parser.parse_args().seconds
    bodies = [codec.encode(name, seq, **fields) for name, seq, fields in MESSAGES]
    frames = [encode_frame(body) for body in bodies]
    stream = b"".join(frames)
    lines = [json_line(*message) for message in MESSAGES]

    def encode_ours() -> int:
        for name, seq, fields in MESSAGES:
            encode_frame(codec.encode(name, seq, **fields))
        return len(MESSAGES)

    def decode_ours() -> int:
        return sum(codec.decode(body) is not None for body in FrameDecoder().feed(stream))

    def encode_json() -> int:
        for message in MESSAGES:
            json_line(*message)
        return len(MESSAGES)

    def decode_json() -> int:
        for line in lines:
            parse_json_line(line)
        return len(lines)

    def cobs_ours() -> int:
        for body in bodies:
            cobs.decode(cobs.encode(body))
        return len(bodies)

    def cobs_reference() -> int:
        for body in bodies:
            reference_cobs.decode(reference_cobs.encode(body))
        return len(bodies)

    print(f"{platform.python_implementation()} {platform.python_version()}, {len(MESSAGES)} kinds of message")
    print(f"bytes on the wire: lidjig {len(stream)}, JSON lines {sum(map(len, lines))}")
    for label, work in (
        ("lidjig encode", encode_ours),
        ("JSON lines encode", encode_json),
        ("lidjig decode", decode_ours),
        ("JSON lines decode", decode_json),
        ("COBS there and back, ours (both runtimes)", cobs_ours),
        ("COBS there and back, cobs package (C)", cobs_reference),
    ):
        print(f"{label:45s} {best_rate(work, seconds):12,.0f} messages/s")


if __name__ == "__main__":
    main()
