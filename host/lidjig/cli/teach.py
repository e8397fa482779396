"""lidjig teach: learn what a machine's power states look like to the observers of this bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.cli.session import Profiles


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Also takes the options of 'lidjig --help', before or after the command.")
    def teach(
        context: typer.Context,
        machine: MachineOption = None,
        sensor: SensorOption = None,
        out: Annotated[
            Path | None,
            typer.Option(help="File for the new machine profile. Default: NAME-taught.toml here.", metavar="FILE.toml"),
        ] = None,
        seconds: Annotated[
            float, typer.Option(min=5.0, max=600.0, help="How long each power state is recorded.", metavar="S")
        ] = 20.0,
        s0ix: Annotated[
            bool, typer.Option("--s0ix", help="The machine sleeps in S0ix: SLP_S3# stays high asleep.")
        ] = False,
    ) -> int:
        """Guide through the power states of a sound machine, learn them, write a machine profile."""
        from lidjig.cli.session import run_procedure
        from lidjig.procedures.teaching import Teach

        target: list[Path] = [] if out is None else [check_target(out)]
        base: list[tuple[str, str]] = []

        def check(profiles: Profiles) -> None:
            base.append((machine or profiles.machine.name, profiles.texts["machine"]))
            if not target:
                target.append(check_target(Path(f"{profiles.machine.name}-taught.toml")))

        return run_procedure(
            context.obj,
            "teach",
            lambda bench: Teach(bench, base[0], lambda text: write_new(target[0], text), seconds, s0ix=s0ix),
            sensor=sensor,
            machine=machine,
            arguments={"seconds": seconds, "s0ix": s0ix},
            check=check,
        )


def check_target(path: Path) -> Path:
    """path itself. Raises BadInput where a new TOML file cannot go there: found out before anybody is asked to act."""
    if path.suffix != ".toml":
        raise BadInput("", "--out", str(path), "a file name that ends in .toml")
    if path.exists():
        raise BadInput("", "--out", str(path), "a file that does not exist yet: no profile is overwritten")
    if not path.parent.is_dir():
        raise BadInput("", "--out", str(path), "a file in a folder that exists")
    return path


def write_new(path: Path, text: str) -> str:
    """Write a file that must be new; its name. Raises BadInput, FileNotWritten for a full disk."""
    from lidjig.record.whole_file import whole_file

    check_target(path)  # again: minutes have gone by
    with whole_file(path, "--out") as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    return str(path)
