"""lidjig hold ANGLE: keep the emulated lid at one angle."""

from __future__ import annotations

from typing import Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption
from lidjig.cli.options import NEGATIVE_NUMBERS


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(
        epilog="Also takes the options of 'lidjig --help', before or after the command.",
        context_settings=NEGATIVE_NUMBERS,
    )
    def hold(
        context: typer.Context,
        angle: Annotated[float, typer.Argument(help="Lid angle in degrees, 0 = shut.", metavar="ANGLE")],
        seconds: Annotated[
            float | None, typer.Option(min=0.1, max=1e6, help="How long; else until Ctrl-C.", metavar="S")
        ] = None,
        sensor: SensorOption = None,
        machine: MachineOption = None,
    ) -> int:
        """Stand in for the sensor at one angle and say how the machine's power state changes."""
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.hold import Hold, check_angle

        return run_procedure(
            context.obj,
            "hold",
            lambda bench: Hold(bench, angle, seconds),
            sensor=sensor,
            machine=machine,
            arguments={"angle_deg": angle, "seconds": seconds},
            paced=seconds is None,
            check=lambda profiles: check_angle(profiles.sensor, "ANGLE", angle),
        )
