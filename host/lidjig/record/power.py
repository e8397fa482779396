"""Power states from a run's events, boot by boot, by the observers that told them at the time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from lidjig.measure.power import PowerClassifier, Signed, Timeline, spliced
from lidjig.record.axis import Levels
from lidjig.record.stored import StoredEvent


def states_of_boot(
    events: Sequence[StoredEvent], levels: Sequence[Levels], told: Iterable[tuple[int, Signed]]
) -> Timeline:
    """(board time in us, power state) of each change in one boot. As walk(); told: (from which board time in us on, by
    which signatures), ascending, the first from 0 (power_signed.told_by()).
    """
    return spliced([(since_us, _states_by(events, levels, signed)) for since_us, signed in told])


def _states_by(events: Iterable[StoredEvent], levels: Sequence[Levels], signed: Signed) -> Timeline:
    timeline: Timeline = []
    for _at_us, classifier in walk(events, levels, signed):
        timeline = classifier.timeline
    return timeline


def walk(
    events: Iterable[StoredEvent], levels: Sequence[Levels], signed: Signed
) -> Iterator[tuple[int, PowerClassifier]]:
    """The classifier, one and the same, after each event and reading, with the board time in us of that.

    events: of one boot, as they were received; levels: readings of all lines in it, ascending; signed: the machine's
    signatures. Where events were lost nothing is known until the observers are heard again.
    """
    classifier = PowerClassifier(signed)
    waiting = list(levels)
    for event in events:
        while waiting and waiting[0].t_us <= event.t_us:
            read = waiting.pop(0)
            classifier.show_lines(read.mask, read.t_us)
            yield read.t_us, classifier
        if event.name == "lost":
            classifier.forget(event.t_us)
        else:
            classifier.feed(event)
        yield event.t_us, classifier
    for read in waiting:
        classifier.show_lines(read.mask, read.t_us)
        yield read.t_us, classifier
