# The board's console as a byte link: polls, reads only what is there, writes only what is taken.
#
# read(n) on the console blocks until n bytes have come, so bytes are read one at a time behind a poll. Output
# that nobody reads would hold the loop for 500 ms a time, so it is written in small parts and only when the
# port takes some.
import select

from micropython import const, kbd_intr

TYPE_CHECKING = False  # the board has no typing; type checkers know this name
if TYPE_CHECKING:
    from typing import TextIO

_READ_MAX = const(64)  # bytes a call, so that a flood of input cannot hold the loop
_WRITE_MAX = const(64)


class StdConsole:
    def __init__(self, stdin: "TextIO", stdout: "TextIO") -> None:
        self._in = stdin.buffer
        self._out = stdout.buffer
        self._poll_in = select.poll()
        self._poll_in.register(stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(stdout, select.POLLOUT)
        self._buffer = bytearray(_READ_MAX)
        self._one = bytearray(1)

    def open(self) -> None:
        # Binary flows from here on: 0x03 is a byte like any other.
        kbd_intr(-1)

    def close(self) -> None:
        kbd_intr(3)

    def wait(self, timeout_ms: int) -> bool:
        # True as soon as input is there, False when the time has passed.
        return bool(self._poll_in.poll(timeout_ms))

    def read(self) -> bytes:
        buffer, one = self._buffer, self._one
        count = 0
        while count < _READ_MAX and self._poll_in.poll(0):
            if not self._in.readinto(one):
                break
            buffer[count] = one[0]
            count += 1
        return bytes(buffer[:count])

    def write(self, data: bytes) -> int:
        # Bytes taken; 0 when the port takes none now.
        if not self._poll_out.poll(0):
            return 0
        taken = self._out.write(data[:_WRITE_MAX])
        return taken or 0
