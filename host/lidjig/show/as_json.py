"""The JSON object: the same keys for every procedure, documented in GUIDE.md. It never holds NaN or infinity."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from typing import Any

from lidjig.record.model import Finding, MeasuredValue
from lidjig.show.given import ReportLike


def _number(value: float | None) -> float | None:
    """value, or null where there is none: JSON has no NaN and no infinity."""
    if value is None or not math.isfinite(value):
        return None
    return float(value) if isinstance(value, float) else value


def measurement_object(measured: MeasuredValue) -> dict[str, Any]:
    """One measurement as plain data."""
    return {
        "name": measured.name,
        "value": _number(measured.value),
        "unit": measured.unit,
        "low": _number(measured.low),
        "high": _number(measured.high),
        "n": measured.n,
        "limit_low": _number(measured.limit_low),
        "limit_high": _number(measured.limit_high),
        "outcome": measured.outcome,
    }


def finding_object(finding: Finding) -> dict[str, Any]:
    """One finding as plain data."""
    return {
        "where": finding.where,
        "what": finding.what,
        "probability": _number(finding.probability),
        "evidence": list(finding.evidence),
        "next": finding.next,
        "caution": finding.caution,
    }


def _dump(
    command: str,
    run: str | None,
    outcome: str,
    findings: Iterable[Finding],
    measurements: Iterable[MeasuredValue],
    notes: Sequence[str],
    error: dict[str, str] | None,
) -> str:
    return json.dumps(
        {
            "command": command,
            "run": run,
            "outcome": outcome,
            "findings": [finding_object(f) for f in findings],
            "measurements": [measurement_object(m) for m in measurements],
            "notes": list(notes),
            "error": error,
        },
        allow_nan=False,
        ensure_ascii=False,
        indent=2,
    )


def report_object(report: ReportLike) -> str:
    """A finished procedure as the JSON object."""
    error = {"text": report.error, "next": report.error_next} if report.error else None
    return _dump(report.command, report.run, report.outcome, report.findings, report.measurements, report.notes, error)


def error_object(command: str, run: str | None, text: str, next_step: str) -> str:
    """The JSON object of a command that came to nothing: outcome "error"."""
    return _dump(command, run, "error", (), (), (), {"text": text, "next": next_step})
