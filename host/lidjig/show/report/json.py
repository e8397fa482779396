"""The report as data: the content of the page under the same names, without drawings."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

from lidjig.show.as_json import finding_object, measurement_object
from lidjig.show.pages import latest
from lidjig.show.report.content import Built


def report_object(built: Built) -> str:
    """One JSON object: the keys that every command's object has, and the report beside them. No NaN, no infinity."""
    run = built.run
    whole = {
        "command": "report",
        "run": run.id,
        "outcome": run.outcome,
        "findings": [finding_object(finding) for finding in run.findings],
        "measurements": [measurement_object(measured) for measured in latest(run.measurements)],
        "notes": run.notes,
        "error": None,
        "report": _plain(built.content),
    }
    return json.dumps(whole, allow_nan=False, ensure_ascii=False, indent=2)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
