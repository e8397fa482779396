"""Findings for the technician: causes with their probabilities, and the evidence that speaks for and against them."""

from __future__ import annotations

from dataclasses import dataclass

from lidjig.record.model import Finding
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.words import Said, Words

AGAINST = "does not fit: "
_EMPTY = "not told apart: "  # with nothing behind it


@dataclass(frozen=True)
class Evidence:
    """One sentence, with the events whose times it names."""

    said: Said
    events: tuple[Ref, ...]
    speaks_for: bool


@dataclass(frozen=True)
class FindingBlock:
    """One finding. main: the conclusion; others are less probable explanations of the same observations."""

    main: bool
    where: str
    what: str | None
    label: str
    probability: float | None
    percent: str
    evidence: tuple[Evidence, ...]
    against: tuple[Evidence, ...]
    next: Said
    caution: Said


def label_of(finding: Finding, words: Words) -> str:
    """Where and what in the reader's words."""
    where = words(f"where.{finding.where}")
    if not finding.what:
        return where
    what = words(f"what.{finding.what}") if words.has(f"what.{finding.what}") else finding.what
    return f"{where}: {what}"


def finding_blocks(run: StoredRun, words: Words, index: EventIndex) -> list[FindingBlock]:
    """The run's findings in their order, the conclusion first."""
    return [_block(finding, place == 0, words, index) for place, finding in enumerate(run.findings)]


def _block(finding: Finding, main: bool, words: Words, index: EventIndex) -> FindingBlock:
    told = [_evidence(text, words, index) for text in finding.evidence if text.strip() != _EMPTY.strip()]
    return FindingBlock(
        main=main,
        where=finding.where,
        what=finding.what,
        label=label_of(finding, words),
        probability=finding.probability,
        percent="" if finding.probability is None else words.percent(finding.probability),
        evidence=tuple(item for item in told if item.speaks_for),
        against=tuple(item for item in told if not item.speaks_for),
        next=words.sentence(finding.next) if finding.next else Said(""),
        caution=words.sentence(finding.caution) if finding.caution else Said(""),
    )


def _evidence(text: str, words: Words, index: EventIndex) -> Evidence:
    against = text.startswith(AGAINST)
    return Evidence(words.sentence(text.removeprefix(AGAINST)), index.in_sentence(text), not against)
