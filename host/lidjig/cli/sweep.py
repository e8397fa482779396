"""lidjig sweep FROM TO: turn the emulated lid slowly through a range."""

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
    def sweep(
        context: typer.Context,
        from_deg: Annotated[float, typer.Argument(metavar="FROM", help="Angle in degrees to begin at.")],
        to_deg: Annotated[float, typer.Argument(metavar="TO", help="Angle in degrees to end at.")],
        rate: Annotated[float, typer.Option(help="Degrees per second.", metavar="DEG_S")] = 10.0,
        sensor: SensorOption = None,
        machine: MachineOption = None,
    ) -> int:
        """Turn from one angle to another at a steady rate: where the outputs change and how the machine reacts."""
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.sweep import Sweep, check_sweep

        return run_procedure(
            context.obj,
            "sweep",
            lambda bench: Sweep(bench, from_deg, to_deg, rate),
            sensor=sensor,
            machine=machine,
            arguments={"from_deg": from_deg, "to_deg": to_deg, "rate": rate},
            check=lambda profiles: check_sweep(profiles.sensor, from_deg, to_deg, rate),
        )
