"""What a report says, as data: built from the record of a run alone. The page and --json are drawn from the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from lidjig.bench.machine import MachineProfile
from lidjig.bench.profiles import parse_machine, parse_sensor
from lidjig.errors import BadInput
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import EventIndex, EventRow, Ref, gap_kind
from lidjig.show.report.cautions import ASKED, cautions_of
from lidjig.show.report.compare import Comparison
from lidjig.show.report.connector import Connector, connector_of
from lidjig.show.report.customer import (
    Banner,
    Fact,
    Verdict,
    banners_of,
    job_facts,
    progress_of,
    ran_out,
    run_facts,
    verdict_of,
)
from lidjig.show.report.figures.trials import TrialRow
from lidjig.show.report.findings import FindingBlock, finding_blocks, other_causes
from lidjig.show.report.latencies import LatencySeries, earlier_runs, latency_series, none_because
from lidjig.show.report.readings import ReadingRow, Readings
from lidjig.show.report.rows import StepRow, step_rows
from lidjig.show.report.sampled import ChannelPart, Kept, StatesPart, kept_of, states_part
from lidjig.show.report.stages import StageRow, Stages
from lidjig.show.report.standing import Standings
from lidjig.show.report.tested import Tested
from lidjig.show.report.versions import versions_of
from lidjig.show.report.words import Said, Words

if TYPE_CHECKING:
    from lidjig.record.store import Store

BEFORE = "b-"  # begins each anchor of the run before
_OPERATOR = "operator: "  # notes that a person entered


@dataclass(frozen=True)
class FigurePart:
    """A drawing with its heading, what it shows in words, and the events it stands on. Built.drawings draws it.

    readings: what it stands on are readings of the survey and no events. rows: measurements that it stands on. missed:
    the movements that it marks as missed or late.
    """

    name: str
    title: str
    description: str
    caption: str
    events: tuple[Ref, ...] = ()
    readings: bool = False
    rows: tuple[Ref, ...] = ()
    missed: tuple[Ref, ...] = ()


@dataclass(frozen=True)
class GapRow:
    """One entry about a gap. when: its time, with the boot whose clock told it, or ""."""

    kind: str
    text: Said
    where: str
    anchor: str
    when: str


@dataclass(frozen=True)
class TextPart:
    """A text kept with the run, in full."""

    title: str
    text: str


@dataclass(frozen=True)
class ReportContent:
    """One report. Everything in it is text for the reader or a recorded number; nothing is left to decide.

    steps: the measurements; stages: the run's steps, each with the anchors of its measurements.
    steps_left: what the steps of a run that broke off leave open. latency_none: why there are no latencies. own_notes:
    as a person entered them; asked: what the operator was asked for; notes: what else the run noted. before: the run
    before, whose anchors begin with BEFORE; it has no figures and no channels. channels: those that were sampled.
    judged: the run came to its end; else what it tested is only what had been begun, and no result.
    """

    lang: str
    run: str
    outcome: str
    title: str
    banners: tuple[Banner, ...]
    verdict: Verdict
    job: tuple[Fact, ...]
    facts: tuple[Fact, ...]
    judged: bool
    tested: tuple[str, ...]
    done: str | None
    untested: tuple[Said, ...]
    findings: tuple[FindingBlock, ...]
    other_causes: tuple[str, ...]
    steps: tuple[StepRow, ...]
    stages: tuple[StageRow, ...]
    steps_left: str
    connector: Connector | None
    latencies: tuple[LatencySeries, ...]
    latency_note: str
    latency_none: str
    trim: str
    gaps: tuple[GapRow, ...]
    gaps_note: str
    boots_note: str
    own_notes: tuple[str, ...]
    notes: tuple[Said, ...]
    asked: tuple[Said, ...]
    frames: tuple[str, ...]
    versions: tuple[Fact, ...]
    texts: tuple[TextPart, ...]
    cautions: tuple[Said, ...]
    footer: str
    comparison: Comparison | None = None
    before: ReportContent | None = None
    figures: tuple[FigurePart, ...] = ()
    events: tuple[EventRow, ...] = ()
    events_note: str = ""
    readings: tuple[ReadingRow, ...] = ()
    channels: tuple[ChannelPart, ...] = ()
    states: StatesPart | None = None


@dataclass
class Built:
    """A report under way: what the figures are drawn from, beside the content itself. drawings: name of a figure ->
    draws its SVG, which the page asks for and the data does not."""

    run: StoredRun
    words: Words
    machine: MachineProfile | None
    index: EventIndex
    readings: Readings
    trials: list[TrialRow]
    content: ReportContent
    kept: Kept
    before: Built | None = None
    drawings: dict[str, Callable[[], str]] = field(default_factory=dict)


def machine_of(run: StoredRun) -> MachineProfile | None:
    """The machine profile kept with the run; None where there is none that can be read."""
    text = run.texts.get("machine")
    if not text:
        return None
    try:
        return parse_machine(text, f"machine profile of run {run.id}")
    except BadInput:
        return None


class _PrefixedReadings(Readings):
    """Readings whose anchors begin with a prefix."""

    def __init__(self, run: StoredRun, words: Words, prefix: str) -> None:
        super().__init__(run, words)
        self._prefix = prefix

    def ref(self, place: int) -> Ref:
        """A link to a reading."""
        found = super().ref(place)
        return Ref(self._prefix + found.anchor, found.time)


def build(
    run: StoredRun,
    words: Words,
    comparison: Comparison | None = None,
    prefix: str = "",
    store: Store | None = None,
) -> Built:
    """The content of a report, still without figures, channels and events (draw() adds them). prefix: of all its
    anchors. store: the open record that the run's samples are read from; without it there are none.
    """
    machine = machine_of(run)
    kept = kept_of(run, machine, store)
    index = EventIndex(run, words)
    index.anchors = [prefix + anchor for anchor in index.anchors]
    readings = _PrefixedReadings(run, words, prefix)
    trials, series = latency_series(run, words, index)
    rows = step_rows(run, words, Standings(run, index, trials, readings))
    rows = [replace(row, anchor=prefix + row.anchor) for row in rows]
    tested = Tested(run, words, trials)
    content = ReportContent(
        lang=words.lang,
        run=run.id,
        outcome=run.outcome,
        title=words.of_command("title", run.command),
        banners=(*banners_of(run, words, index), *_pair_banners(comparison)),
        verdict=verdict_of(run, words),
        job=tuple(job_facts(run, words)),
        facts=tuple(run_facts(run, words)),
        judged=ran_out(run),
        tested=tuple(tested.tested()),
        done=run.job_fields.get("done"),
        untested=tuple(tested.untested()),
        findings=tuple(finding_blocks(run, words, index, rows, readings)),
        other_causes=tuple(other_causes(run, words)),
        steps=tuple(rows),
        stages=tuple(Stages(run, words, index, rows, trials, readings).made()),
        steps_left=_steps_left(run, rows, trials, words),
        connector=connector_of(run, machine, words),
        latencies=tuple(series),
        latency_note=earlier_runs(run, words),
        latency_none="" if series else none_because(run, words),
        trim=_trim_state(run, words),
        gaps=tuple(_gap_rows(run, words, index)),
        gaps_note=_gaps_note(run, words),
        boots_note=words("page.boots_note", n=index.boots) if index.boots > 1 else "",
        own_notes=tuple(note.removeprefix(_OPERATOR) for note in run.notes if note.startswith(_OPERATOR)),
        notes=tuple(words.sentence(note) for note in run.notes if not note.startswith((_OPERATOR, ASKED))),
        asked=tuple(words.sentence(note.removeprefix(ASKED)) for note in run.notes if note.startswith(ASKED)),
        frames=tuple(run.frames),
        versions=tuple(versions_of(run, machine, words)),
        texts=tuple(_texts(run, words)),
        cautions=tuple(cautions_of(words)),
        footer=words("page.footer", run=run.id, version=run.host_version),
        comparison=comparison,
        readings=tuple(readings.rows()),
        states=states_part(run, kept, index, words),
    )
    return Built(run, words, machine, index, readings, trials, content, kept)


def _trim_state(run: StoredRun, words: Words) -> str:
    """What there is to say of the trim, by the family of the sensor profile that the run kept."""
    try:
        sensor = parse_sensor(run.texts["sensor"], f"sensor profile of run {run.id}")
    except (KeyError, BadInput):
        return words("page.trim_unknown")
    told = {"switch": "page.trim_switch", "analog": "page.trim_analog", "sincos": "page.trim_sincos"}
    return words(told.get(sensor.family, "page.trim_digital"))


def _steps_left(run: StoredRun, rows: list[StepRow], trials: list[TrialRow], words: Words) -> str:
    """What the table of steps leaves open of a run that broke off: how far it came, what it was still to measure."""
    if run.closed:
        return ""
    progress = progress_of(run)
    told = []
    if progress is not None and progress.short:
        told.append(words(f"banner.done_{progress.unit}", done=progress.done, wanted=progress.wanted))
    declared = any(row.raw["value"] is None for row in rows)
    told.append(words("page.steps_broke_off" if declared else "page.steps_unknown"))
    if trials:
        told.append(words("page.steps_trials"))
    return " ".join(told)


def _gap_rows(run: StoredRun, words: Words, index: EventIndex) -> Iterable[GapRow]:
    for gap in run.gaps:
        place, stamp = gap.after_event - 1, index.stamped(gap)
        if stamp is None:
            anchor, where, when = "", words("page.gap_first"), ""
        else:
            anchor = index.ref(place).anchor
            where = words("page.gap_after", number=index.number(place))
            when, whole = index.time(*stamp), index.run_time(*stamp)
            when = words("page.gap_time", time=when, run=whole) if whole else words("page.gap_board_time", time=when)
        yield GapRow(gap_kind(gap.kind, words), words.sentence(gap.text), where, anchor, when)


def _gaps_note(run: StoredRun, words: Words) -> str:
    """What the entries count, so that they can be held against the banner and the list of runs."""
    places = len({gap.after_event for gap in run.gaps})
    return words("page.gaps_note", n=len(run.gaps), places=places) if run.gaps else ""


def _pair_banners(comparison: Comparison | None) -> Iterable[Banner]:
    return [] if comparison is None else [Banner("doubtful", text) for text in comparison.warnings]


def _texts(run: StoredRun, words: Words) -> Iterable[TextPart]:
    for kind, text in sorted(run.texts.items()):
        title = words(f"text.{kind}") if words.has(f"text.{kind}") else f"{words('text.other')}: {kind}"
        yield TextPart(title, text)
