# The slow channel of SENT (SAE J2716): messages, of which each frame has two bits: bits 3 and 2 of its status nibble.
#
# Short: 16 frames. Bit 3 is 1 in the first; bit 2 has 4 bits of id, 8 of data, a CRC-4, highest first. Enhanced: 18
# frames. Bit 3 has 111111 0, 0 for 12 bits of data, the upper half of the id, 0, its lower half, 0; bit 2 has a CRC-6
# and the data. Frames and CRC-4: TI SPRUJ79, SENT chapter. Places of id and data, and the CRC-6 over bits 2 and 3 of
# frames 7 to 18 in turn: J2716 as two open-source receivers have it.
from array import array

_SHORT = 1  # family_blobs.SERIAL
_CRC6 = 0x59  # x^6 + x^4 + x^3 + 1
_CRC6_SEED = 0x15
_START = 0x3F << 12  # bits 3 of an enhanced message but for its id


def wrong(values: dict) -> str:
    # Name of a field that no messages can be made by; "" when all is well.
    if values["status"] & 12:
        return "status"  # whose two highest bits are the messages'
    if not values["messages"]:
        return "messages"
    if values["serial"] == _SHORT:
        for k in range(1, values["messages"] + 1):
            if values["id_%d" % k] > 15:
                return "id_%d" % k
            if values["data_%d" % k] > 255:
                return "data_%d" % k
    return ""


def fold(values: dict, check4: bytes, at: int) -> "array[int]":
    # What all frames of all messages have above their data nibbles: the status nibble, from bit `at` on. check4: what
    # becomes of a CRC-4 by one nibble more, and in entries 16 to 31 by its end.
    told = array("i", [])
    for k in range(1, values["messages"] + 1):
        number, data = values["id_%d" % k], values["data_%d" % k]
        frames = 16 if values["serial"] == _SHORT else 18
        bits = _short(number, data, check4) if frames == 16 else _enhanced(number, data)
        for place in range(frames - 1, -1, -1):
            status = (bits[0] >> place & 1) << 3 | (bits[1] >> place & 1) << 2 | values["status"] & 2
            # The highest bit of a word of 32 is the sign.
            told.append((status - 16 if status & 8 and at == 28 else status) << at)
    return told


def _short(number: int, data: int, check4: bytes) -> tuple:
    # (bits 3, bits 2), the first frame's highest.
    check = 5
    for nibble in (number, data >> 4, data & 15):
        check = check4[check] ^ nibble
    return 1 << 15, number << 12 | data << 4 | check4[16 + check]


def _enhanced(number: int, data: int) -> tuple:
    above = _START | (number >> 4) << 6 | (number & 15) << 1
    check = _CRC6_SEED
    for place in range(11, -4, -1):
        # Three frames of 0 more: six bits.
        for bits in (data, above):
            check = check << 1 | (bits >> place & 1 if place >= 0 else 0)
            if check & 0x40:
                check ^= _CRC6
    return above, check << 12 | data
