"""The run whole as one JSON object: everything the record holds of it, samples with the time of each.

What does not exist is null; there is no NaN and no infinity. It is written piece by piece.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any, TextIO

from lidjig.record.event_words import words
from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.export.table import MASK
from lidjig.record.listing import outcome_word
from lidjig.record.source import Placed, Source
from lidjig.record.stored import StoredRun, StoredSample

VERSION = 1  # of this object; a key that comes to it changes nothing, one that changes its meaning does


def write(source: Source, path: Path, _wishes: Wishes, exported: Exported) -> None:
    """Write the object to path."""
    run = source.run
    lists: dict[str, Iterable[Any]] = {
        "events": (asdict(event) | {"words": words(event.name, event.data)} for event in run.events),
        "readings": (_reading(sample) for sample in run.samples),
        "steps": (asdict(step) for step in run.steps),
        "observations": (asdict(one) for one in run.observations),
        "measurements": ({**m.to_json(), "marginal_band": m.marginal_band} for m in run.measurements),
        "findings": (finding.to_json() for finding in run.findings),
        "gaps": (asdict(gap) for gap in run.gaps),
        "notes": run.notes,
        "frames": run.frames,
        "attachments": (asdict(one) for one in run.attachments),
    }
    with path.open("w", encoding="utf-8") as stream:
        stream.write(f'{{\n"format": "lidjig run",\n"version": {VERSION},\n"run": ')
        stream.write(_dumped(_head(run)))
        for name, items in lists.items():
            stream.write(f',\n"{name}": [')
            exported.counts[name] = _items(stream, items)
            stream.write("]")
        stream.write(',\n"channels": [')
        exported.counts["samples"] = _channels(stream, source)
        stream.write("]\n}\n")


# What the run's own row tells: null where that was lost.
_OF_ROW = (
    "uid", "origin", "arguments", "argv", "seed", "host_version", "firmware_version", "board_id", "link_details",
    "started_utc", "ended_utc", "closed",
)  # fmt: skip


def _head(run: StoredRun) -> dict[str, Any]:
    names = (
        "id", "uid", "origin", "job", "job_fields", "command", "arguments", "argv", "seed", "host_version",
        "firmware_version", "board_id", "link_details", "machine", "resumes", "started_utc", "ended_utc", "closed",
        "outcome", "texts",
    )  # fmt: skip
    head = {name: getattr(run, name) for name in names} | {"outcome": outcome_word(run.command, run.outcome)}
    return head | dict.fromkeys(_OF_ROW) if run.row_lost else head


def _reading(sample: StoredSample) -> dict[str, Any]:
    """A single reading, or a series with its numbers as "values" in their shape."""
    found = {k: getattr(sample, k) for k in ("channel", "unit", "value", "u", "n", "t_us")}
    if sample.unit == MASK and sample.value is not None:
        found["value"] = int(sample.value)
    return found if sample.data is None else found | {"dtype": sample.dtype, "values": sample.values().tolist()}


def _items(stream: TextIO, items: Iterable[Any]) -> int:
    count = 0
    for item in items:
        stream.write((",\n" if count else "\n") + _dumped(item))
        count += 1
    return count


def _channels(stream: TextIO, source: Source) -> int:
    samples = 0
    for place, row in enumerate(source.channels):
        stream.write(",\n" if place else "\n")
        stream.write(_dumped(asdict(row))[:-1] + ', "segments": [')
        for piece, text in enumerate(_segments(source.series(row.channel))):
            stream.write((",\n" if piece else "\n") + text)
        stream.write("]}")
        samples += row.n
    return samples


def _segments(placed: Iterable[Placed]) -> Iterator[str]:
    """Samples as they lie in the record, about 2 s at once. after_hole: a sample is missing before the first one;
    set_anew: sampling was set before it.
    """
    for one in placed:
        segment = one.segment
        yield _dumped(
            {
                "boot": one.boot,
                "after_hole": segment.after_hole,
                "set_anew": segment.set_anew,
                "t_us": segment.t_us.tolist(),
                "values": segment.values.tolist(),
            }
        )


def _dumped(item: Any) -> str:
    return json.dumps(_plain(item), allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def _plain(item: Any) -> Any:
    """The item with null for what is not a number that can be written down."""
    if isinstance(item, float):
        return item if math.isfinite(item) else None
    if isinstance(item, dict):
        return {str(key): _plain(value) for key, value in item.items()}
    if isinstance(item, (list, tuple)):
        return [_plain(value) for value in item]
    return item
