"""Consistent Overhead Byte Stuffing: any bytes, written without a zero byte, so that zero can end a frame.

Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.
Reference rule: a code byte n < 0xFF is followed by n - 1 bytes other than zero and stands for them and one
zero, which is dropped after the last block; the code byte 0xFF is followed by 254 bytes and stands for these
alone.
"""

_LONGEST = 254  # bytes in one block


def encode(data: bytes) -> bytes:
    """Encoded form of data, no delimiter: at most len(data) + len(data) // 254 + 1 bytes, none of them 0."""
    out = bytearray()
    # split() runs in C on both interpreters; a loop over single bytes would cost the board ten times as much.
    parts = bytes(data).split(b"\x00")
    for part in parts[:-1]:
        while len(part) >= _LONGEST:
            out.append(0xFF)
            out.extend(part[:_LONGEST])
            part = part[_LONGEST:]
        out.append(len(part) + 1)
        out.extend(part)
    part = parts[-1]
    while len(part) > _LONGEST:
        out.append(0xFF)
        out.extend(part[:_LONGEST])
        part = part[_LONGEST:]
    out.append(len(part) + 1)  # 0xFF for a full block at the very end: nothing need follow it
    out.extend(part)
    return bytes(out)


def decode(data: bytes) -> bytes | None:
    """What data is the encoded form of, or None when it is not decodable. Never raises.

    Not decodable: no byte at all, a zero byte, a block that runs past the end.
    """
    data = bytes(data)
    length = len(data)
    if length == 0 or data.find(b"\x00") >= 0:
        return None
    out = bytearray()
    at = 0
    while True:
        code = data[at]
        end = at + code
        if end > length:
            return None
        out.extend(data[at + 1 : end])
        if end == length:
            return bytes(out)
        if code != 0xFF:
            out.append(0)
        at = end
