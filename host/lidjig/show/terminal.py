"""Progress and reports in a terminal, plain text where there is none. Shows what it is given; decides nothing."""

from __future__ import annotations

import time
from typing import IO, TextIO, cast

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
from rich.text import Text

from lidjig.record.model import LOOKING, Finding, MeasuredValue
from lidjig.show.given import Clock, ReportLike
from lidjig.show.numbers import duration, measured_line, share, verdict
from lidjig.show.pace import Pace
from lidjig.show.reader import Stream

COLOURS = {
    "pass": "green",
    "marginal": "yellow",
    "fail": "red",
    "error": "red",
    "incomplete": "yellow",
    "not measured": "yellow",
}
WORDS = {
    "pass": "PASS",
    "fail": "FAIL",
    "error": "ERROR: nothing is said about the machine",
    "incomplete": "INCOMPLETE: not everything was measured",
}


def ended_well_unjudged(command: str, outcome: str) -> bool:
    """Whether a run only looked, and came to its end: its "pass" says nothing about the machine."""
    return outcome == "pass" and command in LOOKING


def outcome_words(command: str, outcome: str) -> str:
    """A run's outcome for people."""
    if ended_well_unjudged(command, outcome):
        return "ENDED: nothing was judged of the machine"
    if command == "teach" and outcome == "incomplete":
        return "INCOMPLETE: no profile was learned; nothing is said about the machine"
    return WORDS.get(outcome, outcome)


def outcome_style(command: str, outcome: str) -> str:
    """Its colour; none where nothing was judged."""
    return "" if ended_well_unjudged(command, outcome) else COLOURS.get(outcome, "")


def console_on(stream: TextIO) -> Console:
    """A console that breaks no lines where there is no terminal, so that logs stay one fact a line."""
    shown = cast(IO[str], Stream(stream))
    console = Console(file=shown, highlight=False)
    if not console.is_terminal:
        console = Console(file=shown, highlight=False, soft_wrap=True, no_color=True, width=10_000)
    return console


class TerminalProgress:
    """Progress on a console: steps, prompts with their caution, figures with their limits, a bar with the time left."""

    BAR_EVERY_S = 5.0  # without a terminal: one line so often

    def __init__(self, console: Console) -> None:
        self._console = console
        self._bar: Progress | None = None
        self._started_s = 0.0
        self._said_s = 0.0
        self._began_at = 0
        self._pace: Pace | None = None
        self.simulated = False  # whether the operator is a model, who needs no telling how to answer

    def step(self, text: str) -> None:
        """A heading."""
        self._console.print(Text(f"- {text}"))

    def say(self, text: str) -> None:
        """Indented under the step."""
        self._console.print(Text(f"    {text}"))

    def prompt(self, text: str, caution: str) -> None:
        """What to do now; the caution first, since it is to be read before acting."""
        if caution:
            self._console.print(Text(f"    CAUTION: {caution}", style="bold yellow"))
        then = "(the simulated operator does it)" if self.simulated else "Then press the mark switch (or Enter)."
        self._console.print(Text(f"  > {text} {then}", style="bold"))

    def prompt_done(self) -> None:
        """The answer needs no line."""

    def question(self, text: str) -> None:
        """Line by line; the answer is typed behind the last one."""
        self.close()  # a bar would draw over what is typed
        lines = text.rstrip().split("\n")
        for line in lines[:-1]:
            self._console.print(Text(f"    {line}", style="bold yellow"))
        self._console.print(Text(f"  > {lines[-1]} ", style="bold"), end="")
        if not self._console.is_terminal:
            self._console.print()

    def measured(self, value: MeasuredValue) -> None:
        """The figure with limits and outcome."""
        line = Text(f"    {measured_line(value)}  ")
        line.append(verdict(value), style=COLOURS.get(verdict(value), ""))
        self._console.print(line)

    def keep_pace(self, clock: Clock) -> None:
        """From now on simulated time does not run ahead of wall time."""
        self._pace = Pace(clock)

    def tick(self) -> None:
        """The bar refreshes itself."""
        if self._pace is not None:
            self._pace.keep()

    def bar(self, done: int, total: int) -> None:
        """A bar with time left on a terminal, a line now and then elsewhere."""
        now_s = time.monotonic()
        if self._started_s == 0.0:
            self._started_s, self._began_at = now_s, done
        left = self._time_left(now_s, done, total)
        if not self._console.is_terminal:
            if now_s - self._said_s >= self.BAR_EVERY_S or done >= total:
                self._said_s = now_s
                self._console.print(Text(f"    {done} of {total}{left}"))
        else:
            self._draw(done, total, left)
        if done >= total:
            self.close()

    def _time_left(self, now_s: float, done: int, total: int) -> str:
        through = done - self._began_at
        if through <= 0 or done >= total:
            return ""
        return f", {duration((now_s - self._started_s) / through * (total - done))} left"

    def _draw(self, done: int, total: int, left: str) -> None:
        if self._bar is None:
            columns = (TextColumn("    "), BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[left]}"))
            self._bar = Progress(*columns, console=self._console, transient=True)
            self._bar.add_task("", total=total, left="")
            self._bar.start()
        self._bar.update(self._bar.task_ids[0], completed=done, total=total, left=left.lstrip(", "))

    def close(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
        self._started_s = self._said_s = 0.0


def show_report(report: ReportLike, console: Console, *, with_measurements: bool = True) -> None:
    """The whole report: figures, findings, notes, verdict last (where the eye is)."""
    if with_measurements and report.measurements:
        console.print(Text("\nMeasured"))
        for measured in report.measurements:
            show_measurement(measured, console)
    for index, finding in enumerate(report.findings):
        show_finding(finding, console, first=index == 0)
    for note in report.notes:
        if note not in report.said:
            console.print(Text(f"Note: {note}."))
    if report.error:
        console.print(Text(f"\n{report.error}", style="red"))
        if report.error_next:
            console.print(Text(report.error_next))
    closing = Text("\nOutcome: ")
    style = f"bold {outcome_style(report.command, report.outcome)}".strip()
    closing.append(outcome_words(report.command, report.outcome), style=style)
    if report.run:
        closing.append(f"   (run {report.run}; see it again with: lidjig show {report.run})")
    console.print(closing)


def show_measurement(measured: MeasuredValue, console: Console) -> None:
    """One line; a marginal figure says how many readings might settle it."""
    line = Text(f"  {measured_line(measured)}  ")
    line.append(verdict(measured), style=COLOURS.get(verdict(measured), ""))
    if measured.outcome == "marginal" and measured.n_to_settle:
        line.append(f" (n {measured.n_to_settle} might settle it)")
    console.print(line)


def show_finding(finding: Finding, console: Console, *, first: bool = True) -> None:
    """Where, what, how probable, on what evidence, what next; the caution before the next step."""
    # Without probabilities nothing ranks one finding behind another.
    first = first or finding.probability is None
    what = f": {finding.what}" if finding.what else ""
    probability = f" ({share(finding.probability)}%)" if finding.probability is not None else ""
    console.print(
        Text(f"\n{'Finding' if first else 'Less probable'}: {finding.where}{what}{probability}", style="bold")
    )
    for line in finding.evidence:
        console.print(Text(f"  - {line}"))
    if finding.caution:
        console.print(Text(f"  CAUTION: {finding.caution}", style="bold yellow"))
    if finding.next:
        console.print(f"  Next: {escape(finding.next)}")
