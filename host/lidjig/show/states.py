"""Power states of a run, in words and as plain data."""

from __future__ import annotations

from typing import Any

from lidjig.measure.states_why import CONTRADICTION, NO_FIT, NOT_HEARD, NOT_TOLD, RESTARTED, UNSURE, Why
from lidjig.record.power_spans import BANDS, EVENTS, LEARNED, PowerSpans, StateSpan
from lidjig.show.numbers import board_time, duration, figure, share

METHODS = {
    LEARNED: "samples smoothed over all observers, by what the machine profile was taught",
    BANDS: "samples smoothed over all observers, by the bands of a profile that was not taught (no [learned])",
    EVENTS: "events of comparators and lines alone, not smoothed: no interval, no confidence",
}
SHORT_METHODS = {LEARNED: "smoothed, taught", BANDS: "smoothed, by bands", EVENTS: "by events"}
CAUSES = {
    NOT_HEARD: "nothing was heard",
    NOT_TOLD: "what was heard does not tell the state from another",
    NO_FIT: "what was heard fits no state",
    CONTRADICTION: "the observers agree on no state",
    UNSURE: "no state is likely enough",
    RESTARTED: "the board was restarted; the time between its boots is not known",
}
LISTED_MAX = 8  # states named in the short line


def why_text(why: Why) -> str:
    """ "what was heard does not tell the state from another (nothing usable of light)" """
    text = CAUSES[why.cause]
    return f"{text} (nothing usable of {', '.join(why.without)})" if why.without else text


def span_text(span: StateSpan) -> str:
    """One span: state, begin with its interval, end, duration, confidence or why it is unknown."""
    begin = board_time(span.begin_us)
    if span.begin_low_us is not None and span.begin_high_us is not None:
        begin += f" ({board_time(span.begin_low_us)} to {board_time(span.begin_high_us)})"
    lasted = f"{figure(span.seconds)} s" if span.seconds < 60 else duration(span.seconds)
    text = f"{span.state:<8}{begin} s to {board_time(span.end_us)} s, {lasted}"
    if span.confidence is not None:
        # Rounded down: 99.97 % is not certain.
        text += f", confidence {int(1000 * span.confidence) / 10:.1f} %"
    return text if span.why is None else f"{text}: {why_text(span.why)}"


def states_line(found: PowerSpans) -> list[str]:
    """The short line, as a list of one: "12 changes (S5 S0 S3 ..., 5 left out), by events; see --states"."""
    states = [span.state for span in found.spans]
    named = " ".join(states[:LISTED_MAX])
    left_out = len(states) - LISTED_MAX
    if left_out > 0:
        named += f" ..., {left_out} left out"
    method = SHORT_METHODS[found.method]
    if found.passed_over:
        method += f", {found.passed_over} samples not looked at"
    changes = f"{found.changes} change{'s' if found.changes != 1 else ''}"
    return [f"{changes} ({named or 'nothing heard'}), {method}; see --states"]


def states_lines(found: PowerSpans) -> list[str]:
    """Method, share of time of each state, and every span."""
    shares = ", ".join(f"{state} {share(part)} %" for state, part in found.shares().items())
    head = [f"from {METHODS[found.method]}", f"share of the time: {shares or 'no time'}"]
    if found.boots > 1:
        head.append(f"{found.boots} boots, one after another; the time between them is a guess, counted as unknown")
    return [*head, "state, begin (95 % interval), end, duration:", *(span_text(span) for span in found.spans)]


def states_object(found: PowerSpans) -> dict[str, Any]:
    """The same as plain data; shares 0..1, times in us on the run's axis."""
    return {
        "method": found.method,
        "changes": found.changes,
        "boots": found.boots,
        "shares": found.shares(),
        "spans": [
            {
                "state": span.state,
                "begin_us": span.begin_us,
                "begin_low_us": span.begin_low_us,
                "begin_high_us": span.begin_high_us,
                "end_us": span.end_us,
                "duration_us": span.end_us - span.begin_us,
                "confidence": span.confidence,
                "why": None if span.why is None else span.why.cause,
                "without": [] if span.why is None else list(span.why.without),
            }
            for span in found.spans
        ],
    }
