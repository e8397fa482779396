"""Whoever reads the output may go away in the middle: a pager that is quit, head that has its line. A file that the
output goes to may be on a disk that is full.

Outside a run that ends the command (cli/main.py). A run must not break off where it happens to print: it is told, what
it shows from there on goes nowhere, and it stops at its next safe point.
"""

from __future__ import annotations

import contextlib
import select
from collections.abc import Callable, Iterator
from typing import Any, TextIO


class _UnderWay:
    """What is told when the reader goes; None while no run is under way."""

    tell: Callable[[OSError | None], None] | None = None


@contextlib.contextmanager
def telling(tell: Callable[[OSError | None], None]) -> Iterator[None]:
    """While this lasts a stream that cannot be written is told by a call of tell(), once a stream, and raises nothing.
    It gets the error, None where the reader has gone.
    """
    before, _UnderWay.tell = _UnderWay.tell, tell
    try:
        yield
    finally:
        _UnderWay.tell = before


class Stream:
    """A text stream for a console; all but write and flush is the stream's own.

    Raises BrokenPipeError and other OSErrors only where no run is under way.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._gone = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        """As the stream's own."""
        self._passed(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        """As the stream's own."""
        self._passed(self._stream.flush)

    def look(self) -> None:
        """Ask whether the reader is still there: a run that has nothing new to show would not hear of it by writing."""
        if _UnderWay.tell is not None and not self._gone and _has_gone(self._stream):
            self._gone = True
            _UnderWay.tell(None)

    def _passed(self, act: Callable[[], object]) -> None:
        tell = _UnderWay.tell
        if self._gone and tell is not None:
            return
        try:
            act()
        except OSError as error:
            if tell is None:
                raise
            self._gone = True
            tell(None if isinstance(error, BrokenPipeError) else error)


def _has_gone(stream: TextIO) -> bool:
    """Whether nobody holds the other end of a pipe any more; False where the system does not tell (Windows)."""
    if not hasattr(select, "poll"):
        return False
    asked = select.poll()
    with contextlib.suppress(OSError, ValueError):
        asked.register(stream.fileno(), 0)  # errors and hang-ups are told whatever is asked for
        return any(told & (select.POLLERR | select.POLLHUP) for _, told in asked.poll(0))
    return False
