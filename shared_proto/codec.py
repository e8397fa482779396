"""Messages to bodies and back, and their text form, all from the one message table.

A body is: id (u8), sequence number (u16), then the fields of the row in order, all little-endian and without
padding. MicroPython's struct truncates values and ignores surplus bytes silently, so every range and length
is checked here and both interpreters refuse the same things.
"""

import binascii
import struct
from collections import namedtuple

from shared_proto.messages import MESSAGES, TO_BOARD, TO_HOST

SEQ_MAX = 0xFFFF
HEADER_BYTES = 3  # id and sequence number

Message = namedtuple("Message", "id name seq fields")
# names, lows and highs: of the fields of fixed size, in wire order; tail: (name, shortest, longest) or None.
Row = namedtuple("Row", "id name direction form size names lows highs tail")


def _row(
    entry: tuple[int, str, str, str, tuple[tuple[str, str, int, int, str], ...]],
    shared: dict[tuple[object, ...], tuple[object, ...]],
) -> Row:
    # shared: tuples made so far. Many rows have the same names or ranges, and a board no memory for two of the same.
    number, name, direction, _doc, fields = entry
    tail = None
    fixed = []
    for field in fields:
        if field[1] == "*":
            tail = (field[0], field[2], field[3])
        else:
            fixed.append(field)
    columns = []
    for k in (0, 2, 3):
        column = tuple([field[k] for field in fixed])
        columns.append(shared.setdefault(column, column))
    form = "<BH" + "".join([field[1] for field in fixed])
    return Row(
        number,
        name,
        direction,
        form,
        struct.calcsize(form),
        columns[0],
        columns[1],
        columns[2],
        tail,
    )


BY_ID: dict[int, Row] = {}
BY_NAME: dict[str, Row] = {}
_shared: dict[tuple[object, ...], tuple[object, ...]] = {}
for _entry in MESSAGES:
    _new = _row(_entry, _shared)
    BY_ID[_new.id] = _new
    BY_NAME[_new.name] = _new
# So that a board can drop messages.py, whose texts it has no use for, and what has done its work here.
del MESSAGES, _entry, _new, _shared, _row


def _refuse(where: str, value: object, low: int, high: int) -> ValueError:
    return ValueError(where + ": " + str(value) + ", accepted " + str(low) + ".." + str(high))


def _checked(where: str, value: object, low: int, high: int) -> int:
    """value as an int within low..high. ValueError else."""
    # On MicroPython a bool is no int; on CPython it is one. Both count as 0 and 1 here.
    if value is True or value is False:
        value = 1 if value else 0
    if not isinstance(value, int) or not low <= value <= high:
        raise _refuse(where, value, low, high)
    return value


def encode(name: str, seq: int = 0, **fields: object) -> bytes:
    """Body of one message.

    Every field of the row has to be given: integers, bytes for a tail. ValueError names the message, the
    field, the value and what is accepted: "move.angle_mdeg: 400000, accepted 0..360000".
    """
    row = BY_NAME.get(name)
    if row is None:
        raise ValueError("no message is named " + str(name))
    values: list[int] = [row.id, _checked(name + ".seq", seq, 0, SEQ_MAX)]
    for position, field in enumerate(row.names):
        where = name + "." + field
        low = row.lows[position]
        high = row.highs[position]
        if field not in fields:
            raise _refuse(where, "missing", low, high)
        values.append(_checked(where, fields[field], low, high))
    known = len(row.names)
    tail = b""
    if row.tail is not None:
        field, low, high = row.tail
        known += 1
        where = name + "." + field
        if field not in fields:
            raise ValueError(where + ": missing, accepted " + str(low) + ".." + str(high) + " bytes")
        given = fields[field]
        if not isinstance(given, (bytes, bytearray, memoryview)):
            raise ValueError(where + ": no bytes, accepted " + str(low) + ".." + str(high) + " bytes")
        tail = bytes(given)
        if not low <= len(tail) <= high:
            raise ValueError(
                where + ": " + str(len(tail)) + " bytes, accepted " + str(low) + ".." + str(high) + " bytes"
            )
    if len(fields) != known:
        wanted = row.names if row.tail is None else row.names + (row.tail[0],)
        strange = sorted([field for field in fields if field not in wanted])
        raise ValueError(name + " has no field " + ", ".join(strange))
    return struct.pack(row.form, *values) + tail


def decode(body: bytes) -> Message | None:
    """The message in a body, or None: unknown id, wrong length, a field out of its range. Never raises."""
    length = len(body)
    if length < HEADER_BYTES:
        return None
    row = BY_ID.get(body[0])
    if row is None:
        return None
    size = row.size
    if row.tail is None:
        if length != size:
            return None
    elif not size + row.tail[1] <= length <= size + row.tail[2]:
        return None
    values = struct.unpack(row.form, bytes(body[:size]))
    fields: dict[str, int | bytes] = {}
    for position, field in enumerate(row.names):
        value = values[position + 2]
        if not row.lows[position] <= value <= row.highs[position]:
            return None
        fields[field] = value
    if row.tail is not None:
        fields[row.tail[0]] = bytes(body[size:])
    return Message(row.id, row.name, values[1], fields)


def text(message: Message, direction: str) -> str:
    """One line for logs and transcripts: "> move seq=2 angle_mdeg=12000 duration_ms=400 shape=0".

    direction is messages.TO_BOARD or TO_HOST. Fields stand in wire order, bytes in hexadecimal; seq is left
    out when it is 0.
    """
    row = BY_ID[message.id]
    words = [direction, row.name]
    if message.seq:
        words.append("seq=" + str(message.seq))
    for field in row.names:
        words.append(field + "=" + str(message.fields[field]))
    if row.tail is not None:
        words.append(row.tail[0] + "=" + binascii.hexlify(message.fields[row.tail[0]]).decode())
    return " ".join(words)


def parse_text(line: str) -> tuple[str, Message]:
    """(direction, message) from a line that text() wrote; spacing is free. ValueError says what is wrong."""
    words = line.split()
    if len(words) < 2 or words[0] not in (TO_BOARD, TO_HOST):
        raise ValueError("no message line: " + line)
    row = BY_NAME.get(words[1])
    if row is None:
        raise ValueError("no message is named " + words[1])
    seq = 0
    fields: dict[str, object] = {}
    for word in words[2:]:
        name, equals, value = word.partition("=")
        if not equals or name in fields:
            raise ValueError("no field: " + word)
        if row.tail is not None and name == row.tail[0]:
            fields[name] = binascii.unhexlify(value)
        elif name == "seq":
            seq = int(value)
        else:
            fields[name] = int(value)
    message = decode(encode(row.name, seq, **fields))
    if message is None:  # encode and decode check the same ranges
        raise ValueError("no message line: " + line)
    return words[0], message
