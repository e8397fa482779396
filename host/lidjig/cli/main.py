"""The command `lidjig`: reads the options of every command, hands over to one command, ends with its exit status.

Nothing heavy is imported here or at the top of a command's file: `lidjig --help` has to answer at once.
"""

from __future__ import annotations

import sys
from typing import Annotated, Any

import typer

from lidjig import __version__
from lidjig.cli import (
    attach,
    confirm,
    cycle,
    demo,
    export,
    filter,
    flash,
    hold,
    isolate,
    job,
    merge,
    note,
    output,
    ports,
    profiles,
    replay,
    report,
    rescue,
    runs,
    selftest,
    sense,
    show,
    sweep,
    teach,
    trim,
    watch,
)
from lidjig.cli.options import EVERYWHERE, VMS, GlobalOptions, check_seed, check_vm, hoist
from lidjig.errors import EXIT_BAD_INPUT, EXIT_NO_JIG, BadInput, LidjigError

FAMILIES = (
    confirm, isolate, sense, cycle, hold, sweep, teach, watch, runs, show, report, replay, export, job, note,
    attach, merge, rescue, profiles, filter, trim, ports, flash, selftest, demo,
)  # fmt: skip

app = typer.Typer(
    name="lidjig",
    help="Test jig for the hinge angle sensor of laptop logic boards.",
    epilog=f"{EVERYWHERE} Try 'lidjig demo' first: it needs no hardware.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # plain help: it answers faster and reads the same in a log
    pretty_exceptions_enable=False,
)


def _say_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lidjig {__version__}")
        raise typer.Exit()


@app.callback()
def every_command(
    context: typer.Context,
    link: Annotated[
        str | None,
        typer.Option(
            help="Which jig: a port or board id, twin (simulated bench), twin:FILE (a scenario), replay:FILE."
            " Default: the only jig that is plugged in.",
            metavar="WHERE",
        ),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout, all else on stderr.")] = False,
    store: Annotated[str | None, typer.Option(help="Record to use: a file or a database URL.", metavar="WHERE")] = None,
    job: Annotated[str | None, typer.Option(help="Name that groups the runs of one machine.", metavar="NAME")] = None,
    seed: Annotated[int | None, typer.Option(help="Seed of the simulated bench.", metavar="N")] = None,
    vm: Annotated[str, typer.Option(help=f"Interpreter of the simulated board: {', '.join(VMS)}.")] = "auto",
    recording: Annotated[
        str | None, typer.Option(help="Keep the byte stream in this file, for --link replay:FILE.", metavar="FILE")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", help="Say the version and end.", callback=_say_version, is_eager=True)
    ] = False,
) -> None:
    """Stand in for a hinge angle sensor, watch the machine react, say where the fault lies."""
    context.obj = GlobalOptions(
        link=link,
        json=json,
        store=store,
        job=job,
        seed=check_seed(seed),
        vm=check_vm(vm),
        recording=recording,
        argv=tuple(sys.argv[1:]),
    )


for family in FAMILIES:
    family.register(app)


_INTERRUPTED = 128 + 2  # what some versions of typer make of a KeyboardInterrupt; no command of ours ends with it

# The parser's base error. Its home differs between typer versions, its place in the tree does not.
_UsageError: type[Exception] = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


def run(argv: list[str]) -> int:
    """Run one command line; the exit status. Errors are told on stderr, and as the JSON object where asked for."""
    try:
        status = _run(argv)
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        return _not_told(argv) if output.failed() else status
    except BrokenPipeError:
        return _reader_gone()
    except output.CannotWrite:
        return _not_told(argv)
    except SystemExit as end:
        # Parser and console answer a broken pipe with status 1, which would say here that a machine failed.
        if isinstance(end.__context__, BrokenPipeError):
            return _reader_gone()
        raise


def _reader_gone() -> int:
    """Whoever read our output has gone (a pager, head): no verdict, since nobody has read it."""
    output.drop()
    return EXIT_NO_JIG


def _not_told(argv: list[str]) -> int:
    """Our output cannot be written: no verdict either."""
    from lidjig.cli.interrupted import standing

    return output.say_failed(standing(_command(argv)))


def _run(argv: list[str]) -> int:
    from lidjig.cli import interrupted
    from lidjig.cli.failing import tell, tell_stopped

    interrupted.fresh()
    wants_json = "--json" in argv
    command = _command(argv)
    try:
        status: Any = app(args=hoist(argv), standalone_mode=False, prog_name="lidjig")
    except (KeyboardInterrupt, typer.Abort):
        return tell_stopped(command, wants_json)
    except (BrokenPipeError, output.CannotWrite):
        raise
    except Exception as error:
        if interrupted.came():  # a library made another error of the KeyboardInterrupt
            return tell_stopped(command, wants_json)
        if isinstance(error, LidjigError):
            return tell(error, command, wants_json)
        if isinstance(error, _UsageError):
            return _usage(error, command, wants_json)
        raise
    if status == _INTERRUPTED:
        return tell_stopped(command, wants_json)
    return status if isinstance(status, int) else 0


def _command(argv: list[str]) -> str:
    return next((word for word in hoist(argv) if word in _command_names()), "")


def _command_names() -> set[str]:
    return {info.name for info in app.registered_commands if info.name} | {
        info.callback.__name__ for info in app.registered_commands if info.callback and not info.name
    }


def _usage(error: Exception, command: str, wants_json: bool) -> int:
    """A command line that the parser does not take. The bare `lidjig` shows the help instead."""
    from lidjig.cli.failing import tell

    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError":
        typer.echo(context.get_help() if context else str(error))
        return EXIT_BAD_INPUT
    text = getattr(error, "format_message", error.__str__)()
    name = context.command_path if context is not None else "lidjig"
    return tell(BadInput("", "command line", text.rstrip("."), f"see '{name} --help'"), command, wants_json)


def main() -> None:
    """Entry of the installed command."""
    output.guard()
    from lidjig.cli import interrupted

    interrupted.begin()
    try:
        status = run(sys.argv[1:])
        interrupted.over()
    except KeyboardInterrupt:
        status = interrupted.say_stopped("")
    interrupted.leave(status)


if __name__ == "__main__":
    main()
