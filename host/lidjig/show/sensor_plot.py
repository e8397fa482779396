"""Characteristic of a sensor as a plot out of characters: 80 columns, plain where there is no terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from itertools import groupby

import numpy as np
from rich.console import Console
from rich.text import Text

from lidjig.bench.characteristic import LEVEL, PERCENT, Characteristic, Line, Trace
from lidjig.show.strips import BLOCKS, glyphs_for

PLAIN_COLUMNS, COLUMNS_MIN, COLUMNS_MAX = 80, 50, 110
ROWS, LEVEL_ROWS = 17, 3  # of a curve and of a switch's output
QUARTER = 4  # rows between two figures of the scale
MARGIN = 10  # columns left of the plot

# Opening runs to the right, closing to the left; where both are alike it is one line.
OPENING, CLOSING, BOTH = ">", "<", "*"
STYLES = {OPENING: "cyan", CLOSING: "yellow", BOTH: "bold"}
REST_LETTERS = {"low": "L", "high": "H", "error": "E"}
REST_WORDS = {"low": "rests low", "high": "rests high"}  # an error is the format's own
FRAMES = {True: ("│", "─", "└", "┊"), False: ("|", "-", "+", ":")}  # by whether the console can show them

Grid = list[list[str]]


def plot(curve: Characteristic, console: Console) -> list[Text]:
    """The lines of the plot, as wide as the console, within COLUMNS_MIN and COLUMNS_MAX."""
    columns = console.width if console.is_terminal else PLAIN_COLUMNS
    width = min(COLUMNS_MAX, max(COLUMNS_MIN, columns)) - MARGIN - 2
    frame = FRAMES[glyphs_for(console) is BLOCKS]
    lines: list[Text] = []
    if curve.quantity == LEVEL:
        for trace in curve.traces:
            lines += [Text(f"{trace.name}, level"), *_panel(curve, [trace], width, frame)]
    else:
        lines += [Text(_title(curve)), *_panel(curve, curve.traces, width, frame)]
    return [*lines, *(Text(line) for line in _legend(curve, width + MARGIN))]


def _title(curve: Characteristic) -> str:
    names = "" if len(curve.traces) == 1 else f" ({', '.join(trace.name for trace in curve.traces)})"
    return f"output, {curve.quantity}{names}"


def _panel(curve: Characteristic, traces: Sequence[Trace], width: int, frame: tuple[str, ...]) -> list[Text]:
    """Plot, axis of the lid angle, and the rows below it."""
    upright, level, corner, dotted = frame
    rows = LEVEL_ROWS if curve.quantity == LEVEL else ROWS
    grid = [[" "] * width for _ in range(rows)]
    marks = [(_column(curve, at, width), at, word) for at, word in traces[0].marks if _on_axis(curve, at)]
    for column, _, _ in marks:
        for row in grid:
            row[column] = dotted
    for glyph, line in _lines(curve, traces):
        _draw(grid, curve, line, glyph)
    told = [_styled(f"{_figure(curve, row, rows):>{MARGIN - 2}} {upright}", grid[row]) for row in range(rows)]
    told += [Text(line) for line in _axis(curve, width, level, corner)]
    told.append(Text(_marks_row(marks, width)))
    told.append(Text(f"{'accepted':>{MARGIN - 2}}  " + _accepted_row(curve, width)))
    rests = _rest_row(curve, width)
    return [*told, Text(f"{'no angle':>{MARGIN - 2}}  {rests}")] if rests else told


def _lines(curve: Characteristic, traces: Sequence[Trace]) -> list[tuple[str, Line]]:
    """(glyph, line). Several traces have their first letters, and only the way up: four lines would tell nothing."""
    if len(traces) > 1:
        return [(trace.name[0], trace.opening) for trace in traces]
    if not curve.loop:
        return [(BOTH, traces[0].opening)]
    return [(OPENING, traces[0].opening), (CLOSING, traces[0].closing)]


def _column(curve: Characteristic, lid_deg: float, width: int) -> int:
    begin, end = curve.axis_deg
    return round((lid_deg - begin) / (end - begin) * (width - 1))


def _on_axis(curve: Characteristic, lid_deg: float) -> bool:
    return curve.axis_deg[0] <= lid_deg <= curve.axis_deg[1]


def _draw(grid: Grid, curve: Characteristic, line: Line, glyph: str) -> None:
    """Every cell that the line passes; a cell that another line passes as well becomes BOTH."""
    last, width = len(grid) - 1, len(grid[0])
    before: tuple[int, int] | None = None
    cells: set[tuple[int, int]] = set()
    for lid, value in zip(line.lid_deg.tolist(), line.value.tolist(), strict=True):
        if math.isnan(value):
            before = None
            continue
        row = last - round((value - curve.low) / (curve.high - curve.low) * last)
        here = row, _column(curve, lid, width)
        cells |= _cells(before or here, here)
        before = here
    for at, column in cells:
        there = grid[at][column]
        grid[at][column] = BOTH if there in STYLES or there.isalpha() else glyph


def _cells(start: tuple[int, int], end: tuple[int, int]) -> set[tuple[int, int]]:
    """(row, column) of every cell from one to the other: along the row first, then up or down in the last column."""
    along = {(start[0], column) for column in range(start[1], end[1] + 1)}
    return along | {(row, end[1]) for row in range(min(start[0], end[0]), max(start[0], end[0]) + 1)}


def _figure(curve: Characteristic, row: int, rows: int) -> str:
    """What stands beside a row of the plot."""
    if curve.quantity == LEVEL:
        return {0: "high", rows - 1: "low"}.get(row, "")
    if row % QUARTER:
        return ""
    value = curve.high - (curve.high - curve.low) * row / (rows - 1)
    return f"{value:.0f} %" if curve.quantity == PERCENT else f"{value:.0f}"


def _styled(head: str, cells: list[str]) -> Text:
    text = Text(head)
    for style, run in groupby(cells, lambda cell: STYLES.get(cell, "")):
        text.append("".join(run), style=style)
    text.rstrip()
    return text


def _axis(curve: Characteristic, width: int, level: str, corner: str) -> list[str]:
    """The axis with its figures, deg."""
    begin, end = curve.axis_deg
    step = next(step for step in (10, 15, 20, 30, 45, 60, 90) if (end - begin) / step * 8 <= width)
    line, figures = [level] * width, [" "] * (width + MARGIN)
    for value in np.arange(math.ceil(begin / step) * step, end + 0.5, step).tolist():
        column, text = _column(curve, value, width), f"{value:g}"
        line[column] = "+"
        left = MARGIN + column - len(text) // 2
        figures[left : left + len(text)] = text
    axis = " " * (MARGIN - 1) + corner + "".join(line)
    return [axis, f"{'lid, deg':>{MARGIN - 2}}" + "".join(figures)[MARGIN - 2 :].rstrip()]


def _marks_row(marks: Sequence[tuple[int, float, str]], width: int) -> str:
    """Arrows at the marks, and what they are beside them."""
    row = [" "] * width
    for column, _, _ in marks:
        row[column] = "^"
    text = ", ".join(f"{word} {at:g}" for _, at, word in marks)
    if marks:
        right = marks[-1][0] + 2
        left = right if right + len(text) <= width else max(0, marks[0][0] - 1 - len(text))
        row[left : left + len(text)] = text
    return f"{'lid':>{MARGIN - 2}}  " + "".join(row).rstrip()


def _accepted_row(curve: Characteristic, width: int) -> str:
    first, last = (_column(curve, at, width) for at in curve.accepted_deg)
    low, high = curve.accepted_deg
    inner = max(0, last - first - 1)
    text = f" {low:g} to {high:g} deg "
    return " " * first + "[" + (text.center(inner, "=") if len(text) <= inner else "=" * inner) + "]"


def _rest_row(curve: Characteristic, width: int) -> str:
    row = [" "] * width
    for rest in curve.rests:
        first, last = _column(curve, rest.begin_deg, width), _column(curve, rest.end_deg, width)
        row[first : last + 1] = REST_LETTERS[rest.word] * (last + 1 - first)
    return "".join(row).rstrip()


def _legend(curve: Characteristic, width: int) -> list[str]:
    """What the glyphs mean."""
    words = []
    if curve.quantity != LEVEL and len(curve.traces) > 1:
        words += [f"{trace.name[0]} {trace.name}" for trace in curve.traces] + [f"{BOTH} both"]
        words += ["drawn while the lid opens"] if curve.loop else []
    elif curve.loop:
        words += [f"{OPENING} while the lid opens", f"{CLOSING} while it closes", f"{BOTH} both"]
    else:
        words.append(f"{BOTH} opening and closing alike")
    rests = dict.fromkeys(rest.word for rest in curve.rests)
    words += [f"{REST_LETTERS[word]} {REST_WORDS.get(word, curve.error)}" for word in rests]
    words.append("[=] the jig accepts")
    return textwrap.wrap(", ".join(words), width)
