"""What a report says, as data: built from the record of a run alone. The page and --json are drawn from the same."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from lidjig.bench.machine import MachineProfile
from lidjig.bench.profiles import parse_machine
from lidjig.errors import BadInput
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import EventIndex, EventRow, Ref, gap_kind
from lidjig.show.report.cautions import cautions_of
from lidjig.show.report.compare import Comparison
from lidjig.show.report.connector import Connector, connector_of
from lidjig.show.report.customer import Banner, Fact, Verdict, banners_of, job_facts, run_facts, untested, verdict_of
from lidjig.show.report.customer import tested as tested_groups
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.findings import FindingBlock, finding_blocks
from lidjig.show.report.latencies import LatencySeries, earlier_runs, latency_series
from lidjig.show.report.rows import StepRow, step_rows
from lidjig.show.report.words import Said, Words


@dataclass(frozen=True)
class FigurePart:
    """A drawing with its heading, what it shows in words, and the events it stands on. svg: "" where there is none."""

    name: str
    title: str
    description: str
    caption: str
    events: tuple[Ref, ...] = ()
    svg: str = ""


@dataclass(frozen=True)
class GapRow:
    """One gap of the record."""

    kind: str
    text: Said
    where: str
    anchor: str


@dataclass(frozen=True)
class TextPart:
    """A text kept with the run, in full."""

    title: str
    text: str


@dataclass(frozen=True)
class ReportContent:
    """One report. Everything in it is text for the reader or a recorded number; nothing is left to decide."""

    lang: str
    run: str
    outcome: str
    title: str
    banners: tuple[Banner, ...]
    verdict: Verdict
    job: tuple[Fact, ...]
    facts: tuple[Fact, ...]
    tested: tuple[str, ...]
    done: str | None
    untested: tuple[Said, ...]
    findings: tuple[FindingBlock, ...]
    steps: tuple[StepRow, ...]
    connector: Connector | None
    latencies: tuple[LatencySeries, ...]
    latency_note: str
    trim: str
    gaps: tuple[GapRow, ...]
    notes: tuple[Said, ...]
    frames: tuple[str, ...]
    versions: tuple[Fact, ...]
    texts: tuple[TextPart, ...]
    cautions: tuple[Said, ...]
    footer: str
    comparison: Comparison | None = None
    figures: tuple[FigurePart, ...] = ()
    events: tuple[EventRow, ...] = ()
    events_note: str = ""


@dataclass
class Built:
    """A report under way: what the figures are drawn from, beside the content itself."""

    run: StoredRun
    words: Words
    machine: MachineProfile | None
    index: EventIndex
    trials: list[TrialRow]
    content: ReportContent
    figures: list[FigurePart] = field(default_factory=list)


def machine_of(run: StoredRun) -> MachineProfile | None:
    """The machine profile kept with the run; None where there is none that can be read."""
    text = run.texts.get("machine")
    if not text:
        return None
    try:
        return parse_machine(text, f"machine profile of run {run.id}")
    except BadInput:
        return None


def build(run: StoredRun, words: Words, comparison: Comparison | None = None) -> Built:
    """The content of a report, still without figures and events (close() adds both)."""
    machine = machine_of(run)
    index = EventIndex(run, words)
    trials, series = latency_series(run, machine, words, index)
    rows = step_rows(run, words, index, trials)
    content = ReportContent(
        lang=words.lang,
        run=run.id,
        outcome=run.outcome,
        title=words("title"),
        banners=tuple(banners_of(run, words, index)),
        verdict=verdict_of(run, words),
        job=tuple(job_facts(run, words)),
        facts=tuple(run_facts(run, machine, words)),
        tested=tuple(tested_groups(run, words)),
        done=run.job_fields.get("done"),
        untested=tuple(untested(run, words)),
        findings=tuple(finding_blocks(run, words, index)),
        steps=tuple(rows),
        connector=connector_of(run, machine, words),
        latencies=tuple(series),
        latency_note=earlier_runs(run, words),
        trim=words("page.trim_text"),
        gaps=tuple(_gap_rows(run, words, index)),
        notes=tuple(words.sentence(note) for note in run.notes),
        frames=tuple(run.frames),
        versions=tuple(_versions(run, words)),
        texts=tuple(_texts(run, words)),
        cautions=tuple(cautions_of(run, words)),
        footer=words("page.footer", run=run.id, version=run.host_version),
        comparison=comparison,
    )
    return Built(run, words, machine, index, trials, content)


def _gap_rows(run: StoredRun, words: Words, index: EventIndex) -> Iterable[GapRow]:
    for gap in run.gaps:
        place = gap.after_event - 1
        if 0 <= place < len(run.events):
            anchor = index.ref(place).anchor
            where = words("page.gap_after", counter=run.events[place].counter)
        else:
            anchor, where = "", words("page.gap_first")
        yield GapRow(gap_kind(gap.kind, words), words.sentence(gap.text), where, anchor)


def _versions(run: StoredRun, words: Words) -> Iterable[Fact]:
    link = run.link_details
    told = {
        "host": f"lidjig {run.host_version}",
        "firmware": run.firmware_version,
        "board_id": run.board_id,
        "link": ", ".join(f"{key} {value}" for key, value in sorted(link.items()) if "\n" not in value),
        "seed": run.seed or "",
        "command": "lidjig " + " ".join(run.argv),
        "started": words.date(run.started_utc),
        "ended": words.date(run.ended_utc),
        "resumes": run.resumes or "",
        "recorded_outcome": words(f"verdict.{run.outcome}"),
    }
    return [Fact(key, words(f"page.{key}"), value) for key, value in told.items() if value]


def _texts(run: StoredRun, words: Words) -> Iterable[TextPart]:
    for kind, text in sorted(run.texts.items()):
        title = words(f"text.{kind}") if words.has(f"text.{kind}") else f"{words('text.other')}: {kind}"
        yield TextPart(title, text)
