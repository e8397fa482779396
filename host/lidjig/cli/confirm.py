"""lidjig confirm: does the board respond correctly to its lid line? The jig stands in for the sensor."""

from __future__ import annotations

from typing import Annotated

import typer

SENSOR_HELP = "Sensor profile: a shipped name or a TOML file. Default: the machine profile's."
MACHINE_HELP = "Machine profile: a shipped name or a TOML file. On the simulated bench: the scenario's."

SensorOption = Annotated[str | None, typer.Option("--sensor", help=SENSOR_HELP, metavar="S")]
MachineOption = Annotated[str | None, typer.Option("--machine", help=MACHINE_HELP, metavar="M")]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def confirm(
        context: typer.Context,
        sensor: SensorOption = None,
        machine: MachineOption = None,
        repeat: Annotated[
            int, typer.Option(min=1, max=1000, help="How often the lid is shut and opened.", metavar="N")
        ] = 20,
    ) -> int:
        """Survey the connector, start the machine, see it sleep when shut and wake when opened."""
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.confirm import Confirm

        return run_procedure(
            context.obj,
            "confirm",
            lambda bench: Confirm(bench, repeat=repeat),
            sensor=sensor,
            machine=machine,
            arguments={"repeat": repeat},
        )
