"""lidjig demo: a guided tour on the simulated bench, under the real firmware."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from lidjig.cli.options import GlobalOptions
from lidjig.errors import EXIT_MACHINE_FAILED, EXIT_NO_JIG, EXIT_PASSED, BadInput, FileNotWritten, LidjigError

if TYPE_CHECKING:
    from rich.console import Console

    from lidjig.procedures.base import Bench, Procedure
    from lidjig.procedures.report import Report


@dataclass(frozen=True)
class Part:
    """One stop of the tour. scenario: a shipped one; expected: (where, what) of the finding that must come out."""

    title: str
    words: str
    command: str
    options: str
    arguments: dict[str, Any]  # the same as data, for the record
    scenario: str
    expected: tuple[str, str | None]
    make: Callable[[Bench], Procedure]


def _confirm(bench: Bench) -> Procedure:
    from lidjig.procedures.confirm import Confirm

    return Confirm(bench, repeat=3)


def _isolate(bench: Bench) -> Procedure:
    from lidjig.procedures.isolate import Isolate

    return Isolate(bench, repeat=3, watch_s=10.0)


def _cycle(bench: Bench) -> Procedure:
    from lidjig.procedures.cycle import Cycle

    return Cycle(bench, 25)


TOUR_LINK = "twin"  # what the tour runs on, as --link names it
REPORTED = "sensor-dead"  # the part whose report is written at the end: it has most to show

PARTS = (
    Part(
        "1. A healthy board",
        "The jig surveys the connector, then stands in for the sensor and opens and shuts a lid that is not there.",
        "confirm",
        "--repeat 3",
        {"repeat": 3},
        "healthy-alder-14",
        ("none", None),
        _confirm,
    ),
    Part(
        "2. A board that ignores its lid",
        "It starts and runs, so it would pass a quick look. Shutting the lid must put it to sleep, and does not.",
        "confirm",
        "--repeat 3",
        {"repeat": 3},
        "machine-ignores-lid",
        ("board", "ignores-lid"),
        _confirm,
    ),
    Part(
        "3. A machine that does not start: is it the sensor?",
        "The jig sits between connector and sensor. With the sensor the machine will not start, without it it does: "
        "a sensor that holds its line as if the lid were shut.",
        "isolate",
        "--repeat 3 --watch 10",
        {"repeat": 3, "watch_s": 10.0},
        "sensor-dead",
        ("sensor", "dead"),
        _isolate,
    ),
    Part(
        "4. The same complaint again: or is it the board?",
        "This one does not start either, but no sensor and no lid line has a part in it.",
        "isolate",
        "--repeat 3 --watch 10",
        {"repeat": 3, "watch_s": 10.0},
        "machine-no-start",
        ("board", "no-start"),
        _isolate,
    ),
    Part(
        "5. 25 cycles with statistics",
        "Once is no proof. Each cycle is one shutting and one opening, timed by the jig's own clock.",
        "cycle",
        "--count 25",
        {"count": 25},
        "healthy-alder-14",
        ("none", None),
        _cycle,
    ),
)


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(epilog="Takes --json, --store, --job, --seed and --vm, before or after the command.")
    def demo(context: typer.Context) -> int:
        """A guided tour on the simulated bench, under the real firmware; no hardware, less than a minute."""
        options: GlobalOptions = context.obj
        if options.link not in (None, TOUR_LINK):
            raise BadInput("", "--link", options.link, "nothing or twin: the tour brings its own simulated benches")
        return _tour(options)


def _tour(options: GlobalOptions) -> int:
    from lidjig.record.store import open_store
    from lidjig.show.terminal import console_on

    console = console_on(sys.stderr if options.json else sys.stdout)
    with open_store(options.store) as store:
        where = store.shown
    console.print(
        "lidjig stands in for the hinge angle sensor of a laptop and says what the board makes of it. What follows "
        "runs the jig's real firmware; only the machine, its sensor, the wires and the operator are models, and their "
        "time runs faster than yours.\n",
        markup=False,
    )
    began_s = time.monotonic()
    reports: list[tuple[Part, Report]] = []
    for part in PARTS:
        report = _take(options, part)
        reports.append((part, report))
        if report.outcome == "error" or "stopped" in " ".join(report.notes):
            break
    return _end(options, reports, where, time.monotonic() - began_s)


def _take(options: GlobalOptions, part: Part) -> Report:
    """One part of the tour, shown as it goes."""
    from lidjig.cli.session import Begin, open_bench, stop_on_interrupt
    from lidjig.procedures.report import Report
    from lidjig.show.terminal import TerminalProgress, console_on, show_report

    console = console_on(sys.stderr if options.json else sys.stdout)
    console.rule(part.title, align="left", characters="-") if console.is_terminal else console.print(f"== {part.title}")
    console.print(part.words, markup=False)
    link = f"{TOUR_LINK}:{part.scenario}"
    console.print(f"The command: lidjig {part.command} {part.options} --link {link}\n", markup=False)
    progress = TerminalProgress(console)
    chosen = replace(options, link=link, job=options.job or "demo")
    try:
        with open_bench(chosen, part.command, progress, begin=Begin(part.arguments)) as opened:
            progress.simulated = opened.bench.jig.link.traits.operator_acts
            procedure = part.make(opened.bench)
            with stop_on_interrupt(opened.bench.stop):
                report = procedure.run()
    except LidjigError as error:
        report = Report(part.command, None, "error", error=str(error), error_next=error.next_step)
    finally:
        progress.close()
    show_report(report, console, with_measurements=False)
    console.print("")
    return report


def _as_expected(part: Part, report: Report) -> bool:
    found = [(finding.where, finding.what) for finding in report.findings[:1]]
    return found == [part.expected]


def _write_report(options: GlobalOptions, reports: list[tuple[Part, Report]], console: Console) -> Path | None:
    """A report of the dead sensor, else of the last part recorded, beside the record; None where there is none.

    A database that is no file has no place beside it: the page is then written in this folder.
    """
    from lidjig.cli.report import file_name, save
    from lidjig.record.store import open_store
    from lidjig.show.report.page import make

    recorded = {part.scenario: report.run for part, report in reports if report.run is not None}
    run = recorded.get(REPORTED) or next(reversed(recorded.values()), None)
    if run is None:
        return None
    with open_store(options.store) as store:
        built = make(store.run(run), "en", store=store)
        beside = Path(store.shown)
    path = (beside.parent if beside.is_file() else Path()) / file_name(run)
    try:
        save(built, path)
    except (BadInput, FileNotWritten) as error:
        # The tour itself is done and recorded, and its verdict does not hang on this file.
        console.print(f"No report was written: {error}", markup=False, soft_wrap=True)
        return None
    return path.absolute()


def _end(options: GlobalOptions, reports: list[tuple[Part, Report]], where: str, seconds: float) -> int:
    """What was seen, where the record is, and how to go on; the exit status."""
    from lidjig.procedures.report import Report
    from lidjig.show.as_json import report_object
    from lidjig.show.terminal import console_on

    console = console_on(sys.stderr if options.json else sys.stdout)
    right = sum(_as_expected(part, report) for part, report in reports)
    console.print("== What was seen")
    for part, report in reports:
        finding = report.findings[0] if report.findings else None
        said = f"{finding.where}{': ' + finding.what if finding.what else ''}" if finding else report.error or "nothing"
        mark = "as it should" if _as_expected(part, report) else "NOT AS IT SHOULD"
        console.print(f"  {part.title:<52} {report.run or '-':<10} {said:<22} {mark}", markup=False)
    console.print(f"\nAll of it is recorded in {where} ({seconds:.0f} s).", markup=False, soft_wrap=True)
    last = reports[-1][1].run or "last"
    written = _write_report(options, reports, console)
    console.print(
        f"See a run whole with 'lidjig show {last}', the list with 'lidjig runs --job {options.job or 'demo'}'."
    )
    if written is not None:
        console.print(f"A report to look at, for customer and technician: {written}", markup=False, soft_wrap=True)
    complete = len(reports) == len(PARTS)
    outcome = "pass" if complete and right == len(PARTS) else "fail" if complete else "incomplete"
    failed = next((report for _part, report in reports if report.outcome == "error"), None)
    if options.json:
        whole = Report("demo", reports[-1][1].run, "error" if failed else outcome)
        whole.findings = [report.findings[0] for _part, report in reports if report.findings]
        whole.measurements = reports[-1][1].measurements
        whole.notes = [f"{part.title}: run {report.run}, {report.outcome}" for part, report in reports]
        if failed:
            whole.error, whole.error_next = failed.error, failed.error_next
        sys.stdout.write(report_object(whole) + "\n")
    return {"pass": EXIT_PASSED, "fail": EXIT_MACHINE_FAILED}.get("" if failed else outcome, EXIT_NO_JIG)
