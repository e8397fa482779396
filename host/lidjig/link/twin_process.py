"""The process that runs the simulated bench: found, started, spoken to word by word, ended."""

from __future__ import annotations

import functools
import json
import os
import shutil
import struct
import subprocess
import sys
import sysconfig
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lidjig.errors import BadInput, NoJig
from lidjig.firmware_path import firmware_dir, proto_dir

VMS = ("auto", "micropython", "cpython")

# The words and answers of twin/vm/lockstep.py.
ADVANCE, OPERATOR, RESET, LOOK, HEAP, QUIT, WAVE, VOLTS, TRANSFER = 1, 2, 3, 4, 5, 6, 7, 8, 9
TIME, RESTARTED, STATE, FAILED = 1, 2, 3, 4
FLAG_RUNNING, FLAG_PROMPT = 1, 2
_WORD = struct.Struct("<BB2xIQ")
_ANSWER = struct.Struct("<BBBxIQ")
_MARKER = b"\x00~LJ~\x00"

_HEAP_SIZE = "4M"
_ANSWER_MAX_S = 30.0  # time in which this program ran; a word moves time by a second at most
_GUARD_S = 0.5
_CLOSE_S = 0.8
_READ_MAX = 1 << 16
_STDERR_LINES = 6


class ProcessEnded(Exception):
    """The process is gone; args[0] says what is known of why."""


@dataclass(frozen=True)
class Answer:
    """One answer: kind, flags, virtual time in us, bytes."""

    kind: int
    flags: int
    now_us: int
    data: bytes


# What the tick is written in. Builds for processors that MicroPython makes no machine code for (64-bit ARM) refuse it.
_VIPER = "import micropython\n@micropython.viper\ndef f() -> int:\n    return 1\n"


@functools.cache
def takes_viper(micropython: str) -> bool:
    """Whether an interpreter compiles the firmware's viper functions. Asked once in a process; a few milliseconds."""
    try:
        done = subprocess.run([micropython, "-c", _VIPER], capture_output=True, check=False, timeout=5)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def find_micropython() -> str | None:
    """The MicroPython command: beside the running interpreter, among its scripts, or on PATH. None too where it cannot
    run the firmware.
    """
    places = [shutil.which("micropython", path=str(Path(sys.executable).parent))]
    places += [shutil.which("micropython", path=sysconfig.get_path("scripts")), shutil.which("micropython")]
    found = next((place for place in places if place), None)
    return found if found and takes_viper(found) else None


def command(vm: str) -> tuple[list[str], str]:
    """(command line without arguments, name of the interpreter chosen). Raises BadInput, NoJig."""
    if vm not in VMS:
        raise BadInput("", "--vm", vm, f"one of {', '.join(VMS)}")
    if vm != "cpython":
        found = find_micropython()
        if found:
            return [found, "-X", f"heapsize={_HEAP_SIZE}"], "micropython"
        if vm == "micropython":
            where = "on PATH or beside the interpreter"
            raise NoJig("twin", f"no micropython command that compiles viper {where}; use --vm cpython")
    return [sys.executable, "-B", "-E", "-s", "-S"], "cpython"


