"""The report as one HTML file: content and figures put into the templates. Autoescaped; what is missing is an error."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

from lidjig.record.stored import StoredRun
from lidjig.show.report.compare import compare
from lidjig.show.report.content import BEFORE, Built, build
from lidjig.show.report.drawing import draw
from lidjig.show.report.figures import palette
from lidjig.show.report.words import Words

if TYPE_CHECKING:
    from lidjig.record.store import Store

HEAD_BYTES = 1024  # both marks stand at the top of a page


def make(run: StoredRun, lang: str, before: StoredRun | None = None, store: Store | None = None) -> Built:
    """A report: of one run, or of one run after another; page() draws its figures. store: the open record of `run`,
    for its sampled channels. Raises BadInput for an unknown language, StoreFailed where samples cannot be read."""
    words = Words(lang)
    if before is None:
        return draw(build(run, words, store=store))
    comparison = compare(before, run, words)
    built = build(run, words, comparison, store=store)
    built.before = build(before, words, prefix=BEFORE)
    return draw(built)


def page(built: Built) -> str:
    """The HTML of a report: one file, no request to anywhere, the same bytes for the same record."""
    content = built.content
    figures = {figure.name: figure for figure in content.figures}

    def svg(name: str) -> Markup:
        return Markup(built.drawings[name]())  # made by matplotlib, which escapes what it is given

    slots: dict[str, Any] = {
        "c": content, "t": built.words, "figures": figures, "style": _style(), "svg": svg,
        "runs": runs_of(built),
    }  # fmt: skip
    return _environment().get_template("report.html.j2").render(slots)


def runs_of(built: Built) -> str:
    """What a page says it was made of: the identity of its run, and of the one before it where there is one."""
    return " ".join(one.run.uid for one in (built, built.before) if one is not None)


def is_page_of(path: Path, built: Built) -> bool:
    """Whether a file is a page that was made of the same run, or of the same two; False for one that is not there."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES).decode("utf-8", "replace")
    except (OSError, ValueError):
        return False
    return '<meta name="generator" content="lidjig report">' in head and (
        f'<meta name="lidjig-runs" content="{runs_of(built)}">' in head
    )


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
