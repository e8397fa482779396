"""Figures for people: value with interval and unit, times, angles. Rounds for the eye only; records keep all digits."""

from __future__ import annotations

import math

from lidjig.record.model import MeasuredValue


def figure(value: float | None, digits: int = 4) -> str:
    """Up to `digits` significant digits, no exponent for everyday sizes; "-" where there is none."""
    if value is None:
        return "-"
    if value == 0:
        return "0"
    if value == int(value) and abs(value) < 1e6:
        return str(int(value))
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{min(places, 6)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def places(low: float, high: float, unit: str = "") -> int | None:
    """Decimal places that an interval bears: two digits of its half-width; None for one that has no width. Seconds have
    no more than three, as all board times are told.

    Source of the two digits: JCGM 100:2008 (GUM), 7.2.6.
    """
    half = (high - low) / 2.0
    if not (math.isfinite(half) and half > 0.0):
        return None
    return min(3 if unit == "s" else 6, max(0, 1 - math.floor(math.log10(half))))


def share(probability: float) -> str:
    """A probability in percent, without the sign: whole ones, tenths near the ends ("97", "3.4", "99.5")."""
    percent = 100.0 * probability
    return f"{percent:.{1 if percent < 10.0 or percent > 99.0 else 0}f}".removesuffix(".0")


def with_interval(measured: MeasuredValue) -> str:
    """ "9.97 kohm (9.95 to 9.99, n 64)"; "at least 200 kohm" for a one-sided figure; "20 (exact)" for
    what was counted; "not measured".
    """
    if measured.value is None:
        return "not measured"
    unit = f" {measured.unit}" if measured.unit not in ("", "1") else ""
    if measured.low is not None and measured.high is None:
        return f"at least {figure(measured.low)}{unit}"
    if measured.high is not None and measured.low is None:
        return f"at most {figure(measured.high)}{unit}"
    text = figure(measured.value)
    if measured.low is None and measured.high is None:
        return f"{text}{unit} (n {measured.n} gives no interval)"
    if measured.low is None or measured.high is None or measured.low == measured.high:
        return f"{text}{unit} (exact)" if measured.n <= 1 else f"{text}{unit} (exact, n {measured.n})"
    low, high = figure(measured.low), figure(measured.high)
    same = [end for end in (measured.low, measured.high) if end != measured.value and figure(end) == text]
    if same or low == high:  # as many places as the interval bears, where fewer would not show it
        digits = places(measured.low, measured.high, measured.unit) or 0
        text, low, high = (f"{one:.{digits}f}" for one in (measured.value, measured.low, measured.high))
    return f"{text}{unit} ({low} to {high}, n {measured.n})"


def limits(measured: MeasuredValue) -> str:
    """ "limits 9 to 11", "limit at most 2", or "" where there are none."""
    low, high = measured.limit_low, measured.limit_high
    if low is not None and high is not None:
        return f"limits {figure(low)} to {figure(high)}" if low != high else f"must be {figure(low)}"
    if low is not None:
        return f"limit at least {figure(low)}"
    return f"limit at most {figure(high)}" if high is not None else ""


def unjudged(measured: MeasuredValue) -> bool:
    """Whether a figure that was measured has no limit to meet: it is information, and passes nothing."""
    return measured.outcome == "pass" and measured.limit_low is None and measured.limit_high is None


def verdict(measured: MeasuredValue) -> str:
    """The outcome as a word; a figure that has no limit to meet does not read as a pass."""
    return "(no limit)" if unjudged(measured) else measured.outcome


def measured_line(measured: MeasuredValue) -> str:
    """One measurement with its limits beside it, without its outcome."""
    beside = limits(measured)
    return f"{measured.name}: {with_interval(measured)}" + (f" [{beside}]" if beside else "")


def duration(seconds: float) -> str:
    """ "4 s", "3 min 20 s", "1 h 05 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def byte_size(size: int) -> str:
    """ "812 bytes", "48.2 kB", "2.1 MB": decimal units."""
    if size < 1000:
        return f"{size} byte{'s' if size != 1 else ''}"
    for unit in ("kB", "MB"):
        size_in_unit = size / (1e3 if unit == "kB" else 1e6)
        if size_in_unit < 999.95:
            return f"{size_in_unit:.1f} {unit}"
    return f"{size / 1e9:.2f} GB"


def board_time(t_us: int | None) -> str:
    """Board time in seconds with the microseconds that the stamp has."""
    return "-" if t_us is None else f"{t_us / 1e6:.6f}"
