"""Writes vectors.txt anew: `python tests/shared_proto/make_vectors.py`.

Inputs come from the message table (every message at its lowest, highest and middle values, every field one below and
one above its range) and from fixed lists; outputs from CPython. test_proto_vectors.py replays the file on both
interpreters and says when it is out of date.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
VECTORS = HERE / "vectors.txt"
FULL = bytes([0xFF])
sys.path[:0] = [str(ROOT), str(HERE)]

from proto_strategies import edge_fields  # noqa: E402
from replay_vectors import replay  # noqa: E402

from shared_proto import blobs, codec, frame  # noqa: E402
from shared_proto.docgen import EXAMPLE_BLOB, EXAMPLES  # noqa: E402
from shared_proto.messages import MESSAGES  # noqa: E402


def shown(value: object) -> str:
    if isinstance(value, bytes):
        return "x:" + (value.hex() or "-")
    return "none" if value is None else str(value).lower()


def words(fields: dict[str, object]) -> str:
    return "".join(f" {name}={shown(value)}" for name, value in fields.items())


def encodings() -> Iterator[str]:
    for row in MESSAGES:
        for which, seq in (("low", 0), ("middle", 258), ("high", 65535)):
            yield f"encode {row[1]} {seq}{words(edge_fields(row, which))}"
        for name, code, low, high, _doc in row[4]:
            fields: dict[str, object] = edge_fields(row, "low")
            wrong: list[object] = [low - 1, high + 1, 1 << 64, -(1 << 63), 1.5, None]
            if code == "*":
                wrong = [b"\x07" * (high + 1), 7, None] + ([b""] if low else [])
            for value in wrong:
                yield f"encode {row[1]} 1{words({**fields, name: value})}"
            del fields[name]
            yield f"encode {row[1]} 1{words(fields)}"
    yield "encode arm 65536"
    yield "encode arm -1"
    yield "encode arm none"
    yield "encode dance 1"
    yield "encode beat 0 tempo=1 allegro=2"
    yield "encode sensor_power 1 on=true"
    yield "encode sensor_power 1 on=false"


def decodings(chance: random.Random) -> Iterator[str]:
    for row in MESSAGES:
        for which in ("low", "middle", "high"):
            body = codec.encode(row[1], 258, **edge_fields(row, which))
            yield f"decode {body.hex()}"
            yield f"decode {(body + bytes(1)).hex()}"
            yield f"decode {body[:-1].hex()}"
        # ranges: each byte of the fields set to its highest value in turn
        body = codec.encode(row[1], 258, **edge_fields(row, "middle"))
        for at in range(codec.HEADER_BYTES, min(len(body), 40)):
            yield f"decode {(body[:at] + FULL + body[at + 1 :]).hex()}"
    yield "decode -"
    for _ in range(60):
        yield f"decode {chance.randbytes(chance.randrange(1, 40)).hex()}"


def streams(chance: random.Random) -> Iterator[str]:
    good = [frame.encode_frame(codec.encode(m.name, m.seq, **m.fields)) for _d, m in map(codec.parse_text, EXAMPLES)]
    for step in (1, 7, 64, 4096):
        yield f"stream {step} {b''.join(good).hex()}"
        yield f"stream {step} {(b'x' * 500 + bytes(1) + good[0] + b'Traceback' + good[1] + good[2]).hex()}"
    for step in (1, 3, 64):
        for _ in range(15):
            stream = bytearray(b"\x00".join(good))
            for _flip in range(chance.randrange(1, 9)):
                stream[chance.randrange(len(stream))] ^= 1 << chance.randrange(8)
            start = chance.randrange(len(stream) // 2)
            yield f"stream {step} {bytes(stream[start : start + 300]).hex()}"
        yield f"stream {step} {chance.randbytes(600).hex()}"


def others(chance: random.Random) -> Iterator[str]:
    for data in (b"", bytes(3), bytes(range(256)), b"\xff" * 254, b"\x01" * 600, bytes(range(1, 255)) + bytes(1)):
        yield f"cobs {data.hex() or '-'}"
    for _ in range(25):
        data = bytes(chance.choice((0, 1, 255, 7)) for _ in range(chance.randrange(1, 30)))
        yield f"cobs {data.hex()}"
        yield f"uncobs {data.hex()}"
    yield "uncobs -"
    for line in EXAMPLES:
        yield f"parse {line}"
    for line in ("> dance", "> move seq=2 angle_mdeg=1", "> arm seq", "= arm", "> move angle_mdeg=360001"):
        yield f"parse {line}"
    period = 1 << 30
    for start in (0, 1, period // 2 - 1, period // 2, period - 1):
        ticks = [start]
        for step in (1, 1000, period // 2 - 1, period // 2 - 1, 5, period // 2):
            ticks.append((ticks[-1] + step) % period)
        offsets = (-1, 0, 1, 1 - period // 2, period // 2 - 1)
        stamps = " ".join(f"@{(ticks[-2] + offset) % period}" for offset in offsets)
        yield f"clock {period} {' '.join(map(str, ticks))} {stamps}"
    yield from packings()
    for seed in range(1, 9):
        yield f"session {seed} 400"


def packings() -> Iterator[str]:
    profile: dict[str, object] = dict(EXAMPLE_BLOB)
    wiring: dict[str, object] = {name: low for name, _code, low, _high, _doc in blobs.WIRING_FIELDS}
    wiring.update({"lines_used": 0xFF, "scan": 0x3FF, "name": b"bench"})
    for kind, rows, values in (("profile", blobs.PROFILE_FIELDS, profile), ("wiring", blobs.WIRING_FIELDS, wiring)):
        packed = blobs.pack(rows, values)
        yield f"pack {kind}{words(values)}"
        for name, code, low, high, _doc in rows:
            wrong = [b"", b"n" * 33] if code == "*" else [low - 1, high + 1, 70000 << 20]
            for value in wrong:
                yield f"pack {kind}{words({**values, name: value})}"
            yield f"pack {kind}{words({other: value for other, value in values.items() if other != name})}"
        yield f"unpack {kind} {packed.hex()}"
        for at in range(len(packed)):
            yield f"unpack {kind} {packed[:at].hex() or '-'}"
            yield f"unpack {kind} {(packed[:at] + FULL + packed[at + 1 :]).hex()}"
        yield f"unpack {kind} {(packed + b'n' * 40).hex()}"


def inputs() -> list[str]:
    chance = random.Random(1)
    return [*encodings(), *decodings(chance), *streams(chance), *others(chance)]


def main() -> None:
    head = "# Written by make_vectors.py; replayed on CPython and MicroPython. INPUT => OUTPUT, '-' is no byte.\n"
    VECTORS.write_text(head + "".join(replay(given) + "\n" for given in inputs()), encoding="ascii", newline="\n")


if __name__ == "__main__":
    main()
