"""What observers show, in words for people: readings and levels with unit and role, where the board tells bands."""

from __future__ import annotations

from lidjig.bench.machine import MachineProfile
from lidjig.measure.estimate import Estimate


def role(machine: MachineProfile, observer: str) -> str:
    """An observer by its name, a digital one with what it is wired to: "SLP_S3# (observer_1)"."""
    line = machine.digital().get(observer)
    return observer if line is None else f"{line.signal} ({observer})"


def band_words(machine: MachineProfile, observer: str, shown: int | None) -> str:
    """A band as its range with unit ("30 to 250 mA"), a level as "high" or "low"; "?" for what was not heard."""
    if shown is None:
        return "?"
    analog = machine.analog().get(observer)
    if analog is None:
        return "high" if shown else "low"
    edges = [f"{edge:g}" for edge in analog.thresholds]
    if not 0 <= shown <= len(edges):
        return f"band {shown}"
    if shown == 0:
        return f"below {edges[0]} {analog.unit}"
    if shown == len(edges):
        return f"above {edges[-1]} {analog.unit}"
    return f"{edges[shown - 1]} to {edges[shown]} {analog.unit}"


def reading_words(found: Estimate) -> str:
    """ "2004 mA (1990 to 2018, n 64)"; a bound as "at least ..."."""
    if found.value is None:
        return "no reading"
    value = f"{_digits(found.value)} {found.unit}"
    if found.bound:
        return f"{found.bound} {value} (n {found.n})"
    if found.low is None or found.high is None:
        return f"{value} (n {found.n})"
    return f"{value} ({_digits(found.low)} to {_digits(found.high)}, n {found.n})"


def _digits(number: float) -> str:
    """Four digits, and no exponent for what a bench reads."""
    return f"{number:.0f}" if abs(number) >= 1000.0 else f"{number:.4g}"
