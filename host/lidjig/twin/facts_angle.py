"""Facts of a sensor that tells an angle: what the model sensor sends, and what the model machine's receiver expects."""

from __future__ import annotations

from typing import Any

from lidjig.bench.sensor import SensorProfile
from lidjig.twin.model import MachineModel
from lidjig.twin.mounting import table_deg
from lidjig.twin.scenario import Scenario, faults_of


def sensor_angle(scenario: Scenario) -> dict[str, Any] | None:
    """Of the sensor on the hinge; None for a switch."""
    profile = scenario.profile
    if profile.is_switch:
        return None
    hit = {kind: bool(faults_of(scenario.faults, "sensor", kind)) for kind in ("dead", "stuck-shut", "stuck-open")}
    no_magnet = bool(faults_of(scenario.faults, "sensor", "magnet-missing"))
    stays_open = hit["stuck-open"] or no_magnet
    stuck_deg = profile.shut_deg() if hit["stuck-shut"] else profile.open_deg() if stays_open else None
    form = _format(profile)
    displaced = faults_of(scenario.faults, "sensor", "zero-off")
    if displaced:
        form["zero_mdeg"] -= round(1000.0 * displaced[0].number("offset_deg"))
    return {
        **form,
        **_errors(scenario),
        "no_magnet": int(no_magnet),
        "dead": int(hit["dead"]),
        "stuck_mdeg": -1 if stuck_deg is None else round(1000.0 * stuck_deg),
        "wrong_mdeg": round(1000.0 * profile.shut_deg()),
        "stage": _stage(scenario),
    }


def _errors(scenario: Scenario) -> dict[str, Any]:
    """Errors over 0..360 deg in even steps. errors_turn: beyond that they begin anew, as those of a magnet do; 0 where
    only the profile speaks, whose ends hold.
    """
    part = scenario.sensor
    mounted = part.mounting is not None or part.inside is not None
    if mounted:
        errors_deg = table_deg(scenario.profile, part.mounting, part.inside, scenario.file)
    else:
        errors_deg = scenario.profile.curve().board_errors_deg()
    return {"errors_mdeg": [round(1000.0 * float(error)) for error in errors_deg], "errors_turn": int(mounted)}


def _stage(scenario: Scenario) -> list[list[int]]:
    """How the jig's analog output stages are off, a list a line: gain in 1e-6, offset in uV, bend in 1e-6; empty where
    it is not.
    """
    jig = scenario.jig
    lines = (
        (jig.stage_gain_percent * 1e4, jig.stage_offset_mv * 1e3, jig.stage_bend_percent * 1e4),
        (jig.stage_2_gain_percent * 1e4, jig.stage_2_offset_mv * 1e3, jig.stage_2_bend_percent * 1e4),
    )
    return [[round(value) for value in off] if any(off) else [] for off in lines]


def receiver(model: MachineModel, profile: SensorProfile) -> dict[str, Any] | None:
    """Of the machine, which was built for a sensor of that profile; None for one that reads levels."""
    if profile.is_switch or profile.lid is None:
        return None
    lid = model.lid
    return {
        **_format(profile),
        "sample_us": round(lid.sample_ms * 1000.0),
        "shut_mdeg": round(1000.0 * (profile.lid.shut_deg if lid.shut_deg is None else lid.shut_deg)),
        "open_mdeg": round(1000.0 * (profile.lid.open_deg if lid.open_deg is None else lid.open_deg)),
        "low_permille": lid.low_permille,
        "high_permille": lid.high_permille,
    }


def _format(profile: SensorProfile) -> dict[str, Any]:
    transfer, coded = profile.curve(), profile.coded()
    own = coded.board_fields()
    return {
        "family": profile.family,
        "codes": coded.codes,
        "push_pull": 1,
        **own,
        **{key: transfer.board_fields()[key] for key in ("zero_mdeg", "span_mdeg", "down", "wrap")},
    }
