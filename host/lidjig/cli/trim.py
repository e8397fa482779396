"""lidjig trim: calibrate an analog output by a bench meter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption

if TYPE_CHECKING:
    from lidjig.cli.session import Profiles

EPILOG = (
    "The meter's data sheet is wanted for its DC volts range: --accuracy 0.5%+3 (percent of reading + counts) or "
    "'0.0035%+0.0005% range' with --range '6 V'; --resolution '1 mV'. The simulated bench has a meter of its own. "
    "Also takes the options of 'lidjig --help', before or after the command."
)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog=EPILOG)
    def trim(
        context: typer.Context,
        sensor: SensorOption = None,
        machine: MachineOption = None,
        output: Annotated[
            str | None, typer.Option(help="Which output of a sincos sensor; each by itself.", metavar="sin|cos")
        ] = None,
        points: Annotated[int, typer.Option(min=3, max=33, help="Points over the output's range.", metavar="N")] = 9,
        meter: Annotated[
            str | None,
            typer.Option(
                help="typed = you type what it shows; else a SCPI meter's port or VISA resource.",
                metavar="typed|RESOURCE",
            ),
        ] = None,
        accuracy: Annotated[str | None, typer.Option(help="Limit of error by its data sheet.", metavar="TEXT")] = None,
        resolution: Annotated[
            str | None, typer.Option(help="One step of its display, with its unit.", metavar="TEXT")
        ] = None,
        range_: Annotated[
            str | None,
            typer.Option("--range", help="Its range, where the accuracy has percent of range.", metavar="TEXT"),
        ] = None,
    ) -> int:
        """Step an analog output through its range, read a meter, store what corrects it on the board, and check it."""
        from lidjig.cli.session import run_procedure
        from lidjig.link.find import may_have_meter
        from lidjig.procedures.trim import Trim
        from lidjig.procedures.trim_meter import MeterAsked
        from lidjig.procedures.trim_output import check_trimmable, check_worth
        from lidjig.procedures.trim_sincos import stage_of

        asked = MeterAsked(meter, accuracy, resolution, range_)
        asked.check(may_have_meter=may_have_meter(context.obj.link), jig_port=context.obj.link)

        def check(profiles: Profiles) -> None:
            check_trimmable(profiles.sensor, output or "")
            if accuracy and resolution:  # else the bench's own meter has the rest of it, and is looked at later
                check_worth(stage_of(profiles.sensor, output or ""), asked.spec(None))

        return run_procedure(
            context.obj,
            "trim",
            lambda bench: Trim(bench, points, asked, output=output or ""),
            sensor=sensor,
            machine=machine,
            arguments={
                "points": points, "meter": meter, "accuracy": accuracy, "resolution": resolution, "range": range_,
                "output": output,
            },
            paced=meter is not None,
            check=check,
        )  # fmt: skip
