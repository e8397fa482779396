"""The real sensor over the lid: read at angles that a person sets, what its transfer curve comes to, and likely causes.

How well the angles were set is part of it. An error that all of them share (the protractor's zero) goes into zero and
gain whole; what differs from one to the next is in the scatter already, and once more in the interval, since with few
angles scatter alone does not show it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from lidjig.bench.machine import MachineProfile
from lidjig.bench.sensor import SensorProfile
from lidjig.errors import BadInput
from lidjig.measure.curve import Figures, Recording, Scale, figures, harmonic_u_parts
from lidjig.measure.curve_fit import HarmonicFound, no_harmonic
from lidjig.measure.curve_why import NONE, SHOWN_P, Cause, likely_causes
from lidjig.measure.estimate import Estimate
from lidjig.procedures.isolate_angle import tells_travel_only, zero_window_deg
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.report import Declared, Sheet
from lidjig.procedures.sensor_reading import expected_u_jig_deg
from lidjig.record.model import FAIL, MARGINAL, NOT_MEASURED, Finding

ANGLE_U_DEG = 1.0  # standard uncertainty of an angle set by hand with a protractor (common practice, no source)
ANGLE_U_MAX_DEG = 20.0
POINTS_MIN = 3  # fewer show no line, and nothing off it
ANGLES_MAX, TURNS_MAX = 72, 10
STUCK_PART = 0.1  # of the lid's own travel: less than this of it told is none
TRAVEL_SLACK = 0.2  # part of the travel by which a sensor that follows the lid may miss it (common practice, no source)
HALF = 1.96  # half a 95 % interval in standard uncertainties
# An interval of a harmonic that is wider than this part of the angles' span, and than twice the value, is none
# (common practice, no source).
TOLD_PART = 0.1
GAIN_TOLD = 2.0  # a gain error is named from so many halves of its interval on (common practice, no source)

ZERO, ZERO_OFF, GAIN = "zero of the sensor", "zero error", "gain error"
INL_ENDS, INL_SQUARES, DNL = "INL, end points", "INL, least squares", "DNL"
HYSTERESIS, REPEATABILITY = "hysteresis", "repeatability"
FIRST, SECOND, VISITS = "1st harmonic", "2nd harmonic", "angles read"
_WHAT = {
    "magnet off centre": "magnet-off-centre", "sensor off centre": "sensor-off-centre", "magnet loose": "magnet-loose",
    "amplitude mismatch": "amplitude-mismatch",
}  # fmt: skip
_BETTER = (
    "Set the angles by a gauge or by stops and give a smaller --angle-u; what the machine makes of the sensor "
    "'lidjig isolate' tests."
)
_MORE = "Set more angles, at least 3 of them between 0 and the highest: 'lidjig sense --at 0,30,60,90,120'."
_MECHANICAL_ADVICE = {
    "magnet off centre": "Centre the magnet on the hinge's axis, and the sensor over it; then sense again.",
    "sensor off centre": "Centre the sensor on the hinge's axis; then sense again.",
    "magnet loose": "Fix the magnet in its seat, set the sensor's zero anew, then sense again.",
    "amplitude mismatch": "Look for iron near the magnet, and whether it stands askew; else it is the sensor's own.",
}


@dataclass(frozen=True)
class Visit:
    """One angle to be set. opening: the side from which the lid comes to it; turn: from 1, 0 for the lid shut before.
    """

    lid_deg: float
    opening: bool
    turn: int


@dataclass(frozen=True)
class Heard:
    """What the sensor said at a visit: its mean angle in deg, None where nothing was read. u_jig_deg: of the jig's own
    reading, a standard uncertainty.
    """

    visit: Visit
    told_deg: float | None
    u_jig_deg: float = 0.0


@dataclass(frozen=True)
class By:
    """The angles, how often up and down, and the standard uncertainty with which each is set."""

    at_deg: tuple[float, ...] = ()
    turns: int = 1
    u_deg: float = ANGLE_U_DEG

    def check(self, sensor: SensorProfile) -> None:
        """Raises BadInput for angles that this sensor or nobody's hand can be asked for."""
        if not self.at_deg:
            return
        if sensor.is_switch:
            given = ",".join(f"{one:g}" for one in self.at_deg)
            raise BadInput("", "--at", given, f"nothing: sensor {sensor.name} is a switch, which tells no angle")
        low, high = sensor.range.angle_min_deg, sensor.range.angle_max_deg
        for one in self.at_deg:
            if not low <= one <= high:
                raise BadInput("", "--at", one, f"{low:g} to {high:g} deg (range of sensor {sensor.name})")

    def visits(self) -> Iterator[Visit]:
        """Up and down, as often as asked for. Angle 0 is only come to by shutting, and the highest only by opening."""
        ascending = sorted(self.at_deg)
        for turn in range(1, self.turns + 1):
            for one in ascending:
                if one > 0.0:
                    yield Visit(one, True, turn)
                elif turn == 1:
                    yield Visit(one, False, 0)
            for one in ascending[-2::-1]:
                yield Visit(one, False, turn)


