"""lidjig replay RUN: a stored run through the analysis once more. It has to give the same findings."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import GlobalOptions
from lidjig.errors import EXIT_MACHINE_FAILED, EXIT_PASSED, BadInput

if TYPE_CHECKING:
    from lidjig.record.store import Store
    from lidjig.record.stored import StoredRun

RUNS_MAX = 1000  # runs that one run goes on with, each with the one before


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command. Exit status 1 where something differs.")
    def replay(
        context: typer.Context,
        run: Annotated[
            str, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.", metavar="RUN")
        ] = "last",
    ) -> int:
        """Draw a run's conclusion anew from its events, and say what agrees with the record and what differs.

        Power states, reactions and movements are taken from the events, by the profiles that the run kept.
        """
        from lidjig.procedures.replaying import replay as again
        from lidjig.record.store import open_store
        from lidjig.show.replayed import replayed_object, show_replayed
        from lidjig.show.terminal import console_on

        options: GlobalOptions = context.obj
        with open_store(options.store, create=False) as store:
            stored = store.run(run)
            series = {row.channel: store.series(stored.id, row.channel) for row in store.channels(stored.id)}
            try:
                done = again(stored, series, _earlier(store, stored))
            except BadInput as error:
                if error.key != "RUN":
                    raise
                # It knows the run alone: what is to be named is what was typed.
                raise BadInput(error.file, "RUN", run, error.accepted, error.todo) from error
        if options.json:
            sys.stdout.write(replayed_object(done) + "\n")
        show_replayed(done, console_on(sys.stderr if options.json else sys.stdout))
        return EXIT_PASSED if done.same else EXIT_MACHINE_FAILED


def _earlier(store: Store, run: StoredRun) -> list[StoredRun]:
    """The interrupted runs that a run goes on with, oldest first."""
    out: list[StoredRun] = []
    wanted = run.resumes
    while wanted is not None and len(out) < RUNS_MAX:
        out.insert(0, store.run(wanted))
        wanted = out[0].resumes
    return out
