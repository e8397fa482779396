"""lidjig job NAME: what is known about a job: customer, machine, complaint, what was done. Free text, all optional."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import GlobalOptions

if TYPE_CHECKING:
    from lidjig.record.stored import StoredAttachment

_LABELS = {
    "customer": "customer",
    "machine": "machine",
    "serial": "serial number",
    "complaint": "complaint",
    "done": "work done",
    "bench": "bench",
    "technician": "technician",
}


def _text(words: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(help=words, metavar="TEXT")
    return option


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store and --json, before or after the command. An empty TEXT takes a field away.")
    def job(
        context: typer.Context,
        name: Annotated[str, typer.Argument(help="The job, as --job names it.")],
        customer: Annotated[str | None, _text("Whose machine it is.")] = None,
        label: Annotated[str | None, _text("The machine as a person names it.")] = None,
        serial: Annotated[str | None, _text("Its serial number.")] = None,
        complaint: Annotated[str | None, _text("What is complained of.")] = None,
        done: Annotated[str | None, _text("What was done to the machine.")] = None,
        bench: Annotated[str | None, _text("The bench that it stood on.")] = None,
        technician: Annotated[str | None, _text("Who did it.")] = None,
    ) -> int:
        """Enter what is known about a job, or show it. The report shows what was entered, as it was entered."""
        from lidjig.record.store import open_store

        options: GlobalOptions = context.obj
        given = {
            "customer": customer,
            "machine": label,
            "serial": serial,
            "complaint": complaint,
            "done": done,
            "bench": bench,
            "technician": technician,
        }
        fields = {key: text for key, text in given.items() if text is not None}
        with open_store(options.store, create=bool(fields)) as store:
            if fields:
                store.enter_job(name, fields)
            entered = store.job_fields(name)
            elsewhere = [(key, text) for key, text in store.job_fields_elsewhere(name) if entered.get(key) != text]
            attached = store.attachments(job=name)
            runs = [row.id for row in reversed(store.runs(job=name))]
        if options.json:
            _write_object(name, entered, elsewhere, attached, runs)
        else:
            _show(name, entered, elsewhere, attached, runs)
        return 0


def _write_object(
    name: str,
    fields: dict[str, str],
    elsewhere: list[tuple[str, str]],
    attached: list[StoredAttachment],
    runs: list[str],
) -> None:
    from lidjig.show.pages import attachment_object

    shown = {
        "command": "job",
        "job": name,
        "fields": fields,
        "elsewhere": [{"field": key, "text": text} for key, text in elsewhere],
        "attachments": [attachment_object(one) for one in attached],
        "runs": runs,
    }
    sys.stdout.write(json.dumps(shown, ensure_ascii=False, indent=2) + "\n")


def _show(
    name: str,
    fields: dict[str, str],
    elsewhere: list[tuple[str, str]],
    attached: list[StoredAttachment],
    runs: list[str],
) -> None:
    from lidjig.show.pages import attachment_text

    sys.stdout.write(f"Job {name}\n")
    for key, text in fields.items():
        _write_text(_LABELS[key] + ":", text)
        for other, their_text in elsewhere:
            if other == key:
                _write_text("  elsewhere:", their_text)
    if not fields:
        sys.stdout.write("  nothing was entered\n")
    for key, text in elsewhere:
        if key not in fields:
            _write_text(_LABELS[key] + ":", f"{text} (in another record)")
    for number, one in enumerate(attached):
        _write_text("attached:" if number == 0 else "", attachment_text(one))
    _write_text("runs:", ", ".join(runs) or "none yet")


def _write_text(label: str, text: str) -> None:
    lines = text.split("\n")
    sys.stdout.write(f"  {label:<15}{lines[0]}\n")
    sys.stdout.write("".join(f"{'':<17}{line}\n" for line in lines[1:]))
