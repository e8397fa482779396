"""A scenario as the facts that the simulated bench is built from: plain integers, so that both interpreters agree.

Floats do not cross over: the board's interpreter reads decimal fractions less exactly than this one.
"""

from __future__ import annotations

from typing import Any

from lidjig.twin.facts_angle import receiver, sensor_angle
from lidjig.twin.facts_observers import observer_facts, sign_facts
from lidjig.twin.model import Latency, MachineModel, ModelLine
from lidjig.twin.scenario import Fault, Scenario, faults_of
from lidjig.twin.turned import outputs_turned

_STATES = ("G3", "S5", "S0", "S3")
_BLOCKED_OHM = 10_000_000  # what a chip that draws nothing still leaks
_NOT_GIVEN_MA = 0.002  # supply current where the profile gives none: a micropower part
_REFERENCE_V = 3.3  # profiles give the current at this supply


def make_facts(scenario: Scenario, seed: int) -> dict[str, Any]:
    """Everything the bench needs, JSON-ready."""
    faults = scenario.faults
    return {
        "seed": seed,
        "board": _board(scenario),
        "converter": _converter(scenario),
        "wiring": _wiring(scenario),
        "machine": _machine(scenario.machine, faults),
        "receiver": receiver(scenario.machine, scenario.expected),
        "sensor": _sensor(scenario),
        "operator": _operator(scenario),
        **observer_facts(scenario),
        "lid_mdeg": round(scenario.operator.lid_deg * 1000),
        "start_state": _STATES.index(scenario.start_state),
        "charger": int(scenario.charger),
        "events": [
            {"t_us": round(event.at_s * 1e6), "do": event.do, "mv": round((event.volts or 0.0) * 1000)}
            for event in scenario.events
        ],
    }


def _us(milliseconds: float) -> int:
    return round(milliseconds * 1000)


def _board(scenario: Scenario) -> dict[str, Any]:
    jig = scenario.jig
    return {
        "unique_id": list(bytes.fromhex(jig.board_id)[::-1]),  # the firmware reads it as a little-endian number
        "heap_free": jig.heap_free,
        "heap_total": 241 * 1024,
        "ticks_start_us": round(jig.ticks_start_s * 1e6),
        "boot_us": _us(jig.boot_ms),
        "usb_us": _us(jig.usb_ms),
    }


def _converter(scenario: Scenario) -> dict[str, int]:
    jig = scenario.jig
    return {
        "noise": round(jig.adc_noise_lsb * 16),
        "offset": round(jig.adc_offset_mv / 3300.0 * 65535),
        "spikes": int(jig.adc_spikes),
    }


def _wiring(scenario: Scenario) -> dict[str, Any]:
    machine, faults = scenario.machine, scenario.faults
    lines: list[dict[str, Any] | None] = [None, None]
    for row in machine.line:
        lines[row.number - 1] = _line(row, faults)
    dead = faults_of(faults, "sensor", "dead")
    current_ma = _sensor_current_ma(scenario)
    return {
        "plug_fitted": int(scenario.jig.fitted == "selftest-plug"),
        "sensor_fitted": int(scenario.jig.sensor_fitted),
        "sensor_load_ohm": _BLOCKED_OHM if dead else round(_REFERENCE_V * 1000 / current_ma),
        "sensor_on_ohm": max(1, round(scenario.sensor.on_ohm)),
        "sensor_off_ohm": round(scenario.sensor.off_mohm * 1e6),
        "sensor_leak_ohm": max(1, round(dead[0].number("leak_ohm"))) if dead else _BLOCKED_OHM,
        "rail_mohm": round(machine.rail.source_ohm * 1000),
        "supply_missing": int(bool(faults_of(faults, "wiring", "supply-missing"))),
        "more_observers": int(machine.wired.signals()[2:] != ("none", "none")),
        "lines": lines,
    }


def _line(row: ModelLine, faults: tuple[Fault, ...]) -> dict[str, Any]:
    def here(kind: str) -> list[Fault]:
        return [fault for fault in faults_of(faults, "wiring", kind) if fault.number("line") == row.number]

    ground, supply = here("line-short-ground"), here("line-short-supply")
    pull = {"none": 0, "up": 1, "down": 2}[row.pull]
    return {
        "pull": 0 if here("pull-missing") else pull,
        "pull_ohm": round(row.pull_kohm * 1000),
        "leak_ohm": round(row.leak_mohm * 1e6),
        "open": int(bool(here("line-open"))),
        "short_ground_mohm": round(ground[0].number("ohm") * 1000) if ground else 0,
        "short_supply_mohm": round(supply[0].number("ohm") * 1000) if supply else 0,
    }


def _sensor_current_ma(scenario: Scenario) -> float:
    if scenario.sensor.current_ma is not None:
        return max(scenario.sensor.current_ma, 1e-4)
    supply = scenario.profile.supply
    if supply.current_min_ma is None or supply.current_max_ma is None:
        return _NOT_GIVEN_MA
    return max(0.5 * (supply.current_min_ma + supply.current_max_ma), 1e-4)


