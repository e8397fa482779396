"""From a matplotlib figure to an SVG that lives inside a page.

Text stays text in the page's font, colours become CSS variables, ids carry the figure's prefix, nothing depends on the
day or the machine. Sizes are in units of the viewBox: no text is below 9 px at the least width that
palette.css() gives a figure.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from html import escape
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.path import Path

from lidjig.show.numbers import figure as figure_text
from lidjig.show.numbers import places
from lidjig.show.report.figures.palette import PLACEHOLDERS, colour

Labels = Mapping[str, str]

TEXT = 12.0  # text size in viewBox units
SMALL = 11.5  # the least: 8.05 pt in a wide figure on A4, 10.2 px at its least width, 8.9 px in a narrow one on 310 px
WIDE = 720  # viewBox width of figures that scroll in their own box on a phone (least width 640 px)
NARROW = 400  # viewBox width of figures that fit a phone
LETTER = 0.56  # width of a letter by its size, about: what room a text needs in a font that is not known here

_RC: dict[str, Any] = {
    "svg.hashsalt": "lidjig",
    "svg.fonttype": "none",
    "font.family": "DejaVu Sans",  # ships with matplotlib, so sizes are the same everywhere
    "font.size": TEXT,
    "path.simplify": False,
    "axes.unicode_minus": True,
    "hatch.linewidth": 0.8,
}


@contextmanager
def style() -> Iterator[None]:
    """matplotlib's own defaults with ours over them; a user's matplotlibrc has no say."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)  # type: ignore[arg-type]
        yield


def figure(width: float, height: float) -> Figure:
    """An empty figure of that size in viewBox units, without background."""
    made = Figure(figsize=(width / 72.0, height / 72.0), dpi=72)
    made.patch.set_visible(False)
    return made


def page(fig: Figure, width: float, height: float) -> Axes:
    """One Axes over the whole figure in viewBox units, y downwards: for drawings and rows of text."""
    axes = fig.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.axis("off")
    return axes


def plain(axes: Axes, *, grid: str = "y") -> None:
    """An Axes in the house's look: left and bottom line, faint grid, ticks outside."""
    axes.patch.set_visible(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(colour("frame"))
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=colour("frame"), labelcolor=colour("ink"), labelsize=SMALL, length=3, width=0.8)
    if grid:
        axes.grid(axis=grid, color=colour("grid"), linewidth=0.6)  # type: ignore[arg-type]
        axes.set_axisbelow(True)


def room(text: str, size: float = TEXT) -> float:
    """The width that a text needs, about."""
    return LETTER * size * len(text)


def boxes(rects: list[tuple[float, float, float, float]]) -> Path:
    """One path of many rectangles (x0, y0, x1, y1): one SVG element instead of many."""
    points: list[tuple[float, float]] = []
    codes: list[Any] = []
    for x0, y0, x1, y1 in rects:
        points += [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
        codes += [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    return Path(points, codes)


def render(fig: Figure, labels: Labels, prefix: str, *, wide: bool = False) -> str:
    """The figure as inline SVG; labels: "title" and "desc" name it for those who do not see it.

    prefix: what every id begins with, so that several figures live in one page: a letter, then letters, digits, "-".
    """
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]*", prefix):
        raise ValueError(f"prefix {prefix!r}, accepted a letter, then letters, digits and '-'")
    buffer = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    FigureCanvasSVG(fig).print_svg(buffer, metadata=nothing)  # type: ignore[no-untyped-call]
    return _inline(buffer.getvalue(), labels, prefix, "fig-wide" if wide else "fig-narrow")


def _inline(svg: str, labels: Labels, prefix: str, size: str) -> str:
    body = svg[svg.index("<svg") :]
    box = re.search(r'viewBox="([^"]*)"', body)
    assert box is not None
    body = body[body.index(">") + 1 : body.rindex("</svg>")]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", body, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r"<[^>]*>", lambda tag: _tag(tag.group()), body)  # never the text between tags
    body = _ids(body, prefix)
    body = re.sub(r"\s*\n\s*", "\n", body).strip()
    name = f"{prefix}-title {prefix}-desc"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="fig {size}" viewBox="{box.group(1)}" role="img" '
        f'preserveAspectRatio="xMinYMin meet" aria-labelledby="{name}" '
        'stroke-linejoin="round" stroke-linecap="butt">\n'
        f'<title id="{prefix}-title">{escape(labels["title"])}</title>\n'
        f'<desc id="{prefix}-desc">{escape(labels["desc"])}</desc>\n{body}\n</svg>\n'
    )


def _tag(tag: str) -> str:
    """One tag with our colours, the page's font, short numbers and short paths."""
    tag = tag.replace("xlink:href=", "href=")
    tag = re.sub(r'\b(fill|stroke)="(#01[0-9a-f]{4})"', r'style="\1: \2"', tag)
    tag = re.sub(r"#01[0-9a-f]{4}", lambda hit: PLACEHOLDERS[hit.group()], tag)
    tag = re.sub(r"font: ([^;\"]*)", _font, tag)
    tag = re.sub(r" ?font-family: [^;\"]*;?", "", tag)
    tag = re.sub(r"-?\d+\.\d{2,}", _short, tag)
    return re.sub(r'(?<= d=")[^"]*', lambda hit: re.sub(r"\s*([A-Za-z])\s*", r"\1", hit.group()).strip(), tag)


def _font(hit: re.Match[str]) -> str:
    """Size and weight of a font; the family is the page's."""
    size = re.search(r"[\d.]+px", hit.group(1))
    weight = re.match(r"\s*(?:italic\s+)?(bold|[5-9]00)\b", hit.group(1))
    return f"font-size: {size.group() if size else '11px'}" + ("; font-weight: 600" if weight else "")


def _short(hit: re.Match[str]) -> str:
    """A coordinate to a hundredth of a unit."""
    text = f"{float(hit.group()):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _ids(body: str, prefix: str) -> str:
    """Only ids that something refers to, each with the prefix and numbered in order of appearance."""
    used = set(re.findall(r"url\(#([^)]+)\)", body)) | set(re.findall(r'href="#([^"]+)"', body))
    numbers: dict[str, str] = {}

    def keep(hit: re.Match[str]) -> str:
        name = hit.group(1)
        if name not in used:
            return ""
        numbers.setdefault(name, f"{prefix}-{len(numbers) + 1}")
        return f' id="{numbers[name]}"'

    body = re.sub(r'\sid="([^"]*)"', keep, body)
    body = re.sub(r"url\(#([^)]+)\)", lambda hit: f"url(#{numbers[hit.group(1)]})", body)
    return re.sub(r'href="#([^"]+)"', lambda hit: f'href="#{numbers[hit.group(1)]}"', body)


def borne(value: float, low: float, high: float, labels: Labels, unit: str = "") -> str:
    """With the places that the interval low..high bears, as in the tables; see show/numbers.places."""
    digits = places(low, high, unit)
    if digits is None or value == 0.0:
        return number(value, labels, 4)
    return f"{value:z.{digits}f}".replace("-", "\u2212").replace(".", labels["decimal"])


def number(value: float, labels: Labels, digits: int = 3) -> str:
    """Up to `digits` significant digits in the reader's form; labels["decimal"] is its decimal sign."""
    return figure_text(value, digits).replace("-", "\u2212").replace(".", labels["decimal"])
