"""lidjig profiles: the sensor and machine profiles that come with lidjig, and a check of one's own."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from lidjig.cli.options import GlobalOptions


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --json, before or after the command.")
    def profiles(
        context: typer.Context,
        sensor: Annotated[str | None, typer.Option(help="Check this sensor profile.", metavar="S")] = None,
        machine: Annotated[str | None, typer.Option(help="Check this machine profile.", metavar="M")] = None,
    ) -> int:
        """List the shipped profiles and scenarios of the simulated bench, or check the profiles named.

        With both: whether they fit each other.
        """
        from lidjig.bench import check_pair, load_machine, load_sensor
        from lidjig.bench.profiles import load_sensor_of

        options: GlobalOptions = context.obj
        if sensor is None and machine is None:
            return _list(options)
        checked = []
        if sensor is not None:
            sensor_profile = load_sensor(sensor)[0]
            checked.append(f"sensor {sensor_profile.name}: {sensor_profile.title}")
        if machine is not None:
            machine_profile = load_machine(machine)[0]
            checked.append(f"machine {machine_profile.name}: {machine_profile.title}")
            if sensor is None:
                # What a run with this machine and no --sensor would take.
                sensor_profile = load_sensor_of(machine_profile, machine)[0]
                checked.append(f"its sensor {sensor_profile.name}: {sensor_profile.title}")
            check_pair(sensor_profile, machine_profile)
            checked.append("they fit each other")
        if options.json:
            sys.stdout.write(json.dumps({"command": "profiles", "checked": checked}, indent=2) + "\n")
        else:
            sys.stdout.write("".join(f"{line}\n" for line in checked))
        return 0


def _list(options: GlobalOptions) -> int:
    from lidjig.bench import load_machine, load_sensor, shipped
    from lidjig.link.twin import scenarios

    machines = [load_machine(name)[0] for name in shipped("machines")]
    sensors = [load_sensor(name)[0] for name in shipped("sensors")]
    if options.json:
        listed = {
            "command": "profiles",
            "machines": [{"name": m.name, "title": m.title, "sensor": m.sensor} for m in machines],
            "sensors": [{"name": s.name, "title": s.title} for s in sensors],
            "scenarios": [{"name": name, "title": title} for name, title in scenarios()],
        }
        sys.stdout.write(json.dumps(listed, indent=2) + "\n")
        return 0
    sys.stdout.write("machines (--machine)\n")
    for machine in machines:
        sys.stdout.write(f"  {machine.name:<12}{machine.title} (sensor {machine.sensor})\n")
    sys.stdout.write("sensors (--sensor)\n")
    for sensor_profile in sensors:
        sys.stdout.write(f"  {sensor_profile.name:<12}{sensor_profile.title}\n")
    sys.stdout.write("scenarios of the simulated bench (--link twin:NAME)\n")
    for name, title in scenarios():
        sys.stdout.write(f"  {name:<33}{title}\n")
    return 0