def angles_of(text: str) -> tuple[float, ...]:
    """The angles of --at, "0,30,60,90". Raises BadInput."""
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    usable = POINTS_MIN <= len(set(found)) == len(found) <= ANGLES_MAX and all(math.isfinite(one) for one in found)
    if not usable:
        raise BadInput("", "--at", text, f"{POINTS_MIN} to {ANGLES_MAX} different angles in deg: 0,30,60,90,120")
    return found


def declare_curve(sensor: SensorProfile, machine: MachineProfile, by: By) -> list[Declared]:
    """What the curve comes to. Limits: of the machine's windows, and of the way from where its lid counts as shut to
    where it counts as open; further out by how well the angles are known, lest a poor protractor fail a good sensor.
    """
    assert sensor.lid is not None
    way = sensor.lid.open_deg - sensor.lid.shut_deg
    # So near to a limit more readings do not help, only a better protractor.
    band = HALF * math.hypot(by.u_deg, expected_u_jig_deg(sensor))
    two = math.sqrt(2.0) * band  # of a difference of two angles
    n = len(list(by.visits()))
    enough = len(by.at_deg) >= POINTS_MIN
    declared = [Declared(VISITS, "1", float(n), None, "of those asked for")]
    if not tells_travel_only(sensor):
        low, high = zero_window_deg(sensor, machine)
        declared.append(Declared(ZERO, "deg", doc="transfer.zero_deg that fits it", needed=enough))
        declared.append(
            Declared(ZERO_OFF, "deg", low - band, high + band, "told at lid 0", needed=enough, marginal_band=band)
        )
    half = 0.5 * way + band
    return [
        *declared,
        Declared(GAIN, "%", needed=enough),
        Declared(INL_ENDS, "deg", needed=False),
        Declared(INL_SQUARES, "deg", None, half, "half the way from shut to open", needed=enough, marginal_band=band),
        Declared(DNL, "LSB", needed=False),
        Declared(HYSTERESIS, "deg", None, way + two, "the way from shut to open", needed=enough, marginal_band=two),
        Declared(REPEATABILITY, "deg", needed=False),
        Declared(FIRST, "deg", needed=False),
        Declared(SECOND, "deg", needed=False),
    ]


