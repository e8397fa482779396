"""lidjig teach: learn what a machine's power states look like to the observers of this bench."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.confirm import MachineOption, SensorOption
from lidjig.errors import BadInput, FileNotWritten, LidjigError

if TYPE_CHECKING:
    from lidjig.cli.session import Profiles


class ProfileKept(FileNotWritten):
    """A machine profile that was learned could not be written; it stands in the run's record, and is printed."""

    @property
    def next_step(self) -> str:
        return (
            "What was learned is not lost: the profile is printed below this report, to be copied into a file, and "
            "stands in the record of the run ('taught' under 'texts' in 'lidjig export RUN FILE.json')."
        )


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

        unwritten: list[str] = []

        def write(text: str) -> str:
            try:
                return write_new(target[0], text)
            except LidjigError:
                unwritten.append(text)
                raise

        status = run_procedure(
            context.obj,
            "teach",
            lambda bench: Teach(bench, base[0], write, seconds, s0ix=s0ix),
            sensor=sensor,
            machine=machine,
            arguments={"seconds": seconds, "s0ix": s0ix},
            check=check,
        )
        for text in unwritten:
            (sys.stderr if context.obj.json else sys.stdout).write(f"\n{text}")
        return status


def check_target(path: Path) -> Path:
    """path itself. Raises BadInput where a new TOML file cannot go there, FileNotWritten for a full disk: found out, by
    trying, before anybody is asked to act.
    """
    from lidjig.record.whole_file import try_folder

    _check_name(path)
    try_folder(path, "--out")
    return path


def _check_name(path: Path) -> None:
    """Raises BadInput, see check_target."""
    if path.suffix != ".toml":
        raise BadInput("", "--out", str(path), "a file name that ends in .toml")
    try:
        taken, placed = path.exists(), path.parent.is_dir()
    except (OSError, ValueError) as error:
        raise BadInput("", "--out", str(path), f"a file that can be written ({error})") from error
    if taken:
        raise BadInput("", "--out", str(path), "a file that does not exist yet: no profile is overwritten")
    if not placed:
        raise BadInput("", "--out", str(path), "a file in a folder that exists")


def write_new(path: Path, text: str) -> str:
    """Write a file that must be new; its name. Raises ProfileKept where it cannot be written any more: the text stands
    in the record by then, and what was worked for is not lost.
    """
    from lidjig.record.whole_file import whole_file

    try:
        _check_name(path)  # again: minutes have gone by
        with whole_file(path, "--out") as temporary:
            temporary.write_text(text, encoding="utf-8", newline="\n")
    except (BadInput, FileNotWritten) as error:
        why = error.why if isinstance(error, FileNotWritten) else f"accepted is {error.accepted}"
        raise ProfileKept(str(path), why) from error
    return str(path)
