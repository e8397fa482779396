"""The output that is trimmed: the profile that it is measured with, its codes and levels, what makes its voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass

import msgspec

from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.levels import FILTER_F, FILTER_OHM, pwm_steps
from lidjig.bench.sensor import AngleRange, SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG, Transfer
from lidjig.errors import BadInput
from lidjig.measure.rc_design import SOURCE_OHM
from lidjig.measure.rc_filter import RcFilter, ripple_part
from lidjig.measure.trim_budget import ARCSINE, OutputInputs, UncertaintyBudget, output_budget

POINTS_MIN, POINTS_MAX, POINTS = 3, 33, 9
MEASURING = "trimming"  # name of the profile that the board has while its output is read
DAC_STEPS = 4096


def check_trimmable(sensor: SensorProfile) -> None:
    """Raises BadInput for a sensor whose output cannot be trimmed."""
    if sensor.family == "analog":
        return
    raise BadInput(
        "",
        "--sensor",
        f"{sensor.name} (family {sensor.family})",
        "a profile of family 'analog', such as hinge-v1: only there one voltage, which a trim corrects, tells an angle",
    )


def measuring_profile(sensor: SensorProfile) -> SensorProfile:
    """The same output without a sensor's imperfections: 0 to 360 deg are its codes, and nothing besides."""
    whole = Transfer(zero_deg=0.0, span_deg=FULL_TURN_DEG)
    angles = AngleRange(
        angle_min_deg=0.0,
        angle_max_deg=FULL_TURN_DEG,
        start_deg=sensor.range.start_deg,
        safe_route=sensor.range.safe_route,
    )
    return msgspec.structs.replace(sensor, name=MEASURING, transfer=whole, range=angles)


@dataclass(frozen=True)
class OutputStage:
    """An analog profile's output, all levels as shares of the supply."""

    sensor: SensorProfile
    coded: AnalogEncoding

    @classmethod
    def of(cls, sensor: SensorProfile) -> OutputStage:
        """Raises BadInput for a profile of another family."""
        check_trimmable(sensor)
        coded = sensor.coded()
        assert isinstance(coded, AnalogEncoding)  # the table of families has it so
        return cls(sensor, coded)

    @property
    def top(self) -> int:
        """The last code."""
        return self.coded.codes - 1

    @property
    def low(self) -> float:
        """Wanted at code 0."""
        return self.coded.low_percent / 100.0

    @property
    def high(self) -> float:
        """Wanted at the last code."""
        return self.coded.high_percent / 100.0

    def points(self, n: int) -> list[int]:
        """Codes of n points over the range, ends included."""
        return [round(k * self.top / (n - 1)) for k in range(n)]

    def between(self, n: int) -> list[int]:
        """Codes in the middle between n points."""
        return [round((k + 0.5) * self.top / (n - 1)) for k in range(n - 1)]

    def wanted(self, code: int) -> float:
        """What should come out."""
        return self.low + (self.high - self.low) * code / self.top

    def angle_deg(self, code: int) -> float:
        """Angle of the measuring profile that gives a code."""
        return code * FULL_TURN_DEG / self.top

    def lid_deg(self, share: float) -> float:
        """Lid angle that an output stands for."""
        return float(self.sensor.curve().lid_deg((share - self.low) / (self.high - self.low)))

    @property
    def step(self) -> float:
        """The coarser of one code and one step of what makes the output."""
        made = 1.0 / DAC_STEPS if self.coded.via == "dac" else 1.0 / pwm_steps(self.coded.pwm_hz_used)
        return max((self.high - self.low) / self.top, made)

    @property
    def ripple(self) -> float:
        """Peak to peak, of the jig's own filter at half duty, where it is greatest; a DAC has none."""
        if self.coded.via == "dac":
            return 0.0
        parts = RcFilter((FILTER_OHM, FILTER_OHM), (FILTER_F, FILTER_F), source_ohm=SOURCE_OHM)
        return ripple_part(parts, self.coded.pwm_hz_used)

    def v_per_deg(self, supply_v: float) -> float:
        """Slope of the output over the lid angle."""
        return (self.high - self.low) * supply_v / self.sensor.curve().span_deg

    def budget(
        self,
        supply_v: float,
        u_supply_v: float,
        meter_half_v: float,
        resolution_v: float,
        fit_rms_v: float = 0.0,
        fit_df: float = math.inf,
    ) -> UncertaintyBudget:
        """Of the output at its highest level, where a meter's share of the reading is greatest."""
        return output_budget(
            OutputInputs(
                level_v=self.high * supply_v,
                supply_v=supply_v,
                meter_half_v=meter_half_v,
                resolution_v=resolution_v,
                ripple_pp_v=self.ripple * supply_v,
                u_supply_v=u_supply_v,
                fit_rms_v=fit_rms_v,
                fit_df=fit_df,
                step_v=self.step * supply_v,
                ripple_shape=ARCSINE,  # two stages leave nearly a sine
            )
        )
