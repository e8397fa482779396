"""lidjig rescue BROKEN.db NEW.db: what can still be read of a damaged record, in a new one."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import GlobalOptions

if TYPE_CHECKING:
    from lidjig.record.rescue import Rescued


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --json, before or after the command. --store plays no part.")
    def rescue(
        context: typer.Context,
        broken: Annotated[str, typer.Argument(help="The damaged record; it is not touched.", metavar="BROKEN.db")],
        new: Annotated[str, typer.Argument(help="The record to write; must not be there yet.", metavar="NEW.db")],
    ) -> int:
        """Save what can be read of a damaged record, row by row, and say what is missing and from which runs."""
        from lidjig.record.rescue import rescue as save

        options: GlobalOptions = context.obj
        saved = save(Path(broken), Path(new))
        if options.json:
            _write_object(saved, broken, new)
        else:
            _show(saved, broken, new)
        return 0


def _write_object(saved: Rescued, broken: str, new: str) -> None:
    shown = {
        "command": "rescue",
        "broken": broken,
        "new": new,
        "tables": [
            {
                "table": t.name,
                "saved": t.saved,
                "vouched": t.vouched,
                "missing": t.missing,
                "complete_count": t.missing_is_all,
            }
            for t in saved.tables
        ],
        "runs": [{"run": run, "missing": texts} for run, texts in saved.runs.items()],
        "remarks": saved.remarks,
    }
    sys.stdout.write(json.dumps(shown, ensure_ascii=False, indent=2) + "\n")


def _show(saved: Rescued, broken: str, new: str) -> None:
    sys.stdout.write(f"Saved from {broken} into {new}:\n")
    for table in saved.tables:
        missing = f"{table.missing} missing"
        if not table.missing_is_all:
            known = f"{table.missing} known, perhaps more" if table.missing else "perhaps more"
            missing = f"missing: unknown, {known}"
        if table.saved or table.missing or not table.missing_is_all:
            known = f"; {table.vouched} vouched for" if table.saved else ""
            sys.stdout.write(f"  {table.name:<22}{table.saved:>9} saved, {missing}{known}\n")
    for remark in saved.remarks:
        sys.stdout.write(f"Note: {remark}.\n")
    for run, texts in saved.runs.items():
        sys.stdout.write(f"{run}: {'; '.join(texts)}\n")
    sys.stdout.write(_vouched(saved))
    if saved.whole:
        sys.stdout.write("Nothing is known to be missing.\n")
    elif saved.runs:
        sys.stdout.write(
            "Runs that lack something, or may lack it, say so among their gaps (lidjig show RUN); none of them reads "
            "as passed.\n"
        )
    sys.stdout.write(f"Go on with it: lidjig runs --store {new}\n")


def _vouched(saved: Rescued) -> str:
    """What is known of the rows that were saved, and what is not."""
    total, vouched = sum(t.saved for t in saved.tables), sum(t.vouched for t in saved.tables)
    told = "Vouched for: a checksum of its own proves the row to be as it was written. "
    if total > vouched:
        told += (
            f"The other {total - vouched} could be read and look like what lidjig writes; a letter or figure that was "
            "changed in one of them is not seen (names of jobs and of attached files, and all from before lidjig kept "
            "checksums).\n"
        )
    return told.rstrip(" ") if told.endswith("\n") else told.rstrip() + "\n"
