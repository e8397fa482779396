"""The first page: verdict in one plain sentence, the job as entered, what was tested and what was not."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

from lidjig.bench.machine import MachineProfile
from lidjig.record.jobs import FIELDS
from lidjig.record.model import MARGINAL, NOT_MEASURED, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex
from lidjig.show.report.words import Said, Words

STOPPED = "stopped by the operator before the end"
_SKIPPED = "not tested: "


@dataclass(frozen=True)
class Fact:
    """A name and what it is."""

    key: str
    label: str
    text: str


@dataclass(frozen=True)
class Banner:
    """Something that the reader must know before anything else. kind: open, stopped, error, gaps, incomplete,
    simulated, replay."""

    kind: str
    text: str


@dataclass(frozen=True)
class Verdict:
    """outcome: as recorded. word and sentence: for the customer; sure: how sure, "" where nothing is named."""

    outcome: str
    word: str
    sentence: str
    also: str
    sure: str
    others: tuple[str, ...]


def banners_of(run: StoredRun, words: Words, index: EventIndex) -> Iterable[Banner]:
    """What is to be said at the top: how the run ended where it did not end well, and on what bench it was made."""
    if not run.closed:
        yield Banner("open", " ".join(_open(run, words, index)))
    elif any(note.startswith(STOPPED) for note in run.notes):
        yield Banner("stopped", words("banner.stopped"))
    elif run.outcome == "error":
        yield Banner("error", words("banner.error"))
    elif run.outcome == "incomplete":
        yield Banner("incomplete", words("banner.incomplete"))
    if run.gaps:
        # A loss, the restart that caused it and the return are told one by one and stand at one place of the record.
        count = len({gap.after_event for gap in run.gaps})
        yield Banner("gaps", words("banner.gaps_one") if count == 1 else words("banner.gaps", n=count))
    if run.link_details.get("operator") == "simulated":
        title = run.link_details.get("title") or PurePath(run.link_details.get("scenario", "twin")).name
        yield Banner("simulated", words("banner.simulated", title=title))
    if run.link_details.get("kind") == "replay":
        yield Banner("replay", words("banner.replay"))


def _open(run: StoredRun, words: Words, index: EventIndex) -> Iterable[str]:
    yield words("banner.open")
    broken = [step for step in run.steps if step.state == "open" and step.name == "cycle"]
    if broken:
        yield words("banner.open_cycle", n=broken[-1].arguments.get("number", "?"))
    if run.events:
        last = index.ref(len(run.events) - 1)
        yield words("banner.open_after", time=last.time)


def verdict_of(run: StoredRun, words: Words) -> Verdict:
    """The recorded outcome and first finding in the customer's words."""
    main = run.findings[0] if run.findings else None
    named = main is not None and main.is_fault
    measured = latest(run.measurements)
    if run.outcome == "fail" and main is not None and named:
        sentence = _first(words, f"fault.{main.where}_{main.what}", f"fault.{main.where}_other", "says.fail_other")
    elif not run.closed:
        sentence = words("says.incomplete_open")
    else:
        cycles = next((m.value for m in measured if m.name == "cycles"), None)
        key = f"says.{run.outcome}_{run.command}"
        sentence = _first(words, key, f"says.{run.outcome}_other", "says.incomplete_other", n=words.figure(cycles))
    near = sum(m.outcome == MARGINAL for m in measured)
    also = "" if not near else words("says.marginal_one") if near == 1 else words("says.marginal", n=near)
    sure = ""
    if named and main is not None and main.probability is not None and run.outcome == "fail":
        sure = words("page.sure_text", percent=words.percent(main.probability))
    others = [
        f"{words(f'where.{f.where}')} ({words.percent(f.probability)})"
        for f in run.findings[1:]
        if f.is_fault and run.outcome == "fail"
    ]
    return Verdict(run.outcome, words(f"verdict.{run.outcome}"), sentence, also, sure, tuple(others))


def _first(words: Words, *keys: str, **slots: str) -> str:
    return words(next(key for key in keys if words.has(key)), **slots)


def job_facts(run: StoredRun, words: Words) -> Iterable[Fact]:
    """The job's name and the fields that were entered, and no others. Work done has a place of its own."""
    if run.job:
        yield Fact("name", words("job.name"), run.job)
    for name in FIELDS:
        if name in run.job_fields and name != "done":
            yield Fact(name, words(f"job.{name}"), run.job_fields[name])


