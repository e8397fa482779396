"""The board itself: power-up, reset, watchdog, the files of the firmware, and the prompt after it."""

import sys

from kernel import FAR, BoardReset
from port import CTRL_C, Port, make_streams
from rng import Rng

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any, NoReturn

    from gpio import Gpio
    from kernel import Event, Kernel

_PROMPT = b"\r\n>>> "
_CTRL_D = 4
_FIRMWARE_PACKAGES = ("main", "firmware", "boards", "shared_proto")


class Board:
    """facts: unique_id, heap_free, heap_total, ticks_start_us, boot_us, usb_us; seed for what is random on it."""

    refresh_input: "Callable[[int], None]"  # a pin became an input; the wiring's

    def __init__(self, kernel: "Kernel", gpio: "Gpio", seed: int, facts: "dict[str, Any]") -> None:
        self.kernel = kernel
        self.gpio = gpio
        self.facts = facts
        self.unique_id = bytes(facts["unique_id"])
        self.heap_free: int = facts["heap_free"]
        self.heap_total: int = facts["heap_total"]
        self.reset_cause = 1
        self.ticks_offset_us = 0
        self.told_reset = True
        self.running = False
        self.at_prompt = False
        self.boots = 0
        self.port = Port(kernel, facts["usb_us"])
        self._rng = Rng(seed, "board")
        self._watchdog: Event | None = None
        self._watchdog_end_us = FAR

    # random bytes, as a hardware generator would give; seeded

    def random_bytes(self, count: int) -> bytes:
        return bytes([self._rng.u32() >> 24 for _ in range(count)])

    # reset

    def reset(self, cause: int) -> "NoReturn":
        """Never returns."""
        self.request_reset(cause)
        raise BoardReset()

    def request_reset(self, cause: int) -> None:
        self.reset_cause = cause
        self.told_reset = False
        self.kernel.dead = True
        self.kernel.interrupted = False
        self.kernel.attention = True

    def power_down(self) -> None:
        """What a reset does at once: pins float, timers and interrupts stop, what the port held is gone."""
        kernel = self.kernel
        self.running = False
        self.at_prompt = False
        kernel.remove_timers()
        self.stop_watchdog()
        self.gpio.release_all()
        self.port.power_down()
        kernel.leave_isr()
        kernel.dead = kernel.interrupted = False

    def power_up(self) -> None:
        """The boot loader and the interpreter's own start, then ticks count from the scenario's start value."""
        kernel = self.kernel
        if self.boots:
            kernel.run_until(kernel.now + self.facts["boot_us"], False)
        self.boots += 1
        self.ticks_offset_us = self.facts["ticks_start_us"] - kernel.now
        self.port.power_up()
        self.running = True

    # watchdog: looked at when it would bite, so that feeding costs next to nothing

    def feed_watchdog(self, timeout_us: int) -> None:
        self._watchdog_end_us = self.kernel.now + timeout_us
        if self._watchdog is None:
            self._watchdog = self.kernel.at(self._watchdog_end_us, self._watchdog_due)

    def stop_watchdog(self) -> None:
        if self._watchdog is not None:
            self._watchdog.cancel()
            self._watchdog = None
        self._watchdog_end_us = FAR

    def _watchdog_due(self, _argument: None) -> None:
        if self.kernel.now >= self._watchdog_end_us:
            self._watchdog = None
            self.request_reset(3)
        else:
            self._watchdog = self.kernel.at(self._watchdog_end_us, self._watchdog_due)

    # what the interpreter does by itself

    def print_failure(self, error: BaseException) -> None:
        """What the interpreter prints when an exception escapes: it goes over the console like any output."""
        self.port.print(failure_text(error))

    def prompt(self) -> None:
        """The interpreter's prompt when the firmware has ended: it knows Ctrl-C, and Ctrl-D, which starts again."""
        self.at_prompt = True
        self.kernel.remove_timers()
        port = self.port
        port.interrupt_character = CTRL_C
        port.print(_PROMPT)
        while True:
            try:
                byte = port.take_byte()
            except KeyboardInterrupt:
                port.print(_PROMPT)
                continue
            if byte == _CTRL_D:
                return
            if byte == 13:
                port.print(_PROMPT)


def failure_text(error: BaseException) -> bytes:
    """Trace of an exception, as bytes."""
    if sys.implementation.name == "micropython":
        import io

        trace = io.StringIO()
        sys.print_exception(error, trace)  # type: ignore[attr-defined]  # MicroPython's own
        text = trace.getvalue()
    else:
        import traceback

        text = "".join(traceback.format_exception(type(error), error, error.__traceback__))
    return text.replace("\n", "\r\n").encode()


def run_firmware(board: Board, folders: tuple[str, str], root: str) -> None:
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
        # The board's own start, main.py. Where its flash is mounted and which streams are its console are the two
        # things in device/ that name the board from outside; both are functions of boards/, and are replaced here.
        boards: Any = __import__("boards")
        streams = make_streams(board.port)
        boards.boot_files = lambda: root
        boards.streams = lambda: streams
        __import__("main").main()
    except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001  the board prints whatever ends its program
        board.print_failure(error)
