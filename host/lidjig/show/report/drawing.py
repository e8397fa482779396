"""Puts the figures to the content: which are drawn, from what, in which words; then the events that all of it needs."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

from lidjig.show.report import figures as drawn
from lidjig.show.report.anchors import Ref
from lidjig.show.report.compare import CHANGED, CompareRow, Comparison
from lidjig.show.report.content import Built, FigurePart
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.words import Words

DETAIL_FROM_S = 60.0  # a longer run gets a closer look at its worst movement
BEFORE_S, AFTER_S = 1.0, 1.5
STATES_TOLD = 12  # a description names so many changes one by one
COMPARED_MAX = 10  # rows of the figure; the table has all


def draw(built: Built) -> Built:
    """The report with figures and events. Every event that steps, evidence or figures stand on is among the events."""
    built.figures = [*_causes(built), *_timelines(built), *_latencies(built), *_connector(built), *_compare(built)]
    rows = built.index.rows()
    note = _events_note(len(rows), len(built.run.events), built.run.id, built.words)
    built.content = dataclasses.replace(
        built.content, figures=tuple(built.figures), events=tuple(rows), events_note=note
    )
    return built


def _labels(words: Words, table: str, title: str, description: str) -> Mapping[str, str]:
    decimal = words("form.decimal")
    return {**words.table(f"figure.{table}"), "decimal": decimal, "title": title, "desc": description}


def _ends(built: Built) -> tuple[Ref, ...]:
    """Links to the run's first and last event and to those before its gaps."""
    count = len(built.run.events)
    if count == 0:
        return ()
    places = {0, count - 1, *(gap.after_event - 1 for gap in built.run.gaps if 0 < gap.after_event <= count)}
    return tuple(built.index.ref(place) for place in sorted(places))


def _causes(built: Built) -> Iterable[FigurePart]:
    blocks = [block for block in built.content.findings if block.probability is not None]
    if not blocks:
        return
    words = built.words
    bars = [drawn.CauseBar(block.label, block.probability, block.main) for block in blocks]
    told = words("form.list").join(f"{block.label} {block.percent}" for block in blocks)
    title, text = words("figure.words.causes_title"), words("figure.words.causes", list=told)
    svg = drawn.causes_svg(bars, _labels(words, "causes", title, text), "f-causes")
    events = tuple(dict.fromkeys(ref for item in blocks[0].evidence for ref in item.events))
    yield FigurePart("causes", title, text, title + ".", events, svg)


def _timelines(built: Built) -> Iterable[FigurePart]:
    if not built.run.events:
        return
    words, data = built.words, drawn.timeline_from(built.run, built.machine)
    title = words("figure.words.timeline_title")
    text = " ".join(_timeline_words(data, words))
    svg = drawn.timeline_svg(data, _labels(words, "timeline", title, text), "f-time")
    yield FigurePart("timeline", title, text, words("figure.words.timeline"), _ends(built), svg)
    worst = _worst(built.trials)
    if worst is None or worst.place is None or (data.end_us - data.begin_us) / 1e6 < DETAIL_FROM_S:
        return
    boot = next((boot for boot in data.boots if boot.number == worst.boot), None)
    if boot is None:
        return
    at_us = worst.stimulus_us + boot.offset_us
    seconds = worst.latency_s if worst.latency_s is not None else worst.limit_s
    begin, end = at_us - round(BEFORE_S * 1e6), at_us + round((seconds + AFTER_S) * 1e6)
    window = data.between(max(begin, data.begin_us), min(end, data.end_us))
    missed = worst.latency_s is None
    title = words("figure.words.detail_title_miss") if missed else words("figure.words.detail_title_slow")
    text = " ".join(_timeline_words(window, words))
    svg = drawn.timeline_svg(window, _labels(words, "timeline", title, text), "f-detail")
    reaction = None if worst.reaction_us is None else built.index.at(worst.reaction_us)
    events = (built.index.ref(worst.place), *((reaction,) if reaction is not None else ()))
    yield FigurePart("timeline-detail", title, text, title + ".", events, svg)


def _worst(trials: list[TrialRow]) -> TrialRow | None:
    """The first miss, else the slowest."""
    placed = [trial for trial in trials if trial.place is not None]
    missed = [trial for trial in placed if trial.latency_s is None]
    return missed[0] if missed else max(placed, key=lambda trial: trial.latency_s or 0.0, default=None)


