"""The board itself: power-up, reset, watchdog, the files of the firmware and its console."""

import sys

from kernel import FAR, BoardReset
from rng import Rng

_RX_MAX = 4096  # bytes on their way to the board; a real port holds back the sender
_TX_MAX = 2048  # bytes that the host has not fetched yet
_READ_MAX = 256
_PROMPT = b"\r\n>>> "
_CTRL_D = 4
_POLL_US = 20  # a poll that does not wait takes this long, so that loops around it come to an end
_FIRMWARE_PACKAGES = ("main", "firmware", "boards", "shared_proto")


class Board:
    """facts: unique_id, heap_free, heap_total, ticks_start_us, boot_us, usb_us; seed for what is random on it."""

    def __init__(self, kernel, gpio, seed, facts):
        self.kernel = kernel
        self.gpio = gpio
        self.facts = facts
        self.unique_id = bytes(facts["unique_id"])
        self.heap_free = facts["heap_free"]
        self.heap_total = facts["heap_total"]
        self.reset_cause = 1
        self.ticks_offset_us = 0
        self.refresh_input = None  # set to the wiring's
        self.told_reset = True
        self.running = False
        self.at_prompt = False
        self.boots = 0
        self.tx = bytearray()
        self._rx = []
        self._rx_size = 0
        self._rng = Rng(seed, "board")
        self._watchdog = None
        self._watchdog_end_us = FAR

    # random bytes, as a hardware generator would give; seeded

    def random_bytes(self, count):
        return bytes([self._rng.u32() >> 24 for _ in range(count)])

    # reset

    def reset(self, cause):
        """Never returns."""
        self.request_reset(cause)
        raise BoardReset()

    def request_reset(self, cause):
        self.reset_cause = cause
        self.told_reset = False
        self.kernel.dead = True
        self.kernel.attention = True

    def power_down(self):
        """What a reset does at once: pins float, timers and interrupts stop, what the port held is gone."""
        kernel = self.kernel
        self.running = False
        self.at_prompt = False
        kernel.remove_timers()
        self.stop_watchdog()
        self.gpio.release_all()
        self._rx = []
        self._rx_size = 0
        kernel.input_ready = False
        kernel.leave_isr()
        kernel.dead = False

    def power_up(self):
        """The boot loader and the interpreter's own start, then ticks count from the scenario's start value."""
        kernel = self.kernel
        if self.boots:
            kernel.run_until(kernel.now + self.facts["boot_us"], False)
        self.boots += 1
        self.ticks_offset_us = self.facts["ticks_start_us"] - kernel.now
        self._drop_input()
        self.running = True

    def _drop_input(self):
        self._rx = []
        self._rx_size = 0
        self.kernel.input_ready = False

    # watchdog: looked at when it would bite, so that feeding costs next to nothing

    def feed_watchdog(self, timeout_us):
        self._watchdog_end_us = self.kernel.now + timeout_us
        if self._watchdog is None:
            self._watchdog = self.kernel.at(self._watchdog_end_us, self._watchdog_due)

    def stop_watchdog(self):
        if self._watchdog is not None:
            self._watchdog.cancel()
            self._watchdog = None
        self._watchdog_end_us = FAR

    def _watchdog_due(self, _argument):
        if self.kernel.now >= self._watchdog_end_us:
            self._watchdog = None
            self.request_reset(3)
        else:
            self._watchdog = self.kernel.at(self._watchdog_end_us, self._watchdog_due)

    # console, as the firmware's main.py expects it

    def open(self):
        pass

    def close(self):
        pass

    def host_sent(self, data):
        """Bytes from the host: there after one USB frame."""
        if data:
            self.kernel.after(self.facts["usb_us"], self._arrived, data)

    def _arrived(self, data):
        if self.running and self._rx_size + len(data) <= _RX_MAX:
            self._rx.append(data)
            self._rx_size += len(data)
            self.kernel.input_ready = True

    def wait(self, timeout_ms):
        """True when there is input; lets time pass until then, at most timeout_ms (negative: without end)."""
        kernel = self.kernel
        if kernel.input_ready:
            # Input that nobody takes must not make a loop that time never enters.
            kernel.run_until(kernel.now + _POLL_US, False)
        elif timeout_ms < 0:
            kernel.run_until(FAR, True)
        else:
            kernel.run_until(kernel.now + (timeout_ms * 1000 if timeout_ms else _POLL_US), True)
        return kernel.input_ready

    def read(self):
        """What is there, at most 256 bytes; never waits."""
        if not self._rx:
            return b""
        data = self._rx.pop(0)
        if len(data) > _READ_MAX:
            self._rx.insert(0, data[_READ_MAX:])
            data = data[:_READ_MAX]
        self._rx_size -= len(data)
        self.kernel.input_ready = bool(self._rx)
        return data

    def write(self, data):
        """Bytes taken; never waits."""
        room = _TX_MAX - len(self.tx)
        taken = bytes(data[:room]) if room < len(data) else bytes(data)
        if taken:
            self.tx.extend(taken)
            self.kernel.attention = True
        return len(taken)

    def print_failure(self, error):
        """What the interpreter prints when an exception escapes: it goes over the console like any output."""
        self.write(failure_text(error))

    # the prompt, when the firmware has ended

    def prompt(self):
        """The interpreter's prompt: takes no commands here except Ctrl-D, which starts the firmware again."""
        self.at_prompt = True
        self.kernel.remove_timers()
        self.write(_PROMPT)
        while True:
            self.wait(-1)
            data = self.read()
            if _CTRL_D in data:
                return
            if b"\r" in data:
                self.write(_PROMPT)


def failure_text(error):
    """Trace of an exception, as bytes."""
    if sys.implementation.name == "micropython":
        import io

        trace = io.StringIO()
        sys.print_exception(error, trace)
        text = trace.getvalue()
    else:
        import traceback

        text = "".join(traceback.format_exception(type(error), error, error.__traceback__))
    return text.replace("\n", "\r\n").encode()


def run_firmware(board, folders, root):
    """Imports the firmware afresh and runs its main.py until that ends.

    folders: of the firmware, and the one that holds shared_proto. root: stands for the board's flash.
    """
    firmware, proto = folders
    for name in list(sys.modules.keys()):
        if name.split(".")[0] in _FIRMWARE_PACKAGES:
            del sys.modules[name]
    try:
        # Only the one package is taken from the second folder: in an installation all others stand beside it.
        sys.path.insert(0, proto)
        try:
            __import__("shared_proto")
        finally:
            sys.path.remove(proto)
        # The board's own start, main.py, with two things put in place of the board's: its flash and its console.
        boards = __import__("boards")
        boards.boot_files = lambda: root
        console = __import__("firmware.console", None, None, ("StdConsole",))
        console.StdConsole = lambda stdin, stdout: board
        __import__("main").main()
    except Exception as error:  # noqa: BLE001  the board prints whatever ends its program
        board.print_failure(error)
