"""Heap that the board's half takes, on MicroPython. Usage: board_memory.py ROOT. Prints name=bytes."""

import gc
import sys

sys.path.insert(0, sys.argv[1])


def used():
    gc.collect()
    return gc.mem_alloc()


before = used()
from shared_proto import codec, frame  # noqa: E402
from shared_proto.session import BoardSession  # noqa: E402

print("code=" + str(used() - before))
print("host_half=" + str(int("shared_proto.session_host" in sys.modules)))

INFO = {
    "fw_major": 0,
    "fw_minor": 1,
    "fw_patch": 0,
    "board_id": 1,
    "boot_id": 2,
    "reset_cause": 0,
    "abilities": 7,
}


def wire(name, seq=0, **fields):
    return frame.DELIMITER + frame.encode_frame(codec.encode(name, seq, **fields))


before = used()
board = BoardSession(INFO)
print("empty=" + str(used() - before))


def flood(rounds):
    """Garbage, requests never read, never answered or answered long, and more events than fit."""
    for number in range(rounds):
        seq = number % 65535 + 1
        board.receive(b"\x05ab" * 150, number)
        board.receive(b"\x00", number)
        board.receive(wire("hello", seq, major=1, minor=0, session=number + 1), number)
        for offset in range(6):
            for request in board.receive(wire("blob_read", (seq + offset) % 65535 + 1, kind=1, offset=0), number):
                if offset != 3:
                    board.answer(request, length=1, crc=0, data=b"z" * 128)
        board.receive(wire("beat") + wire("resend", counter=0, boot_id=2), number)
        board.event("output", number, output=0, operated=1, angle_mdeg=number)
        board.poll(number)
        board.take(1)


flood(100)
full = used()
print("full=" + str(full - before))
flood(400)
print("growth=" + str(used() - full))