@dataclass
class Curve:
    """The figures of what was heard, entered into a sheet. notes: what belongs beside them."""

    sensor: SensorProfile
    machine: MachineProfile
    by: By
    sheet: Sheet

    def __post_init__(self) -> None:
        self.notes: list[str] = []
        self.u_deg = self.by.u_deg  # of an angle that was set and of the jig's own reading of it
        self.causes: tuple[Cause, ...] = ()
        self.found: Figures | None = None

    def enter(self, heard: Sequence[Heard]) -> list[Seen]:
        """Figures, causes and notes; what the table wants to know of it."""
        told = [(one.visit, one.told_deg) for one in heard if one.told_deg is not None]
        self.u_deg = math.hypot(self.by.u_deg, max((one.u_jig_deg for one in heard), default=0.0))
        self.sheet.set(VISITS, len(told), n=len(heard))
        apart = len({visit.lid_deg for visit, _angle in told})
        if apart < POINTS_MIN:
            self.notes.append(f"too few angles were read for a curve: {apart}, at least {POINTS_MIN} are wanted")
            return []
        found = self.found = self._figures(told)
        self._put(found)
        self._say(found)
        return [self._follows(told)]

    def _figures(self, told: Sequence[tuple[Visit, float]]) -> Figures:
        transfer, codes = self.sensor.curve(), self.sensor.coded().codes
        recording = Recording.of(
            [visit.lid_deg for visit, _angle in told],
            [angle for _visit, angle in told],
            [visit.opening for visit, _angle in told],
            [visit.turn for visit, _angle in told],
        )
        # Of a sensor that counts a whole turn the slope cannot be off; that of a voltage can.
        counted = transfer.span_deg == 360.0 and self.sensor.family != "analog"
        turn = 360.0 if transfer.wrap and not tells_travel_only(self.sensor) else None
        found = figures(recording, Scale(lsb=transfer.lsb_deg(codes), turn=turn, gain_known=counted))
        sides = sorted({(visit.lid_deg, visit.opening) for visit, _angle in told})
        parts = harmonic_u_parts([lid for lid, _up in sides], [up for _lid, up in sides], gain_known=counted)
        first, second = (
            _less_sure(one, self.u_deg * part)
            for one, part in zip((found.first, found.second), parts, strict=True)
        )
        first, second = (self._told(_agreeing(one, found.lsb_deg), found.span_deg) for one in (first, second))
        return replace(found, first=first, second=second)

    def _put(self, found: Figures) -> None:
        put, u_deg = self.sheet.put, self.u_deg
        if not tells_travel_only(self.sensor):
            zero = wider(found.zero_error, u_deg)
            put(ZERO_OFF, zero)
            put(ZERO, self._zero(zero))
        span = max(found.span_deg, 1.0)
        put(GAIN, wider(_times(found.gain_error, 100.0, "%"), 100.0 * math.sqrt(2.0) * u_deg / span))
        put(INL_ENDS, wider(found.inl_endpoint, u_deg, least=0.0))
        # Where no angle was read twice nothing but the profile tells the readings' own scatter.
        own_deg = math.hypot((found.lsb_deg or 0.0) / math.sqrt(12.0), self.sensor.curve().noise_deg)
        put(INL_SQUARES, wider(_by_u(found.inl_least_squares, own_deg), u_deg, least=0.0))
        put(HYSTERESIS, wider(_by_u(found.hysteresis, math.sqrt(2.0) * own_deg), math.sqrt(2.0) * u_deg, least=0.0))
        if found.repeatability.n and self.by.turns > 1:
            put(REPEATABILITY, found.repeatability)
        put(FIRST, found.first.amplitude)
        put(SECOND, found.second.amplitude)
        if math.sqrt(2.0) * u_deg <= (found.lsb_deg or 0.0):
            put(DNL, found.dnl)

    def _told(self, one: HarmonicFound, span_deg: float) -> HarmonicFound:
        """The harmonic; none where its interval holds nearly anything."""
        amplitude = one.amplitude
        if amplitude.value is None or amplitude.low is None or amplitude.high is None:
            return one
        if amplitude.high - amplitude.low <= max(TOLD_PART * span_deg, 2.0 * amplitude.value):
            return one
        name = FIRST if one.order == 1 else SECOND
        self.notes.append(
            f"{name} was not measured: by these angles it may be anything up to {amplitude.high:.1f} deg; set more of "
            "them, further apart, or give a smaller --angle-u"
        )
        return no_harmonic(one.order)

    def _zero(self, error: Estimate) -> Estimate:
        """The zero that would make the error vanish: what is told as so much at lid 0 begins so much earlier."""
        if error.value is None or error.low is None or error.high is None:
            return error
        set_deg = self.sensor.curve().zero_deg
        turn = 360.0 * math.floor((set_deg - error.value) / 360.0) if self.sensor.curve().wrap else 0.0
        value, low, high = (set_deg - one - turn for one in (error.value, error.high, error.low))
        return Estimate(value, error.u, low, high, error.n, "deg")

    def _say(self, found: Figures) -> None:
        u_deg, lsb = self.u_deg, found.lsb_deg or 0.0
        known = f"u = {u_deg:.2f} deg (see --angle-u)"
        self.notes.append(f"how well an angle was set and read is in the intervals: {known}")
        if math.sqrt(2.0) * u_deg > lsb:
            self.notes.append(f"DNL was not measured: the angles are not known well enough for steps of {lsb:.3f} deg")
        if found.inl_least_squares.value is None:
            self.notes.append(
                f"INL was not measured: it wants at least {POINTS_MIN} angles that are come to from both sides; 0 and "
                "the highest are come to from one"
            )
        off = self._gain_off()
        if off:
            self.notes.append(
                f"gain error {off[0]:.2f} % ({off[1]:.2f} to {off[2]:.2f}) is told from 0: over "
                f"{found.span_deg:g} deg of lid it comes to {0.01 * off[0] * found.span_deg:.2f} deg"
            )
        self.causes = likely_causes(found)

    def _gain_off(self) -> tuple[float, float, float] | None:
        """The gain error with its interval, in percent, where that is far from 0."""
        gain = self.sheet.get(GAIN)
        if gain is None or gain.value is None or gain.low is None or gain.high is None:
            return None
        far = abs(gain.value) > GAIN_TOLD * 0.5 * (gain.high - gain.low)
        return (gain.value, gain.low, gain.high) if far else None

    def _follows(self, told: Sequence[tuple[Visit, float]]) -> Seen:
        by_lid = sorted(told, key=lambda one: one[0].lid_deg)
        lid_deg = by_lid[-1][0].lid_deg - by_lid[0][0].lid_deg
        travel = by_lid[-1][1] - by_lid[0][1]
        off, inside = "", True
        measured = self.sheet.get(ZERO_OFF)
        if measured is not None and measured.value is not None:
            low, high = zero_window_deg(self.sensor, self.machine)
            # What the protractor alone may be off is no displaced zero.
            inside = measured.outcome != FAIL
            off = (
                f", and at 0 it is {round(measured.value, 2) + 0.0:.2f} deg off (window {measured.limit_low:.2f} to "
                f"{measured.limit_high:.2f} deg: {low:g} to {high:g} deg, and how well the angles are known)"
            )
        text = f"over {lid_deg:g} deg of lid the sensor's angle went {travel:.2f} deg{off}"
        if abs(travel) < STUCK_PART * lid_deg:
            return Seen("sensor_follows", "stuck", text)
        if abs(travel - lid_deg) > TRAVEL_SLACK * lid_deg + 2.0 * HALF * self.u_deg:
            return Seen("sensor_follows", "wrong", text)
        return Seen("sensor_follows", "right" if inside else "displaced", text)

    @property
    def crooked(self) -> list[str]:
        """Figures of its shape that are outside their limits."""
        return [name for name in (INL_SQUARES, HYSTERESIS) if _failed(self.sheet, name)]

    def shape(self) -> list[str]:
        """The causes of its shape, a sentence each."""
        return [f"the curve's shape: {self._said(cause)}" for cause in self.causes]

    def _said(self, cause: Cause) -> str:
        if cause.name != NONE or self.found is None:
            return told_cause(cause)
        if None in (self.found.first.p, self.found.second.p):
            return "; ".join(("not measured in full", cause.evidence))
        if self._gain_off():
            return "; ".join(("none beside the gain error that the figures show", cause.evidence))
        return told_cause(cause)

    def advised(self, findings: list[Finding]) -> list[Finding]:
        """The findings, that on a displaced zero with its number, and one more for a curve that is too crooked."""
        zero = self.sheet.get(ZERO_OFF)
        if zero is not None and zero.value is not None:
            wants = f"What it now tells as {zero.value:.2f} deg has to become 0 deg."
            findings = [replace(one, next=f"{one.next} {wants}") if one.what == "zero-off" else one for one in findings]
        if findings and findings[0].where == "none":
            findings = self._doubted(findings)
        first = self.causes[0] if self.causes else None
        if not self.crooked or first is None or first.name == NONE:
            return findings
        evidence = [*self.shape(), *(f"{name} is outside its limits" for name in self.crooked)]
        finding = Finding("sensor", _WHAT[first.name], None, evidence, _MECHANICAL_ADVICE[first.name])
        return [*(one for one in findings if one.is_fault), finding]


    def _doubted(self, findings: list[Finding]) -> list[Finding]:
        """Nothing is called good by a figure that the angles do not tell from a bad one, or by one that is missing."""
        limited = [one for one in self.sheet.all() if one.name in (ZERO_OFF, INL_SQUARES, HYSTERESIS)]
        near = [one for one in limited if one.outcome == MARGINAL]
        unset = [one for one in limited if one.outcome == NOT_MEASURED and self.sheet.needed(one.name)]
        if not near and not unset:
            return findings
        evidence = [
            f"{one.name} {one.value:.2f} deg is not told from one outside its limits: the angles are known to u = "
            f"{self.u_deg:.2f} deg"
            for one in near
        ]
        evidence += [f"{one.name} was not measured" for one in unset]
        # The first sentence of a "none" is that all was in order.
        return [Finding("unknown", None, None, [*evidence, *findings[0].evidence[1:]], _BETTER if near else _MORE)]


