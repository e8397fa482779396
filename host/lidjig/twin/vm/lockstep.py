"""The talk with the host over this process's own pipes: it says how far time may run, this end says what came of it.

Every word from the host: code u8, tag u8, two unused bytes, length u32, number u64, then length bytes. Every answer:
the marker, kind u8, flags u8, tag u8 of the word that it answers, an unused byte, length u32, time u64 (us), then
length bytes. Bytes before a marker are what the interpreter itself printed. Only advance and the questions are
answered.
"""

import json
import struct
import sys

TYPE_CHECKING = False  # the simulating interpreter may have no typing; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from world import World

_HEAD = "<BB2xIQ"
_HEAD_SIZE = 16
_ANSWER = "<BBBxIQ"
MARKER = b"\x00~LJ~\x00"

# Words from the host.
ADVANCE = 1  # number = us; bytes for the board
OPERATOR = 2  # bytes = name of the action
RESET = 3  # the board loses power for a moment
LOOK = 4  # answered with the state of the bench, JSON
HEAP = 5  # answered with this interpreter's heap, JSON
QUIT = 6
WAVE = 7  # bytes = name of a conductor, number = us; answered with what it carried in that time until now, JSON
VOLTS = 8  # answered with the voltages of the nodes in uV, JSON
TRANSFER = 9  # bytes = I2C address and what is written, number = bytes to read; answered with what was read, JSON

# Kinds of answers.
TIME = 1  # time has passed, or bytes came; bytes from the board
RESTARTED = 2  # as TIME; the board was reset since the answer before
STATE = 3  # of a question that cannot be answered: {"refused": why}
FAILED = 4  # this program itself failed; bytes = trace

FLAG_RUNNING = 1
FLAG_PROMPT = 2


class Quit(BaseException):
    """The host said so, or is gone."""


class Lockstep:
    """Joins the kernel's waits to the host. heap_report: called for HEAP."""

    def __init__(self, world: "World", heap_report: "Callable[[], dict[str, Any]]") -> None:
        self._world = world
        self._heap_report = heap_report
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._owes = False
        self._tag = 0
        world.kernel.exchange = self.exchange

    def _read(self, count: int) -> bytes:
        data = self._in.read(count)
        while data is not None and 0 < len(data) < count:
            more = self._in.read(count - len(data))
            if not more:
                raise Quit()
            data += more
        if not data and count:
            raise Quit()
        return data

    def _answer(self, kind: int, tag: int, data: bytes) -> None:
        board = self._world.board
        flags = FLAG_RUNNING if board.running else 0
        if board.at_prompt:
            flags |= FLAG_PROMPT
        head = struct.pack(_ANSWER, kind, flags, tag, len(data), self._world.kernel.now)
        # What was printed goes first; MicroPython's streams keep nothing back and have no flush().
        if hasattr(sys.stdout, "flush"):
            sys.stdout.flush()
        self._out.write(MARKER + head + data)
        if hasattr(self._out, "flush"):
            self._out.flush()

    def failed(self, trace: bytes) -> None:
        self._answer(FAILED, 0, trace)

    def exchange(self) -> None:
        """Answers the advance that has ended, and takes the host's words until the next one."""
        world = self._world
        board, port, kernel = world.board, world.board.port, world.kernel
        if self._owes:
            data = port.host_takes()
            kind = TIME
            if not board.told_reset:
                board.told_reset = True
                kind = RESTARTED
            self._answer(kind, self._tag, data)
            self._owes = False
        kernel.attention = len(port.tx) > 0 or not board.told_reset
        while True:
            code, tag, length, number = struct.unpack(_HEAD, self._read(_HEAD_SIZE))
            data = self._read(length) if length else b""
            if code == ADVANCE:
                self._owes = True
                self._tag = tag
                kernel.budget = kernel.now + number
                port.host_sent(data)
                return
            if code == OPERATOR:
                world.person.ask(data.decode())
            elif code in (LOOK, VOLTS, TRANSFER, WAVE, HEAP):
                try:
                    found = self._found(code, data, number)
                except ValueError as error:
                    # Raised here it would come out in the firmware, which waits above: it is the asker's.
                    found = {"refused": str(error)}
                self._answer(STATE, tag, json.dumps(found).encode())
            elif code == RESET:
                world.bus.supply_lost()
                board.request_reset(1)
                board.told_reset = True
                kernel.budget = kernel.now
                return
            elif code == QUIT:
                raise Quit()

    def _found(self, code: int, data: bytes, number: int) -> "dict[str, Any]":
        world = self._world
        if code == LOOK:
            return world.look()
        if code == VOLTS:
            return world.volts()
        if code == TRANSFER:
            return world.transfer(data[0], data[1:], number)
        if code == WAVE:
            return world.wave(data.decode(), number)
        return self._heap_report()
