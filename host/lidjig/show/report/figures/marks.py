"""Where the gaps of a record fell among the movements of the lid, and how far a run came of what was ordered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lidjig.record.axis import GapMark
from lidjig.show.report.figures.trials import TrialRow


@dataclass(frozen=True)
class GapPlace:
    """What is missing between two movements: the last one before it and the first one after it."""

    kinds: tuple[str, ...]
    before: TrialRow | None
    after: TrialRow | None

    @property
    def number(self) -> float:
        """On the axis of cycles: that of the cycle it fell in, half a cycle beside it between two cycles."""
        if self.before is None and self.after is None:
            return 0.5
        if self.before is None:
            return self.after.number - 0.5 if self.after is not None else 0.5
        return self.before.number + 0.5 if self.after is None else (self.before.number + self.after.number) / 2.0

    def where(self, unit: str, labels: Mapping[str, str]) -> str:
        """In words; unit: cycle or round, labels: figure.latency of the catalogue."""
        if self.before is None or self.after is None:
            return labels[f"{'before' if self.before is None else 'after'}_{unit}"]
        a, b = self.before.number, self.after.number
        if a == b:
            return labels[f"at_{unit}"].replace("{n}", str(a))
        return labels[f"between_{unit}"].replace("{a}", str(a)).replace("{b}", str(b))


@dataclass(frozen=True)
class Ordered:
    """What was ordered and how much of it was done, where that was less. cut: the record just ends, as of a run whose
    program was killed."""

    done: int
    wanted: int
    cut: bool


@dataclass(frozen=True)
class RunMarks:
    """What the run chart marks beside the movements. gaps: (number on the axis, what is said of it) by number."""

    gaps: tuple[tuple[float, str], ...] = ()
    ordered: Ordered | None = None


def gap_places(gaps: Sequence[GapMark], trials: Sequence[TrialRow]) -> list[GapPlace]:
    """One for each two movements with gaps between them, in their order. Movements whose event the record has not are
    passed over.
    """
    placed = sorted((row for row in trials if row.place is not None), key=lambda row: row.place or 0)
    told: dict[int, list[str]] = {}  # how many movements came before -> kinds of gaps
    for gap in sorted(gaps, key=lambda gap: -1 if gap.place is None else gap.place):
        place = -1 if gap.place is None else gap.place
        told.setdefault(sum((row.place or 0) <= place for row in placed), []).append(gap.kind)
    return [
        GapPlace(
            tuple(dict.fromkeys(kinds)),
            placed[count - 1] if count else None,
            placed[count] if count < len(placed) else None,
        )
        for count, kinds in told.items()
    ]


def near_gaps(places: Sequence[GapPlace]) -> int:
    """Movements that are the last before a gap or the first after one, each counted once."""
    return len({row.place for place in places for row in (place.before, place.after) if row is not None})
