"""The model machine as data: struct of twin/machines/*.toml. What it is, not what is expected of it."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from lidjig.twin.habits import (
    Background,
    Battery,
    Charging,
    Drift,
    ExternalDisplay,
    FanModel,
    ModelMeter,
    Percent,
    Permille,
    PowerLight,
    Screen,
    Wired,
)

Milliseconds = Annotated[float, Meta(ge=0.0, le=600000.0)]


class Rail(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Always-on supply of the sensor connector."""

    volts: Annotated[float, Meta(ge=0.5, le=6.5)] = 3.3
    source_ohm: Annotated[float, Meta(ge=0.01, le=1000.0)] = 0.5
    rise_ms: Milliseconds = 20.0


class ModelLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One line of the sensor connector, as the machine's board has it."""

    number: Annotated[int, Meta(ge=1, le=2)]
    pull: Literal["up", "down", "none"] = "up"
    pull_kohm: Annotated[float, Meta(ge=0.1, le=2000.0)] = 47.0
    leak_mohm: Annotated[float, Meta(ge=0.01, le=1000.0)] = 10.0
    active: Literal["low", "high"] = "low"
    lid: bool = True


class LidInput(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How the machine's controller reads the lid lines. shut_deg, open_deg: where it takes a lid for shut and for open
    whose sensor tells an angle; what the sensor's profile says where they are left out.
    """

    rule: Literal["all", "any"] = "all"
    low_permille: Permille = 300
    high_permille: Permille = 700
    sample_ms: Annotated[float, Meta(ge=0.1, le=1000.0)] = 10.0
    samples: Annotated[int, Meta(ge=1, le=100)] = 3
    shut_deg: Annotated[float, Meta(ge=0.0, le=360.0)] | None = None
    open_deg: Annotated[float, Meta(ge=0.0, le=360.0)] | None = None


class ChargerModel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """USB PD supply contract: 5 V first, 20 V later; error_percent is the source's own."""

    first_ms: Milliseconds = 300.0
    second_ms: Milliseconds = 1200.0
    error_percent: Annotated[float, Meta(ge=-20.0, le=20.0)] = 0.6
    auto_start_ms: Milliseconds = 0.0


class Latency(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Lognormal: median, standard deviation of the logarithm, clipped to min..max."""

    median_ms: Annotated[float, Meta(ge=1.0, le=600000.0)]
    sigma: Annotated[float, Meta(ge=0.0, le=1.0)] = 0.1
    min_ms: Milliseconds = 1.0
    max_ms: Milliseconds = 600000.0


class Latencies(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """start: button to S0. sleep: lid believed shut to S3. wake: lid believed open to S0."""

    start: Latency = Latency(median_ms=2200.0, sigma=0.08)
    sleep: Latency = Latency(median_ms=900.0, sigma=0.12)
    wake: Latency = Latency(median_ms=700.0, sigma=0.12)
    start_slp_percent: Percent = 10
    sleep_light_percent: Percent = 40
    wake_slp_percent: Percent = 20


class Sign(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a power state shows: light at the display, charger current with its ripple (rms)."""

    light_permille: Permille = 0
    light_ripple_permille: Annotated[float, Meta(ge=0.0, le=100.0)] = 1.0
    current_ma: Annotated[float, Meta(ge=0.0, le=3250.0)] = 0.0
    current_ripple_ma: Annotated[float, Meta(ge=0.0, le=200.0)] = 2.0


class Signs(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """By power state."""

    S0: Sign = Sign(light_permille=600, light_ripple_permille=6.0, current_ma=900.0, current_ripple_ma=25.0)
    S3: Sign = Sign(current_ma=130.0, current_ripple_ma=4.0)
    S5: Sign = Sign(current_ma=15.0)
    G3: Sign = Sign(current_ripple_ma=1.0)


class MachineModel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A model machine."""

    name: Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=32)] = "inline"
    title: Annotated[str, Meta(max_length=120)] = ""
    sensor: Annotated[str, Meta(min_length=1, max_length=200)] = "hinge-a1"
    rail: Rail = Rail()
    line: Annotated[list[ModelLine], Meta(min_length=1, max_length=2)] = msgspec.field(
        default_factory=lambda: [ModelLine(number=1)]
    )
    lid: LidInput = LidInput()
    charger: ChargerModel = ChargerModel()
    latency: Latencies = Latencies()
    sign: Signs = Signs()
    wired: Wired = Wired()
    meter: Annotated[list[ModelMeter], Meta(max_length=2)] = []
    charging: Charging = Charging()
    battery: Battery = Battery()
    screen: Screen = Screen()
    external_display: ExternalDisplay = ExternalDisplay()
    power_light: PowerLight = PowerLight()
    background: Background = Background()
    drift: Drift = Drift()
    fan: FanModel = FanModel()
