"""Power states from the record: what the machine profile's signatures make of the observers' events."""

from __future__ import annotations

from collections.abc import Mapping

from lidjig.bench.machine import MachineProfile
from lidjig.measure.power import PowerClassifier
from lidjig.record.stored import StoredEvent
from lidjig.show.report.figures.axis import Levels, Piece
from lidjig.show.report.figures.tracks import UNKNOWN, StepTrack, steps
from shared_proto import names

STATES = ("S0", "S3", "S5", "G3")


class _Signatures:
    """The machine's signatures; without the supply monitor where the record says nothing of it.

    The monitor is told only when it changes. G3 may differ from S5 by it alone, so G3 is then not told apart.
    """

    def __init__(self, machine: MachineProfile, supply_told: bool) -> None:
        self._machine, self._supply_told = machine, supply_told

    def signatures(self) -> Mapping[str, Mapping[str, frozenset[int]]]:
        """Power state -> observer -> what fits."""
        whole = self._machine.signatures()
        if self._supply_told:
            return whole
        return {
            state: {observer: fits for observer, fits in signature.items() if observer != "supply_ok"}
            for state, signature in whole.items()
            if state != "G3"
        }

    def channels(self) -> Mapping[str, str]:
        """Channel -> observer."""
        return self._machine.channels()


def classify(
    events: list[StoredEvent], machine: MachineProfile, levels: list[Levels] | None = None
) -> PowerClassifier:
    """The power states that the events show, by the machine profile.

    levels: readings of all lines in the same stretch of the record. Without one, a line's level before its first
    change is taken as known from the first event on.
    """
    read = levels or []
    supply_told = any(event.name == "supply" for event in events) or any(item.of("supply_ok") for item in read)
    classifier = PowerClassifier(_Signatures(machine, supply_told))
    if not read:
        first_us = min((event.t_us for event in events), default=0)
        for observer, level in _first_levels(events).items():
            classifier.show(observer, 1 - level, first_us)
    waiting = list(read)
    for event in events:
        while waiting and waiting[0].t_us <= event.t_us:
            classifier.show_lines(waiting[0].mask, waiting[0].t_us)
            waiting.pop(0)
        classifier.feed(event)
    for item in waiting:
        classifier.show_lines(item.mask, item.t_us)
    return classifier


def _first_levels(events: list[StoredEvent]) -> dict[str, int]:
    """Line -> the level of its first change."""
    first: dict[str, int] = {}
    for event in events:
        if event.name == "edge" and 0 <= event.data["line"] < len(names.LINES):
            first.setdefault(names.LINES[event.data["line"]], event.data["level"])
        elif event.name == "supply":
            first.setdefault("supply_ok", event.data["present"])
    return first


def power_track(pieces: list[Piece], machine: MachineProfile | None) -> StepTrack:
    """The power state over the axis; unknown without a profile."""
    told: list[tuple[int, int, list[tuple[int, int]], bool]] = []
    for piece in pieces:
        timeline = classify(piece.events, machine, piece.levels).timeline if machine is not None else []
        at = [(t_us + piece.offset_us, STATES.index(state) if state in STATES else UNKNOWN) for t_us, state in timeline]
        told.append((piece.begin_us, piece.end_us, at, False))
    return steps("power", STATES, told)
