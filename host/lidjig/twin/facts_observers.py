"""The part of facts.py that is about what can be seen: signatures, observers, power monitors and their bus, habits."""

from __future__ import annotations

from typing import Any

from lidjig.twin.habits import SIGNALS
from lidjig.twin.model import MachineModel
from lidjig.twin.scenario import Fault, Scenario, faults_of

_FULL_SCALE_CURRENT_MA = 3300.0
_CONVERTER_NOISE = 32.0  # the converter's own 2 codes, in 1/65536 of full scale: ripple is given as a multiple of it


def observer_facts(scenario: Scenario) -> dict[str, Any]:
    """Keys meters, bus, face and habits of the facts: integers, JSON-ready."""
    model = scenario.machine
    return {
        "meters": [
            {
                "number": meter.number,
                "address": meter.address,
                "shunt_uohm": round(meter.shunt_mohm * 1000),
                "offset_nv": round(meter.offset_uv * 1000),
                "noise": round(meter.noise_steps * 100),
            }
            for meter in model.meter
        ],
        "bus": _bus(scenario),
        "face": {
            "observers": [SIGNALS.index(signal) for signal in model.wired.signals()],
            "charger_taps": int(model.wired.charger_taps),
            "battery_share_percent": model.battery.share_percent,
            "battery_offset_ua": round(model.battery.offset_ma * 1000),
            "nothing": {key: 0 for key in sign_facts(model, "G3")},
        },
        "habits": _habits(model),
    }


def sign_facts(model: MachineModel, state: str) -> dict[str, int]:
    """What one power state shows. SLP lines by ACPI state."""
    sign = getattr(model.sign, state)
    part = model.drift.ripple_percent / 100.0
    light_ripple = sign.light_ripple_permille * part / 1000.0
    current_ripple_ma = sign.current_ripple_ma * part
    return {
        "slp3": int(state == "S0" or (state == "S3" and model.background.s0ix)),
        "slp4": int(state in ("S0", "S3")),
        "light_permille": sign.light_permille,
        "light_noise": round(light_ripple * 65535 / _CONVERTER_NOISE),
        "current_ua": round(sign.current_ma * 1000),
        "current_noise": max(1, round(current_ripple_ma / _FULL_SCALE_CURRENT_MA * 65535 / _CONVERTER_NOISE)),
        "ripple_ua": round(current_ripple_ma * 1000),
    }


def _bus(scenario: Scenario) -> dict[str, Any]:
    def meters(fault: Fault) -> list[int]:
        number = int(fault.number("meter"))
        return [number] if number else [1, 2]

    drops_ppm, forgets = [0, 0], [0, 0]
    for fault in faults_of(scenario.faults, "bus", "meter-drops"):
        for number in meters(fault):
            drops_ppm[number - 1] = round(fault.number("rate") * 1e6)
            forgets[number - 1] = int(fault.parameters["forgets"] == "yes")
    hung = faults_of(scenario.faults, "bus", "hung")
    return {
        "wired": int(bool(scenario.machine.meter) or scenario.profile.uses_bus),
        "missing": [number for fault in faults_of(scenario.faults, "bus", "meter-missing") for number in meters(fault)],
        "drops_ppm": drops_ppm,
        "forgets": forgets,
        "hung_us": round(hung[0].number("at_s") * 1e6) if hung else -1,
        "clocks": int(hung[0].number("clocks")) if hung else 0,
        "holds_scl": int(bool(hung) and hung[0].parameters["holds"] == "scl"),
    }


def _habits(model: MachineModel) -> dict[str, Any]:
    # A habit that is off is None, so that nothing of it is ever planned.
    charging, screen, external = model.charging, model.screen, model.external_display
    light, background, drift, fan = model.power_light, model.background, model.drift, model.fan
    return {
        "charging": {
            "ua": round(charging.ma * 1000),
            "constant_us": round(charging.constant_s * 1e6),
            "taper_us": round(charging.taper_s * 1e6),
        }
        if charging.ma
        else None,
        "screen": {
            "after_us": round(screen.dim_after_s * 1e6),
            "percent": screen.dim_percent,
            "less_ua": round(screen.dim_less_ma * 1000),
        }
        if screen.dim_after_s
        else None,
        "external_display": {"off_us": round(external.off_ms * 1000), "less_ua": round(external.less_ma * 1000)}
        if external.connected
        else None,
        "power_light": {
            "period_us": round(light.period_ms * 1000),
            "on_us": round(light.on_ms * 1000),
            "permille": light.light_permille,
        }
        if light.period_ms
        else None,
        "background": {
            "period_us": round(background.period_s * 1e6),
            "on_us": round(background.on_ms * 1000),
            "ua": round(background.ma * 1000),
        }
        if background.period_s
        else None,
        "drift": {
            "light": round(drift.light_permille / 1000.0 * 65535),
            "ua": round(drift.current_ma * 1000),
            "period_us": round(drift.period_s * 1e6),
        }
        if drift.light_permille or drift.current_ma
        else None,
        "fan": {
            "mhz": round(fan.pulses_hz * 1000),
            "up_us": round(fan.spin_up_s * 1e6),
            "down_us": round(fan.spin_down_s * 1e6),
        }
        if fan.pulses_hz and "tach" in model.wired.signals()
        else None,
    }
