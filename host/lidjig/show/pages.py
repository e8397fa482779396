"""The record in a terminal: the list of runs, and one run whole."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from lidjig.record.event_words import word
from lidjig.record.listing import ENDED, outcome_word
from lidjig.record.model import MeasuredValue
from lidjig.record.store import RunRow
from lidjig.record.stored import StoredAttachment, StoredEvent, StoredGap, StoredRun
from lidjig.show.as_json import finding_object, measurement_object
from lidjig.show.numbers import board_time, byte_size, duration, figure
from lidjig.show.terminal import ended_well_unjudged, outcome_style, show_finding, show_measurement

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow

LOST = "unknown"  # what the lost row of a run would tell

GAPS_EACH = 5  # of those that say the same, and of different ones of a kind, so many have a line each


def event_text(event: StoredEvent) -> str:
    """Fields of an event in words: angle in degrees, outputs from 1, numbers with a name by their name."""
    parts = []
    for key, value in event.data.items():
        named = word(event.name, key, value)
        if named is not None:
            parts.append(f"{key} {named}")
        elif key == "angle_mdeg":
            parts.append(f"angle {value / 1000:g} deg")
        elif key in ("output", "meter"):
            parts.append(f"{key} {value + 1}")
        else:
            parts.append(f"{key} {value}")
    return ", ".join(parts)


def channel_text(row: ChannelRow) -> str:
    """ "meter_1_v: 2500 samples, 1000/s, 2.499 s from 0.000000 s, no gaps, in V" """
    rate = "" if row.rate_hz is None else f", {figure(row.rate_hz)}/s"
    span_us = row.end_us - row.begin_us
    span = f"{figure(span_us / 1e6)} s" if abs(span_us) < 60_000_000 else duration(span_us / 1e6)
    gaps = "no gaps" if not row.gaps else f"{row.gaps} gap{'s' if row.gaps > 1 else ''}"
    unit = f"in {row.unit}" if row.unit else "raw"
    samples = f"{row.n} sample{'s' if row.n != 1 else ''}"
    return f"{row.channel}: {samples}{rate}, {span} from {board_time(row.begin_us)} s, {gaps}, {unit}"


def attachment_text(attached: StoredAttachment) -> str:
    """ "photo.jpg, image/jpeg, 2.1 MB, SHA-256 0123456789ab" """
    return f"{attached.name}, {attached.media_type}, {byte_size(attached.size)}, SHA-256 {attached.sha256[:12]}"


def attachment_object(attached: StoredAttachment) -> dict[str, Any]:
    """An attachment as plain data."""
    return {
        "name": attached.name,
        "media_type": attached.media_type,
        "size": attached.size,
        "sha256": attached.sha256,
        "attached_utc": attached.attached_utc,
    }


def show_runs(rows: Sequence[RunRow], console: Console, where: str, fit: int, total: int) -> None:
    """One line a run, newest first. fit: how many fit what was asked for; total: how many the record has."""
    if not rows:
        fits_none = f"No run of {total} in {where} fits." if total else f"No runs in {where}."
        console.print(Text(fits_none))
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for title in ("run", "job", "machine", "command", "outcome", "events", "gaps", "board", "started (UTC)"):
        table.add_column(title, justify="right" if title in ("events", "gaps") else "left", no_wrap=True)
    for row in rows:
        table.add_row(
            row.id,
            row.job or "",
            row.machine or "",
            row.command,
            _short_outcome(row.command, row.outcome),
            str(row.events),
            Text(str(row.gaps or "-"), style="yellow" if row.gaps else ""),
            LOST if row.row_lost else row.board_id,
            LOST if row.row_lost else row.started_utc[:19].replace("T", " "),
        )
    console.print(table)
    console.print(Text(_counted(len(rows), fit, total, where)))


def _counted(listed: int, fit: int, total: int, where: str) -> str:
    runs = f"run{'' if total == 1 else 's'} in {where}"
    if listed < fit:
        of_all = f"{total} {runs}" if fit == total else f"{fit} that fit, among {total} {runs}"
        return f"{listed} of {of_all}; --last {fit} lists all"
    return f"{total} {runs}" if fit == total else f"{fit} of {total} {runs}"


def _short_outcome(command: str, outcome: str) -> Text:
    """One word; a run that only looked at a machine does not read as if the machine had passed."""
    word = "ended" if ended_well_unjudged(command, outcome) else outcome
    return Text(word, style=outcome_style(command, outcome))


def latest(measurements: Sequence[MeasuredValue]) -> list[MeasuredValue]:
    """Each measurement once, as it was entered last: a step that was repeated measures again."""
    return list({measured.name: measured for measured in measurements}.values())


def all_declared(run: StoredRun) -> list[MeasuredValue]:
    """latest(), and of a run that was never closed also what it declared and did not come to."""
    from lidjig.show.report.rows import still_to_measure  # which stands upon this file

    return [*latest(run.measurements), *still_to_measure(run)]


def show_run(
    run: StoredRun,
    console: Console,
    *,
    events: bool = True,
    frames: bool = False,
    channels: Sequence[ChannelRow] = (),
    states: Sequence[str] = (),
) -> None:
    """One run: how it ended, what it was, findings, figures, sampled channels, power states (lines of show/states.py),
    notes, attachments, gaps, then every event with its counter. Frames are listed only where they are asked for.
    """
    _head(run, console)
    for index, finding in enumerate(run.findings):
        show_finding(finding, console, first=index == 0)
    if declared := all_declared(run):
        console.print(Text("\nMeasured", style="bold"))
        for measured in declared:
            show_measurement(measured, console)
    _lines("Sampled channels", [channel_text(row) for row in channels], console)
    _lines("Power states", states, console)
    _lines("Notes", run.notes, console)
    _lines("Attachments", [attachment_text(attached) for attached in run.attachments], console)
    _lines("Gaps in the record", gap_lines(run), console)
    _lines("Last frames and firmware log kept with a failure", run.frames if frames else _counted_frames(run), console)
    if events:
        _events(run, console)


def gap_lines(run: StoredRun) -> list[str]:
    """A line for each gap; one for all of a kind that say the same, or that are many, with the first and the last."""
    texts: dict[str, set[str]] = {}
    for gap in run.gaps:
        texts.setdefault(gap.kind, set()).add(gap.text)
    groups: dict[tuple[str, str], list[StoredGap]] = {}
    for gap in run.gaps:
        groups.setdefault((gap.kind, gap.text if len(texts[gap.kind]) <= GAPS_EACH else ""), []).append(gap)
    out = []
    for (kind, _), gaps in groups.items():
        first, last = gaps[0], gaps[-1]
        if len(gaps) <= GAPS_EACH:
            out += [(gap.after_event, f"after event {gap.after_event}: {kind}: {gap.text}") for gap in gaps]
            continue
        told = f"{first.text}; the last: {last.text}" if first.text != last.text else first.text
        where = f"{len(gaps)} times, after event {first.after_event} first, after event {last.after_event} last"
        out.append((first.after_event, f"{kind}, {where}: {told}"))
    lines = [text for _, text in sorted(out, key=lambda item: item[0])]
    return lines if len(lines) == len(run.gaps) else [*lines, f"each of them: lidjig show {run.id} --json"]


def _head(run: StoredRun, console: Console) -> None:
    title = Text(f"Run {run.id}: {run.command}, ", style="bold")
    title.append(_short_outcome(run.command, run.outcome))
    console.print(title)
    if run.row_lost:
        console.print(
            Text(
                "THE RUN'S OWN ROW IS LOST: by which command, when, with what versions and on which board it was made, "
                "whether it came to its end and with what outcome is unknown. What follows is what was saved of it.",
                style="bold yellow",
            )
        )
    elif not run.closed:
        console.print(
            Text(
                "INCOMPLETE: this run was never closed (the program was killed, or it is still running). "
                "What follows is all that had been acknowledged to the jig.",
                style="bold yellow",
            )
        )
        if run.command == "cycle":
            console.print(Text(f"Go on with: lidjig cycle --resume {run.id}"))
    if run.holes:
        console.print(Text(_missing(run), style="bold yellow"))
    for name, value in _facts(run).items():
        console.print(Text(f"  {name:<16}{value}"))


def _missing(run: StoredRun) -> str:
    text = f"PART OF THIS RUN'S RECORD IS MISSING: {'; '.join(hole.text for hole in run.holes)}."
    if run.closed:
        text += f" The run itself had ended: {run.recorded_outcome}; what its conclusion stood on is not all here."
    return text


def _facts(run: StoredRun) -> dict[str, str]:
    own = {
        "job": run.job or "-",
        "command line": "lidjig " + " ".join(run.argv),
        "started, ended": f"{run.started_utc}, {run.ended_utc or 'never'}",
        "host, firmware": f"{run.host_version}, {run.firmware_version}",
        "board": run.board_id,
        "link": ", ".join(f"{k} {v}" for k, v in sorted(run.link_details.items()) if "\n" not in v),
        "seed": run.seed or "-",
    }
    facts = dict.fromkeys(own, LOST) if run.row_lost else own
    facts["profiles kept"] = ", ".join(sorted(run.texts)) or "-"
    if run.machine:
        facts["machine"] = run.machine
    if run.resumes:
        facts["goes on with"] = run.resumes
    if run.origin:
        facts["brought in"] = f"from another record; it was {run.origin} there, and its texts call it so"
    return facts


def _lines(title: str, lines: Sequence[str], console: Console) -> None:
    if lines:
        console.print(Text(f"\n{title}", style="bold"))
        for line in lines:
            console.print(Text(f"  {line}"))


def _counted_frames(run: StoredRun) -> list[str]:
    count = len(run.frames)
    if not count:
        return []
    return [f"{count} line{'s' if count != 1 else ''}; list with: lidjig show {run.id} --frames"]


def _events(run: StoredRun, console: Console) -> None:
    console.print(Text(f"\nEvents ({len(run.events)}; counter, board time in s)", style="bold"))
    gaps: dict[int, list[str]] = {}
    for gap in run.gaps:
        gaps.setdefault(gap.after_event, []).append(gap.kind)
    for place, event in enumerate(run.events, start=1):
        console.print(Text(f"  {event.counter:>8}  {board_time(event.t_us):>16}  {event.name:<9} {event_text(event)}"))
        for kind in gaps.get(place, ()):
            console.print(Text(f"            -- {kind} --", style="yellow"))


def run_object(
    run: StoredRun, *, events: bool, channels: Sequence[ChannelRow] = (), states: dict[str, Any] | None = None
) -> str:
    """A stored run as the JSON object of its procedure, with channels, attachments, events and gaps beside it. What its
    own row would tell is null where that is lost.
    """
    whole: dict[str, Any] = {
        "command": run.command,
        "run": run.id,
        "outcome": outcome_word(run.command, run.outcome),
        "findings": [finding_object(f) for f in run.findings],
        "measurements": [measurement_object(m) for m in all_declared(run)],
        "notes": run.notes,
        "error": None,
        "job": run.job,
        "closed": run.closed,
        "recorded_outcome": run.recorded_outcome or run.outcome,
        "holes": [hole.text for hole in run.holes],
        "started_utc": run.started_utc,
        "ended_utc": run.ended_utc,
        "board": run.board_id,
        "host": run.host_version,
        "firmware": run.firmware_version,
        "seed": run.seed,
        "argv": run.argv,
        "gaps": [{"kind": g.kind, "text": g.text, "after_event": g.after_event, "t_us": g.t_us} for g in run.gaps],
        "uid": run.uid,
        "machine": run.machine,
        "origin": run.origin,
        "channels": [
            {
                "channel": row.channel,
                "unit": row.unit,
                "n": row.n,
                "rate_hz": row.rate_hz,
                "begin_us": row.begin_us,
                "end_us": row.end_us,
                "gaps": row.gaps,
            }
            for row in channels
        ],
        "observations": [{"name": o.name, "value": o.value, "text": o.text} for o in run.observations],
        "attachments": [attachment_object(attached) for attached in run.attachments],
    }
    if run.row_lost:
        whole |= dict.fromkeys(_OF_ROW)
    if states is not None:
        whole["states"] = states
    if events:
        whole["events"] = [{"counter": e.counter, "t_us": e.t_us, "name": e.name, "data": e.data} for e in run.events]
        whole["samples"] = [
            {"channel": s.channel, "unit": s.unit, "value": s.value, "u": s.u, "n": s.n, "t_us": s.t_us}
            for s in run.samples
        ]
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, indent=2)


# Keys of a run that its own row tells.
_OF_ROW = (
    "closed", "recorded_outcome", "started_utc", "ended_utc", "board", "host", "firmware", "seed", "argv",
    "uid", "origin",
)  # fmt: skip


def runs_object(rows: Sequence[RunRow], store: str, fit: int, total: int) -> str:
    """The list of runs as a JSON object. fit, total: as for show_runs()."""
    listed = []
    for row in rows:
        told: dict[str, Any] = {
            "run": row.id,
            "job": row.job,
            "machine": row.machine,
            "command": row.command,
            "outcome": ENDED if row.ended else row.outcome,
            "closed": row.closed,
            "events": row.events,
            "gaps": row.gaps,
            "board": row.board_id,
            "started_utc": row.started_utc,
            "ended_utc": row.ended_utc,
            "origin": row.origin,
        }
        listed.append(told | ({key: None for key in told if key in _OF_ROW} if row.row_lost else {}))
    whole = {"command": "runs", "store": store, "total": total, "fit": fit, "runs": listed}
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, indent=2)
