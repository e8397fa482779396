"""Units of the record, and those that people read."""

from __future__ import annotations

_READABLE = {"mV": (1e-3, "V"), "permille": (0.1, "%")}


def readable(unit: str) -> tuple[float, str]:
    """(factor, unit) that people read a recorded unit in: volts for millivolts, percent for permille."""
    return _READABLE.get(unit, (1.0, unit))
