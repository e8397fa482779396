"""lidjig watch: see the bench live without touching it."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption
from lidjig.cli.options import GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def watch(
        context: typer.Context,
        seconds: Annotated[
            float | None, typer.Option(min=0.1, max=1e6, help="How long; else until Ctrl-C.", metavar="S")
        ] = None,
        record: Annotated[bool, typer.Option("--record", help="Keep every reading, at full rate.")] = False,
        load: Annotated[
            bool, typer.Option("--load", help="First put the machine profile's wiring in force; not while armed.")
        ] = False,
        sensor: SensorOption = None,
        machine: MachineOption = None,
    ) -> int:
        """Angle, lines, route, interlock (and why not armed), supply, power state and every channel, as they are now.

        Touches nothing, but for the wiring record with --load. Events go into the record; readings do with --record.
        """
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.base import Bench
        from lidjig.procedures.watching import Watching
        from lidjig.show.live import LiveView
        from lidjig.show.pace import Pace
        from lidjig.show.terminal import TerminalProgress, console_on

        options: GlobalOptions = context.obj
        console = console_on(sys.stderr if options.json else sys.stdout)
        # Simulated time runs far ahead of a reader; a script that asks for seconds has no use for waiting.
        paced = console.is_terminal or seconds is None
        views: list[LiveView] = []

        def make(bench: Bench) -> Watching:
            view = LiveView(console, Pace(bench.jig.clock) if paced and bench.jig.link.traits.ahead else None)
            views.append(view)
            if view.live:
                # What is said meanwhile goes above the view, never into it.
                bench.progress = TerminalProgress(console)
            return Watching(bench, view.__enter__(), seconds, record=record, load=load)

        def done() -> None:
            for view in views:
                view.__exit__(None, None, None)

        return run_procedure(options, "watch", make, sensor=sensor, machine=machine, done=done)
