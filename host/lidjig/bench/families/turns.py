"""Checks of formats that count a whole turn and then begin anew."""

from __future__ import annotations

from lidjig.bench.families.base import Limits
from lidjig.errors import BadInput

FULL_TURN_DEG = 360.0


def check_wrap(wrap: bool, limits: Limits) -> None:
    """The format and the transfer function must agree on what follows the last code. Raises BadInput."""
    if wrap != limits.wrap:
        here, there = str(wrap).lower(), str(limits.wrap).lower()
        accepted = f"{there}, as transfer.wrap says, or transfer.wrap = {here}: both must count alike"
        raise BadInput(limits.file, "encoding.wrap", wrap, accepted)


def check_full_turn(family: str, limits: Limits) -> None:
    """For formats that count a whole turn and nothing else. Raises BadInput with the key of the transfer function."""
    if not limits.wrap:
        accepted = f"true with family {family!r}: it counts a whole turn and then begins anew"
        raise BadInput(limits.file, "transfer.wrap", limits.wrap, accepted)
    if limits.span_deg != FULL_TURN_DEG:
        accepted = f"{FULL_TURN_DEG:g} with family {family!r}: it counts a whole turn"
        raise BadInput(limits.file, "transfer.span_deg", limits.span_deg, accepted)
