"""MicroPython's prompt on a board, through mpremote: run code there, and file operations built on nothing
but that.

Paths on the board are absolute. The board's own errors come back as OSError with its number where it gave
one.
"""

from __future__ import annotations

import ast
import contextlib
import io
import re
import struct
from collections.abc import Callable
from typing import Any, Protocol

from lidjig.link.serial import PORT_ERRORS

_SILENCE_S = 2.0
_CHUNK = 256  # bytes a write: as source text it stays below 1.1 kB, which the board's heap takes at any time


class PromptError(Exception):
    """The prompt was not reached, or stopped answering. Text for people; callers add port and remedy."""


class BoardError(OSError):
    """Code ran on the board and ended in an exception there."""


class Prompt(Protocol):
    """A board at its raw prompt."""

    def run(self, code: str, timeout_s: float = 10.0) -> bytes:
        """Run code; returns what it printed. Raises BoardError, PromptError."""
        ...

    def restart(self) -> None:
        """Reset the board; the prompt is gone afterwards. Raises PromptError."""
        ...

    def close(self) -> None:
        """Let go of the port. Never raises."""
        ...


class SerialPrompt:
    """The raw prompt over a serial port. Interrupts whatever program runs there with Ctrl-C, and resets
    nothing.

    Raises PromptError, with what was heard, when there is no prompt within wait_s.
    """

    def __init__(self, device: str, *, wait_s: float = 5.0) -> None:
        # mpremote brings in its whole command set; only commands that need a prompt pay for that.
        from mpremote.transport import TransportError  # type: ignore[import-untyped]
        from mpremote.transport_serial import SerialTransport  # type: ignore[import-untyped]

        # struct.error: a port that falls silent in the middle of a transfer.
        self._gone: tuple[type[Exception], ...] = (TransportError, OSError, struct.error, *PORT_ERRORS)
        self._transport = self._call(lambda: SerialTransport(device))
        self._transport.serial.timeout = (
            _SILENCE_S  # without one, a board that stops answering is waited for for ever
        )
        try:
            self._call(lambda: self._transport.enter_raw_repl(soft_reset=False, timeout_overall=wait_s))
        except PromptError:
            self.close()
            raise

    def run(self, code: str, timeout_s: float = 10.0) -> bytes:
        printed, failed = self._call(lambda: self._transport.exec_raw(code, timeout=timeout_s))
        if failed:
            raise board_error(bytes(failed).decode("utf-8", "replace"))
        return bytes(printed)

    def restart(self) -> None:
        self._call(lambda: self._transport.exec_raw_no_follow("import machine\nmachine.reset()"))

    def close(self) -> None:
        try:
            self._transport.close()
        except self._gone:
            pass  # the port is gone already

    def _call(self, action: Callable[[], Any]) -> Any:
        """Do it; mpremote's errors become PromptError, and what it prints becomes part of their text."""
        printed = io.StringIO()
        try:
            with contextlib.redirect_stdout(printed):
                return action()
        except self._gone as error:
            heard = printed.getvalue().strip()
            words = " ".join(str(part) for part in error.args) or type(error).__name__
            raise PromptError(
                f"{words}; heard {heard[-80:]}" if heard not in ("", "b''") else words
            ) from error


def board_error(text: str) -> BoardError:
    """The last line of a traceback on the board; its error number where there is one."""
    lines = text.strip().splitlines()
    last = lines[-1].strip() if lines else "no text"
    number = re.search(r"\[Errno (\d+)\]|OSError: (\d+)", last)
    return BoardError(int(number.group(1) or number.group(2)) if number else 0, last)


class BoardFiles:
    """File operations on a board."""

    def __init__(self, prompt: Prompt) -> None:
        self._prompt = prompt
        prompt.run("import os, binascii, hashlib")

    def value(self, expression: str) -> object:
        """A Python literal that the board prints for an expression.

        Raises BoardError when it prints something else.
        """
        printed = self._prompt.run(f"print(repr({expression}))").decode("utf-8", "replace").strip()
        try:
            return ast.literal_eval(printed)
        except (ValueError, SyntaxError) as error:
            raise BoardError(0, f"unexpected answer {printed[:80]!r}") from error

    def names(self, folder: str) -> list[tuple[str, bool]]:
        """(name, is a folder) of each entry; empty when there is no such folder."""
        printed = self._lines(
            "try:",
            f" f=[(e[0], e[1]&0x4000!=0) for e in os.ilistdir({folder!r})]",
            "except OSError:",
            " f=[]",
            "print(repr(f))",
        )
        try:
            listed = ast.literal_eval(printed)
        except (ValueError, SyntaxError) as error:
            raise BoardError(0, f"unexpected answer {printed[:80]!r}") from error
        return [(str(name), bool(is_folder)) for name, is_folder in listed]

    def read(self, path: str) -> bytes | None:
        """Contents; None when there is no such file."""
        words = self._lines(
            "try:",
            f" with open({path!r},'rb') as f:",
            "  while 1:",
            "   b=f.read(128)",
            "   if not b:break",
            "   print(binascii.hexlify(b).decode())",
            " print('end')",
            "except OSError:",
            " print('none')",
        ).split()
        if not words or words[-1] != "end":
            return None
        return bytes.fromhex("".join(words[:-1]))

    def write(self, path: str, data: bytes, progress: Callable[[int], None] | None = None) -> None:
        """Write a whole file. progress: told the bytes of each part written."""
        self._prompt.run(f"_f=open({path!r},'wb')")
        try:
            for at in range(0, len(data), _CHUNK):
                part = data[at : at + _CHUNK]
                self._prompt.run(f"_f.write({part!r})")
                if progress is not None:
                    progress(len(part))
        finally:
            self._prompt.run("_f.close()\nif hasattr(os,'sync'):os.sync()")

    def sha256(self, path: str) -> str:
        """Hash of a file as the board reads it back from its flash, hexadecimal."""
        return self._lines(
            "h=hashlib.sha256()",
            f"with open({path!r},'rb') as f:",
            " while 1:",
            "  b=f.read(256)",
            "  if not b:break",
            "  h.update(b)",
            "print(binascii.hexlify(h.digest()).decode())",
        )

    def _lines(self, *code: str) -> str:
        return self._prompt.run("\n".join(code), 30.0).decode("utf-8", "replace").strip()

    def make_folder(self, path: str) -> None:
        """Make a folder; it may be there."""
        self._prompt.run(f"try:\n os.mkdir({path!r})\nexcept OSError as e:\n if e.errno!=17: raise")

    def rename(self, old: str, new: str) -> None:
        """Rename over what may be there: in one step on littlefs, which rp2 boards have."""
        self._prompt.run(f"os.rename({old!r},{new!r})")

    def remove(self, path: str) -> None:
        """Remove a file; it may be absent."""
        self._prompt.run(f"try:\n os.remove({path!r})\nexcept OSError as e:\n if e.errno!=2: raise")

    def remove_tree(self, path: str) -> None:
        """Remove a folder and all in it; it may be absent."""
        for name, is_folder in self.names(path):
            if name in (".", ".."):
                continue
            if is_folder:
                self.remove_tree(f"{path}/{name}")
            else:
                self.remove(f"{path}/{name}")
        self._prompt.run(f"try:\n os.rmdir({path!r})\nexcept OSError as e:\n if e.errno!=2: raise")
