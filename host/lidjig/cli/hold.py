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
        say: Annotated[
            str,
            typer.Option(
                help="What the output does: follow the angle, or rest low or high, be released, or error: what the "
                "profile of a sensor that tells an angle says for an internal error.",
                metavar="follow|low|high|released|error",
            ),
        ] = "follow",
        sensor: SensorOption = None,
        machine: MachineOption = None,
    ) -> int:
        """Stand in for the sensor at one angle and say how the machine's power state changes."""
        from lidjig.cli.session import Profiles, run_procedure
        from lidjig.procedures.hold import Hold, check_angle, check_said

        def check(profiles: Profiles) -> None:
            check_angle(profiles.sensor, "ANGLE", angle)
            check_said(profiles.sensor, "--say", say)

        return run_procedure(
            context.obj,
            "hold",
            lambda bench: Hold(bench, angle, seconds, say=say),
            sensor=sensor,
            machine=machine,
            arguments={"angle_deg": angle, "seconds": seconds, "say": say},
            paced=seconds is None,
            check=check,
        )