def told_cause(cause: Cause) -> str:
    """A cause with its evidence, in one sentence."""
    if cause.name == NONE:
        return f"{cause.name}; {cause.evidence}"
    parts = [f"{cause.name} is {cause.standing}", cause.evidence]
    parts += [f"not told from: {', '.join(cause.not_told_from)}"] if cause.not_told_from else []
    return "; ".join(parts)


def _failed(sheet: Sheet, name: str) -> bool:
    measured = sheet.get(name)
    return measured is not None and measured.outcome == FAIL


def wider(found: Estimate, u: float, least: float | None = None) -> Estimate:
    """The estimate with one more standard uncertainty in its interval, which ends at `least` where that is given."""
    if found.value is None or found.low is None or found.high is None:
        return found
    low = found.value - math.hypot(found.value - found.low, HALF * u)
    high = found.value + math.hypot(found.high - found.value, HALF * u)
    low = low if least is None else min(max(low, least), found.value)
    return Estimate(found.value, None if found.u is None else math.hypot(found.u, u), low, high, found.n, found.unit)


def _by_u(found: Estimate, u: float) -> Estimate:
    """With the interval that u alone gives it, where it has none."""
    if found.value is None or found.low is not None or found.high is not None:
        return found
    return Estimate(found.value, u, max(0.0, found.value - HALF * u), found.value + HALF * u, found.n, found.unit)


def _times(found: Estimate, factor: float, unit: str) -> Estimate:
    return found.scaled(factor, unit) if found.value is not None else replace(found, unit=unit)


def _less_sure(found: HarmonicFound, u_deg: float) -> HarmonicFound:
    """With u_deg more on its sine and cosine part. The chance of one as large by these alone: Rayleigh's distribution.
    """
    amplitude = found.amplitude.value
    if found.p is None or amplitude is None or u_deg <= 0.0:
        return found
    chance = math.exp(-0.5 * (amplitude / u_deg) ** 2)
    told = wider(found.amplitude, u_deg, least=0.0)
    return replace(found, amplitude=told, p=max(found.p, chance))


def _agreeing(found: HarmonicFound, lsb_deg: float | None) -> HarmonicFound:
    """The interval holds 0 where the harmonic is not told from none, and only there."""
    amplitude = found.amplitude
    if found.p is None or amplitude.value is None or amplitude.low is None:
        return found
    shown = found.p < SHOWN_P and amplitude.value > 0.5 * (lsb_deg or 0.0)
    if shown and amplitude.low > 0.0:
        return found
    return replace(found, amplitude=replace(amplitude, low=0.0), p=max(found.p, SHOWN_P))
