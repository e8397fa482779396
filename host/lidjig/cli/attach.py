"""lidjig attach RUN FILE...: photos and files that belong to a run or a job, kept in the record."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lidjig.cli.options import FORCE_HELP, GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.record.store import Store
    from lidjig.record.stored import StoredAttachment


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store, --job and --json, before or after the command.")
    def attach(
        context: typer.Context,
        words: Annotated[
            list[str] | None,
            typer.Argument(help="The run (r-000042, 42, last), then files; with --job files only.", metavar="RUN FILE"),
        ] = None,
        listing: Annotated[bool, typer.Option("--list", help="List what is attached.")] = False,
        take: Annotated[
            tuple[str, str] | None,
            typer.Option(
                help="Write an attachment out again into a folder, under its name. NAME may also be the beginning of "
                "its SHA-256.",
                metavar="NAME FOLDER",
            ),
        ] = None,
        force: Annotated[bool, typer.Option("--force", help=f"With --take: {FORCE_HELP}")] = False,
    ) -> int:
        """Attach files to a run or, with --job, to a job. The same content is kept once, however often attached."""
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        owner, files = _owner(options.job, words or [])
        if listing and take is not None:
            raise BadInput("", "--take", take[0], "either --list or --take")
        if (listing or take is not None) and files:
            raise BadInput("", "FILE", files[0], "no files with --list or --take")
        if not listing and take is None and not files:
            raise BadInput("", "FILE", None, "one or more files to attach, or --list, or --take NAME FOLDER")
        if force and take is None:
            raise BadInput("", "--force", True, "--force only together with --take")
        with open_store(options.store, create=False) as store:
            if owner["run"] is not None:
                owner["run"] = store.run_id(owner["run"])
            if listing:
                _list(store.attachments(**owner), owner, as_data=options.json)
            elif take is not None:
                _take(store, owner, take[0], Path(take[1]), force=force, as_data=options.json)
            else:
                _attach(store, owner, files, as_data=options.json)
        return 0


def _owner(job: str | None, words: Sequence[str]) -> tuple[dict[str, str | None], list[str]]:
    """Whose the files are, as Store.attach() takes it, and the files."""
    if job is not None:
        return {"run": None, "job": job}, list(words)
    if not words:
        raise BadInput("", "RUN", None, "an id from 'lidjig runs' (r-000042, 42) or last; or --job NAME")
    return {"run": words[0], "job": None}, list(words[1:])


def _named(owner: dict[str, str | None]) -> str:
    return f"job {owner['job']}" if owner["job"] is not None else str(owner["run"])


def _list(attached: Sequence[StoredAttachment], owner: dict[str, str | None], *, as_data: bool) -> None:
    from lidjig.show.pages import attachment_object, attachment_text

    if as_data:
        _write_object(owner, attachments=[attachment_object(one) for one in attached])
        return
    for one in attached:
        sys.stdout.write(f"{attachment_text(one)}\n")
    if not attached:
        sys.stdout.write(f"Nothing is attached to {_named(owner)}.\n")


def _take(store: Store, owner: dict[str, str | None], name: str, folder: Path, *, force: bool, as_data: bool) -> None:
    from lidjig.record.attach import take

    found, data = store.attachment(name, **owner)
    path = take(data, found.name, folder, force=force)
    if as_data:
        _write_object(owner, taken=str(path))
    else:
        sys.stdout.write(f"Written: {path}\n")


def _attach(store: Store, owner: dict[str, str | None], files: Sequence[str], *, as_data: bool) -> None:
    fresh = store.attach(files, **owner)
    if as_data:
        named = [{"name": Path(file).name, "new": new} for file, new in zip(files, fresh, strict=True)]
        _write_object(owner, attached=named)
        return
    for file, new in zip(files, fresh, strict=True):
        what = "Attached to" if new else "Was attached already to"
        sys.stdout.write(f"{what} {_named(owner)}: {Path(file).name}\n")


def _write_object(owner: dict[str, str | None], **content: Any) -> None:
    sys.stdout.write(json.dumps({"command": "attach", **owner, **content}, ensure_ascii=False, indent=2) + "\n")