class BenchProcess:
    """The running process. Words go in, answers come out; whatever goes wrong is ProcessEnded."""

    def __init__(self, vm: str, facts: dict[str, Any], flash: Path) -> None:
        words, self.vm = command(vm)
        entry = Path(__file__).resolve().parent.parent / "twin" / "vm" / "entry.py"
        arguments = [str(entry), str(firmware_dir()), str(proto_dir().parent), str(flash)]
        # A file and not a pipe: nobody needs to empty it, and it can be read when the process is gone.
        self._stderr = tempfile.TemporaryFile()
        environment = dict(os.environ, MICROPYPATH=".frozen")
        try:
            self._process = subprocess.Popen(
                [*words, *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._stderr,
                bufsize=0,
                env=environment,
                cwd=str(flash),
                # Ctrl-C in the terminal is for the host, which still has to disarm the jig. Sessions are POSIX, process
                # groups of this kind Windows.
                start_new_session=os.name == "posix",
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        except OSError as error:
            self._stderr.close()
            raise NoJig("twin", f"the interpreter {words[0]} does not start: {error}") from error
        self._buffer = bytearray()  # read, not yet taken apart
        self._tag = 0
        self._asked = 0  # which question is open; 0 = none
        self._questions = 0
        self._closing = threading.Event()
        self._killed = False
        threading.Thread(target=self._guard, name="twin-guard", daemon=True).start()
        self._send(json.dumps(facts).encode("ascii") + b"\n")

    @property
    def pid(self) -> int:
        return self._process.pid

    def _guard(self) -> None:
        # Reads below block without a time-out of their own, on every platform alike; this ends a process that hangs.
        # It counts its own turns and looks at no clock: while this computer sleeps or is stopped, the other process is
        # stopped as well and does not hang.
        waited_for, turns = 0, 0
        while not self._closing.wait(_GUARD_S):
            asked = self._asked
            turns = turns + 1 if asked and asked == waited_for else 0
            waited_for = asked
            if turns * _GUARD_S >= _ANSWER_MAX_S:
                self._killed = True
                self._process.kill()
                return

    def _send(self, data: bytes) -> None:
        assert self._process.stdin is not None
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[self._process.stdin.write(rest) :]
        except (OSError, ValueError) as error:
            raise ProcessEnded(self._why()) from error

    def say(self, code: int, data: bytes = b"", number: int = 0) -> None:
        """A word that is not answered."""
        self._send(_WORD.pack(code, self._tag, len(data), number) + data)

    def ask(self, code: int, data: bytes = b"", number: int = 0) -> Answer:
        """A word and its answer.

        Where Ctrl-C broke into the wait for an earlier answer, that one comes first: what it brought is part of this
        one, so that nothing is lost and question and answer stay together.
        """
        self._questions += 1
        self._asked = self._questions
        self._tag = (self._tag + 1) & 0xFF
        self.say(code, data, number)
        late = b""
        restarted = False
        while True:
            answer, tag = self._next_answer()
            if answer.kind == FAILED:
                raise ProcessEnded(_last_lines(answer.data))
            if tag == self._tag:
                break
            if answer.kind != STATE:
                late += answer.data
                restarted = restarted or answer.kind == RESTARTED
        self._asked = 0
        if answer.kind == STATE:
            return answer
        kind = RESTARTED if restarted else answer.kind
        return Answer(kind, answer.flags, answer.now_us, late + answer.data)

    def _next_answer(self) -> tuple[Answer, int]:
        # What the interpreter prints by itself stands before the marker, and goes the way of all console output.
        while True:
            at = self._buffer.find(_MARKER)
            start = at + len(_MARKER)
            if at >= 0 and len(self._buffer) >= start + _ANSWER.size:
                kind, flags, tag, length, now_us = _ANSWER.unpack_from(self._buffer, start)
                end = start + _ANSWER.size + length
                if len(self._buffer) >= end:
                    body = bytes(self._buffer[start + _ANSWER.size : end])
                    if kind in (STATE, FAILED):
                        del self._buffer[at:end]  # what was printed waits for the next bytes of the board
                    else:
                        body = bytes(self._buffer[:at]) + body
                        del self._buffer[:end]
                    return Answer(kind, flags, now_us, body), tag
            self._read_more()

    def _read_more(self) -> None:
        assert self._process.stdout is not None
        try:
            data = self._process.stdout.read(_READ_MAX)
        except (OSError, ValueError) as error:
            raise ProcessEnded(self._why()) from error
        if not data:
            printed = _last_lines(bytes(self._buffer))
            raise ProcessEnded(self._why() + (f": {printed}" if printed else ""))
        self._buffer += data

    def _why(self) -> str:
        if self._killed:
            return f"no answer within {_ANSWER_MAX_S:.0f} s; ended"
        try:
            code: int | None = self._process.wait(_CLOSE_S)
        except subprocess.TimeoutExpired:
            code = None
        try:
            self._stderr.seek(0)
            text = _last_lines(self._stderr.read())
        except (OSError, ValueError):
            text = ""
        return f"exit status {code}" + (f": {text}" if text else "")

    def close(self) -> None:
        """Ends the process, by force if need be. Never raises."""
        self._closing.set()
        try:
            self.say(QUIT)
        except ProcessEnded:
            pass
        for stream in (self._process.stdin, self._process.stdout):
            try:
                if stream is not None:
                    stream.close()
            except (OSError, ValueError):
                pass
        try:
            self._process.wait(_CLOSE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            try:
                self._process.wait(_CLOSE_S)
            except subprocess.TimeoutExpired:
                pass
        self._stderr.close()


def _last_lines(data: bytes) -> str:
    lines = [line.strip() for line in data.decode("utf-8", "replace").splitlines() if line.strip()]
    return " / ".join(lines[-_STDERR_LINES:])
