"""lidjig report: a run, or one before and one after, as a page for the customer and pages for the technician."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lidjig.cli.options import FORCE_HELP, GlobalOptions
from lidjig.errors import BadInput

if TYPE_CHECKING:
    from lidjig.record.store import Store
    from lidjig.record.stored import StoredRun
    from lidjig.show.report.content import Built

SUFFIXES = (".html", ".htm")


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --store, --job and --json, before or after the command.")
    def report(
        context: typer.Context,
        run: Annotated[str | None, typer.Argument(help="Id from 'lidjig runs' (r-000042, 42), or last.")] = None,
        before: Annotated[
            str | None, typer.Option(help="The run before the work: both side by side.", metavar="RUN")
        ] = None,
        out: Annotated[
            str | None,
            typer.Option(help="Write the page here. Default: lidjig-RUN.html in this folder.", metavar="FILE.html"),
        ] = None,
        lang: Annotated[str, typer.Option(help="Language of the report: en or de.")] = "en",
        force: Annotated[bool, typer.Option("--force", help=FORCE_HELP)] = False,
    ) -> int:
        """Write a run as one HTML file: first page for the customer, then the technician's pages.

        With --job and no RUN: the last run of the job, beside the first comparable one. With --json: the same content
        as data on stdout, and a page only where --out names one. A page that lidjig made of the same run, or the same
        two, is written anew; any other file that is there stays.
        """
        from lidjig.record.store import open_store
        from lidjig.show.report.page import make
        from lidjig.show.report.words import LANGS

        options: GlobalOptions = context.obj
        if lang not in LANGS:
            raise BadInput("", "--lang", lang, ", ".join(LANGS))
        if out is not None and Path(out).suffix.lower() not in SUFFIXES:
            raise BadInput("", "--out", out, "a name that ends in .html or .htm; print that page to have it as PDF")
        with open_store(options.store, create=False) as store:
            after, earlier = _choose(store, options.job, run, before)
            if earlier is not None:
                _check_pair(earlier, after, chosen=before is not None)
            built = make(after, lang, earlier, store)
        return _write(built, out, force=force, as_data=options.json)


def _choose(store: Store, job: str | None, run: str | None, before: str | None) -> tuple[StoredRun, StoredRun | None]:
    """The run to report, and the one before it where there is to be one."""
    from lidjig.record.jobs import known
    from lidjig.show.report.compare import comparable

    if run is not None and not run.strip():
        raise BadInput(store.shown, "RUN", run, "an id from 'lidjig runs' (r-000042, 42), or last")
    if run is not None or job is None:
        after = store.run("last" if run is None else run)
        if job is not None and after.job != job:
            raise BadInput(store.shown, "RUN", run, f"a run of job {job!r}; {after.id} is of {after.job or 'no job'}")
        return after, None if before is None else store.run(before)
    rows = store.runs(job=job)
    if not rows:
        raise BadInput(store.shown, "--job", job, known(store.jobs()))
    last, first = comparable(rows)
    wanted = before or first
    return store.run(last), None if wanted is None else store.run(wanted)


def _check_pair(before: StoredRun, after: StoredRun, *, chosen: bool) -> None:
    """Raises BadInput where there is nothing that both runs measured, or where the one chosen as the run before is the
    later one. The pair of a job stands in the order of the record: there a wrong clock is told on the page.
    """
    from lidjig.show.report.compare import made_later

    if before.id == after.id:
        raise BadInput("", "--before", before.id, "another run than the one that is reported")
    if chosen and made_later(before, after):
        stamps = before.started_utc[:16], after.started_utc[:16]
        accepted = f"a run begun before {after.id} ({stamps[1]} UTC): lidjig report {before.id} --before {after.id}"
        raise BadInput("", "--before", f"{before.id} ({stamps[0]} UTC)", accepted)
    shared = {m.name for m in before.measurements} & {m.name for m in after.measurements}
    if not shared:
        accepted = f"a run that measured something that {after.id} ({after.command}) measured too"
        raise BadInput("", "--before", f"{before.id} ({before.command})", accepted)


def _write(built: Built, out: str | None, *, force: bool, as_data: bool) -> int:
    from lidjig.show.report.json import report_object

    run, before = built.run.id, None if built.before is None else built.before.run.id
    if out is not None or not as_data:
        path = Path(out) if out is not None else Path(file_name(run, before))
        save(built, path, force=force)
        said = f"Report of run {run}" + (f" after {before}" if before else "") + f": {path}\n"
        (sys.stderr if as_data else sys.stdout).write(said)
    if as_data:
        sys.stdout.write(report_object(built) + "\n")
    return 0


def file_name(run: str, before: str | None = None) -> str:
    """The name of a report's file where nobody gave one."""
    return f"lidjig-{before}-{run}.html" if before else f"lidjig-{run}.html"


def save(built: Built, path: Path, *, force: bool = False) -> None:
    """Write the page; it appears when it is complete. force: in the place of any file.

    Raises BadInput where another file is there or it cannot be written, FileNotWritten for a full disk.
    """
    from lidjig.cli.interrupted import file_written
    from lidjig.record.whole_file import check_free, whole_file
    from lidjig.show.report.page import is_page_of, page

    force = force or is_page_of(path, built)
    check_free(path, "--out", force=force)
    with whole_file(path, "--out", force=force) as temporary:
        temporary.write_bytes(page(built).encode("utf-8"))
    file_written(str(path))
