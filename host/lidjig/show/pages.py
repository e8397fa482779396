"""The record in a terminal: the list of runs, and one run whole."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from lidjig.record.model import MeasuredValue
from lidjig.record.store import RunRow
from lidjig.record.stored import StoredEvent, StoredRun
from lidjig.show.as_json import finding_object, measurement_object
from lidjig.show.numbers import board_time
from lidjig.show.terminal import ended_well_unjudged, outcome_style, show_finding, show_measurement
from shared_proto import names

# Fields of events that are numbers with a name.
_NAMED = {
    ("routed", "route"): names.ROUTES,
    ("routed", "reason"): names.REASONS,
    ("lock", "state"): names.LOCK_STATES,
    ("lock", "reason"): names.REASONS,
    ("edge", "line"): names.LINES,
    ("band", "channel"): names.CHANNELS,
    ("boot", "cause"): names.RESETS,
}


def event_text(event: StoredEvent) -> str:
    """Fields of an event in words: angle in degrees, outputs from 1, numbers with a name by their name."""
    parts = []
    for key, value in event.data.items():
        table = _NAMED.get((event.name, key))
        if table is not None and 0 <= value < len(table):
            parts.append(f"{key} {table[value]}")
        elif key == "angle_mdeg":
            parts.append(f"angle {value / 1000:g} deg")
        elif key == "output":
            parts.append(f"output {value + 1}")
        else:
            parts.append(f"{key} {value}")
    return ", ".join(parts)


def show_runs(rows: Sequence[RunRow], console: Console, where: str) -> None:
    """One line a run, newest first."""
    if not rows:
        console.print(Text(f"No runs in {where}."))
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("run", "job", "command", "outcome", "events", "gaps", "board", "started (UTC)"):
        table.add_column(title, justify="right" if title in ("events", "gaps") else "left", no_wrap=True)
    for row in rows:
        table.add_row(
            row.id,
            row.job or "",
            row.command,
            _short_outcome(row.command, row.outcome),
            str(row.events),
            Text(str(row.gaps or "-"), style="yellow" if row.gaps else ""),
            row.board_id,
            row.started_utc[:19].replace("T", " "),
        )
    console.print(table)
    console.print(Text(f"{len(rows)} runs in {where}"))


def _short_outcome(command: str, outcome: str) -> Text:
    """One word; a run that only looked at a machine does not read as if the machine had passed."""
    word = "ended" if ended_well_unjudged(command, outcome) else outcome
    return Text(word, style=outcome_style(command, outcome))


def latest(measurements: Sequence[MeasuredValue]) -> list[MeasuredValue]:
    """Each measurement once, as it was entered last: a step that was repeated measures again."""
    return list({measured.name: measured for measured in measurements}.values())


def show_run(run: StoredRun, console: Console, *, events: bool = True) -> None:
    """One run: how it ended, what it was, findings, figures, notes, gaps, steps, then every event with its counter."""
    _head(run, console)
    for index, finding in enumerate(run.findings):
        show_finding(finding, console, first=index == 0)
    if run.measurements:
        console.print(Text("\nMeasured", style="bold"))
        for measured in latest(run.measurements):
            show_measurement(measured, console)
    _lines("Notes", run.notes, console)
    _lines(
        "Gaps in the record",
        [f"after event {gap.after_event}: {gap.kind}: {gap.text}" for gap in run.gaps],
        console,
    )
    _lines("Last frames kept with a failure", run.frames, console)
    if events:
        _events(run, console)


def _head(run: StoredRun, console: Console) -> None:
    title = Text(f"Run {run.id}: {run.command}, ", style="bold")
    title.append(_short_outcome(run.command, run.outcome))
    console.print(title)
    if not run.closed:
        console.print(
            Text(
                "INCOMPLETE: this run was never closed (the program was killed, or it is still running). "
                "What follows is all that had been acknowledged to the jig.",
                style="bold yellow",
            )
        )
        if run.command == "cycle":
            console.print(Text(f"Go on with: lidjig cycle --resume {run.id}"))
    facts = {
        "job": run.job or "-",
        "command line": "lidjig " + " ".join(run.argv),
        "started, ended": f"{run.started_utc}, {run.ended_utc or 'never'}",
        "host, firmware": f"{run.host_version}, {run.firmware_version}",
        "board": run.board_id,
        "link": ", ".join(f"{k} {v}" for k, v in sorted(run.link_details.items()) if "\n" not in v),
        "seed": run.seed or "-",
        "profiles kept": ", ".join(sorted(run.texts)) or "-",
    }
    if run.resumes:
        facts["goes on with"] = run.resumes
    for name, value in facts.items():
        console.print(Text(f"  {name:<16}{value}"))


def _lines(title: str, lines: Sequence[str], console: Console) -> None:
    if lines:
        console.print(Text(f"\n{title}", style="bold"))
        for line in lines:
            console.print(Text(f"  {line}"))


def _events(run: StoredRun, console: Console) -> None:
    console.print(Text(f"\nEvents ({len(run.events)}; counter, board time in s)", style="bold"))
    gaps: dict[int, list[str]] = {}
    for gap in run.gaps:
        gaps.setdefault(gap.after_event, []).append(gap.kind)
    for place, event in enumerate(run.events, start=1):
        console.print(Text(f"  {event.counter:>8}  {board_time(event.t_us):>16}  {event.name:<9} {event_text(event)}"))
        for kind in gaps.get(place, ()):
            console.print(Text(f"            -- {kind} --", style="yellow"))


def run_object(run: StoredRun, *, events: bool) -> str:
    """A stored run as the JSON object of its procedure, with the events and gaps beside it."""
    whole: dict[str, Any] = {
        "command": run.command,
        "run": run.id,
        "outcome": run.outcome,
        "findings": [finding_object(f) for f in run.findings],
        "measurements": [measurement_object(m) for m in latest(run.measurements)],
        "notes": run.notes,
        "error": None,
        "job": run.job,
        "closed": run.closed,
        "started_utc": run.started_utc,
        "ended_utc": run.ended_utc,
        "board": run.board_id,
        "host": run.host_version,
        "firmware": run.firmware_version,
        "seed": run.seed,
        "argv": run.argv,
        "gaps": [{"kind": g.kind, "text": g.text, "after_event": g.after_event, "t_us": g.t_us} for g in run.gaps],
    }
    if events:
        whole["events"] = [{"counter": e.counter, "t_us": e.t_us, "name": e.name, "data": e.data} for e in run.events]
        whole["samples"] = [
            {"channel": s.channel, "unit": s.unit, "value": s.value, "u": s.u, "n": s.n, "t_us": s.t_us}
            for s in run.samples
        ]
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, indent=2)


def runs_object(rows: Sequence[RunRow], store: str) -> str:
    """The list of runs as a JSON object."""
    listed = [
        {
            "run": row.id,
            "job": row.job,
            "command": row.command,
            "outcome": row.outcome,
            "closed": row.closed,
            "events": row.events,
            "gaps": row.gaps,
            "board": row.board_id,
            "started_utc": row.started_utc,
            "ended_utc": row.ended_utc,
        }
        for row in rows
    ]
    return json.dumps(
        {"command": "runs", "store": store, "runs": listed}, allow_nan=False, ensure_ascii=False, indent=2
    )
