"""How well learned states can be told apart: cross-validation on recordings that the model did not see."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lidjig.measure import proportion
from lidjig.measure.estimate import Estimate, at_least, nothing, symmetric
from lidjig.measure.states import TOLD_MIN
from lidjig.measure.states_frames import weigh
from lidjig.measure.states_learn import Recording, learn
from lidjig.measure.states_model import FRAME_US, MISFIT_MAX, UNKNOWN, Model, Scope

FOLDS = 5
BLOCK_S = 0.5
BLOCK_PERIODS = 2.0  # a block shows a rhythm at least so often
ERRORS_MAX = 0.01  # share of misclassified blocks from which two states count as overlapping
CAPPED = 0.999  # part of the most an observer may say, on the average of all frames, from which it might have said more
EVIDENCE_MIN = TOLD_MIN * 1e6 / FRAME_US  # nats a second; with less two states count as overlapping too


@dataclass(frozen=True)
class Pair:
    """Two states against each other. errors: share of their blocks not taken for the right one of the two; nats_per_s:
    the weaker of both directions, mean evidence a second; by_observer: the same for each observer by itself. spread:
    nats a second, of the evidence of single blocks in the weaker direction, over blocks that the model had not seen.
    capped: an observer of that direction stands at MISFIT_MAX, the most that it may hold against a state in a frame.
    """

    state: str
    other: str
    errors: Estimate
    nats_per_s: float
    by_observer: dict[str, Estimate]
    nats_by_observer: dict[str, float]
    spread: float = 0.0
    blocks: int = 0
    capped: bool = False

    @property
    def evidence(self) -> Estimate:
        """nats_per_s with its interval, which takes blocks for independent (normal mean, JCGM 100:2008 4.2). Where an
        observer is capped there is more evidence than was counted, and the lower end alone is known.
        """
        if self.blocks < 2:
            return nothing("nat/s")
        u = self.spread / math.sqrt(self.blocks)
        found = symmetric(self.nats_per_s, u, self.blocks, "nat/s", self.blocks - 1)
        if not self.capped:
            return found
        return at_least(self.nats_per_s if found.low is None else found.low, "nat/s", self.blocks)

    @property
    def overlaps(self) -> bool:
        """True where the two cannot be told apart with certainty."""
        wrong = self.errors.value is None or self.errors.value > ERRORS_MAX
        return wrong or self.nats_per_s < EVIDENCE_MIN

    @property
    def carried_by(self) -> list[str]:
        """Observers that tell the two apart by themselves, the strongest first."""
        alone = [
            name
            for name, errors in self.by_observer.items()
            if errors.value is not None
            and errors.value <= ERRORS_MAX
            and self.nats_by_observer.get(name, 0.0) >= EVIDENCE_MIN
        ]
        return sorted(alone, key=lambda name: -self.nats_by_observer[name])


@dataclass(frozen=True)
class Separability:
    """confusion: (true state, state said or "unknown") -> blocks. errors: share of blocks taken for another state;
    unsure: share of blocks for which nothing was said. 95 % intervals take blocks for independent.
    """

    block_s: float
    confusion: dict[tuple[str, str], int]
    errors: Estimate
    unsure: Estimate
    pairs: tuple[Pair, ...]

    @property
    def unsure_of(self) -> dict[str, Estimate]:
        """State -> share of its blocks for which nothing was said."""
        totals: dict[str, list[int]] = {}
        for (true, said), count in self.confusion.items():
            row = totals.setdefault(true, [0, 0])
            row[0] += count
            row[1] += count if said == UNKNOWN else 0
        return {state: proportion.estimate(unsure, blocks) for state, (blocks, unsure) in totals.items()}

    @property
    def overlapping(self) -> list[Pair]:
        """Pairs that cannot be told apart."""
        return [pair for pair in self.pairs if pair.overlaps]


def separability(
    recordings: Sequence[Recording], model: Model, scopes: Mapping[str, Scope] | None = None
) -> Separability:
    """Cross-validated: each fifth of every recording, in one piece so that rhythms stay whole, is judged block by block
    by a model that was learned from the rest. model: the one learned from all, for its evidence.

    Blocks have BLOCK_S; where states overlap in that time and there are rhythms, as long as it takes to see those.
    """
    periods = [shape.period_s for rows in model.signatures.values() for shape in rows.values() if shape.period_s]
    longest_s = max([BLOCK_S, *(BLOCK_PERIODS * period for period in periods)])
    found = _validated(recordings, model, scopes, BLOCK_S)
    return _validated(recordings, model, scopes, longest_s) if found.overlapping and longest_s > BLOCK_S else found


def _validated(
    recordings: Sequence[Recording], model: Model, scopes: Mapping[str, Scope] | None, block_s: float
) -> Separability:
    everything: list[_Block] = []
    alone: dict[str, list[_Block]] = {name: [] for name in model.scopes}
    for fold in range(FOLDS):
        train, held_out = _split(recordings, fold)
        fitted = learn(train, scopes or model.scopes)
        for recording in held_out:
            everything += _blocks(fitted, recording, block_s, tuple(model.scopes))
            for name in model.scopes:
                if name in recording.tracks:
                    alone[name] += _blocks(fitted, recording, block_s, (name,))
    return _summed(model, block_s, everything, alone)


@dataclass(frozen=True)
class _Block:
    """Evidence of one block for each state, and for none of them; None where nothing was heard."""

    true: str
    sums: dict[str, float] | None
    unknown: float
    seconds: float

    def said(self, states: Sequence[str], *, doubt: bool) -> str:
        """The state with the most evidence; "unknown" where none has more than the others, or none fits (doubt)."""
        if self.sums is None:
            return UNKNOWN
        mine = {state: self.sums[state] for state in states if state in self.sums}
        top = max(mine.values())
        best = [state for state, nats in mine.items() if nats >= top - 1e-9]
        # Equal evidence says nothing: it must not count for the state that happens to come first.
        return UNKNOWN if len(best) > 1 or (doubt and top <= self.unknown) else best[0]


def _split(recordings: Sequence[Recording], fold: int) -> tuple[list[Recording], list[Recording]]:
    """(to learn from, to judge): one fifth of each recording is judged."""
    train, held_out = [], []
    for recording in recordings:
        step = (recording.end_us - recording.begin_us) // FOLDS
        low = recording.begin_us + fold * step
        high = low + step
        held_out.append(recording.part(low, high))
        if low - recording.begin_us >= step:
            train.append(recording.part(recording.begin_us, low))
        if recording.end_us - high >= step:
            train.append(recording.part(high, recording.end_us))
    return train, held_out


def _blocks(model: Model, recording: Recording, block_s: float, observers: tuple[str, ...]) -> list[_Block]:
    """The blocks of a recording as some of its observers show them."""
    tracks = {name: track for name, track in recording.tracks.items() if name in observers}
    weighed = weigh(model, tracks, recording.begin_us, recording.end_us)
    length = min(max(1, round(block_s * 1e6 / model.frame_us)), weighed.frames)
    seconds = length * model.frame_us / 1e6
    out = []
    for low in range(0, weighed.frames - length + 1, length):
        part = slice(low, low + length)
        sums = dict(zip(model.states, weighed.state[:, part].sum(axis=1).tolist(), strict=True))
        heard = bool(np.any(weighed.heard[part]))
        out.append(_Block(recording.state, sums if heard else None, float(weighed.unknown[part].sum()), seconds))
    return out


def _summed(
    model: Model, block_s: float, everything: Sequence[_Block], alone: Mapping[str, Sequence[_Block]]
) -> Separability:
    confusion: dict[tuple[str, str], int] = {}
    for block in everything:
        key = (block.true, block.said(model.states, doubt=True))
        confusion[key] = confusion.get(key, 0) + 1
    wrong = sum(count for (state, said), count in confusion.items() if said not in (state, UNKNOWN))
    unsure = sum(count for (_, said), count in confusion.items() if said == UNKNOWN)
    names = model.states
    pairs = tuple(
        _pair(model, state, other, everything, alone) for k, state in enumerate(names) for other in names[k + 1 :]
    )
    total = len(everything)
    return Separability(
        block_s, confusion, proportion.estimate(wrong, total), proportion.estimate(unsure, total), pairs
    )


def _pair(
    model: Model, state: str, other: str, everything: Sequence[_Block], alone: Mapping[str, Sequence[_Block]]
) -> Pair:
    def weaker(observers: frozenset[str]) -> float:
        nats = min(model.told_by(state, other, observers), model.told_by(other, state, observers))
        return nats * 1e6 / model.frame_us

    whole = frozenset(model.scopes)
    true, false = (state, other) if model.told_by(state, other, whole) <= model.told_by(other, state, whole) else (
        other, state
    )  # fmt: skip
    rates = [
        (block.sums[true] - block.sums[false]) / block.seconds
        for block in everything
        if block.true == true and block.sums is not None
    ]
    return Pair(
        state,
        other,
        _mistaken(everything, state, other),
        weaker(whole),
        {name: _mistaken(blocks, state, other) for name, blocks in alone.items()},
        {name: weaker(frozenset([name])) for name in model.scopes},
        float(np.std(rates, ddof=1)) if len(rates) > 1 else 0.0,
        len(rates),
        any(nats >= CAPPED * MISFIT_MAX for nats in model.evidence.get((true, false), {}).values()),
    )


def _mistaken(blocks: Sequence[_Block], state: str, other: str) -> Estimate:
    """Share of the two states' blocks that would not be taken for the right one of the two."""
    mine = [block for block in blocks if block.true in (state, other)]
    wrong = sum(block.said((state, other), doubt=False) != block.true for block in mine)
    return proportion.estimate(wrong, len(mine))
