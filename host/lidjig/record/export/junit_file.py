"""Measurements and steps of a run as test cases, for whatever collects test results.

JUnit XML has no standard; what is written here follows the elements and attributes that its readers share
(https://github.com/testmoapp/junitxml). One suite a run:

case                          fails when                       skipped when     is an error when
the outcome (verdict)         the machine failed               nothing judged   the run met an error, or is incomplete
each measurement              outside its limits               not measured,    -
                                                               or no limit
each round or cycle           a movement missed or came late   it never ended   it ended in an error
any other step                -                                always, but for  it ended in an error
                                                               an error

What is green was judged and passed; a marginal figure is inside its limits and is green too, with that word in its
output and as its property "outcome". Steps that only keep the record (what was declared, what weighed, which observers
tell) are no case unless they failed.
The figures stand as properties of their case, under the record's own names; an absent one has no property.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import XMLGenerator
from xml.sax.xmlreader import AttributesImpl

from lidjig.record.export.formats import Exported, Wishes
from lidjig.record.figures import limits, with_interval
from lidjig.record.listing import ENDED, outcome_word
from lidjig.record.model import (
    DECLARED_STEP,
    ERROR,
    FAIL,
    INCOMPLETE,
    MARGINAL,
    NOT_MEASURED,
    OBSERVERS_STEP,
    TRIAL_STEPS,
    WEIGHED_STEP,
    MeasuredValue,
)
from lidjig.record.source import Source
from lidjig.record.stored import StoredRun, StoredStep

KEEPING = (DECLARED_STEP, WEIGHED_STEP, OBSERVERS_STEP)  # steps that keep the record and do nothing at the bench
# Arguments that tell steps of one name apart, the first that is there; the others are properties of the case.
TELLING = ("how", "number", "lid", "state")
FIGURES = ("value", "low", "high", "limit_low", "limit_high", "marginal_band")


@dataclass(frozen=True)
class Case:
    """One test case. said: "failure", "error" or "skipped" with its message; "" = passed."""

    kind: str
    name: str
    said: str = ""
    message: str = ""
    text: str = ""
    seconds: float | None = None
    properties: dict[str, str] = field(default_factory=dict)


def write(source: Source, path: Path, _wishes: Wishes, exported: Exported) -> None:
    """Write the suite of a run to path."""
    run = source.run
    steps = (step for step in run.steps if step.name not in KEEPING or step.state == "failed")
    cases = [_verdict(run), *_measurements(run), *(_step(step) for step in steps)]
    counts = {said: sum(case.said == said for case in cases) for said in ("failure", "error", "skipped")}
    total = {
        "tests": str(len(cases)), "failures": str(counts["failure"]), "errors": str(counts["error"]),
        "skipped": str(counts["skipped"]), "time": _seconds(_length_s(source)),
    }  # fmt: skip
    with path.open("wb") as stream:
        xml = XMLGenerator(stream, "utf-8", short_empty_elements=True)
        xml.startDocument()
        _open(xml, "testsuites", {"name": "lidjig", **total})
        suite = {"name": f"lidjig.{run.command}"}
        if not run.row_lost:
            suite |= {"timestamp": run.started_utc[:19], "hostname": run.board_id}
        _open(xml, "testsuite", {**suite, **total})
        _properties(xml, _of_run(run))
        for case in cases:
            _write_case(xml, f"lidjig.{run.command}.{case.kind}", case)
        if run.notes:
            _open(xml, "system-out")
            xml.characters(clean("\n".join(run.notes)))
            xml.endElement("system-out")
        xml.endElement("testsuite")
        xml.endElement("testsuites")
        xml.endDocument()
    exported.counts = {"cases": len(cases), **{name: counts[said] for name, said in _PLURAL.items()}}


_PLURAL = {"failures": "failure", "errors": "error", "skipped": "skipped"}


# What the run's own row tells: no property where that was lost.
_OF_ROW = ("uid", "board", "host_version", "firmware_version", "started_utc", "ended_utc", "closed")
PROMPT = "asked the operator: "  # begins the note of what an operator was to do


def _of_run(run: StoredRun) -> dict[str, str]:
    given = {
        "run": run.id, "uid": run.uid, "job": run.job, "machine": run.machine, "command": run.command,
        "outcome": outcome_word(run.command, run.outcome), "board": run.board_id,
        "host_version": run.host_version,
        "firmware_version": run.firmware_version, "seed": run.seed, "started_utc": run.started_utc,
        "ended_utc": run.ended_utc, "closed": str(run.closed).lower(),
    }  # fmt: skip
    lost = _OF_ROW if run.row_lost else ()
    out = {name: str(value) for name, value in given.items() if value and name not in lost}
    for place, gap in enumerate(run.gaps, start=1):
        out[f"gap_{place}"] = f"{gap.kind}: {gap.text}"
    return out


def _only_looked(run: StoredRun) -> bool:
    return outcome_word(run.command, run.outcome) == ENDED


def _verdict(run: StoredRun) -> Case:
    """The outcome with the findings that it stands on."""
    findings = [
        f"{f.where}{f': {f.what}' if f.what else ''}"
        + (f" ({f.probability:.0%})" if f.probability is not None else "")
        + "".join(f"\n  - {line}" for line in f.evidence)
        + (f"\n  CAUTION: {f.caution}" if f.caution else "")
        + (f"\n  Next: {f.next}" if f.next else "")
        for f in run.findings
    ]
    said = {FAIL: "failure", ERROR: "error", INCOMPLETE: "error"}.get(run.outcome, "")
    properties: dict[str, str] = {}
    for place, finding in enumerate(run.findings, start=1):
        for key, value in (("where", finding.where), ("what", finding.what), ("probability", finding.probability)):
            if value is not None:
                properties[f"finding_{place}_{key}"] = str(value)
    if _only_looked(run):
        # It ended well, but nobody may read it as a machine that passed.
        told = "ended: nothing was judged of the machine"
        return Case("outcome", "outcome", "skipped", told, "\n".join(findings), None, properties)
    first = findings[0].split("\n")[0] if findings else _why_none(run)
    return Case("outcome", "outcome", said, f"{run.outcome}: {first}", "\n".join(findings), None, properties)


def _why_none(run: StoredRun) -> str:
    """What broke a run off that has no findings: what its step met, a link that was lost for good, else its notes. A
    run that was never closed says that; what it noted last is what it was about, such as a prompt, and no cause.
    """
    if run.outcome not in (ERROR, INCOMPLETE):
        return "no findings"
    if run.row_lost:
        return "no findings; the run's own row was lost of a damaged record"
    if not run.closed:
        return "no findings; the run was never closed: the program was killed, or is still running"
    broke = [step.exception for step in run.steps if step.state == "failed" and step.exception]
    lost = [] if run.lost_for_good is None else [run.lost_for_good.text]
    told = broke[-1:] or lost or [note for note in run.notes if not note.startswith(PROMPT)][-1:]
    return "; ".join(["no findings", *told])


def _measurements(run: StoredRun) -> Iterator[Case]:
    """Each measurement once, as it was entered last."""
    for measured in {m.name: m for m in run.measurements}.values():
        properties = {key: repr(v) for key in FIGURES if (v := getattr(measured, key)) is not None}
        properties |= {"unit": measured.unit, "n": str(measured.n), "outcome": measured.outcome}
        said, told = {FAIL: "failure", NOT_MEASURED: "skipped"}.get(measured.outcome, ""), _told(measured)
        if not said and measured.limit_low is None and measured.limit_high is None:
            said, told = "skipped", f"not judged: {with_interval(measured)}, no limit"
            properties["outcome"] = "not judged"
        text = told if measured.outcome == MARGINAL else ""  # green, and it says so
        yield Case("measurements", measured.name, said, told, text, None, properties)


def _told(m: MeasuredValue) -> str:
    """In the words of 'lidjig show'."""
    return f"not measured; {limits(m)}" if m.value is None else f"{with_interval(m)}, {limits(m)}: {m.outcome}"


def _step(step: StoredStep) -> Case:
    telling = next((str(step.arguments[key]) for key in TELLING if step.arguments.get(key) is not None), "")
    between = " " if telling.isdigit() else ", "
    name = step.name + (between + telling if telling and telling not in step.name else "")
    properties = {key: str(value) for key, value in step.arguments.items() if value is not None}
    said, message = "", ""
    if step.state == "failed":
        said, message = "error", step.exception or "failed"
    elif step.state == "open":
        said, message = "skipped", "the step never ended: the run was killed, or is still running"
    elif step.name in TRIAL_STEPS:
        bad = list(_bad_trials(step))
        said, message = ("failure", "; ".join(bad)) if bad else ("", "")
        if not bad and not step.result:
            said, message = "skipped", "no movement was made"
    else:
        said, message = "skipped", "done; what it showed is judged by the measurements"
    return Case("steps", f"{step.place}: {name}", said, message, "", step.duration_s, properties)


def _bad_trials(step: StoredStep) -> Iterator[str]:
    for trial in step.result or ():
        at = f"{trial['state']} due, lid moved at board time {trial['stimulus_us']} us"
        if trial.get("found"):
            yield f"{at}: found in {trial['found']}"
        elif trial["reaction_us"] is None:
            yield f"{at}: no reaction"
        elif trial["reaction_us"] - trial["stimulus_us"] > trial["limit_s"] * 1e6:
            yield f"{at}: reaction after {(trial['reaction_us'] - trial['stimulus_us']) / 1e6:g} s"


def _length_s(source: Source) -> float:
    """From the first step to the last on the link's clock; all of the board's time where no step is as long (watch)."""
    ends = [step.end_s for step in source.run.steps if step.end_s is not None]
    begins = [step.begin_s for step in source.run.steps if step.begin_s is not None]
    in_steps_s = max(ends) - min(begins) if ends and begins else 0.0
    return max(in_steps_s, (source.end_us - source.begin_us) / 1e6)


def _seconds(seconds: float | None) -> str:
    return f"{max(0.0, seconds or 0.0):.3f}"


def _open(xml: XMLGenerator, name: str, attributes: Mapping[str, str] | None = None) -> None:
    given = {key: clean(value) for key, value in (attributes or {}).items()}
    xml.startElement(name, AttributesImpl(given))


def _properties(xml: XMLGenerator, properties: dict[str, str]) -> None:
    if properties:
        _open(xml, "properties")
        for name, value in properties.items():
            _open(xml, "property", {"name": name, "value": value})
            xml.endElement("property")
        xml.endElement("properties")


def _write_case(xml: XMLGenerator, class_name: str, case: Case) -> None:
    attributes = {"classname": class_name, "name": case.name, "time": _seconds(case.seconds)}
    _open(xml, "testcase", attributes)
    _properties(xml, case.properties)
    if case.said:
        kind = {} if case.said == "skipped" else {"type": case.kind}
        _open(xml, case.said, {"message": case.message, **kind})
        if case.text:
            xml.characters(clean(case.text))
        xml.endElement(case.said)
    elif case.text:
        _open(xml, "system-out")
        xml.characters(clean(case.text))
        xml.endElement("system-out")
    xml.endElement("testcase")


def clean(text: str) -> str:
    """Text without the characters that XML 1.0 (2.2, Char) does not take, which a machine's log may hold."""
    return "".join(c if _is_char(ord(c)) else "\N{REPLACEMENT CHARACTER}" for c in text)


def _is_char(code: int) -> bool:
    ranges: Iterable[tuple[int, int]] = ((0x20, 0xD7FF), (0xE000, 0xFFFD), (0x10000, 0x10FFFF))
    return code in (0x9, 0xA, 0xD) or any(low <= code <= high for low, high in ranges)
