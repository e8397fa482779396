"""lidjig note RUN TEXT: what a person has to say about a run, kept with it."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from lidjig.cli.options import GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command.")
    def note(
        context: typer.Context,
        run: Annotated[str, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.", metavar="RUN")],
        text: Annotated[str, typer.Argument(help="The note, in quotes.", metavar="TEXT")],
    ) -> int:
        """Add a note to a run of the record; 'lidjig show RUN' shows it. Figures and verdict stay as they are."""
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        with open_store(options.store, create=False) as store:
            added = store.add_note(run, text)
        if options.json:
            sys.stdout.write(json.dumps({"command": "note", "run": added}, indent=2) + "\n")
        else:
            sys.stdout.write(f"Added to {added}; see it with: lidjig show {added}\n")
        return 0
