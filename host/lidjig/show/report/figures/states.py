"""Power states of a run as a ribbon: the spans that `lidjig show --states` lists."""

from __future__ import annotations

from lidjig.record.power_spans import PowerSpans
from lidjig.show.report.figures.tracks import StepTrack, steps

STATES = ("S0", "S3", "S5", "G3")


def power_track(found: PowerSpans | None) -> StepTrack:
    """The power state over the axis; nothing known without spans (None: there is no profile to tell them by)."""
    known = [span for span in found.spans if span.state in STATES] if found is not None else []
    told = [(span.begin_us, span.end_us, [(span.begin_us, STATES.index(span.state))], False) for span in known]
    return steps("power", STATES, told)
