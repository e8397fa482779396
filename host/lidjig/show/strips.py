"""Small drawings out of characters: sparkline, ribbon of power states, lid. In ASCII where a terminal has no more."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

from rich.console import Console
from rich.text import Text

STATE_COLOURS = {"S0": "green", "S3": "cyan", "S5": "yellow", "G3": "red", "unknown": "magenta"}
STATES = tuple(STATE_COLOURS)
# Terminals whose fonts lack the block glyphs although their encoding has them (common practice, no source).
POOR_FONTS = ("linux", "vt100", "vt220")
# A sparkline spans at least this part of the largest value in it, so that small changes do not look like large ones.
SPAN_PART_MIN = 0.05

LID_COLUMNS, LID_ROWS = 17, 5
_HINGE, _LENGTH = 8, 3.4  # column of the hinge; length of the lid in rows, each as high as two columns are wide


@dataclass(frozen=True)
class Glyphs:
    """levels: eight characters, each standing higher than the one before; states: one for each power state, different
    in shape as well, since colours may not be there or not be told apart.
    """

    levels: str
    states: Mapping[str, str]

    def state(self, name: str) -> str:
        """Glyph of a state; blank where nothing was heard."""
        return self.states.get(name, "?") if name else " "


BLOCKS = Glyphs("▁▂▃▄▅▆▇█", {"S0": "█", "S3": "▒", "S5": "▁", "G3": "x", "unknown": "?"})
ASCII = Glyphs("_.-:=+*#", {"S0": "#", "S3": "=", "S5": "_", "G3": "x", "unknown": "?"})


def glyphs_for(console: Console) -> Glyphs:
    """Blocks where the console can show them."""
    if os.environ.get("TERM", "").lower() in POOR_FONTS:
        return ASCII
    try:
        (BLOCKS.levels + "".join(BLOCKS.states.values())).encode(console.encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def cells_for(steps: int, columns: int) -> int:
    """Most cells that fit into the columns and have equally many of the steps each; 0 where none fit."""
    return next((cells for cells in range(min(steps, columns), 0, -1) if steps % cells == 0), 0)


def sparkline(trail: Sequence[float | None], first_step: int, cells: int, glyphs: Glyphs, span_min: float = 0.0) -> str:
    """A trail in so many cells (see cells_for); blank where nothing was read. Lowest and highest glyph are the least
    and the largest value in the trail, at least span_min and SPAN_PART_MIN of the largest apart.

    first_step: number of the first step. Cells begin at the same steps in every drawing, so that they move and do not
    flicker.
    """
    if not cells:
        return ""
    known = [value for value in trail if value is not None]
    if not known:
        return " " * cells
    low, high = min(known), max(known)
    span = max(high - low, span_min, SPAN_PART_MIN * max(abs(low), abs(high)))
    middle = (low + high) / 2.0
    per = len(trail) // cells
    last = (first_step + len(trail) - 1) // per
    out = []
    for cell in range(last - cells + 1, last + 1):
        begin = cell * per - first_step
        part = [value for value in trail[begin : begin + per] if value is not None]
        out.append(glyphs.levels[_level(sum(part) / len(part), middle, span)] if part else " ")
    return "".join(out)


def _level(value: float, middle: float, span: float) -> int:
    # The middle lies within a glyph and not between two, so that a steady value with noise stays on one.
    return min(7, max(0, math.floor((value - middle) / (span or 1.0) * 8.0 + 4.5)))


def ribbon(states: Sequence[str], glyphs: Glyphs) -> Text:
    """One cell for each state, oldest first."""
    text = Text(no_wrap=True)
    for name, cells in groupby(states):
        text.append(glyphs.state(name) * len(list(cells)), style=STATE_COLOURS.get(name, ""))
    return text


def legend(glyphs: Glyphs) -> list[Text]:
    """What the glyphs of a ribbon mean."""
    words = [Text(f"{glyphs.state(name)} {name}", style=STATE_COLOURS[name]) for name in STATES]
    return [*words, Text("blank: not heard")]


def lid(angle_deg: float) -> list[str]:
    """The machine from the side, LID_ROWS lines: base to the right of the hinge, lid at its angle; folded over
    backwards (above 180 deg) it hangs under the base.
    """
    under = angle_deg > 180.0
    turn_deg = 360.0 - angle_deg if under else angle_deg
    across, up = 2.0 * _LENGTH * math.cos(math.radians(turn_deg)), _LENGTH * math.sin(math.radians(turn_deg))
    rows = [[" "] * LID_COLUMNS for _ in range(LID_ROWS)]
    glyph = "_-/|\\-_"[min(6, int((turn_deg + 15.0) // 30.0))]
    # One glyph in each row of a steep lid, one in each column of a flat one.
    steps = round(up) if abs(across) < 2.0 * up else round(abs(across))
    for step in range(1, steps + 1):
        column, row = round(across * step / steps), round(up * step / steps)
        rows[LID_ROWS - 2 - row][_HINGE + column] = glyph
    rows[LID_ROWS - 2][_HINGE] = "o"
    rows[LID_ROWS - 1][_HINGE : _HINGE + 8] = "=" * 8
    mirrored = str.maketrans("/\\", "\\/")
    lines = ["".join(row) for row in rows]
    return [line.translate(mirrored) for line in reversed(lines)] if under else lines
