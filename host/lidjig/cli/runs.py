"""lidjig runs: what is in the record."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.record.listing import Filter, RunRow
    from lidjig.record.store import Store


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store, --job and --json, before or after the command.")
    def runs(
        context: typer.Context,
        last: Annotated[int, typer.Option(help="How many, newest first; 1 or more.", metavar="N")] = 30,
        machine: Annotated[
            str | None, typer.Option(help="Only runs with this machine profile.", metavar="NAME")
        ] = None,
        outcome: Annotated[
            str | None, typer.Option(help="Only: pass, fail, error, incomplete or ended.", metavar="OUTCOME")
        ] = None,
        since: Annotated[
            str | None, typer.Option(help="Begun at this date or moment (UTC) or later.", metavar="DATE")
        ] = None,
        until: Annotated[
            str | None, typer.Option(help="Begun at this date (the whole day) or moment, or earlier.", metavar="DATE")
        ] = None,
        command: Annotated[str | None, typer.Option(help="Only runs of this command.", metavar="COMMAND")] = None,
    ) -> int:
        """List the runs in the record, newest first; all that fits every filter, with --job those of one job."""
        from lidjig.record.engine import default_path
        from lidjig.record.listing import Filter, check_outcome, since_utc, until_utc
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        if last < 1:
            raise BadInput("", "--last", last, "1 or more")
        wanted = Filter(
            options.job, machine, check_outcome(outcome), command, since=since_utc(since), until=until_utc(until)
        )
        if wanted.since is not None and wanted.until is not None and wanted.since >= wanted.until:
            raise BadInput("", "--until", until, f"a date that is not before --since {since}")
        if options.store is None and not default_path().exists():
            return _nothing_yet(options, str(default_path()))
        with open_store(options.store, create=False) as store:
            rows = store.runs(limit=last, wanted=wanted)
            if not rows:
                _check_names(store, wanted)
            _show(rows, options, store.shown, store.count(wanted), store.count())
        return 0


def _check_names(store: Store, wanted: Filter) -> None:
    """Raises BadInput where nothing fits because the record knows no such job, machine or command."""
    if wanted.job is not None:
        try:
            store.job_fields(wanted.job)
        except BadInput as error:
            raise BadInput(error.file, "--job", wanted.job, error.accepted) from error
    for key, value in (("machine", wanted.machine), ("command", wanted.command)):
        known = store.known(key) if value is not None else []
        if value is not None and value not in known:
            raise BadInput(store.shown, f"--{key}", value, ", ".join(known) or "none: no run in this record has one")


def _nothing_yet(options: GlobalOptions, where: str) -> int:
    """No run was ever recorded in the default place: nothing is created there by looking."""
    _show([], options, where, 0, 0)
    return 0


def _show(rows: list[RunRow], options: GlobalOptions, where: str, fit: int, total: int) -> None:
    from lidjig.show.pages import runs_object, show_runs
    from lidjig.show.terminal import console_on

    if options.json:
        sys.stdout.write(runs_object(rows, where, fit, total) + "\n")
    else:
        show_runs(rows, console_on(sys.stdout), where, fit, total)
