"""lidjig isolate: sensor, wiring or board? The jig sits between connector and sensor."""

from __future__ import annotations

from typing import Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def isolate(
        context: typer.Context,
        sensor: SensorOption = None,
        machine: MachineOption = None,
        repeat: Annotated[
            int, typer.Option(min=1, max=1000, help="How often the stand-in is shut and opened.", metavar="N")
        ] = 20,
        watch: Annotated[
            float,
            typer.Option(
                min=0.5, max=3600.0, help="Seconds the sensor is watched with the lid open, and shut.", metavar="S"
            ),
        ] = 30.0,
    ) -> int:
        """Tell a dead sensor from a dead board: survey both sides, then the machine with every route."""
        from lidjig.bench.pair import check_readable
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.isolate import Isolate

        return run_procedure(
            context.obj,
            "isolate",
            lambda bench: Isolate(bench, repeat=repeat, watch_s=watch),
            sensor=sensor,
            machine=machine,
            arguments={"repeat": repeat, "watch_s": watch},
            check=lambda profiles: check_readable(profiles.sensor, profiles.machine),
        )
