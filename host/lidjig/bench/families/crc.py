"""The checks that sensor words carry: CRC-4 and CRC-6 of SENT, CRC-6 of the 24-bit SSI word, by division bit by bit.

Only decoders use them. The firmware has its own, so that one mistake cannot stand on both sides.
"""

from __future__ import annotations

from collections.abc import Iterable

CRC4_POLYNOMIAL = 0b1101  # x^4 + x^3 + x^2 + 1 without its highest term; SAE J2716
CRC4_SEED = 0b0101  # SAE J2716
CRC6_SENT_POLYNOMIAL = 0b011001  # x^6 + x^4 + x^3 + 1 without its highest term; SAE J2716, slow channel
CRC6_SENT_SEED = 0b010101  # the same
CRC6_POLYNOMIAL = 0b000011  # x^6 + x + 1 without its highest term; MagnTek MT6701, 7.8.2


def divide(register: int, value: int, bits: int, width: int, polynomial: int) -> int:
    """The remainder after `bits` bits of value, highest first, have been shifted into a register of `width` bits.

    polynomial: without its highest term. The register holds the remainder of what was shifted in so far; `width` zero
    bits at the end turn it into the usual CRC.
    """
    mask = (1 << width) - 1
    for place in range(bits - 1, -1, -1):
        carry = register >> (width - 1) & 1
        register = (register << 1 & mask) | (value >> place & 1)
        if carry:
            register ^= polynomial
    return register


def crc4_sent(nibbles: Iterable[int], *, legacy: bool) -> int:
    """CRC-4 over the data nibbles of a SENT frame. legacy: the form before 2010, without the four closing zero bits."""
    register = CRC4_SEED
    for nibble in nibbles:
        register = divide(register, nibble, 4, 4, CRC4_POLYNOMIAL)
    return register if legacy else divide(register, 0, 4, 4, CRC4_POLYNOMIAL)


def crc6_ssi(word: int) -> int:
    """CRC-6 over the 18 bits of angle and status of an SSI word; starts at 0, nothing reflected or inverted."""
    return divide(divide(0, word, 18, 6, CRC6_POLYNOMIAL), 0, 6, 6, CRC6_POLYNOMIAL)


def crc6_sent(bits: int) -> int:
    """CRC-6 over the 24 bits of an enhanced serial message of SENT, and six closing zero bits."""
    register = divide(CRC6_SENT_SEED, bits, 24, 6, CRC6_SENT_POLYNOMIAL)
    return divide(register, 0, 6, 6, CRC6_SENT_POLYNOMIAL)
