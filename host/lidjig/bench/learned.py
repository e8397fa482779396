"""What `lidjig teach` learned of a machine's power states: the `[learned]` part of a machine profile.

Written by the program; a person who changes the observers of a bench has them taught again. The numbers and what they
mean: measure/states_model.py.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Annotated

import msgspec
from msgspec import Meta

from lidjig.errors import BadInput

Positive = Annotated[float, Meta(gt=0.0)]
NotNegative = Annotated[float, Meta(ge=0.0)]
Share = Annotated[float, Meta(ge=0.0, le=1.0)]
Count = Annotated[int, Meta(ge=0)]
Short = Annotated[str, Meta(max_length=64)]


class LearnedLevel(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One level in the observer's unit: centre +/- half with tails of spread; share of the time; how often it is left;
    hold_s: shortest and longest stay, where it is held regularly.
    """

    centre: float
    spread: Positive
    share: Share
    half: NotNegative = 0.0
    rate_per_s: NotNegative = 0.0
    hold_s: Annotated[list[Positive], Meta(min_length=2, max_length=2)] | None = None


class LearnedShape(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One observer in one state; n: readings it was learned from."""

    levels: Annotated[list[LearnedLevel], Meta(min_length=1, max_length=4)]
    independent_per_s: Positive
    period_s: Positive | None = None
    n: Count = 0


class LearnedScope(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Range of an observer in its unit."""

    low: float
    high: float
    digital: bool = False


class LearnedOverlap(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How often blocks of one state were taken for another, cross-validated: share, its 95 % interval, blocks."""

    blocks: Count
    block_s: Positive
    misclassified: Share
    misclassified_low: Share
    misclassified_high: Share


class Learned(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """When and how it was learned, and the signatures: states, observer by observer; evidence: nats per frame by which
    each observer tells a state from another.
    """

    when_utc: Short
    how: Annotated[str, Meta(max_length=200)]
    board_id: Short
    run: Short
    base: Short
    host_version: Short
    seed: Short = ""
    recorded_s: dict[str, NotNegative]
    estimate: LearnedOverlap
    surprise: Positive
    scopes: dict[str, LearnedScope]
    states: dict[str, dict[str, LearnedShape]]
    evidence: dict[str, dict[str, dict[str, float]]]


def check_learned(learned: Learned, wired: Collection[str], states: Collection[str], file: str) -> None:
    """Raises BadInput where signatures speak of observers or states that the profile does not have."""
    for name, scope in learned.scopes.items():
        if name not in wired:
            accepted = f"an observer that is wired on this bench ({', '.join(sorted(wired))}); else teach it again"
            raise BadInput(file, f"learned.scopes.{name}", name, accepted)
        if scope.high <= scope.low:
            raise BadInput(file, f"learned.scopes.{name}.high", scope.high, f"above low = {scope.low:g}")
    for state, rows in learned.states.items():
        if state not in states:
            raise BadInput(file, f"learned.states.{state}", state, ", ".join(sorted(states)))
        for name in rows:
            if name not in learned.scopes:
                accepted = f"one of {', '.join(sorted(learned.scopes))}, which have a range under learned.scopes"
                raise BadInput(file, f"learned.states.{state}.{name}", name, accepted)
    for state, others in learned.evidence.items():
        for other in (state, *others):
            if other not in learned.states:
                raise BadInput(file, f"learned.evidence.{state}", other, ", ".join(sorted(learned.states)))
