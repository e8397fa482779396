"""lidjig profiles: the sensor and machine profiles that come with lidjig; one's own checked, explained and drawn."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lidjig.cli.options import FORCE_HELP, GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.bench import SensorProfile
    from lidjig.bench.characteristic import Characteristic, Line

SVG_KEY = "--svg"
FIT = "they fit each other"


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --json, before or after the command.")
    def profiles(
        context: typer.Context,
        sensor: Annotated[
            str | None, typer.Option(help="Check this sensor profile, and say what it stands for.", metavar="S")
        ] = None,
        machine: Annotated[str | None, typer.Option(help="Check this machine profile.", metavar="M")] = None,
        draw: Annotated[bool, typer.Option("--draw", help="Plot the sensor's output against the lid angle.")] = False,
        svg: Annotated[str | None, typer.Option(help="Draw the same as a picture.", metavar="FILE.svg")] = None,
        force: Annotated[bool, typer.Option("--force", help=FORCE_HELP)] = False,
    ) -> int:
        """List the shipped profiles and scenarios of the simulated bench, or check the profiles named.

        With both: whether they fit each other. Of a sensor: what it is electrically, its transfer function, its plot.
        """
        from lidjig.bench import check_pair, load_machine, load_sensor
        from lidjig.bench.profiles import check_family, load_sensor_of

        options: GlobalOptions = context.obj
        if force and svg is None:
            raise BadInput("", "--force", True, f"only together with {SVG_KEY}: nothing else is written")
        if sensor is None and machine is None:
            _no_drawing(draw, svg)
            return _list(options)
        checked = []
        shown: SensorProfile | None = None
        if sensor is not None:
            sensor_profile = shown = load_sensor(sensor)[0]
            checked.append(f"sensor {sensor_profile.name}: {sensor_profile.title}")
        if machine is not None:
            machine_profile = load_machine(machine)[0]
            checked.append(f"machine {machine_profile.name}: {machine_profile.title}")
            if sensor is None:
                # What a run with this machine and no --sensor would take.
                sensor_profile = load_sensor_of(machine_profile, machine)[0]
                checked.append(f"its sensor {sensor_profile.name}: {sensor_profile.title}")
                shown = sensor_profile if draw or svg is not None else None
            check_family(sensor_profile, machine_profile)
            check_pair(sensor_profile, machine_profile)
            checked.append(FIT)
        written = None if svg is None else _write(sensor_profile, svg, force=force)
        if options.json:
            _tell_json(checked, shown, draw, written)
        else:
            _tell(checked, shown, draw, written)
        return 0


def _no_drawing(draw: bool, svg: str | None) -> None:
    """Raises BadInput where a drawing was asked for, and of nothing."""
    if draw or svg is not None:
        key, value = (SVG_KEY, svg) if svg is not None else ("--draw", True)
        accepted = "with --sensor S or --machine M: one sensor is drawn at a time"
        raise BadInput("", key, value, accepted, "Name the sensor, such as 'lidjig profiles --sensor hinge-a1 --draw'.")


def _write(sensor: SensorProfile, svg: str, *, force: bool) -> Path:
    """The picture, whole or not at all."""
    from lidjig.bench.characteristic import characteristic
    from lidjig.cli.interrupted import file_written
    from lidjig.record.whole_file import check_free, whole_file
    from lidjig.show.sensor_svg import picture

    path = Path(svg)
    if path.suffix.lower() != ".svg":
        raise BadInput("", SVG_KEY, svg, "a file whose name ends in .svg")
    check_free(path, SVG_KEY, force=force)
    text = picture(characteristic(sensor), sensor.title)
    with whole_file(path, SVG_KEY, force=force) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    file_written(str(path))
    return path


def _tell(checked: list[str], sensor: SensorProfile | None, draw: bool, written: Path | None) -> None:
    from lidjig.bench.characteristic import characteristic
    from lidjig.bench.sensor_words import sensor_sections
    from lidjig.show.sensor_plot import plot
    from lidjig.show.terminal import console_on

    first = len(checked) - (checked[-1] == FIT)
    out = [f"{line}\n" for line in checked[:first]]
    if sensor is not None:
        sections = sensor_sections(sensor)
        wide = 1 + max(len(what) for section in sections for what, _ in section.rows)
        for section in sections:
            out.append(f"  {section.title}\n")
            out += [f"    {what + ':':<{wide}} {value}\n" for what, value in section.rows]
    sys.stdout.write("".join(out))
    if sensor is not None and draw:
        console = console_on(sys.stdout)
        console.print()
        for line in plot(characteristic(sensor), console):
            console.print(line)
        console.print()
    if written is not None:
        sys.stdout.write(f"drawn in {written}\n")
    sys.stdout.write("".join(f"{line}\n" for line in checked[first:]))


def _tell_json(checked: list[str], sensor: SensorProfile | None, draw: bool, written: Path | None) -> None:
    from lidjig.bench.characteristic import characteristic

    told: dict[str, Any] = {"command": "profiles", "checked": checked}
    if sensor is not None:
        told["sensor"] = _sensor_json(sensor)
        if draw:
            told["drawing"] = _drawing_json(characteristic(sensor))
    if written is not None:
        told["svg"] = str(written)
    sys.stdout.write(json.dumps(told, ensure_ascii=False, indent=2, allow_nan=False) + "\n")


def _sensor_json(sensor: SensorProfile) -> dict[str, Any]:
    from lidjig.bench.sensor_words import resolution_deg, sensor_sections

    sections = {
        section.title: [{"what": what, "value": value} for what, value in section.rows]
        for section in sensor_sections(sensor)
    }
    return {
        "name": sensor.name, "title": sensor.title, "family": sensor.family,
        "codes": None if sensor.is_switch else sensor.coded().codes,
        "resolution_deg": resolution_deg(sensor), "sections": sections,
    }  # fmt: skip


def _drawing_json(curve: Characteristic) -> dict[str, Any]:
    return {
        "quantity": curve.quantity,
        "accepted_deg": list(curve.accepted_deg),
        "traces": [
            {
                "name": trace.name,
                "marks": [{"deg": at, "what": word} for at, word in trace.marks],
                "opening": _line_json(trace.opening),
                "closing": _line_json(trace.closing),
            }
            for trace in curve.traces
        ],
        "no_angle": [{"begin_deg": r.begin_deg, "end_deg": r.end_deg, "output": r.word} for r in curve.rests],
    }


def _line_json(line: Line) -> dict[str, Any]:
    value = [None if math.isnan(one) else round(one, 4) for one in line.value.tolist()]
    return {"lid_deg": line.lid_deg.tolist(), "value": value}


def _list(options: GlobalOptions) -> int:
    from lidjig.bench import load_machine, load_sensor, shipped
    from lidjig.bench.sensor_words import resolution_deg
    from lidjig.link.twin import scenarios

    machines = [load_machine(name)[0] for name in shipped("machines")]
    sensors = [load_sensor(name)[0] for name in shipped("sensors")]
    if options.json:
        listed = {
            "command": "profiles",
            "machines": [{"name": m.name, "title": m.title, "sensor": m.sensor} for m in machines],
            "sensors": [
                {"name": s.name, "title": s.title, "family": s.family, "resolution_deg": resolution_deg(s)}
                for s in sensors
            ],
            "scenarios": [{"name": name, "title": title} for name, title in scenarios()],
        }
        sys.stdout.write(json.dumps(listed, indent=2) + "\n")
        return 0
    sys.stdout.write("machines (--machine)\n")
    for machine in machines:
        sys.stdout.write(f"  {machine.name:<12}{machine.title} (sensor {machine.sensor})\n")
    sys.stdout.write("sensors (--sensor), with family and resolution\n")
    for sensor_profile in sensors:
        step_deg = resolution_deg(sensor_profile)
        step = "shut or open" if step_deg is None else f"{step_deg:.4g} deg"
        sys.stdout.write(f"  {sensor_profile.name:<12}{sensor_profile.family:<12}{step:<14}{sensor_profile.title}\n")
    sys.stdout.write("scenarios of the simulated bench (--link twin:NAME)\n")
    for name, title in scenarios():
        sys.stdout.write(f"  {name:<33}{title}\n")
    return 0
