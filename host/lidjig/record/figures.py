"""Figures in words, the same wherever a run is told of: value with interval, n and unit, and its limits."""

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
