"""What a sensor profile says, in words for a technician: rows of (what, value with unit)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lidjig.bench.families.base import Encoding
from lidjig.bench.families.table import FAMILIES
from lidjig.bench.sensor import Output, SensorProfile
from lidjig.bench.transfer import FULL_TURN_DEG, Outside, Transfer

Rows = list[tuple[str, str]]

_RESTS: dict[Outside, str] = {"low": "rests low", "high": "rests high"}
# "hold", by when it is said; "error" is the encoding's own (error_told).
_END_HELD = "holds the output of the span's end"
_AT_ONCE = "sends the angle at once"
_LAST_HELD = "holds the last output"


@dataclass(frozen=True)
class Section:
    """Rows under a heading."""

    title: str
    rows: Rows


def resolution_deg(sensor: SensorProfile) -> float | None:
    """Degrees to a code of the sensor's format; None for a switch. Raises BadInput for a wrong [encoding]."""
    return None if sensor.is_switch else sensor.curve().lsb_deg(sensor.coded().codes)


def slope_codes_per_deg(transfer: Transfer, codes: int) -> float:
    """Codes by which the output grows for each degree that the lid opens; negative where it falls."""
    slope = 1.0 / transfer.lsb_deg(codes)
    return slope if transfer.direction == "up" else -slope


def internal_told(sensor: SensorProfile) -> str:
    """What the output of a sensor that tells an angle does on an internal error. Raises BadInput for an [encoding] that
    is not its family's, ValueError for a switch.
    """
    return _word_told(sensor.curve().internal_error, sensor.coded(), _LAST_HELD)


def _word_told(word: Outside, coded: Encoding, held: str, *, starting: bool = False) -> str:
    if word == "hold":
        return held
    return coded.error_told(starting=starting) if word == "error" else _RESTS[word]


def sensor_sections(sensor: SensorProfile) -> list[Section]:
    """All that a checked profile says. Raises BadInput for an [encoding] that is not its family's."""
    sections = [Section("family and supply", _common(sensor))]
    if sensor.is_switch:
        outputs = sorted(sensor.output, key=lambda o: o.line)
        sections += [Section(f"output on line {o.line}", _switch_rows(o)) for o in outputs]
        if sensor.field is not None:
            sections.append(Section("field at the sensor", [("south positive", sensor.field.told())]))
        sections.append(Section("timing", [("update rate", _update(sensor))]))
    else:
        coded = sensor.coded()
        sections.append(Section("electrical", coded.describe()))
        sections.append(Section("transfer function", _transfer_rows(sensor, sensor.curve(), coded)))
    return [*sections, Section("lid", _lid_rows(sensor))]


def _common(sensor: SensorProfile) -> Rows:
    supply, family = sensor.supply, FAMILIES[sensor.family]
    rows = [("family", f"{sensor.family}: {family.says}"), ("supply", f"{supply.min_v:g} to {supply.max_v:g} V")]
    if supply.current_min_ma is not None and supply.current_max_ma is not None:
        rows.append(("current at 3.3 V", f"{supply.current_min_ma:g} to {supply.current_max_ma:g} mA"))
    else:
        rows.append(("current at 3.3 V", "no window given: it is not judged"))
    if not sensor.is_switch:
        rows.append(("conductors", ", ".join(family.signals)))
    return rows


def _switch_rows(output: Output) -> Rows:
    below, above = ("below", "above") if output.operated_when_shut else ("above", "below")
    other = "high" if output.active == "low" else "low"
    by = " by the machine's pull" if output.drive == "open-drain" and other == "high" else ""
    if output.drive == "open-drain" and output.active == "high":
        by = " (pulled)"
    return [
        ("drive", f"{output.drive}, {output.active} while operated, else {other}{by}"),
        *_pole_rows(output),
        ("operates", f"{below} {output.operate_deg:g} deg"),
        ("releases", f"{above} {output.release_deg:g} deg"),
        ("hysteresis", f"{abs(output.release_deg - output.operate_deg):.4g} deg"),
        ("says", "lid shut" if output.operated_when_shut else "lid folded far open"),
    ]


