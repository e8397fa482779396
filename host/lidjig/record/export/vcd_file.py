"""The run as a value change dump (IEEE 1364-2005, 18.2): times in us on the axis of the run (board time, where the
board was not restarted).

Wires, 1 bit: lines, outputs (1 = operated), route_WORD, lock_WORD and power_STATE (1 = this one holds),
CHANNEL_above_K (1 = above threshold K of its comparator), `gap` (1 = something of the record is missing here), and
CHANNEL_sampled (1 = samples in a row, x = a sample is missing, 0 = not sampled). There are no vectors: see signals.py.
Reals: the emulated angle where it was told, and each sampled channel in its unit; a real cannot be x, so it is NaN
where it is not known. Lines are x before they were first told and wherever events were lost.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from vcd import VCDWriter

from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.signals import Signal, Value, signals_of
from lidjig.record.listing import outcome_word
from lidjig.record.source import Source

END_US = 1000  # the dump goes on so long after the last change, wherever that is
Change = tuple[int, int, Any]  # axis time in us, place of the variable, value as the writer takes it


def write(source: Source, path: Path, _wishes: Wishes, exported: Exported) -> None:
    """Write the dump to path; of the samples a few seconds are in memory at a time."""
    signals = signals_of(source)
    run = source.run
    board, begun = ("unknown", "unknown") if run.row_lost else (run.board_id, run.started_utc)
    comment = f"lidjig run {run.id} ({run.command}), outcome {outcome_word(run.command, run.outcome)}, board {board}"
    changes = 0
    with path.open("w", encoding="ascii", errors="replace", newline="\n") as stream:
        latest_us = source.begin_us
        by = f"lidjig {run.host_version}"
        with VCDWriter(stream, "1 us", begun, comment, by, init_timestamp=latest_us) as out:
            variables: list[Any] = [_register(out, signal) for signal in signals]
            streams: list[Iterator[Change]] = [_of_signal(place, signal) for place, signal in enumerate(signals)]
            for row in source.channels:
                place = len(variables)
                name = f"{row.channel}_{row.unit or 'raw'}"
                variables.append(out.register_var("analog", name, "real", size=64, init=math.nan))
                variables.append(out.register_var("analog", f"{row.channel}_sampled", "wire", size=1, init="0"))
                streams.append(_of_channel(place, row.channel, row.rate_hz, source))
            for t_us, place, value in heapq.merge(*streams):
                latest_us = max(t_us, latest_us)  # time never goes back in a dump
                out.change(variables[place], latest_us, value)
                changes += 1
            # A reader that fills in samples up to the last time stamp shows the last change as well. That may lie
            # beyond the end of the run: a slow channel's last sample holds for its whole period.
            out.close(max(source.end_us, latest_us) + END_US)
    exported.counts = {"variables": len(variables), "changes": changes}
    if len(source.boots) > 1:
        exported.notes.append("the board was restarted: its boots follow one another on the time axis")


def _register(out: VCDWriter, signal: Signal) -> Any:
    if signal.real:
        return out.register_var("jig", signal.name, "real", size=64, init=math.nan)
    return out.register_var("jig", signal.name, "wire", size=1, init="x")


def _of_signal(place: int, signal: Signal) -> Iterator[Change]:
    for t_us, value in signal.changes:
        yield t_us, place, _written(signal, value)


def _written(signal: Signal, value: Value) -> Any:
    if signal.real:
        return math.nan if value is None else float(value)
    return "x" if value is None else str(int(bool(value)))


def _of_channel(place: int, channel: str, rate_hz: float | None, source: Source) -> Iterator[Change]:
    """The samples, each where it was taken; from a hole or the end on the channel is not known."""
    period_us = round(1e6 / rate_hz) if rate_hz else 1
    end_us: int | None = None
    for placed in source.series(channel):
        segment, offset = placed.segment, placed.offset_us
        apart = segment.after_hole or segment.set_anew
        if end_us is not None and apart:
            yield min(end_us + period_us, int(segment.t_us[0]) + offset), place, math.nan
            yield min(end_us + period_us, int(segment.t_us[0]) + offset), place + 1, "x" if segment.after_hole else "0"
        if end_us is None or apart:
            yield int(segment.t_us[0]) + offset, place + 1, "1"
        for t_us, value in zip((segment.t_us + offset).tolist(), segment.values.tolist(), strict=True):
            yield t_us, place, value
        end_us = int(segment.t_us[-1]) + offset
    if end_us is not None:
        yield end_us + period_us, place, math.nan
        yield end_us + period_us, place + 1, "0"