def run_facts(run: StoredRun, machine: MachineProfile | None, words: Words) -> Iterable[Fact]:
    """When, what test, on what."""
    yield Fact("date", words("page.date"), words.date(run.started_utc))
    yield Fact("test", words("page.test"), _first(words, f"command.{run.command}", "command.other"))
    if machine is not None:
        yield Fact("profile", words("page.profile"), f"{machine.name}: {machine.title}")
    if run.board_id:
        yield Fact("jig", words("page.jig"), run.board_id)
    yield Fact("run", words("page.run"), run.id)


# What was tested, by the names of the measurements that tell it.
_GROUPS = {
    "supply": r"sensor supply",
    "charger": r"charger voltage",
    "lines": r"line \d+ (idle level|pull)",
    "sensor": r"sensor (current|line .*|changes.*)",
    "start_open": r"start, lines open",
    "start_standin": r"start, stand-in open",
    "start_real": r"start, real sensor",
    "lid_standin": r"(sleep|wake) misses",
    "cycles": r"cycles",
    "proof": r"reliability shown",
    "lid_open": r"lines open, lid shut: .*",
    "lid_real": r"real sensor, lid .*",
    "angle": r"angle held",
    "outputs": r"output \d+ changes",
    "told": r"machine is told .*",
    "reaction": r"(sleep|wake) latency",
}
# What each test is about, in the order in which it is told; and what never has a part in it.
_SURVEY = ("supply", "charger", "lines")
_ABOUT = {
    "confirm": (*_SURVEY, "start_open", "start_standin", "lid_standin"),
    "isolate": (*_SURVEY, "sensor", "start_open", "start_standin", "start_real", "lid_standin", "lid_open", "lid_real"),
    "cycle": (*_SURVEY, "cycles", "proof"),
    "hold": (*_SURVEY, "angle"),
    "sweep": (*_SURVEY, "outputs", "told", "reaction"),
}
_NO_PART = {
    "confirm": ("sensor_standin",),
    "cycle": ("start", "sensor_standin"),
    "hold": ("start", "lid_standin", "sensor_standin"),
    "sweep": ("start", "sensor_standin"),
}


def _of_group(run: StoredRun, group: str) -> list[MeasuredValue]:
    return [m for m in latest(run.measurements) if re.fullmatch(_GROUPS[group], m.name)]


def _was_tested(run: StoredRun, group: str) -> bool:
    return any(m.outcome != NOT_MEASURED for m in _of_group(run, group))


def _cycles_done(run: StoredRun) -> int:
    return sum(step.name == "cycle" and step.state == "done" for step in run.steps)


def tested(run: StoredRun, words: Words) -> Iterable[str]:
    """What has a measured value, in plain sentences."""
    for group in _ABOUT.get(run.command, ()):
        if group == "cycles" and not _was_tested(run, group) and _cycles_done(run):
            yield words("tested.cycles", n=_cycles_done(run))
        elif _was_tested(run, group):
            counts = {m.name: m.n for m in _of_group(run, group)}
            cycles = next((m.value for m in _of_group(run, group) if m.name == "cycles"), None)
            n = words.figure(cycles) if group == "cycles" else counts.get("sleep misses", 0)
            yield words(f"tested.{group}", n=n, m=counts.get("wake misses", 0))
    if run.command not in _ABOUT:
        for measured in latest(run.measurements):
            if measured.outcome != NOT_MEASURED:
                yield words("tested.other", name=words.sentence(measured.name).text)


def untested(run: StoredRun, words: Words) -> Iterable[Said]:
    """What this kind of test is about and has no value for, what never had a part in it, and what was skipped."""
    for group in _ABOUT.get(run.command, ()):
        if group == "cycles" and _cycles_done(run):
            continue
        wanted = group != "proof" or "reliability" in run.arguments
        if wanted and group != "charger" and not _was_tested(run, group):
            yield Said(words(f"untested.{group}"))
        if group == "charger" and _of_group(run, group) and not _was_tested(run, group):
            yield Said(words("untested.charger"))
    for part in _NO_PART.get(run.command, ()):
        yield Said(words(f"untested.{part}"))
    for note in run.notes:
        if note.startswith(_SKIPPED):
            said = words.sentence(note)
            yield Said(said.text[:1].upper() + said.text[1:], said.lang)
    yield Said(words("untested.rest"))
