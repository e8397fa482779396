"""The timeline: angle, lines, route, interlock, observers, sampled channels and power state over board time."""

from __future__ import annotations

import math

from lidjig.record.axis import GapMark
from lidjig.show.report.figures.canvas import (
    SMALL,
    TEXT,
    WIDE,
    Labels,
    boxes,
    figure,
    number,
    page,
    render,
    room,
    style,
)
from lidjig.show.report.figures.crowds import LEFT, SPAN, WIDE_BAR, crowds_of
from lidjig.show.report.figures.data import TimelineData
from lidjig.show.report.figures.palette import colour
from lidjig.show.report.figures.rows import (
    LOOKS,
    Place,
    Row,
    angle_row,
    band_row,
    digital_row,
    marks_row,
    misses_row,
    name_in,
    nice,
    patch,
    ribbon_row,
)
from lidjig.show.report.figures.sampled_row import sampled_row

TOP = 22.0  # above the rows: names of gaps
AXIS = 38.0  # below the rows: ticks and the axis' name
GAP_ROW = 4.0
LEGEND = 20.0  # height of a line of it
SWATCH = 28.0
KINDS = ("link-lost", "restart", "lost-events", "recovered")  # gaps with a name of their own


def timeline_svg(data: TimelineData, labels: Labels, prefix: str) -> str:
    """All rows over one axis. labels: "title", "desc", "decimal" and the names of rows, values, gaps and notes.

    A row with more changes than it has room for is thinned; timeline_notes says so beside the figure.
    """
    rows = _rows(data, labels)
    words = _legend_words(data, labels)
    texts = [_legend_text(ribbon, word, labels) for ribbon, word in words] + [labels["blank"]]
    body = TOP + sum(row.height + GAP_ROW for row in rows)
    height = body + AXIS + 4.0 + LEGEND * len(_legend_lines(texts))
    with style():
        fig = figure(WIDE, height)
        place = Place(page(fig, WIDE, height), labels, float(data.begin_us), float(data.end_us))
        _ticks(place, data, body)
        y = TOP
        for row in rows:
            row.draw(place, y)
            y += row.height + GAP_ROW
        _gaps(place, data, body)
        _legend(place, body + AXIS + 8.0, words, texts)
        return render(fig, labels, prefix, wide=True)


def _rows(data: TimelineData, labels: Labels) -> list[Row]:
    rows: list[Row] = []
    scale = SPAN / (data.end_us - data.begin_us)
    if len(data.angle.deg):
        rows.append(angle_row(data.angle))
    rows += [digital_row(track, labels) for track in (*data.outputs, *data.lines)]
    rows += [ribbon_row(track, labels, scale) for track in (data.route, data.lock) if track.heard]
    rows += [digital_row(track, labels) for track in data.observers]
    rows += [band_row(band, labels) for band in data.bands]
    rows += [sampled_row(trace, labels[f"channel-{trace.row.channel}"], labels) for trace in data.traces]
    if data.marks_us:
        rows.append(marks_row(data.marks_us, labels))
    if data.misses:
        rows.append(misses_row(data.misses, labels))
    rows.append(ribbon_row(data.power, labels, scale, height=28.0, crowded=64.0))
    return rows


# -- the axis


def _ticks(place: Place, data: TimelineData, bottom: float) -> None:
    axes, labels = place.axes, place.labels
    axes.plot([LEFT, LEFT + SPAN], [bottom, bottom], color=colour("frame"), lw=0.8)
    step = nice((data.end_us - data.begin_us) / 1e6 / 8.0)
    taken, named = -math.inf, LEFT
    for boot in data.boots:
        begin = max(boot.begin_us + boot.offset_us, data.begin_us)
        end = min(boot.end_us + boot.offset_us, data.end_us)
        first = math.ceil((begin - boot.offset_us) / 1e6 / step)
        last = math.floor((end - boot.offset_us) / 1e6 / step)
        for k in range(first, last + 1):
            x = place.x(k * step * 1e6 + boot.offset_us)
            axes.plot([x, x], [TOP - 4.0, bottom], color=colour("grid"), lw=0.6, zorder=0.4)
            axes.plot([x, x], [bottom, bottom + 3.0], color=colour("frame"), lw=0.8)
            text = number(round(k * step, 9), labels, 7)
            if x - room(text, SMALL) / 2.0 > taken + 3.0:
                axes.text(x, bottom + 12.0, text, ha="center", va="center", fontsize=SMALL, color=colour("ink"))
                taken = x + room(text, SMALL) / 2.0
        if len(data.boots) > 1 and begin < end:
            told, at = labels["boot"].replace("{n}", str(boot.number)), max(place.x(begin), named)
            if at + room(told, SMALL) < LEFT + SPAN - room(labels["board-time"]) - 8.0:
                axes.text(at, bottom + 28.0, told, va="center", fontsize=SMALL, color=colour("soft"), weight="bold")
                named = at + 1.15 * room(told, SMALL) + 10.0
    name = labels["board-time"]
    axes.text(LEFT + SPAN, bottom + 28.0, name, ha="right", va="center", fontsize=TEXT, color=colour("ink"))


