"""Does what a sensor sends tell a shut lid from an open one? The jig stamps where the lid passes shut_deg and open_deg;
where nothing changes on the conductors there, the machine is told nothing and the stamp would be no truth.
"""

from __future__ import annotations

import math
from typing import Protocol, runtime_checkable

from lidjig.bench.families.base import Encoding
from lidjig.bench.transfer import Outside, Transfer
from lidjig.errors import BadInput


@runtime_checkable
class Resting(Protocol):
    """An encoding whose codes and rests are levels of one voltage, so that a rest may look like a code."""

    def percent_of(self, word: Outside | float) -> float:
        """Percent of the supply at a word of the transfer function, or at a position in the span (0..1)."""


def check_lid_told(transfer: Transfer, coded: Encoding, lid_deg: tuple[float, float], file: str) -> None:
    """lid_deg: lid.shut_deg and lid.open_deg. Raises BadInput where one lies at no change of the output, or where the
    output is the same at both.
    """
    if not transfer.wrap:
        for key, at_deg in zip(("shut_deg", "open_deg"), lid_deg, strict=True):
            _check_within(transfer, coded, key, at_deg, file)
    shut_deg, open_deg = lid_deg
    # The output follows half the hysteresis late, both ways (firmware/curve.py: play).
    late = 0.5 * transfer.hysteresis_deg / transfer.lsb_deg(coded.codes)
    shut, opened = (_place(transfer, coded, at_deg) for at_deg in lid_deg)
    if math.floor(opened - late + 0.5) <= math.floor(shut + late + 0.5):
        accepted = (
            f"further above lid.shut_deg = {shut_deg:g}: a lid that opened to the one and a lid that closed to the "
            f"other have the same output, or the wrong way round (transfer.hysteresis_deg = {transfer.hysteresis_deg:g}"
            f", {transfer.lsb_deg(coded.codes):.3g} deg to a code); they must be further apart than both together"
        )
        raise BadInput(file, "lid.open_deg", open_deg, accepted)


def _place(transfer: Transfer, coded: Encoding, at_deg: float) -> float:
    """Where the sensor tells a lid angle, in codes from the start of the span, whichever way the output goes."""
    told_deg = at_deg + float(transfer.error_at(at_deg)) - transfer.zero_deg
    return told_deg / transfer.lsb_deg(coded.codes)


def _check_within(transfer: Transfer, coded: Encoding, key: str, at_deg: float, file: str) -> None:
    place, last = _place(transfer, coded, at_deg), coded.codes - 1
    for side, inward, word in (("below", place, transfer.below), ("above", last - place, transfer.above)):
        code = math.floor(inward + 0.5)
        changes = word != "hold" and not _looks_alike(transfer, coded, side, word)
        # At the very end of the span a rest that begins there is the change.
        if code >= 1 or (code == 0 and changes):
            continue
        part = float((side == "above") == (transfer.direction == "up"))
        end_deg = transfer.lid_of(part, at_deg)
        bounds = ("at least", "at most") if changes else ("above", "below")
        bound = bounds[side == "above"]
        end = "begins" if side == "below" else "ends"
        accepted = (
            f"{bound} {end_deg:.6g}, where the span {end} (transfer.zero_deg, span_deg): {side} it the output never "
            f"changes (transfer.{side} = {word!r}), so nothing would tell the machine that the lid passes "
            f"{at_deg:g} deg"
        )
        raise BadInput(file, f"lid.{key}", at_deg, accepted)


def _looks_alike(transfer: Transfer, coded: Encoding, side: str, word: Outside) -> bool:
    """Whether a rest cannot be told from the code beside it."""
    if not isinstance(coded, Resting):
        return False
    end = float((side == "above") == (transfer.direction == "up"))
    step = abs(coded.percent_of(1.0) - coded.percent_of(0.0)) / (coded.codes - 1)
    return abs(coded.percent_of(word) - coded.percent_of(end)) < step
