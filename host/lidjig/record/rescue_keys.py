"""Keys of rows as the index of a table has them, against those in the rows: the two lie on different pages.

Where they differ one of them is damaged. A checksum in the row says which; without one, what other rows say of the same
run and channel.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import sqlalchemy as sa

from lidjig.record.rescue_read import Key


class Listed:
    """The keys that a table's index lists, by rowid. whole: all of the index could be read. runs: the numbers that runs
    were given, None where nothing says so.
    """

    def __init__(self, table: sa.Table, listed: Mapping[int, Key], whole: bool, runs: set[int] | None) -> None:
        self._listed, self.whole, self._runs = dict(listed), whole, runs
        names = [column.name for column in table.primary_key]
        self._of_run = names.index("run") if "run" in names else None
        self._all = set(self._listed.values())
        self._groups = Counter(key[:-1] for key in self._listed.values())  # all but the place: run, or run and channel

    def bears_out(self, rowid: int, key: Key) -> bool:
        """Whether a row that no checksum vouches for has the key that it was written with, as far as can be known."""
        if key in self._all:
            return True
        there = self._listed.get(rowid)
        if there is None:  # an index that could not be read, or that lags behind where the log was lost
            return self.given(key) is not False and (self.given(key) is True or self._groups[key[:-1]] > 0)
        if self.given(key) is False:
            return False
        return self.given(there) is False or (self._groups[there[:-1]] == 1 and self._groups[key[:-1]] > 0)

    def given(self, key: Key) -> bool | None:
        """Whether the run that a key names ever was; None where that is not known, True of what belongs to no run."""
        if self._of_run is None:
            return True
        return None if self._runs is None else key[self._of_run] in self._runs

    def settle(self, rowid: int, key: Key) -> None:
        """The row is saved: where the index has another key for it, that one is damage."""
        if self._listed.get(rowid, key) != key:
            del self._listed[rowid]

    def keys(self) -> set[Key]:
        """The keys of rows that were there."""
        return {key for key in self._listed.values() if self.given(key) is not False}
