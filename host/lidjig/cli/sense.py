"""lidjig sense: what does the real sensor say?"""

from __future__ import annotations

from typing import Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption

EPILOG = (
    "Unplug the sensor's cable from the machine and plug it into the jig. With --at you set the lid at each angle by a "
    "protractor, going up and then down. Also takes the options of 'lidjig --help', before or after the command."
)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=EPILOG)
    def sense(
        context: typer.Context,
        sensor: SensorOption = None,
        machine: MachineOption = None,
        count: Annotated[int, typer.Option(min=3, max=200, help="Readings with the lid as it is.", metavar="N")] = 20,
        at: Annotated[
            str | None, typer.Option(help="Lid angles that you set, in degrees: 0,30,60,90,120.", metavar="A,B,..")
        ] = None,
        turns: Annotated[
            int | None,
            typer.Option(min=1, max=10, help="How often up and down over these angles (1).", metavar="K"),
        ] = None,
        angle_u: Annotated[
            float,
            typer.Option(min=0.0, max=20.0, help="Standard uncertainty of an angle that you set, deg.", metavar="U"),
        ] = 1.0,
    ) -> int:
        """Feed the real sensor, read it back, say what it tells and how sure that is."""
        from lidjig.bench.pair import check_readable
        from lidjig.cli.session import Profiles, run_procedure
        from lidjig.errors import BadInput
        from lidjig.procedures.sense import Sense
        from lidjig.procedures.sense_curve import By, angles_of

        def check(profiles: Profiles) -> None:
            by.check(profiles.sensor)
            check_readable(profiles.sensor, profiles.machine)

        if turns is not None and at is None:
            raise BadInput("", "--turns", turns, "only with --at: turns are over the angles that you set")
        by = By(() if at is None else angles_of(at), turns or 1, angle_u)
        return run_procedure(
            context.obj,
            "sense",
            lambda bench: Sense(bench, count, by),
            sensor=sensor,
            machine=machine,
            arguments={"count": count, "at_deg": list(by.at_deg), "turns": by.turns, "angle_u_deg": angle_u},
            check=check,
            loose=True,
        )
