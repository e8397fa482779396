"""The output that is trimmed: the profile that it is measured with, its codes and levels, what makes its voltage.

Sine and cosine: trim_sincos.py.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod

import msgspec

from lidjig.bench.families.analog import AnalogEncoding
from lidjig.bench.families.levels import FILTER_F, FILTER_OHM, pwm_steps
from lidjig.bench.families.table import FAMILIES
from lidjig.bench.meter import MeterSpec
from lidjig.bench.sensor import AngleRange, SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG, Transfer
from lidjig.bench.trim import SUPPLY_PERCENT, Trim
from lidjig.errors import BadInput
from lidjig.measure.rc_design import SOURCE_OHM
from lidjig.measure.rc_filter import RcFilter, ripple_part
from lidjig.measure.trim_budget import ARCSINE, OutputInputs, UncertaintyBudget, output_budget

POINTS_MIN, POINTS_MAX, POINTS = 3, 33, 9
TRIMMED = ("analog", "sincos")  # families whose outputs a trim corrects
MEASURING = "trimming"  # name of the profile that the board has while its output is read
DAC_STEPS = 4096
UPDATE_HZ_MIN = 100.0  # within 10 ms of the command the output is on its way
# Of the output's span. A trim that is known less well is worth no more than one that was made at so different a supply
# that every run doubts it.
WORTH_PERCENT = float(SUPPLY_PERCENT)


def check_trimmable(sensor: SensorProfile, output: str = "") -> None:
    """Raises BadInput for a sensor whose output cannot be trimmed. output: which of two, "" where there is one."""
    if sensor.family not in TRIMMED:
        raise BadInput(
            "",
            "--sensor",
            f"{sensor.name} (family {sensor.family})",
            "a profile of family 'analog' or 'sincos', such as hinge-v1: only there voltages tell an angle",
        )
    signals = FAMILIES[sensor.family].signals
    if len(signals) == 1 and output:
        raise BadInput("", "--output", output, f"no --output with sensor {sensor.name}: it has one")
    if len(signals) > 1 and output not in signals:
        raise BadInput(
            "",
            "--output",
            output or None,
            f"{' or '.join(signals)}: sensor {sensor.name} has both, and each is trimmed by itself",
        )


def measuring_profile(sensor: SensorProfile, *, wrap: bool = False) -> SensorProfile:
    """The same output without a sensor's imperfections: 0 to 360 deg are its codes, and nothing besides."""
    whole = Transfer(zero_deg=0.0, span_deg=FULL_TURN_DEG, wrap=wrap)
    angles = AngleRange(
        angle_min_deg=0.0,
        angle_max_deg=FULL_TURN_DEG,
        start_deg=sensor.range.start_deg,
        safe_route=sensor.range.safe_route,
    )
    # A sensor that looks once a second would show the level before last.
    timing = msgspec.structs.replace(sensor.timing, update_hz=max(sensor.timing.update_hz, UPDATE_HZ_MIN))
    return msgspec.structs.replace(sensor, name=MEASURING, transfer=whole, range=angles, timing=timing)


def filter_ripple(pwm_hz: int) -> float:
    """Peak to peak, of the jig's own filter at half duty, where it is greatest; a share of the supply."""
    parts = RcFilter((FILTER_OHM, FILTER_OHM), (FILTER_F, FILTER_F), source_ohm=SOURCE_OHM)
    return ripple_part(parts, pwm_hz)


class Stage(ABC):
    """An output that is trimmed, all levels as shares of the supply."""

    sensor: SensorProfile
    measuring: SensorProfile  # the profile that the board has while the output is read
    place = "output"  # of the meter's lead (link.base.METER_PLACES)
    signal = ""  # which of two outputs; "" where there is one
    low: float  # wanted at the ends of the format's range
    high: float
    begin: float  # wanted at the ends of what can be commanded
    end: float
    step: float  # the coarser of one code and one step of what makes the output
    code_step: float  # one code of the format, where it is largest
    ripple: float  # peak to peak

    @abstractmethod
    def points(self, n: int) -> list[int]:
        """Codes of n points over the range, ends included."""

    @abstractmethod
    def between(self, n: int) -> list[int]:
        """Codes in the middle between n points."""

    @abstractmethod
    def wanted(self, code: int) -> float:
        """What should come out."""

    @abstractmethod
    def angle_deg(self, code: int) -> float:
        """Angle of the measuring profile that gives a code."""

    @abstractmethod
    def turned_deg(self) -> float:
        """Lid angle at which the budget is told in degrees."""

    @abstractmethod
    def v_per_deg(self, supply_v: float) -> float:
        """Slope of the output over the lid angle there."""

    @abstractmethod
    def ends_at(self, end: float, wanted: float) -> str:
        """A note on an output that cannot be brought to an end of its range."""

    @abstractmethod
    def record(self, trim: Trim | None, other: Trim | None = None) -> bytes:
        """The board's record of a trim. other: of the other output, where there is one. Raises ValueError where there
        is nothing to record.
        """

    def notes(self) -> list[str]:
        """What has to be known of the budget."""
        return []

    def command(self, code: int) -> float:
        """The commanded part, 0..1, that a code is while nothing is trimmed."""
        return (self.wanted(code) - self.begin) / (self.end - self.begin)

    def worth_v(self, supply_v: float) -> float:
        """The largest U of the output (k = 2) with which a trim is worth storing. A coarse format's own code is no
        fault of the trim.
        """
        return supply_v * max((self.high - self.low) * WORTH_PERCENT / 100.0, self.code_step)

    def worth_deg(self) -> float:
        """The same of the angle, at any supply."""
        return abs(self.worth_v(1.0) / self.v_per_deg(1.0))

    def sheet_budget(self, spec: MeterSpec, supply_v: float) -> UncertaintyBudget:
        """What the meter's data sheet alone makes of it, before anything is read."""
        half_v = spec.half_width_v(self.high * supply_v)
        return self.budget(supply_v, spec.u_v(supply_v), half_v, spec.resolution_v)

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


