"""A board's prompt without a board: MicroPython's unix build on a pseudo-terminal, its flash a folder."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import termios
import threading
import tty
from pathlib import Path

from lidjig.board.files import BoardFile, Image
from lidjig.board.install import Running
from lidjig.board.prompt import BoardError, Prompt, PromptError, SerialPrompt
from lidjig.errors import NoJig


def _terminal() -> tuple[int, int]:
    far, near = pty.openpty()
    tty.setraw(near)
    return far, near


class UnixBoard:
    """Starts MicroPython's REPL on a terminal of its own; `root` plays the board's flash, `device` its port.

    Two pseudo-terminals, since both the interpreter and mpremote want the terminal's near end; a thread
    joins the far ends.
    """

    def __init__(self, micropython: str, root: Path) -> None:
        self.root = root
        self._micropython = micropython
        self._board_far, self._board_near = _terminal()
        self._port_far, self._port_near = _terminal()
        self.device = os.ttyname(self._port_near)
        self._process: subprocess.Popen[bytes] | None = None
        self._ending = threading.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._join_ends, daemon=True)
        self._thread.start()
        self.start()

    def _join_ends(self) -> None:
        while not self._ending.is_set():
            for end in select.select([self._board_far, self._port_far], [], [], 0.05)[0]:
                data = os.read(end, 4096)
                if end == self._port_far:
                    os.write(self._board_far, data)
                    continue
                os.write(self._port_far, data)
                if b">>> " in data:
                    self._ready.set()

    def start(self) -> None:
        """Power up; back when the prompt is there (whatever is typed earlier is thrown away by the REPL)."""
        self.stop()
        self._ready.clear()
        self._process = subprocess.Popen(
            [self._micropython],
            stdin=self._board_near,
            stdout=self._board_near,
            stderr=self._board_near,
            cwd=self.root,
        )
        assert self._ready.wait(10.0), "no prompt"
        termios.tcflush(self._port_near, termios.TCIFLUSH)

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def close(self) -> None:
        self.stop()
        self._ending.set()
        self._thread.join(5.0)
        for end in (self._board_far, self._board_near, self._port_far, self._port_near):
            os.close(end)

    def power_up(self) -> str:
        """What /main.py prints when the board starts, or its last line of traceback."""
        done = subprocess.run(
            [self._micropython, "main.py"],
            cwd=self.root,
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        return (done.stdout + done.stderr).strip().splitlines()[-1]


class FailingPrompt:
    """A prompt that stops answering, or ends in the board's error, at its n-th piece of code."""

    def __init__(self, prompt: Prompt, at: int, error: Exception) -> None:
        self._prompt, self._left, self._error = prompt, at, error
        self.codes = 0

    def run(self, code: str, timeout_s: float = 10.0) -> bytes:
        self.codes += 1
        if self._left >= 0:
            self._left -= 1
            if self._left < 0:
                if isinstance(self._error, PromptError):
                    self._left = -1_000_000  # gone for good
                raise self._error
        elif isinstance(self._error, PromptError) and self._left < -1:
            raise self._error
        return self._prompt.run(code, timeout_s)

    def restart(self) -> None:
        if isinstance(self._error, PromptError):
            raise self._error

    def close(self) -> None:
        """The prompt behind it is closed by its owner."""


class UnixStation:
    """The ways to a UnixBoard that flashing needs; hello is what its main.py prints: "version 0 2 0"."""

    def __init__(self, board: UnixBoard, *, fail_at: int = -1, error: Exception | None = None) -> None:
        self.board, self.name = board, board.device
        self._fail_at, self._error = fail_at, error
        self.restarts = 0
        self.codes = 0
        self.left = Running("00000000000000aa", (0, 1, 0), "1.0")
        self._prompts: list[SerialPrompt] = []

    def leave(self) -> Running | None:
        return self.left

    def prompt(self) -> Prompt:
        station = self
        prompt = SerialPrompt(self.board.device, wait_s=5.0)
        inner: Prompt = prompt
        if self._error is not None and self._fail_at >= 0:
            inner = FailingPrompt(prompt, self._fail_at, self._error)
            self._fail_at = -1

        class Restarting:
            """The unix build has no machine.reset: a new process stands for it."""

            def run(self, code: str, timeout_s: float = 10.0) -> bytes:
                station.codes += 1
                return inner.run(code, timeout_s)

            def restart(self) -> None:
                if isinstance(inner, FailingPrompt):
                    inner.restart()
                station.restarts += 1
                prompt.close()
                station.board.start()

            def close(self) -> None:
                prompt.close()

        return Restarting()

    def hello(self) -> Running:
        printed = self.board.power_up().split()
        if len(printed) != 4 or printed[0] != "version":
            raise NoJig(self.name, f"it prints {' '.join(printed)}")
        major, minor, patch = (int(word) for word in printed[1:])
        return Running("00000000000000aa", (major, minor, patch), "1.0")


def small_image(version: tuple[int, int, int], *, text: str = "", extra: int = 0) -> Image:
    """Firmware that prints its version, from a package below the firmware's folder."""
    body = text or f"VERSION = {version[0]}, {version[1]}, {version[2]}\n"
    files = (
        BoardFile("boards/__init__.py", b""),
        BoardFile("firmware/__init__.py", b"# " + bytes(range(32, 127)) * 9 + b"\n"),
        BoardFile("firmware/app.py", body.encode()),
        *(BoardFile(f"firmware/extra{k}.py", os.urandom(700).hex().encode()) for k in range(extra)),
    )
    main = b"from firmware import app\nprint('version', *app.VERSION)\n"
    return Image(files, main, False, version)


__all__ = ["BoardError", "FailingPrompt", "UnixBoard", "UnixStation", "small_image"]
