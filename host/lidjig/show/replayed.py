"""A replayed run: what agrees with the record, what differs, and the power states that its events tell."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from rich.console import Console
from rich.text import Text

from lidjig.show.as_json import finding_object, measurement_object
from lidjig.show.given import ReportLike


class DifferenceLike(Protocol):
    """One thing with both sides; "" = there is nothing."""

    @property
    def kind(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def recorded(self) -> str: ...
    @property
    def replayed(self) -> str: ...


class ReplayedLike(Protocol):
    """A replay; see procedures/replayed.py."""

    @property
    def run(self) -> str: ...
    @property
    def report(self) -> ReportLike: ...
    @property
    def concluded(self) -> bool: ...
    @property
    def same(self) -> bool: ...
    @property
    def agreeing(self) -> Mapping[str, int]: ...
    @property
    def differences(self) -> Sequence[DifferenceLike]: ...
    @property
    def taken(self) -> int: ...
    @property
    def holes(self) -> Sequence[str]: ...
    @property
    def uncompared(self) -> Sequence[str]: ...
    @property
    def spans(self) -> Sequence[tuple[int, int, int, str]]: ...


NO_CONCLUSION = "the run drew no conclusion (it was killed, or met an error): only what it recorded was compared"


def show_replayed(done: ReplayedLike, console: Console) -> None:
    """Counts of what agrees, each difference with both sides, the result last."""
    console.print(Text(f"Replay of run {done.run} ({done.report.command})", style="bold"))
    for kind, count in done.agreeing.items():
        differing = sum(one.kind == kind for one in done.differences)
        if count or differing:
            console.print(Text(f"  {kind:<13} {count:>6} the same, {differing} differ"))
    console.print(Text(f"  {_states(done.spans)}"))
    if done.taken:
        console.print(Text(f"  {done.taken} figures that no event tells were judged anew as they were recorded"))
    if not done.concluded:
        console.print(Text(f"  {NO_CONCLUSION}", style="yellow"))
    for what in done.uncompared:
        console.print(Text(f"  Not compared: {what}", style="yellow"))
    for hole in done.holes:
        console.print(Text(f"  Missing from the record: {hole}; nothing is concluded from it", style="bold yellow"))
    for one in done.differences:
        console.print(Text(f"\nDiffers: {one.kind}, {one.name}", style="bold red"))
        console.print(Text(f"  recorded: {one.recorded or 'nothing'}"))
        console.print(Text(f"  replayed: {one.replayed or 'nothing'}"))
    if not done.same:
        said = "DIFFERS from the record" + (", part of which is missing" if done.holes else "")
    elif not done.concluded:
        said = "SAME: the record gives what was recorded again; the run drew no conclusion"
    elif not done.report.findings:
        said = "SAME: the record gives its figures again; the run has no findings"
    else:
        said = "SAME: the record gives its findings and figures again"
    console.print(Text(f"\nReplay: {said}", style="bold green" if done.same else "bold red"))


def _states(spans: Sequence[tuple[int, int, int, str]]) -> str:
    """ "power states by the events, until the last one: S0 12.3 s, S3 4.5 s"."""
    seconds: dict[str, float] = {}
    for _boot, begin_us, end_us, state in spans:
        seconds[state] = seconds.get(state, 0.0) + (end_us - begin_us) / 1e6
    told = ", ".join(f"{state} {length:.1f} s" for state, length in sorted(seconds.items()))
    return f"power states by the events, until the last one: {told or 'none are told'}"


def replayed_object(done: ReplayedLike) -> str:
    """A replay as the JSON object of its procedure, with the comparison beside it."""
    report = done.report
    whole: dict[str, Any] = {
        "command": "replay",
        "run": done.run,
        "replayed": report.command,
        "same": done.same,
        "concluded": done.concluded,
        "outcome": report.outcome,
        "findings": [finding_object(one) for one in report.findings],
        "measurements": [measurement_object(one) for one in report.measurements],
        "agreeing": dict(done.agreeing),
        "differences": [
            {"kind": d.kind, "name": d.name, "recorded": d.recorded or None, "replayed": d.replayed or None}
            for d in done.differences
        ],
        "holes": list(done.holes),
        "as_recorded": done.taken,
        "states": [
            {"boot": boot, "begin_us": begin, "end_us": end, "state": state} for boot, begin, end, state in done.spans
        ],
        "notes": [*([] if done.concluded else [NO_CONCLUSION]), *done.uncompared],
        "error": None,
    }
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, indent=2)
