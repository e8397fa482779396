"""Causes with their probabilities, as bars with their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle

from lidjig.show.numbers import share
from lidjig.show.report.figures.canvas import NARROW, SMALL, TEXT, Labels, boxes, figure, number, page, render, style
from lidjig.show.report.figures.palette import colour

ROW = 42.0
BAR = 300.0  # length of a bar at 1


@dataclass(frozen=True)
class CauseBar:
    """One explanation: its name in the reader's language, probability 0..1, None = none can be given."""

    label: str
    probability: float | None
    main: bool = False


def causes_svg(causes: Sequence[CauseBar], labels: Labels, prefix: str) -> str:
    """A bar each, in the order given, and what is left for all others. The scale ends at 100 %."""
    known = [cause.probability for cause in causes if cause.probability is not None]
    rest = max(0.0, 1.0 - sum(known)) if known else None
    rows = [*causes] + ([CauseBar(labels["others"], rest)] if rest is not None and rest >= 0.0005 else [])
    height = 8.0 + ROW * len(rows) + 22.0
    with style():
        fig = figure(NARROW, height)
        axes = page(fig, NARROW, height)
        bottom = 8.0 + ROW * len(rows)
        for part in (0.0, 0.25, 0.5, 0.75, 1.0):
            x = 1.0 + BAR * part
            axes.plot([x, x], [4.0, bottom], color=colour("grid"), lw=0.7, zorder=0)
            axes.text(
                x, bottom + 11.0, f"{number(100 * part, labels)} %", fontsize=SMALL, color=colour("soft"), va="center",
                ha="left" if part == 0.0 else "center",
            )  # fmt: skip
        for place, cause in enumerate(rows):
            _row(axes, 8.0 + ROW * place, cause, labels, others=place >= len(causes))
        return render(fig, labels, prefix)


def _row(axes: Axes, y: float, cause: CauseBar, labels: Labels, *, others: bool) -> None:
    weight = "bold" if cause.main else "normal"
    axes.text(1.0, y + 8.0, cause.label, fontsize=TEXT, color=colour("ink"), weight=weight, va="center")
    part = cause.probability
    if part is None:
        axes.text(1.0, y + 25.0, labels["no-probability"], fontsize=SMALL, color=colour("soft"), va="center")
        return
    hatch = "" if cause.main else "///"
    fill = "angle" if cause.main else ("quiet" if others else "band")
    axes.add_patch(
        PathPatch(
            boxes([(1.0, y + 18.0, 1.0 + max(BAR * part, 1.0), y + 33.0)]),
            facecolor=colour(fill), edgecolor=colour("frame"), lw=0.8, hatch=hatch or None,
        )
    )  # fmt: skip
    axes.add_patch(Rectangle((1.0, y + 18.0), BAR, 15.0, facecolor="none", edgecolor=colour("grid"), lw=0.6, zorder=0))
    text = f"{share(part).replace('.', labels['decimal'])} %"
    axes.text(BAR + 12.0, y + 25.5, text, fontsize=TEXT + 1, color=colour("ink"), weight=weight, va="center")
