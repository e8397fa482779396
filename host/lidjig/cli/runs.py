"""lidjig runs: what is in the record."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from lidjig.cli.options import GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store, --job and --json, before or after the command.")
    def runs(
        context: typer.Context,
        last: Annotated[int, typer.Option(min=1, help="How many, newest first.")] = 30,
    ) -> int:
        """List the runs in the record; with --job those of one job."""
        from lidjig.record.store import open_store
        from lidjig.show.pages import runs_object, show_runs
        from lidjig.show.terminal import console_on

        options: GlobalOptions = context.obj
        with open_store(options.store) as store:
            rows = store.runs(job=options.job, limit=last)
            if options.json:
                sys.stdout.write(runs_object(rows, store.shown) + "\n")
            else:
                show_runs(rows, console_on(sys.stdout), store.shown)
        return 0
