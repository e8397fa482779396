"""A machine's signatures without observers that say nothing of it now, and what is still told apart by the rest."""

from __future__ import annotations

import itertools

from lidjig.bench.machine import MachineProfile
from lidjig.bench.machine_check import apart

SUPPLY_CURRENT = "charger_i"  # of machine and pack together: a pack that charges adds to it


class Remaining:
    """The machine's signatures without the observers left out.

    Without the supply monitor, and where nothing else tells it from another state, G3 is left out too.
    """

    def __init__(self, machine: MachineProfile, left_out: frozenset[str]) -> None:
        self._machine, self.left_out = machine, left_out

    def signatures(self) -> dict[str, dict[str, frozenset[int]]]:
        """Power state -> observer -> what fits."""
        kept = {
            state: {observer: fits for observer, fits in signature.items() if observer not in self.left_out}
            for state, signature in self._machine.signatures().items()
        }
        off = kept.get("G3")
        doubtful = any(not apart(off, other) for state, other in kept.items() if state != "G3") if off else False
        if "supply_ok" in self.left_out or (self.left_out and doubtful):
            kept.pop("G3", None)
        return kept

    def channels(self) -> dict[str, str]:
        """Channel -> observer."""
        return self._machine.channels()

    def confused(self) -> tuple[str, ...]:
        """States that are not told apart; none where all are."""
        pairs = itertools.combinations(self.signatures().items(), 2)
        mixed = [state for one, two in pairs if not apart(one[1], two[1]) for state in (one[0], two[0])]
        return tuple(dict.fromkeys(mixed))

    def by_lines(self) -> Remaining | None:
        """The signatures without the supply current where the machine's own lines need none of it; None where they do,
        or where it says nothing anyway.

        The lines have to tell all states apart. S0 needs a second witness beside a single line (the light): one that is
        stuck or has come off must not make a working machine look asleep or off.
        """
        without = Remaining(self._machine, self.left_out | {SUPPLY_CURRENT})
        signatures = without.signatures()
        if all(SUPPLY_CURRENT not in signature for signature in self.signatures().values()):
            return None
        lines = {*self._machine.digital(), "supply_ok"}
        for (one, shown), (other, shown_then) in itertools.combinations(signatures.items(), 2):
            telling = apart(shown, shown_then)
            if not telling & lines or ("S0" in (one, other) and len(telling) < 2):
                return None
        return without
