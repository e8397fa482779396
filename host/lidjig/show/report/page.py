"""The report as one HTML file: content and figures put into the templates. Autoescaped; what is missing is an error."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

from lidjig.record.stored import StoredRun
from lidjig.show.report.compare import compare
from lidjig.show.report.content import BEFORE, Built, build
from lidjig.show.report.drawing import draw
from lidjig.show.report.figures import palette
from lidjig.show.report.words import Words


def make(run: StoredRun, lang: str, before: StoredRun | None = None) -> Built:
    """A report: of one run, or of one run after another; page() draws its figures. Raises BadInput for an unknown
    language."""
    words = Words(lang)
    if before is None:
        return draw(build(run, words))
    comparison = compare(before, run, words)
    built = build(run, words, comparison)
    built.before = build(before, words, prefix=BEFORE)
    return draw(built)


def page(built: Built) -> str:
    """The HTML of a report: one file, no request to anywhere, the same bytes for the same record."""
    content = built.content
    figures = {figure.name: figure for figure in content.figures}

    def svg(name: str) -> Markup:
        return Markup(built.drawings[name]())  # made by matplotlib, which escapes what it is given

    slots: dict[str, Any] = {"c": content, "t": built.words, "figures": figures, "style": _style(), "svg": svg}
    return _environment().get_template("report.html.j2").render(slots)


def _style() -> Markup:
    folder = resources.files("lidjig.show.report") / "templates"
    own = (folder / "style.css").read_text(encoding="utf-8")
    # Neither file holds anything that came from a record.
    return Markup(palette.css() + own)


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("lidjig.show.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
