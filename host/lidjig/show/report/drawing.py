"""Puts the figures to the content: which are drawn, from what, in which words; then the events that all of it needs.

A figure is drawn only when the page asks for it, and what draws is imported only then.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping

from lidjig.measure import proportion
from lidjig.record.model import MeasuredValue
from lidjig.show.report.anchors import Ref
from lidjig.show.report.compare import CHANGED, SINGLE, CompareRow, Comparison, linked
from lidjig.show.report.content import Built, FigurePart, ReportContent
from lidjig.show.report.figures.crowds import timeline_notes
from lidjig.show.report.figures.data import Miss, TimelineData, timeline_from
from lidjig.show.report.figures.marks import RunMarks
from lidjig.show.report.figures.samples import Window, traces_of
from lidjig.show.report.figures.trials import Series, TrialRow, series_of
from lidjig.show.report.marks import Marks
from lidjig.show.report.sampled import ChannelPart, channel_part
from lidjig.show.report.standing import unit_of
from lidjig.show.report.words import Words

DETAIL_FROM_S = 60.0  # a longer run gets a closer look at its worst movement
BEFORE_S, AFTER_S = 1.0, 1.5
STATES_TOLD = 12  # a description names so many changes one by one
BESIDE_MAX, ALONE_MAX = 4, 11  # sampled channels below the other rows of a figure, and alone in one: a sheet of A4
COMPARED_MAX = 10  # rows of the figure; the table has all

Drawn = tuple[FigurePart, Callable[[], str]]


def draw(built: Built) -> Built:
    """The report with figures and events. Every event that steps, evidence or figures stand on is among the events."""
    _link_sides(built)
    figures = [*_causes(built), *_timelines(built), *_latencies(built), *_connector(built), *_compare(built)]
    built.drawings = {part.name: svg for part, svg in figures}
    rows = built.index.rows()
    note = _events_note(len(rows), len(built.run.events), built.run.id, built.words)
    before = None if built.before is None else _closed(built.before)
    built.content = dataclasses.replace(
        built.content,
        before=before,
        figures=tuple(part for part, _svg in figures),
        events=tuple(rows),
        events_note=note,
    )
    return built


def _closed(built: Built) -> ReportContent:
    """The content of the run before, with the events that it stands on; it has no figures of its own."""
    rows = built.index.rows()
    note = _events_note(len(rows), len(built.run.events), built.run.id, built.words)
    return dataclasses.replace(built.content, events=tuple(rows), events_note=note)


def _link_sides(built: Built) -> None:
    """Puts to both sides of the comparison what they stand on."""
    comparison = built.content.comparison
    if comparison is not None and built.before is not None:
        told = linked(comparison, _standing_in(built.before.content), _standing_in(built.content))
        built.content = dataclasses.replace(built.content, comparison=told)


def _standing_in(content: ReportContent) -> Callable[[str], tuple[str, tuple[Ref, ...], bool]]:
    rows = {row.raw["name"]: (row.anchor, row.events, row.span) for row in content.steps}
    # A median that was no measurement of the run stands on its movements.
    medians = {f"{one.verb} latency, median": ("", one.events, False) for one in content.latencies}
    return lambda name: rows.get(name, medians.get(name, ("", (), False)))


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
    measured = {row.anchor for row in built.content.steps}
    rows = tuple(dict.fromkeys(ref for item in blocks[0].evidence for ref in item.rows if ref.anchor in measured))

    def svg() -> str:
        from lidjig.show.report.figures.causes import CauseBar, causes_svg

        bars = [CauseBar(block.label, block.probability, block.main) for block in blocks]
        return causes_svg(bars, _labels(words, "causes", title, text), "f-causes")

    yield FigurePart("causes", title, text, title + ".", events, rows=rows), svg


def _timelines(built: Built) -> Iterable[Drawn]:
    """The time axis, with so many sampled channels as a sheet of paper has room for; the others over the same axis in
    figures of their own; a closer look at the worst movement.
    """
    words, kept = built.words, built.kept
    if not built.run.events and not kept.channels:
        return
    whole = timeline_from(built.run, built.machine, kept.power, kept.channels, kept.boots)
    whole = dataclasses.replace(whole, misses=_misses(built, whole))
    window = _window(built, whole)
    whole, detail = _with_traces(built, whole, window)
    parts = tuple(channel_part(trace, words) for trace in whole.traces)
    built.content = dataclasses.replace(built.content, channels=parts)
    first, rest = whole.traces[:BESIDE_MAX], whole.traces[BESIDE_MAX:]
    data = dataclasses.replace(whole, traces=first)
    title = words("figure.words.timeline_title")
    text = " ".join((*_timeline_words(data, words), *_channel_words(parts[:BESIDE_MAX], words)))
    caption = " ".join((words("figure.words.timeline"), *_thinned(data, words)))
    part = FigurePart("timeline", title, text, caption, _ends(built), missed=_missed(built))
    yield part, _timeline(data, _timeline_labels(words, title, text), "f-time")
    for place in range(0, len(rest), ALONE_MAX):
        more, number = whole.only(rest[place : place + ALONE_MAX]), place // ALONE_MAX + 1
        told = parts[BESIDE_MAX:][place : place + ALONE_MAX]
        title = words("figure.words.channels_title")
        text = " ".join((words("figure.words.channels"), *_channel_words(told, words)))
        caption = " ".join((words("figure.words.channels"), *_thinned(more, words)))
        part = FigurePart(f"timeline-channels-{number}", title, text, caption, _ends(built))
        yield part, _timeline(more, _timeline_labels(words, title, text), f"f-more-{number}")
    if window is not None and detail is not None:
        yield _detail(built, window[0], detail)


def _thinned(data: TimelineData, words: Words) -> list[str]:
    """Notes on how it is drawn."""
    return timeline_notes(data, {**words.table("figure.timeline"), "decimal": words("form.decimal")})


def _misses(built: Built, data: TimelineData) -> tuple[Miss, ...]:
    """The movements that were missed or late, where they lie on the axis."""
    offsets = {boot.number: boot.offset_us for boot in data.boots}
    return tuple(
        Miss(trial.stimulus_us + offsets.get(trial.boot, 0), trial.result)
        for trial in built.trials
        if trial.result != "hit"
    )


def _missed(built: Built) -> tuple[Ref, ...]:
    """Links to them."""
    places = [trial.place for trial in built.trials if trial.result != "hit" and trial.place is not None]
    return tuple(built.index.ref(place) for place in places)


def _with_traces(
    built: Built, whole: TimelineData, window: tuple[TrialRow, Window] | None
) -> tuple[TimelineData, TimelineData | None]:
    """The whole run and the window with their sampled channels; each channel is read once."""
    windows = [Window(whole.begin_us, whole.end_us), *([window[1]] if window is not None else [])]
    found = [traces_of(row, built.kept.series(row.channel), whole.boots, windows) for row in built.kept.channels]
    traces = [tuple(trace for trace in column if trace is not None) for column in zip(*found, strict=True)]
    detail = whole.between(windows[1].begin_us, windows[1].end_us) if window is not None else None
    if not traces:
        return whole, detail
    if detail is not None:
        detail = dataclasses.replace(detail, traces=traces[1][:BESIDE_MAX])
    return dataclasses.replace(whole, traces=traces[0]), detail


def _timeline_labels(words: Words, title: str, text: str) -> Mapping[str, str]:
    channels = {f"channel-{name}": told for name, told in words.table("channel").items()}
    return {**_labels(words, "timeline", title, text), **channels}


def _channel_words(parts: Iterable[ChannelPart], words: Words) -> Iterable[str]:
    for one in parts:
        yield words("figure.words.channel", name=one.name, range=one.range, n=one.samples, gaps=one.gaps)


def _timeline(data: TimelineData, labels: Mapping[str, str], prefix: str) -> Callable[[], str]:
    def svg() -> str:
        from lidjig.show.report.figures.timeline import timeline_svg

        return timeline_svg(data, labels, prefix)

    return svg


def _window(built: Built, data: TimelineData) -> tuple[TrialRow, Window] | None:
    """The worst movement of a long run and the time about it; None for a short one."""
    worst = _worst(built.trials)
    if worst is None or (data.end_us - data.begin_us) / 1e6 < DETAIL_FROM_S:
        return None
    boot = next((boot for boot in data.boots if boot.number == worst.boot), None)
    if boot is None:
        return None
    at_us = worst.stimulus_us + boot.offset_us
    seconds = worst.latency_s if worst.latency_s is not None else worst.limit_s
    begin, end = at_us - round(BEFORE_S * 1e6), at_us + round((seconds + AFTER_S) * 1e6)
    return worst, Window(max(begin, data.begin_us), min(end, data.end_us))


def _detail(built: Built, worst: TrialRow, window: TimelineData) -> Drawn:
    """A closer look at the worst movement."""
    words, missed = built.words, worst.latency_s is None
    title = words("figure.words.detail_title_miss") if missed else words("figure.words.detail_title_slow")
    text = " ".join(_timeline_words(window, words))
    reaction = None if worst.reaction_us is None else built.index.at(worst.reaction_us, worst.boot)
    stimulus = None if worst.place is None else built.index.ref(worst.place)
    events = tuple(ref for ref in (stimulus, reaction) if ref is not None)
    caption = " ".join((f"{title}.", *_thinned(window, words)))
    part = FigurePart("timeline-detail", title, text, caption, events)
    return part, _timeline(window, _timeline_labels(words, title, text), "f-detail")


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
    if data.misses:
        late = sum(miss.kind == "late" for miss in data.misses)
        yield words("figure.words.timeline_misses", missed=len(data.misses) - late, late=late)
    if data.gaps:
        yield words("figure.words.timeline_gaps", n=len({gap.place for gap in data.gaps}))


def _latencies(built: Built) -> Iterable[Drawn]:
    series = series_of(built.trials)
    if not series:
        return
    words = built.words
    events = tuple(dict.fromkeys(ref for one in built.content.latencies for ref in one.events))
    told = " ".join(f"{one.title}: {' '.join(one.lines)}" for one in built.content.latencies)
    unit = unit_of(built.run)
    marks = Marks(built.run, built.trials, unit, words)
    kinds = [("histogram", "histogram", "histogram"), ("run-chart", "run", f"run_{unit}")]
    for name, key, said in kinds if any(one.latencies_s for one in series) else kinds[1:]:
        more = marks.said_of_spread() if key == "histogram" else marks.said_of_chart()
        title, caption = words(f"figure.words.{said}_title"), " ".join((words(f"figure.words.{said}"), *more))
        # The axis counts what the lid was moved in.
        axis = {"cycle": words(f"figure.latency.{unit}")}
        labels = {**_labels(words, "latency", title, f"{caption} {told}"), **axis}
        part = FigurePart(name, title, labels["desc"], f"{title}. {caption}", events)
        yield part, _latency(key, series, labels, marks.chart())


def _latency(key: str, series: list[Series], labels: Mapping[str, str], marks: RunMarks) -> Callable[[], str]:
    def svg() -> str:
        from lidjig.show.report.figures.latency import histogram_svg, run_chart_svg

        if key == "histogram":
            return histogram_svg(series, labels, f"f-{key}")
        return run_chart_svg(series, labels, f"f-{key}", marks)

    return svg


def _connector(built: Built) -> Iterable[Drawn]:
    if built.content.connector is None:
        return
    words = built.words
    title, caption = words("figure.words.connector_title"), words("figure.words.connector")
    told = words("form.list").join(
        " ".join(part for part in (c.name, r.side_word, r.quantity, r.value, r.outcome_word) if part)
        for c in built.content.connector.contacts
        for r in c.readings
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
            figure.CompareRow(row.name.text, *_scaled(row), f"{row.difference}: {row.change_word}") for row in rows
        ]
        return figure.compare_svg(shown, labels, "f-compare")

    stands = tuple(
        Ref(side.anchor, f"{row.name.text} ({words(f'compare.{key}')})")
        for row in rows
        for key, side in (("before", row.before), ("after", row.after))
        if side.anchor
    )
    yield FigurePart("compare", title, labels["desc"], f"{title}. {caption}", rows=stands), svg


def _scaled(row: CompareRow) -> tuple[MeasuredValue | None, MeasuredValue | None]:
    """Both values in the unit in which their difference is told: in percent where that is percentage points. A count of
    movements is drawn as the part of n that it is compared as, with its exact interval.
    """
    return _percent(row.before.raw, row), _percent(row.after.raw, row)


def _percent(one: MeasuredValue | None, row: CompareRow) -> MeasuredValue | None:
    if one is None or one.value is None or not row.points:
        return one
    counted = row.counted and one.n > 0
    per = 100.0 / one.n if counted else 100.0

    def told(value: float | None) -> float | None:
        return None if value is None else per * value

    low, high = told(one.low), told(one.high)
    if counted:
        low, high = (100.0 * end for end in proportion.clopper_pearson(round(one.value), one.n))
    limits = told(one.limit_low), told(one.limit_high)
    return MeasuredValue(one.name, told(one.value), "%", low, high, one.n, *limits)


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
