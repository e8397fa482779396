"""stdout and stderr that may not take what is written: a full disk behind `> FILE`, a stream that is closed.

What was not written is never read, so it is no verdict: the command ends with status 3 and one line, and never with 1,
which is what Python makes of such an error and what would say here that a machine failed.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from typing import TextIO

from lidjig.errors import EXIT_NO_JIG


class CannotWrite(OSError):
    """A stream does not take what is written to it. A reader that has gone is none of these: BrokenPipeError."""

    def __init__(self, stream: str, why: str) -> None:
        super().__init__(stream, why)
        self.stream, self.why = stream, why

    def __str__(self) -> str:
        return f"{self.stream} cannot be written: {self.why}"


class _Kept:
    """first: the first such failure of this process, also where what wrote has swallowed it. own: the two streams,
    whatever stands in their place for a while.
    """

    first: CannotWrite | None = None
    own: tuple[TextIO, TextIO] | None = None


def failed() -> bool:
    """Whether something that was to be read could not be written."""
    return _Kept.first is not None


class _Guarded(io.TextIOWrapper):
    """A stream whose failures can be told from those of any other file."""

    shown_as = ""

    def write(self, text: str) -> int:
        """As any text stream. Raises CannotWrite, BrokenPipeError."""
        try:
            return super().write(text)
        except OSError as error:
            raise self._named(error) from error

    def flush(self) -> None:
        """As any text stream. Raises CannotWrite, BrokenPipeError."""
        try:
            super().flush()
        except OSError as error:
            raise self._named(error) from error

    def _named(self, error: OSError) -> OSError:
        if isinstance(error, BrokenPipeError):
            return error
        failure = CannotWrite(self.shown_as, error.strerror or str(error))
        _Kept.first = _Kept.first or failure
        return failure


def guard() -> None:
    """From now on sys.stdout and sys.stderr are such streams. What a console cannot show becomes a replacement
    character instead of the end of the run (Windows code pages).
    """
    _Kept.first = None
    sys.stdout, sys.stderr = _Kept.own = _guarded(sys.stdout, "stdout"), _guarded(sys.stderr, "stderr")


def _guarded(stream: TextIO | None, shown_as: str) -> TextIO:
    if stream is None:  # closed by whoever started this; a file that nobody can write to fails as it would
        stream = open(os.open(os.devnull, os.O_RDONLY), "w", encoding="utf-8")
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    how = (stream.encoding, "replace", stream.line_buffering, stream.write_through)
    guarded = _Guarded(stream.detach(), how[0], how[1], None, how[2], how[3])
    guarded.shown_as = shown_as
    return guarded


def drop() -> None:
    """What is still in the streams goes nowhere: it would make an error of its own when the interpreter ends."""
    if _Kept.own is not None:
        sys.stdout, sys.stderr = _Kept.own
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, stream.fileno())
                os.close(nowhere)


def say_failed(standing: str) -> int:
    """Say it in one line where that can be read; the exit status. standing: what remains of the command."""
    failure = _Kept.first
    if failure is not None and failure.stream != "stderr":
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.write(f"lidjig: {failure}, so nobody has read what was to be told. {standing}\n")
    drop()
    return EXIT_NO_JIG