# -- gaps


def _gaps(place: Place, data: TimelineData, bottom: float) -> None:
    """Each gap as a hatched bar across all rows with its name above; those in one place share it."""
    labels = place.labels
    marks = [(gap.begin_us, gap.end_us, labels[_gap_key(gap)]) for gap in data.gaps]
    if not data.closed:
        marks.append((data.end_us, data.end_us, labels["cut"]))
    spans: list[tuple[float, float, list[str]]] = []
    for begin, end, text in marks:
        x0, x1 = place.x(max(begin, data.begin_us)), place.x(min(end, data.end_us))
        if spans and x0 <= spans[-1][1] + 0.5:
            last = spans[-1]
            spans[-1] = (last[0], max(last[1], x1), last[2] if text in last[2] else [*last[2], text])
        else:
            spans.append((x0, x1, [text]))
    taken = -math.inf
    for x0, x1, texts in spans:
        air = max(0.0, 4.0 - (x1 - x0)) / 2.0
        bar = boxes([(x0 - air, TOP - 5.0, x1 + air, bottom)])
        patch(place.axes, bar, "paper", "gap", 1.0, "xxxx")
        text = ", ".join(texts)
        half = 1.1 * room(text, SMALL) / 2.0  # bold
        x = min(max((x0 + x1) / 2.0, LEFT + half), WIDE - 2.0 - half)
        if x - half > taken:
            tone = colour("gap")
            place.axes.text(x, TOP - 13.0, text, ha="center", va="center", fontsize=SMALL, color=tone, weight="bold")
            taken = x + half


def _gap_key(gap: GapMark) -> str:
    return f"gap-{gap.kind}" if gap.kind in KINDS else "gap-other"


# -- what is said below


def _legend_words(data: TimelineData, labels: Labels) -> list[tuple[str, str]]:
    """(ribbon, value) of power states that occur, and of other values that stand nowhere by their name."""
    out: list[tuple[str, str]] = []
    scale = SPAN / (data.end_us - data.begin_us)
    for track in (data.power, data.route, data.lock):
        crowds = crowds_of(track, scale)
        for value, word in enumerate(track.words):
            widths = [(end - begin) * scale for begin, end, held, _inferred in track.spans() if held == value]
            if not widths:
                continue
            alone = [width for width in widths if not crowds or width >= WIDE_BAR]
            named = any(name_in(word, width, labels) for width in alone)
            # What is too short to be seen needs no explaining; a power state is always named.
            if track.name == "power" or ((crowds or max(widths) >= 2.0) and not named):
                out.append((track.name, word))
    return out


def _legend_text(ribbon: str, word: str, labels: Labels) -> str:
    text = labels.get(word, word)
    return text if ribbon == "power" else f"{labels[ribbon]}: {text}"


def _legend_lines(entries: list[str]) -> list[list[int]]:
    """Entries by the line that they stand on."""
    lines: list[list[int]] = [[]]
    x = 0.0
    for place, text in enumerate(entries):
        width = SWATCH + room(text, SMALL)
        if lines[-1] and x + width > WIDE:
            lines.append([])
            x = 0.0
        lines[-1].append(place)
        x += width + 16.0
    return lines


def _legend(place: Place, y: float, words: list[tuple[str, str]], texts: list[str]) -> None:
    """A swatch and a name each, the last for a blank."""
    axes = place.axes
    looks: list[tuple[str | None, str]] = [LOOKS[ribbon][word][:2] for ribbon, word in words]
    looks.append((None, ""))
    for row, line in enumerate(_legend_lines(texts)):
        x, at = 0.0, y + LEGEND * row
        for entry in line:
            fill, hatch = looks[entry]
            patch(axes, boxes([(x + 1.0, at - 6.5, x + 23.0, at + 6.5)]), fill, "frame", 0.8, hatch)
            axes.text(x + SWATCH, at, texts[entry], va="center", fontsize=SMALL, color=colour("ink"))
            x += SWATCH + room(texts[entry], SMALL) + 16.0