def _timeline_words(data: drawn.TimelineData, words: Words) -> Iterable[str]:
    """The figure for those who do not see it: which rows, which states, how many gaps."""
    yield words("figure.words.timeline")
    states = [data.power.words[value] for _begin, _end, value, _inferred in data.power.spans()]
    order = [state for place, state in enumerate(states) if place == 0 or state != states[place - 1]]
    if len(order) > STATES_TOLD:
        counts = {state: order.count(state) for state in dict.fromkeys(order)}
        told = ", ".join(f"{words(f'state.{state}')} {count}" for state, count in counts.items())
        yield words("figure.words.timeline_many", n=len(order) - 1, states=told)
    elif order:
        yield words("figure.words.timeline_states", states=", ".join(words(f"state.{state}") for state in order))
    if data.gaps:
        yield words("figure.words.timeline_gaps", n=len(data.gaps))


def _latencies(built: Built) -> Iterable[FigurePart]:
    series = drawn.series_of(built.trials)
    if not series:
        return
    words = built.words
    events = tuple(dict.fromkeys(ref for one in built.content.latencies for ref in one.events))
    told = " ".join(f"{one.title}: {' '.join(one.lines)}" for one in built.content.latencies)
    for name, key, render in (
        ("histogram", "histogram", drawn.histogram_svg),
        ("run-chart", "run", drawn.run_chart_svg),
    ):
        title, caption = words(f"figure.words.{key}_title"), words(f"figure.words.{key}")
        text = f"{caption} {told}"
        svg = render(series, _labels(words, "latency", title, text), f"f-{key}")
        yield FigurePart(name, title, text, f"{title}. {caption}", events, svg)


def _connector(built: Built) -> Iterable[FigurePart]:
    if built.content.connector is None:
        return
    words = built.words
    title, caption = words("figure.words.connector_title"), words("figure.words.connector")
    contacts = built.content.connector.contacts
    told = words("form.list").join(
        " ".join(part for part in (c.name, c.level, c.resistance, c.outcome_word) if part) for c in contacts
    )
    data = drawn.connector_from(built.run, built.machine)
    labels = {**_labels(words, "connector", title, f"{caption} {told}"), **_outcomes(words)}
    svg = drawn.connector_svg(data, labels, "f-connector")
    yield FigurePart("connector", title, f"{caption} {told}", f"{title}. {caption}", _survey_events(built), svg)


def _outcomes(words: Words) -> dict[str, str]:
    """Outcomes under their recorded names."""
    return {name.replace("_", " "): text for name, text in words.table("outcome").items()}


def _survey_events(built: Built) -> tuple[Ref, ...]:
    """The first opening of the route: the survey's readings follow it."""
    return tuple(
        built.index.ref(place) for place, event in enumerate(built.run.events) if event.name == "routed"
    )[:1] if built.run.measurements else ()


def _compare(built: Built) -> Iterable[FigurePart]:
    comparison = built.content.comparison
    if comparison is None:
        return
    rows = _telling(comparison)
    if not rows:
        return
    words = built.words
    title, caption = words("figure.words.compare_title"), words("figure.words.compare")
    drawn_rows = [
        drawn.CompareRow(row.name.text, row.before.raw, row.after.raw, f"{row.difference}: {row.change_word}")
        for row in rows
    ]
    told = words("form.list").join(f"{row.name.text} {row.before.value}, {row.after.value}" for row in rows)
    svg = drawn.compare_svg(drawn_rows, _labels(words, "compare", title, f"{caption} {told}"), "f-compare")
    yield FigurePart("compare", title, f"{caption} {told}", f"{title}. {caption}", (), svg)


def _telling(comparison: Comparison) -> list[CompareRow]:
    """Rows with a number on both sides, those that changed first; so many as a page can hold. Counts that stayed the
    same are left to the table: a drawing of two points on each other says nothing.
    """
    both = [row for row in comparison.rows if _has_value(row) and (row.change == CHANGED or not _same_count(row))]
    return sorted(both, key=lambda row: row.change != CHANGED)[:COMPARED_MAX]


def _has_value(row: CompareRow) -> bool:
    return all(side.raw is not None and side.raw.value is not None for side in (row.before, row.after))


def _same_count(row: CompareRow) -> bool:
    return all(side.raw is not None and side.raw.low == side.raw.high for side in (row.before, row.after))


def _events_note(shown: int, total: int, run: str, words: Words) -> str:
    if total == 0:
        return words("page.events_none")
    if shown == total:
        return words("page.events_all", total=total)
    return words("page.events_note", shown=shown, total=total, left=total - shown, run=run)

