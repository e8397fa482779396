"""The board's USB serial port, and what the firmware has of it: standard input and output, and select to wait on them.

The bytes are those of MicroPython's port (shared/tinyusb/mp_usbd_cdc.c): input is taken off byte by byte and a read
waits for all that it asked for; output goes through a small buffer, and a write that does not fit waits for room for at
most half a second at a time. While the interrupt character is on, that byte is not input: it drops what came before it
and raises KeyboardInterrupt.
"""

from kernel import FAR

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from kernel import Kernel

TX_ROOM = 256  # bytes that the host has not fetched yet (CFG_TUD_CDC_TX_BUFSIZE)
CTRL_C = 3
POLLIN = 1
POLLOUT = 4
_TX_PATIENCE_US = 500000  # MICROPY_HW_USB_CDC_TX_TIMEOUT
_TX_STEP_US = 1000
_POLL_US = 20  # a poll that does not wait takes this long, so that loops around it come to an end


class Port:
    """Bytes under way in both directions. usb_us: from the host's write to the board.

    What the board has no room for stays with the host until it has (USB holds the sender back), so nothing is lost.
    """

    def __init__(self, kernel: "Kernel", usb_us: int) -> None:
        self.kernel = kernel
        self.interrupt_character = CTRL_C  # -1: none
        self.tx = bytearray()
        self._usb_us = usb_us
        self._up = False
        self._rx = bytearray()
        self._rx_at = 0  # bytes of it that were read

    # the host's end

    def host_sent(self, data: bytes) -> None:
        """Bytes from the host: there after one USB frame."""
        if data:
            self.kernel.after(self._usb_us, self._arrived, data)

    def host_takes(self) -> bytes:
        """All that the board has written."""
        data = bytes(self.tx)
        self.tx = bytearray()
        return data

    # the cable's state

    def power_up(self) -> None:
        self._drop_input()
        self.interrupt_character = CTRL_C
        self._up = True

    def power_down(self) -> None:
        self._up = False
        self._drop_input()

    def _drop_input(self) -> None:
        self._rx = bytearray()
        self._rx_at = 0
        self.kernel.input_ready = False

    def _arrived(self, data: bytes) -> None:
        if not self._up:
            return
        character = self.interrupt_character
        if character >= 0 and character in data:
            self._drop_input()
            self.kernel.interrupt()
            while character in data:
                data = data[data.index(bytes([character])) + 1 :]
        if data:
            self._rx.extend(data)
            self.kernel.input_ready = True

    # the board's end

    def take_byte(self) -> int:
        """The next byte from the host; waits for it."""
        while self._rx_at >= len(self._rx):
            self.kernel.run_until(FAR, True)
        byte = self._rx[self._rx_at]
        self._rx_at += 1
        if self._rx_at >= len(self._rx):
            self._drop_input()
        return byte

    def room(self) -> int:
        return TX_ROOM - len(self.tx)

    def put(self, data: bytes) -> int:
        """Bytes taken: what fits, and more as the host fetches; gives up after half a second without progress."""
        kernel = self.kernel
        done = 0
        end_us = kernel.now + _TX_PATIENCE_US
        while done < len(data):
            room = self.room()
            if room > 0:
                self.tx.extend(data[done : done + room])
                done += min(room, len(data) - done)
                kernel.attention = True
                end_us = kernel.now + _TX_PATIENCE_US
            elif kernel.now >= end_us:
                break
            else:
                kernel.run_until(kernel.now + _TX_STEP_US, False)
        return done

    def print(self, data: bytes) -> None:
        """What the interpreter itself has to say, from wherever: kept whole, no time passes."""
        self.tx.extend(data)
        self.kernel.attention = True


class _In:
    """sys.stdin and its buffer."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.buffer = self

    def ready(self, events: int) -> int:
        return events & POLLIN if self.port.kernel.input_ready else 0

    def readinto(self, buffer: bytearray) -> int:
        take_byte = self.port.take_byte
        for k in range(len(buffer)):
            buffer[k] = take_byte()
        return len(buffer)


class _Out:
    """sys.stdout and its buffer."""

    def __init__(self, port: Port) -> None:
        self.port = port
        self.buffer = self

    def ready(self, events: int) -> int:
        return events & POLLOUT if self.port.room() > 0 else 0

    def write(self, data: bytes) -> int:
        return self.port.put(data)


def make_streams(port: Port) -> "tuple[_In, _Out]":
    """What boards.streams() gives on the board: standard input and output."""
    return _In(port), _Out(port)


class Poll:
    """select.poll() over those streams."""

    def __init__(self, kernel: "Kernel") -> None:
        self._kernel = kernel
        self._asked: list[tuple[_In | _Out, int]] = []

    def register(self, stream: "_In | _Out", events: int = POLLIN | POLLOUT) -> None:
        self.unregister(stream)
        self._asked.append((stream, events))

    def unregister(self, stream: "_In | _Out") -> None:
        self._asked = [row for row in self._asked if row[0] is not stream]

    def _found(self) -> "list[tuple[_In | _Out, int]]":
        found = []
        for stream, events in self._asked:
            events = stream.ready(events)
            if events:
                found.append((stream, events))
        return found

    def poll(self, timeout_ms: int = -1) -> "list[tuple[_In | _Out, int]]":
        """What is ready; waits for it at most timeout_ms (negative: without end)."""
        kernel = self._kernel
        found = self._found()
        if found or timeout_ms == 0:
            kernel.spend(_POLL_US)
            return found or self._found()
        end_us = FAR if timeout_ms < 0 else kernel.now + timeout_ms * 1000
        while not found and kernel.now < end_us:
            for_output = [row for row in self._asked if row[1] & POLLOUT]
            step_us = min(end_us, kernel.now + _TX_STEP_US) if for_output else end_us
            kernel.run_until(step_us, len(for_output) < len(self._asked))
            found = self._found()
        return found
