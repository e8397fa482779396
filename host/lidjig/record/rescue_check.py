"""Whether a row of a damaged record is one that lidjig wrote: by its checksum, else by what can be known without.

A row without a checksum (a record from before schema 5) that passes is none that is known to be whole: a letter that
became another one in a sentence is not seen.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import tomllib
import zlib
from collections.abc import Callable
from datetime import datetime
from types import SimpleNamespace
from typing import Any

import sqlalchemy as sa

from lidjig.record import schema
from lidjig.record.checksum import COLUMN, agrees
from lidjig.record.model import MEASUREMENT_OUTCOMES, RUN_OUTCOMES
from lidjig.record.recorder import to_json
from lidjig.record.stored import event_of, finding_of, measured_of

# Columns whose text is JSON: a run with one that does not parse would not open.
_JSON = ("arguments", "command_line", "link_details", "evidence", "shape", "result")
_MADE = {schema.events: event_of, schema.findings: finding_of, schema.measurements: measured_of}
# Profiles and scenarios were read as TOML before the run began.
_TOML = ("sensor", "machine", "scenario", "taught")
_WORDS = {
    (schema.runs.name, "outcome"): RUN_OUTCOMES,
    (schema.measurements.name, "outcome"): MEASUREMENT_OUTCOMES,
    (schema.steps.name, "state"): ("open", "done", "failed"),
}
_OF_RUN = (*schema.RUN_TABLES, schema.blocks)
# What lidjig puts into no text but that of an error of another library, or of a frame.
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_ANYTHING = ((schema.steps.name, "exception"), (schema.frames.name, "text"), (schema.gaps.name, "text"))


def usable(table: sa.Table, row: dict[str, Any]) -> bool:
    """Whether a row can be what lidjig wrote: types, what must be there, and all that it says of itself."""
    for column in table.columns:
        value = row.get(column.name)
        if value is None:
            if not column.nullable and not (column.primary_key and column.name not in row):
                return False
        elif not _fits(column, value):
            return False
    try:
        if not agrees(table, row) or not _proves_itself(table, row):
            return False
        return vouched(table, row) or _looks_written(table, row)
    except (ValueError, zlib.error, TypeError, KeyError, AttributeError, IndexError, RecursionError):
        return False


def vouched(table: sa.Table, row: dict[str, Any]) -> bool:
    """Whether something in a usable row proves that it is as it was written, to the letter."""
    return row.get(COLUMN) is not None or table is schema.attachments or table is schema.job_fields_elsewhere


def _fits(column: sa.Column[Any], value: object) -> bool:
    if isinstance(column.type, sa.LargeBinary):
        return isinstance(value, bytes)
    if isinstance(column.type, sa.String):
        return isinstance(value, str)
    if isinstance(column.type, sa.Integer):
        return isinstance(value, int)
    return isinstance(value, (int, float))


def _proves_itself(table: sa.Table, row: dict[str, Any]) -> bool:
    """False, ValueError or zlib.error for content that is not what it says it is: a run with it would not open."""
    for name in _JSON:
        if row.get(name) is not None:
            json.loads(row[name])
    if table in _MADE:
        _MADE[table](SimpleNamespace(**row))
    more = _MORE.get(table)
    return more is None or more(row)


def _step(row: dict[str, Any]) -> bool:
    return isinstance(json.loads(row["arguments"]), dict)


def _run(row: dict[str, Any]) -> bool:
    kinds = (("arguments", dict), ("link_details", dict), ("command_line", list))
    return all(isinstance(json.loads(row[name]), kind) for name, kind in kinds)


def _block(row: dict[str, Any]) -> bool:
    from lidjig.record.blocks import unpack_data, unpack_marks

    unpack_data(row["data"], row["n"])
    marks = unpack_marks(row["marks"])
    times = bool(marks.t_us[0] == row["t_us"] and marks.t_us[-1] + marks.span_us[-1] - marks.t_us[0] == row["span_us"])
    return times and bool(marks.n.sum() == row["n"]) and math.isfinite(row["per_raw"]) and math.isfinite(row["offset"])


def _series(row: dict[str, Any]) -> bool:
    if row["data"] is None:
        return True
    import numpy as np

    shape = json.loads(row["shape"])
    return bool(len(row["data"]) == np.dtype(row["dtype"]).itemsize * row["n"] and math.prod(shape) == row["n"])


def _file(row: dict[str, Any]) -> bool:
    return bool(hashlib.sha256(row["data"]).hexdigest() == row["sha256"] and len(row["data"]) == row["size"])


def _field_elsewhere(row: dict[str, Any]) -> bool:
    return bool(hashlib.sha256(row["text"].encode()).hexdigest() == row["digest"])


_MORE: dict[sa.Table, Callable[[dict[str, Any]], bool]] = {
    schema.steps: _step,
    schema.runs: _run,
    schema.blocks: _block,
    schema.samples: _series,
    schema.attachments: _file,
    schema.job_fields_elsewhere: _field_elsewhere,
}


def _looks_written(table: sa.Table, row: dict[str, Any]) -> bool:
    """What is certain of a row without a checksum. False or ValueError for what lidjig never wrote."""
    for column in table.columns:
        value = row.get(column.name)
        if isinstance(value, str) and not _is_text(table, column, value):
            return False
    if table is schema.texts and row["kind"] in _TOML:
        tomllib.loads(row["text"])
    if any(row.get(name) is not None and to_json(json.loads(row[name])) != row[name] for name in _JSON):
        return False  # JSON is written in one way only
    uid = row.get("uid") if table is schema.runs else None
    return uid is None or re.fullmatch("[0-9a-f]{32}", uid) is not None


def _is_text(table: sa.Table, column: sa.Column[Any], text: str) -> bool:
    words = _WORDS.get((table.name, column.name))
    if words is not None and text not in words:
        return False
    if column.name.endswith("_utc"):
        datetime.fromisoformat(text)
    if table in _OF_RUN and not isinstance(column.type, sa.Text):
        return text.isprintable()  # names, units, words: none of them is entered by a person
    return "\x00" not in text and ((table.name, column.name) in _ANYTHING or not _CONTROL.search(text))