def _pole_rows(output: Output) -> Rows:
    """Of an output that is given in mT: its angles follow from the field."""
    if output.operate_mt is None or output.release_mt is None:
        return []
    sees = "omnipolar: sees either pole" if output.pole == "any" else f"one pole: sees the {output.pole} pole only"
    points = f"operates above {output.operate_mt:g} mT, releases below {output.release_mt:g} mT"
    return [("pole", sees), ("field points", points)]


def _transfer_rows(sensor: SensorProfile, transfer: Transfer, coded: Encoding) -> Rows:
    end = transfer.zero_deg + transfer.span_deg
    slope = slope_codes_per_deg(transfer, coded.codes)
    grows = "grows" if transfer.direction == "up" else "falls"
    wrap = "begins anew after a turn" if transfer.wrap else "no, ends at its ends"
    rows = [
        ("zero", f"{transfer.zero_deg:g} deg of the lid"),
        ("span", f"{transfer.span_deg:g} deg" + ("" if transfer.wrap else f", up to {end:g} deg of the lid")),
        ("direction", f"{transfer.direction}: the output {grows} as the lid opens"),
        ("wrap", wrap),
        ("slope", _slope(transfer, coded, slope)),
        ("resolution", f"{transfer.lsb_deg(coded.codes):.4g} deg, {coded.codes} codes"),
        ("hysteresis", f"{transfer.hysteresis_deg:g} deg" if transfer.hysteresis_deg else "none"),
        ("update rate", _update(sensor)),
        ("filter lag", f"{transfer.lag_ms:g} ms (time constant)" if transfer.lag_ms else "none"),
        ("noise", f"{transfer.noise_deg:g} deg rms" if transfer.noise_deg else "none"),
        ("error of the angle", _error(transfer)),
    ]
    return rows + _outside_rows(transfer, coded, end)


def _slope(transfer: Transfer, coded: Encoding, slope: float) -> str:
    text = f"{slope:+.4g} codes per degree"
    low, high = getattr(coded, "low_percent", None), getattr(coded, "high_percent", None)
    if low is None or high is None:
        return text
    sign = 1.0 if transfer.direction == "up" else -1.0
    return f"{sign * (high - low) / transfer.span_deg:+.4g} % of the supply per degree, {text}"


def _error(transfer: Transfer) -> str:
    if not transfer.error_deg:
        return "none"
    errors = [error for _, error in transfer.error_deg]
    return f"{min(errors):+g} to {max(errors):+g} deg, a table of {len(errors)} rows"


def _outside_rows(transfer: Transfer, coded: Encoding, end: float) -> Rows:
    rows = []
    if transfer.wrap:
        rows.append(("outside the span", "nowhere: a turn is all there is"))
    else:
        # The error of the angle may carry a lid at its stop out of a span that begins or ends there.
        first, last = sorted(transfer.part(np.array([0.0, FULL_TURN_DEG])).tolist())
        before, past = (first < 0.0, last > 1.0) if transfer.direction == "up" else (last > 1.0, first < 0.0)
        for what, reached, word in (
            (f"before the span (below {transfer.zero_deg:g} deg)", before, transfer.below),
            (f"past the span (above {end:g} deg)", past, transfer.above),
        ):
            rows.append((what, _word_told(word, coded, _END_HELD) if reached else "never reached"))
    rows.append(("at power-up", _word_told(transfer.power_up, coded, _AT_ONCE, starting=True)))
    rows.append(("on an internal error", _word_told(transfer.internal_error, coded, _LAST_HELD)))
    return rows


def _update(sensor: SensorProfile) -> str:
    return f"{sensor.timing.update_hz:g} Hz, every {1e3 / sensor.timing.update_hz:.4g} ms"


def _lid_rows(sensor: SensorProfile) -> Rows:
    angles = sensor.range
    rows = []
    if sensor.lid is not None:
        told = f"shut below {sensor.lid.shut_deg:g} deg, open above {sensor.lid.open_deg:g} deg"
        rows.append(("counts as", told))
    rows.append(("the jig accepts", f"{angles.angle_min_deg:g} to {angles.angle_max_deg:g} deg"))
    rows.append(("starts at", f"{angles.start_deg:g} deg"))
    rows.append(("safe route", angles.safe_route))
    return rows
