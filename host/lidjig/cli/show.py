"""lidjig show RUN: one run of the record, whole."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from lidjig.cli.options import GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command.")
    def show(
        context: typer.Context,
        run: Annotated[
            str, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.", metavar="RUN")
        ] = "last",
        events: Annotated[bool, typer.Option("--events/--no-events", help="List every event.")] = True,
    ) -> int:
        """Show a run: outcome, findings, measurements, notes, gaps and every event. A killed run says so at the top."""
        from lidjig.record.store import open_store
        from lidjig.show.pages import run_object, show_run
        from lidjig.show.terminal import console_on

        options: GlobalOptions = context.obj
        with open_store(options.store, create=False) as store:
            stored = store.run(run)
        if options.json:
            sys.stdout.write(run_object(stored, events=events) + "\n")
        else:
            show_run(stored, console_on(sys.stdout), events=events)
        return 0
