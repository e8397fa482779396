"""How a command says that it could not be done: one line, what to do, the exit status; as JSON too where asked for."""

from __future__ import annotations

import sys

from lidjig.errors import EXIT_NO_JIG, EXIT_STATUS, BadInput, LidjigError


def exit_status(error: LidjigError) -> int:
    """The status of the nearest class that the table lists."""
    for kind in type(error).__mro__:
        if kind in EXIT_STATUS:
            return EXIT_STATUS[kind]
    return EXIT_NO_JIG


def text_of(error: LidjigError) -> str:
    """What happened, in one paragraph, without what to do about it."""
    if isinstance(error, BadInput) and error.key == "command line":
        return f"{error.value}."
    return str(error)


def tell_stopped(command: str, wants_json: bool) -> int:
    """Say that Ctrl-C ended a command, and what of it remains; returns the exit status."""
    from lidjig.cli.interrupted import say_stopped, standing

    status = say_stopped(command)
    if wants_json:
        from lidjig.show.as_json import error_object

        sys.stdout.write(error_object(command, None, "stopped by Ctrl-C", standing(command)) + "\n")
    return status


def tell(error: LidjigError, command: str, wants_json: bool, run_id: str | None = None) -> int:
    """Say it on stderr (and as the JSON object on stdout); returns the exit status."""
    sys.stderr.write(f"lidjig: {text_of(error)}\n")
    if error.next_step:
        sys.stderr.write(f"        {error.next_step}\n")
    if wants_json:
        from lidjig.show.as_json import error_object

        sys.stdout.write(error_object(command, run_id, text_of(error), error.next_step) + "\n")
    return exit_status(error)
