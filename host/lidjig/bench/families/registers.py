"""Register map of the ams AS5600, and the two registers of the 14-bit part, with the rules of the data sheet.

DS = ams AS5600 datasheet v1-06, 2018-Jun-20. Words are 12 bits, most significant byte at the lower address.
"""

from __future__ import annotations

from collections.abc import Mapping

# DS p.18, figure 21.
ZMCO = 0x00
ZPOS = 0x01
MPOS = 0x03
MANG = 0x05
CONF = 0x07
STATUS = 0x0B
RAW_ANGLE = 0x0C
ANGLE = 0x0E
AGC = 0x1A
MAGNITUDE = 0x1B
BURN = 0xFF

# Read from their high byte, the pointer stays, so that they can be read again and again (DS p.13).
POINTER_STAYS = (RAW_ANGLE, ANGLE, MAGNITUDE)
# "A write to an invalid address is not acknowledged"; reading one gives zeros (DS p.13). What stands here is valid.
VALID = (*range(ZMCO, CONF + 2), *range(STATUS, ANGLE + 2), *range(AGC, MAGNITUDE + 2), BURN)
WRITABLE = (*range(ZPOS, CONF + 2), BURN)

# Bits of STATUS, DS p.20 and figure 21.
MD = 0x20  # magnet found
ML = 0x10  # too weak: the gain is at its maximum
MH = 0x08  # too strong: the gain is at its minimum

# BURN, DS p.21.
BURN_ANGLE = 0x80  # ZPOS and MPOS for good
BURN_SETTINGS = 0x40  # MANG and CONF for good
BURN_ANGLE_MAX = 3
BURN_SETTINGS_MAX = 1

# CONF, DS p.19, figure 22: name -> (lowest bit, bits).
CONF_BITS = {
    "pm": (0, 2),
    "hyst": (2, 2),
    "outs": (4, 2),
    "pwmf": (6, 2),
    "sf": (8, 2),
    "fth": (10, 3),
    "wd": (13, 1),
}
OUTS_RESERVED = 3

# The 14-bit part: bits 13:6 and, in bits 7:2, bits 5:0 (MT6701 datasheet, second hand, quoted in a SimpleFOC thread).
ANGLE_14 = (0x03, 0x04)

_WORDS = {
    "zpos": ZPOS,
    "mpos": MPOS,
    "mang": MANG,
    "raw_angle": RAW_ANGLE,
    "angle": ANGLE,
    "magnitude": MAGNITUDE,
}


def byte(value: Mapping[int, int], address: int) -> int | None:
    """What a register held; None where it was not read, or where what was read is no byte."""
    found = value.get(address)
    return found if isinstance(found, int) and 0 <= found <= 0xFF else None


def word(value: Mapping[int, int], address: int) -> int | None:
    """The 12 bits of a pair of registers; None where one is missing."""
    high, low = byte(value, address), byte(value, address + 1)
    return None if high is None or low is None else (high << 8 | low) & 0xFFF


def words(value: Mapping[int, int]) -> dict[str, int]:
    """Every register that was read whole, by name in small letters; the 14 bits of conf as one number."""
    out = {name: found for name, at in _WORDS.items() if (found := word(value, at)) is not None}
    high, low = byte(value, CONF), byte(value, CONF + 1)
    if high is not None and low is not None:
        out["conf"] = (high << 8 | low) & 0x3FFF
    burns, gain = byte(value, ZMCO), byte(value, AGC)
    if burns is not None:
        out["zmco"] = burns & 0x03
    if gain is not None:
        out["agc"] = gain
    return out


def conf_fields(conf: int) -> dict[str, int]:
    """The fields of CONF by name in small letters, as numbers."""
    return {name: conf >> lowest & (1 << bits) - 1 for name, (lowest, bits) in CONF_BITS.items()}


def burn_refusal(command: int, *, zmco: int, settings_burned: bool, magnet_found: bool) -> str:
    """Why the part does not carry out what is written to BURN; "" where it does (DS p.21)."""
    if command == BURN_ANGLE:
        if zmco >= BURN_ANGLE_MAX:
            return f"the angle was burned {BURN_ANGLE_MAX} times, the most that the part takes"
        return "" if magnet_found else "no magnet is found (MD = 0)"
    if command == BURN_SETTINGS:
        return "the settings were burned before, and that goes once only" if settings_burned else ""
    return "no command: 0x80 burns the angle, 0x40 the settings"


def burns_mang(zmco: int) -> bool:
    """Whether burning the settings takes MANG along: only while ZPOS and MPOS have never been burned (DS p.21)."""
    return zmco == 0
