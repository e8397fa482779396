"""lidjig ports: which ports there are and what answers on each."""

from __future__ import annotations

from typing import Annotated

import typer

_NO_JIG = (
    "No jig answers. Plug its board in by a USB data cable and look again; put the firmware on a bare board with "
    "'lidjig flash PORT'. Without a board: --link twin."
)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def ports(
        context: typer.Context,
        ask_all: Annotated[
            bool,
            typer.Option("--all", help="Ask every port, of whatever kind. Other devices may be upset by it."),
        ] = False,
        wait: Annotated[float, typer.Option(min=0.1, max=10.0, help="Seconds to wait for an answer.")] = 1.0,
    ) -> int:
        """List the serial ports and what answers on each: board id, firmware, protocol.

        With --link PORT only that one is asked. Status 3 where no jig answers.
        """
        from lidjig.board.ports import look_at
        from lidjig.cli.options import GlobalOptions
        from lidjig.errors import EXIT_NO_JIG, EXIT_PASSED
        from lidjig.link.find import choose_port
        from lidjig.link.ports import serial_ports

        options: GlobalOptions = context.obj
        found = serial_ports()
        if options.link:
            seen = look_at([choose_port(options.link, found)], wait_s=wait, ask_all=True)
        else:
            seen = look_at(found, wait_s=wait, ask_all=ask_all)
        _show([one.to_json() for one in seen], as_json=options.json)
        return EXIT_PASSED if any(one.state == "jig" for one in seen) else EXIT_NO_JIG


def _show(rows: list[dict[str, object]], *, as_json: bool) -> None:
    if as_json:
        import json

        typer.echo(json.dumps({"command": "ports", "ports": rows}, indent=2))
        return
    for row in rows:
        typer.echo(f"{row['port']}: {row['text']}")
        extra = ", ".join(str(row[key]) for key in ("usb_serial", "description") if row[key])
        if extra:
            typer.echo(f"    {extra}")
    if not rows:
        typer.echo("No serial port is there.")
    if not any(row["state"] == "jig" for row in rows):
        typer.echo(_NO_JIG)
