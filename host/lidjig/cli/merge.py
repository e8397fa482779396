"""lidjig merge OTHER.db: bring another bench's jobs and runs into this record."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import GlobalOptions

if TYPE_CHECKING:
    from lidjig.record.merge import Merged


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command.")
    def merge(
        context: typer.Context,
        other: Annotated[str, typer.Argument(help="The other record; it is not written to.", metavar="OTHER.db")],
    ) -> int:
        """Bring the jobs and runs of another record into this one. What is here already is not brought twice."""
        from lidjig.record.snapshot import check_file
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        check_file(Path(other), "OTHER.db")  # before a record is made for it
        with open_store(options.store) as store:
            merged = store.merge(Path(other))
            where = store.shown
        if options.json:
            shown = {"command": "merge", "store": where, "other": other, **asdict(merged)}
            shown["runs"] = [{"there": there, "here": here} for there, here in merged.runs]
            sys.stdout.write(json.dumps(shown, ensure_ascii=False, indent=2) + "\n")
        else:
            _show(merged, other, where)
        return 0


def _show(merged: Merged, other: str, where: str) -> None:
    if merged.nothing_new:
        sys.stdout.write(f"Nothing in {other} that {where} has not: {_count(merged.known_runs, 'run')} known.\n")
        return
    sys.stdout.write(f"Brought from {other} into {where}:\n")
    lines = [
        (len(merged.jobs), "job", ", ".join(merged.jobs)),
        (merged.job_fields, "field of a job", ""),
        (len(merged.runs), "run", _ids(merged.runs)),
        (len(merged.completed), "run completed", ", ".join(merged.completed)),
        (merged.notes, "note on a known run", ""),
        (merged.attachments, "attachment", ""),
    ]
    for n, what, which in lines:
        if n:
            sys.stdout.write(f"  {n} x {what}{': ' + which if which else ''}\n")
    if merged.known_runs:
        sys.stdout.write(f"  {_count(merged.known_runs, 'run')} known already\n")
    for conflict in merged.conflicts:
        sys.stdout.write(
            f"Job {conflict.job}, {conflict.name}: here {conflict.ours!r}, there {conflict.theirs!r}. Ours stays, "
            f"theirs is kept beside it (lidjig job {conflict.job!r} shows both).\n"
        )


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


def _ids(runs: list[tuple[str, str]]) -> str:
    """ "r-000001 (there r-000007), ..." for a few, the range here for many."""
    if len(runs) > 12:
        return f"{runs[0][1]} to {runs[-1][1]}"
    return ", ".join(here if here == there else f"{here} (there {there})" for there, here in runs)
