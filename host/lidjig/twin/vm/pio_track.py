"""What a pin of the PIO has given: its newest edges, with their times."""

from array import array

KEPT = 2048


class Track:
    """The newest edges of a pin: times and levels, folded into one number each."""

    def __init__(self) -> None:
        self._rows = array("q", bytes(8 * KEPT))
        self.count = 0  # edges ever
        self.first = 0  # the level before all of them

    def add(self, t: int, level: int) -> None:
        at = self.count % KEPT
        if self.count and self._rows[(at - 1) % KEPT] >> 1 == t:  # the same instant: the later word counts
            self._rows[(at - 1) % KEPT] = t << 1 | level
            return
        self._rows[at] = t << 1 | level
        self.count += 1

    def oldest(self) -> int:
        """Time of the oldest edge that is still kept."""
        return self._rows[max(self.count - KEPT, 0) % KEPT] >> 1

    def level(self, t: int) -> int:
        """After all edges until t; the oldest known level where t is before all that are kept."""
        rows = self._rows
        k = self.count - 1
        oldest = max(self.count - KEPT, 0)
        while k >= oldest:
            row = rows[k % KEPT]
            if row >> 1 <= t:
                return row & 1
            k -= 1
        return 1 - (rows[oldest % KEPT] & 1) if oldest else self.first

    def between(self, begin: int, end: int) -> list[tuple[int, int]]:
        """(time, level) of the edges in begin <= time < end. ValueError where such edges are no longer kept."""
        rows = self._rows
        found = []
        k = self.count - 1
        oldest = max(self.count - KEPT, 0)
        level = self.first
        while k >= oldest:
            row = rows[k % KEPT]
            if row >> 1 < begin:
                level = row & 1
                break
            if row >> 1 < end:
                found.append((row >> 1, row & 1))
            k -= 1
        if k < oldest and oldest:
            last = str(rows[oldest % KEPT] >> 1)
            raise ValueError("edges before cycle " + last + " are no longer kept; ask for less, or more often")
        found.reverse()
        # Two changes at one instant may have come to nothing.
        return [found[i] for i in range(len(found)) if found[i][1] != (found[i - 1][1] if i else level)]
