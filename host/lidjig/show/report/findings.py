"""Findings for the technician: causes with their probabilities, and the evidence that speaks for and against them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from lidjig.record.model import Finding
from lidjig.record.stored import StoredRun
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.words import SECONDS, Said, Words

AGAINST = "does not fit: "
_EMPTY = "not told apart: "  # with nothing behind it
_MORE = " and more"  # in a recorded sentence: some of the times are left out of it


@dataclass(frozen=True)
class Part:
    """A piece of a sentence. anchor: of the event that it leads to, or ""."""

    text: str
    anchor: str = ""


@dataclass(frozen=True)
class Evidence:
    """One sentence, with the events whose times it names. more, rest: words of it that lead to the row of the steps
    (its anchor) where the times stand that it leaves out; "" where it names all."""

    said: Said
    events: tuple[Ref, ...]
    speaks_for: bool
    more: str = ""
    rest: str = ""

    @property
    def parts(self) -> tuple[Part, ...]:
        """The sentence with each event's time as a link where it stands; a time that does not stand in it follows."""
        rest, linked, behind = self.said.text, list[Part](), list[Part]()
        before, found, after = rest.rpartition(self.more) if self.more and self.rest else (rest, "", "")
        if found:
            rest, linked = before, [Part(found, self.rest), Part(after)]
        for event in reversed(self.events):  # board times end a sentence, other numbers come before
            bare = event.time.removesuffix(SECONDS)
            *_, last = [None, *re.finditer(rf"(?<![\d.,]){re.escape(bare)}(?![\d])", rest)]
            if last is None:
                behind[:0] = [Part(" "), Part(event.time, event.anchor)]
                continue
            linked[:0] = [Part(bare, event.anchor), Part(rest[last.end() :])]
            rest = rest[: last.start()]
        return tuple(part for part in (Part(rest), *linked, *behind) if part.text)


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


def finding_blocks(
    run: StoredRun, words: Words, index: EventIndex, row_of: Callable[[str], str] = lambda _name: ""
) -> list[FindingBlock]:
    """The run's findings in their order, the conclusion first. row_of: anchor of the row of a measurement, or ""."""
    return [_block(finding, place == 0, words, index, row_of) for place, finding in enumerate(run.findings)]


def _block(
    finding: Finding, main: bool, words: Words, index: EventIndex, row_of: Callable[[str], str]
) -> FindingBlock:
    # A sentence that does not fit a cause weighs against it, however much better it fits than a healthy machine.
    against = {text.removeprefix(AGAINST) for text in finding.evidence if text.startswith(AGAINST)}
    kept = [text for text in finding.evidence if text.strip() != _EMPTY.strip() and text not in against]
    told = [_evidence(text, words, index, row_of) for text in dict.fromkeys(kept)]
    return FindingBlock(
        main=main,
        where=finding.where,
        what=finding.what,
        label=label_of(finding, words),
        probability=finding.probability,
        percent="" if finding.probability is None else words.share(finding.probability),
        evidence=tuple(item for item in told if item.speaks_for),
        against=tuple(item for item in told if not item.speaks_for),
        next=words.sentence(finding.next) if finding.next else Said(""),
        caution=words.sentence(finding.caution) if finding.caution else Said(""),
    )


def _evidence(text: str, words: Words, index: EventIndex, row_of: Callable[[str], str]) -> Evidence:
    against = text.startswith(AGAINST)
    counted = "sleep misses" if "slept" in text else "wake misses" if "woke" in text else "states lost"
    rest = row_of(counted) if _MORE in text else ""
    more = words("page.and_more") if rest else ""
    return Evidence(words.sentence(text.removeprefix(AGAINST)), index.in_sentence(text), not against, more, rest)