def _machine(model: MachineModel, faults: tuple[Fault, ...]) -> dict[str, Any]:
    lines: list[dict[str, int] | None] = [None, None]
    for row in model.line:
        lines[row.number - 1] = {"active_high": int(row.active == "high"), "lid": int(row.lid)}
    slow = faults_of(faults, "machine", "slow-sleep")
    miss = faults_of(faults, "machine", "random-miss")
    on = str(miss[0].parameters["on"]) if miss else ""
    miss_ppm = round(miss[0].number("probability") * 1e6) if miss else 0
    latency = model.latency
    return {
        "rail_mv": round(model.rail.volts * 1000),
        "rail_rise_us": _us(model.rail.rise_ms),
        "lines": lines,
        "lid_all": int(model.lid.rule == "all"),
        "input_low_permille": model.lid.low_permille,
        "input_high_permille": model.lid.high_permille,
        "sample_us": _us(model.lid.sample_ms),
        "samples": model.lid.samples,
        "charger": {
            "first_us": _us(model.charger.first_ms),
            "second_us": _us(model.charger.second_ms),
            "error_ppm": round(model.charger.error_percent * 1e4),
        },
        "auto_start_us": _us(model.charger.auto_start_ms),
        "latency": {
            "start": _latency(latency.start, 1.0),
            "sleep": _latency(latency.sleep, slow[0].number("factor") if slow else 1.0),
            "wake": _latency(latency.wake, 1.0),
        },
        "start_slp_percent": latency.start_slp_percent,
        "sleep_light_percent": latency.sleep_light_percent,
        "wake_slp_percent": latency.wake_slp_percent,
        "sign": [sign_facts(model, state) for state in _STATES],
        "ignores_lid": int(bool(faults_of(faults, "machine", "ignores-lid"))),
        "no_start": int(bool(faults_of(faults, "machine", "no-start"))),
        "never_wakes": int(bool(faults_of(faults, "machine", "never-wakes"))),
        "miss_shut_ppm": miss_ppm if on in ("shut", "both") else 0,
        "miss_open_ppm": miss_ppm if on in ("open", "both") else 0,
    }


def _latency(latency: Latency, factor: float) -> list[int]:
    """Median, sigma in thousandths, lowest, highest; us."""
    times = [_us(ms * factor) for ms in (latency.median_ms, latency.min_ms, latency.max_ms)]
    return [times[0], round(latency.sigma * 1000), times[1], times[2]]


def _sensor(scenario: Scenario) -> dict[str, Any]:
    profile, part, faults = scenario.profile, scenario.sensor, scenario.faults
    glitch = faults_of(faults, "sensor", "intermittent")
    return {
        "min_mv": round(profile.supply.min_v * 1000),
        "update_us": profile.update_us,
        "start_us": max(1, _us(part.start_ms)),
        "gain_ppm": round(part.magnet.gain * 1e6),
        "offset_mdeg": round(part.magnet.offset_deg * 1000),
        "outputs": [_output(scenario, line) for line in range(1, len(profile.output) + 1)],
        "angle": sensor_angle(scenario),
        "glitch_interval_us": round(60e6 / glitch[0].number("rate_per_min")) if glitch else 0,
        "glitch_us": _us(glitch[0].number("duration_ms")) if glitch else 0,
        "glitch_outputs": _mask(glitch[0]) if glitch else 0,
    }


def _mask(fault: Fault) -> int:
    line = int(fault.number("line"))
    return 3 if line == 0 else 1 << (line - 1)


def _output(scenario: Scenario, line: int) -> dict[str, int]:
    profile = scenario.profile
    stated = profile.output_on(line)
    assert stated is not None  # the profile's check: lines 1..n without holes
    output = outputs_turned(profile, scenario.file)[line] if scenario.sensor.magnet.turned_over else stated
    never = output is None
    output = output or stated

    def hit(kind: str) -> bool:
        return any(_mask(fault) >> (line - 1) & 1 for fault in faults_of(scenario.faults, "sensor", kind))

    stuck = 1 if hit("stuck-shut") else 0 if hit("stuck-open") or never else -1
    return {
        "operate_mdeg": round(output.operate_deg * 1000),
        "release_mdeg": round(output.release_deg * 1000),
        "push_pull": int(output.drive == "push-pull"),
        "active_high": output.operated_level,
        "stuck": stuck,
        "dead": int(hit("dead")),
    }


def _operator(scenario: Scenario) -> dict[str, int]:
    part = scenario.operator
    return {
        "reaction_low_us": round(part.reaction_min_s * 1e6),
        "reaction_high_us": round(part.reaction_max_s * 1e6),
        "lid_us": round(part.lid_s * 1e6),
        "open_mdeg": round(part.open_deg * 1000),
        "shut_mdeg": round(part.shut_deg * 1000),
        "mark_after_us": max(1, round(part.mark_after_s * 1e6)),
    }
