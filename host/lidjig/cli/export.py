"""lidjig export RUN FILE: a run as a file for other tools; the suffix picks the format."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from lidjig.cli.options import FORCE_HELP, GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command.")
    def export(
        context: typer.Context,
        run: Annotated[str, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.", metavar="RUN")],
        file: Annotated[
            str, typer.Argument(help="Its suffix picks: .csv .vcd .sr .parquet .json .junit.xml", metavar="FILE")
        ],
        channel: Annotated[
            list[str] | None, typer.Option(help="Only this sampled channel; may be given again.", metavar="NAME")
        ] = None,
        samplerate: Annotated[
            int | None, typer.Option(help="Samples a second of a .sr file; 1000 when left out.", metavar="HZ")
        ] = None,
        force: Annotated[bool, typer.Option("--force", help=FORCE_HELP)] = False,
    ) -> int:
        """Write a run as a table, a wave form, a session for signal analysers, data, or test results."""
        from lidjig.cli.interrupted import file_written
        from lidjig.record.export import Wishes, export_run
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        with open_store(options.store, create=False) as store:
            done = export_run(store, run, Path(file), Wishes(tuple(channel or ()), samplerate), force=force)
        file_written(str(done.file))
        if options.json:
            shown = {
                "command": "export", "run": done.run, "file": str(done.file), "format": done.format,
                "bytes": done.size, "counts": done.counts, "notes": done.notes,
            }  # fmt: skip
            sys.stdout.write(json.dumps(shown, ensure_ascii=False, indent=2) + "\n")
            return 0
        counts = ", ".join(f"{name.replace('_', ' ')} {count}" for name, count in done.counts.items())
        sys.stdout.write(f"Run {done.run} written to {done.file} ({done.size} bytes; {counts})\n")
        sys.stdout.write("".join(f"  {note}\n" for note in done.notes))
        return 0
