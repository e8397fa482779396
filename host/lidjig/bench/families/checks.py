"""Checks that several families share: what the jig may drive, and that a word fits between two looks at the angle."""

from __future__ import annotations

from lidjig.bench.families.base import Limits
from lidjig.bench.sensor import PUSH_PULL_MAX_V
from lidjig.errors import BadInput


def check_push_pull(limits: Limits, family: str) -> None:
    """Refuses a supply that a push-pull output may not stand on. For formats that are always driven both ways."""
    if limits.supply_max_v > PUSH_PULL_MAX_V:
        accepted = (
            f"at most {PUSH_PULL_MAX_V:g} with family {family!r}, whose output is push-pull: "
            "it would drive the machine's line as high as the sensor supply"
        )
        raise BadInput(limits.file, "supply.max_v", limits.supply_max_v, accepted)


def check_no_wrap(limits: Limits, family: str) -> None:
    """Refuses a span that wraps in a format whose first and last code are the two ends of the span."""
    if limits.wrap:
        accepted = f"false with family {family!r}: its first and last code are the two ends of the span"
        raise BadInput(limits.file, "transfer.wrap", True, accepted)


def check_update(limits: Limits, word_hz: float, word: str) -> None:
    """Refuses a sensor that looks at its angle more often than it can send it. word: what is sent, for the message."""
    if limits.update_hz > word_hz:
        accepted = f"at most {word_hz:.6g}: {word} can be sent that often, a faster look is never seen"
        raise BadInput(limits.file, "timing.update_hz", limits.update_hz, accepted)
