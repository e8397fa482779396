"""Habits of a model machine and what is wired to it, as data: structs of twin/machines/*.toml. All off by default."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

import msgspec
from msgspec import Meta

Seconds = Annotated[float, Meta(ge=0.0, le=36000.0)]
Permille = Annotated[int, Meta(ge=0, le=1000)]
Percent = Annotated[int, Meta(ge=0, le=100)]
Signal = Literal["none", "slp_s3", "slp_s4", "backlight", "tach"]
SIGNALS: tuple[str, ...] = get_args(Signal)  # by number, as twin/vm/face.py has them


class Wired(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What the observers of this bench are wired to. charger_taps: the charger channels of the analog switch."""

    observer_1: Signal = "slp_s3"
    observer_2: Signal = "slp_s4"
    observer_3: Signal = "none"
    observer_4: Signal = "none"
    charger_taps: bool = True

    def signals(self) -> tuple[Signal, ...]:
        """Of observers 1 to 4, in order."""
        return self.observer_1, self.observer_2, self.observer_3, self.observer_4


class ModelMeter(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A power monitor of type INA226: 1 in the charger supply, 2 in the sensor's. Offset of its shunt input, and noise
    of a single conversion in steps of the register.
    """

    number: Annotated[int, Meta(ge=1, le=2)]
    address: Annotated[int, Meta(ge=0x40, le=0x4F)]
    shunt_mohm: Annotated[float, Meta(ge=0.5, le=10000.0)]
    offset_uv: Annotated[float, Meta(ge=-100.0, le=100.0)] = 2.5
    noise_steps: Annotated[float, Meta(ge=0.0, le=50.0)] = 1.0


class Charging(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The battery charges whenever the 20 V contract stands: ma on top of the load, constant for constant_s, then
    falling exponentially.
    """

    ma: Annotated[float, Meta(ge=0.0, le=3250.0)] = 0.0
    constant_s: Seconds = 60.0
    taper_s: Annotated[float, Meta(ge=0.1, le=36000.0)] = 120.0


class Battery(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The battery carries part of the load, so that the charger's current says little."""

    share_percent: Percent = 0
    offset_ma: Annotated[float, Meta(ge=-500.0, le=500.0)] = 0.0


class Screen(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The screen dims after so long in S0."""

    dim_after_s: Seconds = 0.0
    dim_percent: Percent = 30
    dim_less_ma: Annotated[float, Meta(ge=0.0, le=3250.0)] = 0.0


class ExternalDisplay(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An external display keeps the machine awake with its lid shut; only its own screen goes off."""

    connected: bool = False
    off_ms: Annotated[float, Meta(ge=0.0, le=600000.0)] = 200.0
    less_ma: Annotated[float, Meta(ge=0.0, le=3250.0)] = 0.0


class PowerLight(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A light that blinks while the machine sleeps, as the light sensor sees it."""

    period_ms: Annotated[float, Meta(ge=0.0, le=600000.0)] = 0.0
    on_ms: Annotated[float, Meta(ge=1.0, le=600000.0)] = 500.0
    light_permille: Permille = 60


class Background(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Work in S3, in bursts. s0ix: SLP_S3# stays high asleep."""

    period_s: Seconds = 0.0
    on_ms: Annotated[float, Meta(ge=1.0, le=600000.0)] = 800.0
    ma: Annotated[float, Meta(ge=0.0, le=3250.0)] = 300.0
    s0ix: bool = False


class Drift(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Slow drift of both analog observers, up and down by these amounts; ripple_percent scales all ripple."""

    light_permille: Annotated[float, Meta(ge=0.0, le=500.0)] = 0.0
    current_ma: Annotated[float, Meta(ge=0.0, le=1000.0)] = 0.0
    period_s: Annotated[float, Meta(ge=1.0, le=36000.0)] = 300.0
    ripple_percent: Annotated[int, Meta(ge=0, le=5000)] = 100


class FanModel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A fan that runs in S0; pulses of its tachometer a second."""

    pulses_hz: Annotated[float, Meta(ge=0.0, le=1000.0)] = 0.0
    spin_up_s: Annotated[float, Meta(ge=0.01, le=60.0)] = 1.5
    spin_down_s: Annotated[float, Meta(ge=0.01, le=60.0)] = 3.0
