"""Figures for people: value with interval and unit, times, angles. Rounds for the eye only; records keep all digits."""

from __future__ import annotations

from lidjig.record.figures import figure, limits, places, with_interval
from lidjig.record.model import MeasuredValue

__all__ = [
    "board_time", "byte_size", "duration", "figure", "limits", "measured_line", "places", "share", "unjudged",
    "verdict", "with_interval",
]  # fmt: skip


def share(probability: float) -> str:
    """A probability in percent, without the sign: whole ones, tenths near the ends ("97", "3.4", "99.5")."""
    percent = 100.0 * probability
    return f"{percent:.{1 if percent < 10.0 or percent > 99.0 else 0}f}".removesuffix(".0")


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
