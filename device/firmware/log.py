# The firmware log: the last 64 entries of 16 bytes, in memory, read by the host. Service loop only.
import struct

from micropython import const

_ENTRIES = const(64)
_SIZE = const(16)
_PER_ANSWER = const(8)


class Log:
    def __init__(self) -> None:
        self._data = bytearray(_ENTRIES * _SIZE)
        self.total = 0

    def add(self, t_us: int, code: int, arg16: int = 0, arg32: int = 0) -> int:
        # Number of the entry. struct would truncate silently on the board, so the arguments are folded here.
        at = (self.total % _ENTRIES) * _SIZE
        arg32 &= 0xFFFFFFFF
        struct.pack_into("<QHHI", self._data, at, t_us, code & 0xFFFF, arg16 & 0xFFFF, arg32)
        self.total += 1
        return self.total - 1

    def read(self, start: int) -> tuple:
        # (number of the first entry given, up to eight entries as bytes); an overwritten start moves up.
        first = max(start, self.total - _ENTRIES, 0)
        out = b""
        for number in range(first, min(self.total, first + _PER_ANSWER)):
            at = (number % _ENTRIES) * _SIZE
            out += bytes(self._data[at : at + _SIZE])
        return first, out
