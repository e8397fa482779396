"""Puts the figures to the content: which are drawn, from what, in which words; then the events that all of it needs.

A figure is drawn only when the page asks for it, and what draws is imported only then.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping

from lidjig.show.report.anchors import Ref
from lidjig.show.report.compare import CHANGED, SINGLE, CompareRow, Comparison
from lidjig.show.report.content import Built, FigurePart
from lidjig.show.report.figures.data import TimelineData, timeline_from
from lidjig.show.report.figures.trials import Series, TrialRow, series_of
from lidjig.show.report.standing import unit_of
from lidjig.show.report.words import Words

DETAIL_FROM_S = 60.0  # a longer run gets a closer look at its worst movement
BEFORE_S, AFTER_S = 1.0, 1.5
STATES_TOLD = 12  # a description names so many changes one by one
COMPARED_MAX = 10  # rows of the figure; the table has all

Drawn = tuple[FigurePart, Callable[[], str]]


def draw(built: Built) -> Built:
    """The report with figures and events. Every event that steps, evidence or figures stand on is among the events."""
    figures = [*_causes(built), *_timelines(built), *_latencies(built), *_connector(built), *_compare(built)]
    built.drawings = {part.name: svg for part, svg in figures}
    rows = built.index.rows()
    note = _events_note(len(rows), len(built.run.events), built.run.id, built.words)
    built.content = dataclasses.replace(
        built.content, figures=tuple(part for part, _svg in figures), events=tuple(rows), events_note=note
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


def _causes(built: Built) -> Iterable[Drawn]:
    blocks = [block for block in built.content.findings if block.probability is not None]
    if not blocks:
        return
    words = built.words
    told = words("form.list").join(f"{block.label} {block.percent}" for block in blocks)
    title, text = words("figure.words.causes_title"), words("figure.words.causes", list=told)
    events = tuple(dict.fromkeys(ref for item in blocks[0].evidence for ref in item.events))

    def svg() -> str:
        from lidjig.show.report.figures.causes import CauseBar, causes_svg

        bars = [CauseBar(block.label, block.probability, block.main) for block in blocks]
        return causes_svg(bars, _labels(words, "causes", title, text), "f-causes")

    yield FigurePart("causes", title, text, title + ".", events), svg


def _timelines(built: Built) -> Iterable[Drawn]:
    if not built.run.events:
        return
    words, data = built.words, timeline_from(built.run, built.machine)
    title = words("figure.words.timeline_title")
    text = " ".join(_timeline_words(data, words))
    part = FigurePart("timeline", title, text, words("figure.words.timeline"), _ends(built))
    yield part, _timeline(data, _labels(words, "timeline", title, text), "f-time")
    yield from _detail(built, data)


def _timeline(data: TimelineData, labels: Mapping[str, str], prefix: str) -> Callable[[], str]:
    def svg() -> str:
        from lidjig.show.report.figures.timeline import timeline_svg

        return timeline_svg(data, labels, prefix)

    return svg


def _detail(built: Built, data: TimelineData) -> Iterable[Drawn]:
    """A closer look at the worst movement of a long run."""
    words = built.words
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
    reaction = None if worst.reaction_us is None else built.index.at(worst.reaction_us)
    events = (built.index.ref(worst.place), *((reaction,) if reaction is not None else ()))
    part = FigurePart("timeline-detail", title, text, title + ".", events)
    yield part, _timeline(window, _labels(words, "timeline", title, text), "f-detail")


def _worst(trials: list[TrialRow]) -> TrialRow | None:
    """The first miss, else the slowest."""
    placed = [trial for trial in trials if trial.place is not None]
    missed = [trial for trial in placed if trial.latency_s is None]
    return missed[0] if missed else max(placed, key=lambda trial: trial.latency_s or 0.0, default=None)


def _timeline_words(data: TimelineData, words: Words) -> Iterable[str]:
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


def _latencies(built: Built) -> Iterable[Drawn]:
    series = series_of(built.trials)
    if not series:
        return
    words = built.words
    events = tuple(dict.fromkeys(ref for one in built.content.latencies for ref in one.events))
    told = " ".join(f"{one.title}: {' '.join(one.lines)}" for one in built.content.latencies)
    unit = unit_of(built.run)
    for name, key, said in (("histogram", "histogram", "histogram"), ("run-chart", "run", f"run_{unit}")):
        title, caption = words(f"figure.words.{said}_title"), words(f"figure.words.{said}")
        # The axis counts what the lid was moved in.
        axis = {"cycle": words(f"figure.latency.{unit}")}
        labels = {**_labels(words, "latency", title, f"{caption} {told}"), **axis}
        part = FigurePart(name, title, labels["desc"], f"{title}. {caption}", events)
        yield part, _latency(key, series, labels)


def _latency(key: str, series: list[Series], labels: Mapping[str, str]) -> Callable[[], str]:
    def svg() -> str:
        from lidjig.show.report.figures.latency import histogram_svg, run_chart_svg

        return (histogram_svg if key == "histogram" else run_chart_svg)(series, labels, f"f-{key}")

    return svg


def _connector(built: Built) -> Iterable[Drawn]:
    if built.content.connector is None:
        return
    words = built.words
    title, caption = words("figure.words.connector_title"), words("figure.words.connector")
    contacts = built.content.connector.contacts
    told = words("form.list").join(
        " ".join(part for part in (c.name, c.level, c.resistance, c.outcome_word) if part) for c in contacts
    )
    labels = {**_labels(words, "connector", title, f"{caption} {told}"), **_outcomes(words)}

    def svg() -> str:
        from lidjig.show.report.figures.connector import connector_from, connector_svg

        return connector_svg(connector_from(built.run, built.machine), labels, "f-connector")

    yield FigurePart("connector", title, labels["desc"], f"{title}. {caption}", _surveyed(built), readings=True), svg


def _outcomes(words: Words) -> dict[str, str]:
    """Outcomes under their recorded names."""
    return {name.replace("_", " "): text for name, text in words.table("outcome").items()}


def _surveyed(built: Built) -> tuple[Ref, ...]:
    """The readings behind the figures of the connector, in the order of their board times."""
    known = {row.anchor: row.t_us for row in built.content.readings}
    refs = dict.fromkeys(ref for row in built.content.steps for ref in row.events if ref.anchor in known)
    return tuple(sorted(refs, key=lambda ref: known[ref.anchor]))


def _compare(built: Built) -> Iterable[Drawn]:
    comparison = built.content.comparison
    if comparison is None:
        return
    rows = _telling(comparison)
    if not rows:
        return
    words = built.words
    title, caption = words("figure.words.compare_title"), words("figure.words.compare")
    told = words("form.list").join(f"{row.name.text} {row.before.value}, {row.after.value}" for row in rows)
    labels = _labels(words, "compare", title, f"{caption} {told}")

    def svg() -> str:
        from lidjig.show.report.figures import compare as figure

        shown = [
            figure.CompareRow(row.name.text, row.before.raw, row.after.raw, f"{row.difference}: {row.change_word}")
            for row in rows
        ]
        return figure.compare_svg(shown, labels, "f-compare")

    yield FigurePart("compare", title, labels["desc"], f"{title}. {caption}"), svg


def _telling(comparison: Comparison) -> list[CompareRow]:
    """Rows with a number on both sides, those that changed first; so many as a page can hold. Counts that stayed the
    same are left to the table: a drawing of two points on each other says nothing.
    """
    two = [row for row in comparison.rows if _has_value(row) and row.change != SINGLE]
    both = [row for row in two if row.change == CHANGED or not _same_count(row)]
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

