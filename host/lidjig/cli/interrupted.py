"""Ctrl-C outside a run's safe stop: what is said of it, whatever it broke into.

From lidjig's first line on the signal is ours (`lidjig.__main__`): while lidjig starts there is nothing to undo, and it
ends at once. From then on it is a KeyboardInterrupt, so that files, links and records are closed on the way out.
Libraries may swallow that or make another error of it; `came()` still knows. A run replaces the handler by its own
(cli.session.stop_on_interrupt), which stops at the next safe point.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import signal
import sys
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from lidjig.errors import EXIT_NO_JIG

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

# What each of these has done by then is not known here; a record takes all of one command or nothing.
_LOOK = {
    "note": "Whether the note was recorded says 'lidjig show RUN'.",
    "job": "Whether it was entered says 'lidjig job NAME'.",
    "attach": "Whether all of it was attached, or nothing, says 'lidjig attach RUN --list'.",
    "merge": "All of it came into the record, or nothing: see 'lidjig runs'; it may be repeated.",
    "rescue": "The damaged file is as it was; delete the new one before you repeat it.",
    "flash": "The board may hold a part of the firmware: repeat 'lidjig flash' before you use it.",
}
_NOTHING = "Nothing was recorded or written."


class _Standing:
    """What this command has done so far that outlasts it, for whoever stops it."""

    came = False
    runs: tuple[str, ...] = ()
    files: tuple[str, ...] = ()


def came() -> bool:
    """Whether Ctrl-C came as a KeyboardInterrupt."""
    return _Standing.came


def begin() -> None:
    """From now on Ctrl-C is a KeyboardInterrupt. Where it is ignored (a job in the background) it stays so."""
    fresh()
    with contextlib.suppress(ValueError):  # not the main thread: Ctrl-C stays as it was
        if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
            signal.signal(signal.SIGINT, _interrupt)
    sys.unraisablehook = _swallowed


def fresh() -> None:
    """A command begins: nothing of it is recorded or written."""
    _Standing.came, _Standing.runs, _Standing.files = False, (), ()


def run_begun(run: str) -> None:
    """A run now stands in the record, complete or not."""
    _Standing.runs += (run,)


def file_written(file: str) -> None:
    """A file is now there, whole."""
    _Standing.files += (file,)


def standing(command: str) -> str:
    """What was recorded or written, as far as it is known here."""
    told = []
    if _Standing.runs:
        said = ", ".join(_Standing.runs)
        told.append(f"Recorded as far as it came: {said}; see 'lidjig show {_Standing.runs[-1]}'.")
    if _Standing.files:
        told.append(f"Written: {', '.join(_Standing.files)}.")
    return " ".join(told) or _LOOK.get(command, _NOTHING)


def say_stopped(command: str) -> int:
    """Say it in one line; the exit status. Another Ctrl-C changes nothing any more."""
    over()
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.write(f"lidjig: stopped by Ctrl-C. {standing(command)}\n")
    return EXIT_NO_JIG


def over() -> None:
    """The command is done: from here to the end of the process Ctrl-C changes nothing."""
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def leave(status: int) -> NoReturn:
    """End the process with this status."""
    if not _Standing.came:
        sys.exit(status)
    # CPython remembers a KeyboardInterrupt that went through an exec() of text (every dataclass has one) and would end
    # by the signal instead of with the status, although it was caught: see unhandled_keyboard_interrupt in pythonrun.c.
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(status)


def _interrupt(_number: int, _frame: FrameType | None) -> NoReturn:
    _Standing.came = True
    raise KeyboardInterrupt


def _swallowed(told: UnraisableHookArgs) -> None:
    """An error where Python cannot pass it on (a callback of the import system, a finalizer)."""
    if issubclass(told.exc_type, KeyboardInterrupt):
        say_stopped("")
        os._exit(EXIT_NO_JIG)
    sys.__unraisablehook__(told)
