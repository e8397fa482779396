"""What the figures of the latencies mark and say of the gaps of a run, and of a run that did less than was ordered."""

from __future__ import annotations

from collections.abc import Sequence

from lidjig.record.axis import boots_of, gaps_of
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import gap_kind
from lidjig.show.report.customer import progress_of
from lidjig.show.report.figures.marks import GapPlace, Ordered, RunMarks, gap_places, near_gaps
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.words import Words


class Marks:
    """Of one run; unit: what its movements are counted in, cycle or round."""

    def __init__(self, run: StoredRun, trials: Sequence[TrialRow], unit: str, words: Words) -> None:
        self._words, self._unit, self._trials = words, unit, trials
        self._places = gap_places(gaps_of(run, boots_of(run)), trials)
        progress = progress_of(run)
        self._ordered: Ordered | None = None
        if progress is not None and progress.short and progress.wanted is not None:
            self._ordered = Ordered(progress.done, progress.wanted, cut=not run.closed)

    def chart(self) -> RunMarks:
        """For the run chart."""
        return RunMarks(tuple((place.number, self._told(place)) for place in self._places), self._ordered)

    def said_of_chart(self) -> list[str]:
        """The same for those who do not see it."""
        words, told = self._words, []
        if self._places:
            told.append(words("figure.words.run_gaps", list=words("form.list").join(map(self._told, self._places))))
        if self._ordered is not None:
            key = "figure.words.run_cut" if self._ordered.cut else "figure.words.run_short"
            told.append(words(key, done=self._ordered.done, wanted=self._ordered.wanted))
        return told

    def said_of_spread(self) -> list[str]:
        """How many movements lie beside a gap: the histogram has no place to show them."""
        if not self._places:
            return []
        return [self._words("figure.words.near_gaps", n=near_gaps(self._places), total=len(self._trials))]

    def _told(self, place: GapPlace) -> str:
        words = self._words
        kinds = ", ".join(gap_kind(kind, words) for kind in place.kinds)
        return words("figure.latency.gap_at", kinds=kinds, where=place.where(self._unit, words.table("figure.latency")))
