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
        last: Annotated[int, typer.Option(min=1, help="How many, newest first.", metavar="N")] = 30,
    ) -> int:
        """List the runs in the record; with --job those of one job."""
        from lidjig.record.engine import default_path
        from lidjig.record.store import open_store
        from lidjig.show.pages import runs_object, show_runs
        from lidjig.show.terminal import console_on

        options: GlobalOptions = context.obj
        if options.store is None and not default_path().exists():
            return _nothing_yet(options, str(default_path()))
        with open_store(options.store, create=False) as store:
            rows = store.runs(job=options.job, limit=last)
            if options.job is not None and not rows:
                store.job_fields(options.job)  # raises where there is no such job
            if options.json:
                sys.stdout.write(runs_object(rows, store.shown) + "\n")
            else:
                show_runs(rows, console_on(sys.stdout), store.shown)
        return 0


def _nothing_yet(options: GlobalOptions, where: str) -> int:
    """No run was ever recorded in the default place: nothing is created there by looking."""
    from lidjig.show.pages import runs_object, show_runs
    from lidjig.show.terminal import console_on

    if options.json:
        sys.stdout.write(runs_object([], where) + "\n")
    else:
        show_runs([], console_on(sys.stdout), where)
    return 0