def check_worth(stage: Stage, spec: MeterSpec) -> None:
    """Raises BadInput where the meter's data sheet alone shows that no trim by it would be worth storing."""
    supply_v = stage.sensor.supply.max_v  # there counts and steps weigh least
    u, worth_v = stage.sheet_budget(spec, supply_v), stage.worth_v(supply_v)
    if u.expanded <= worth_v:
        return
    steps_v = (spec.counts + 0.5) * spec.resolution_v
    rest_v = (spec.reading_percent * stage.high * supply_v + spec.range_percent * spec.range_v) / 100.0
    key, given = "--accuracy", spec.accuracy
    if steps_v > rest_v:
        key, given = "--resolution", f"{1000.0 * spec.resolution_v:g} mV"
    if stage.budget(supply_v, 0.0, 0.0, 0.0).expanded > worth_v:  # whatever the meter
        key, given = "--sensor", stage.sensor.name
    turned = u.in_degrees(stage.v_per_deg(supply_v), stage.turned_deg()).expanded
    raise BadInput(
        "",
        key,
        given,
        f"what leaves the output known within {1000.0 * worth_v:.1f} mV or {stage.worth_deg():.2f} deg (U, k = 2, at "
        f"{supply_v:g} V: {WORTH_PERCENT:g} % of its span, or one code); with this, U is {1000.0 * u.expanded:.1f} mV "
        f"or {turned:.2f} deg, and no trim would be worth storing",
    )


class OutputStage(Stage):
    """An analog profile's output. What is commanded are parts of the format's range."""

    def __init__(self, sensor: SensorProfile, coded: AnalogEncoding) -> None:
        self.sensor, self.coded = sensor, coded
        self.measuring = measuring_profile(sensor)
        self.top = coded.codes - 1
        self.low = self.begin = coded.low_percent / 100.0
        self.high = self.end = coded.high_percent / 100.0
        self.code_step = (self.high - self.low) / self.top
        dac = coded.via == "dac"
        self.step = max(self.code_step, 1.0 / DAC_STEPS if dac else 1.0 / pwm_steps(coded.pwm_hz_used))
        self.ripple = 0.0 if dac else filter_ripple(coded.pwm_hz_used)

    @classmethod
    def of(cls, sensor: SensorProfile) -> OutputStage:
        """Raises BadInput for a profile of another family."""
        coded = sensor.coded() if sensor.family == "analog" else None
        if not isinstance(coded, AnalogEncoding):
            raise BadInput("", "--sensor", f"{sensor.name} (family {sensor.family})", "a profile of family 'analog'")
        return cls(sensor, coded)

    def points(self, n: int) -> list[int]:
        return [round(k * self.top / (n - 1)) for k in range(n)]

    def between(self, n: int) -> list[int]:
        return [round((k + 0.5) * self.top / (n - 1)) for k in range(n - 1)]

    def wanted(self, code: int) -> float:
        return self.low + (self.high - self.low) * code / self.top

    def command(self, code: int) -> float:
        return code / self.top

    def angle_deg(self, code: int) -> float:
        return code * FULL_TURN_DEG / self.top

    def turned_deg(self) -> float:
        return self.lid_deg(self.high)

    def lid_deg(self, share: float) -> float:
        """Lid angle that an output stands for."""
        return float(self.sensor.curve().lid_deg((share - self.low) / (self.high - self.low)))

    def v_per_deg(self, supply_v: float) -> float:
        return (self.high - self.low) * supply_v / self.sensor.curve().span_deg

    def ends_at(self, end: float, wanted: float) -> str:
        at_deg = self.lid_deg(end)
        side = "below" if self.lid_deg(wanted) < at_deg else "above"
        return (
            f"the output ends at {100.0 * end:.2f} % of the supply, where {100.0 * wanted:g} % is wanted: {side} a lid "
            f"angle of {at_deg:.2f} deg it stays there, whatever the trim"
        )

    def record(self, trim: Trim | None, other: Trim | None = None) -> bytes:
        if trim is None:
            raise ValueError("no trim to record")
        return trim.to_record()
