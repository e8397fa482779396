"""Findings for the technician: causes with their probabilities, and the evidence that speaks for and against them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from lidjig.record.model import WEIGHED_STEP, Finding
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex, Ref
from lidjig.show.report.bearing import measurements_of, outside, step_times
from lidjig.show.report.customer import lines_of
from lidjig.show.report.readings import Readings
from lidjig.show.report.retold import retold
from lidjig.show.report.rows import StepRow, still_to_measure
from lidjig.show.report.words import SECONDS, Said, Words

AGAINST = "does not fit: "
_UNFED = "without supply the sensor"
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
    (its anchor) where the times stand that it leaves out; "" where it names all. rows: the measurements that it tells,
    as their anchors and names, behind the word `told`."""

    said: Said
    events: tuple[Ref, ...]
    speaks_for: bool
    more: str = ""
    rest: str = ""
    rows: tuple[Ref, ...] = ()
    told: str = ""

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
        for place, row in enumerate(self.rows):
            behind += [Part(f" ({self.told} " if place == 0 else ", "), Part(row.time, row.anchor)]
        return tuple(part for part in (Part(rest), *linked, *behind, Part(")" if self.rows else "")) if part.text)


@dataclass(frozen=True)
class FindingBlock:
    """One finding. main: the conclusion; others are less probable explanations of the same observations. evidence: all
    that fits, of which the first `decided` weigh for it and the rest fits other causes as well; decided is None where
    the record does not tell them apart. rival: the most probable other cause, which they decide against.
    """

    main: bool
    where: str
    what: str | None
    label: str
    probability: float | None
    percent: str
    evidence: tuple[Evidence, ...]
    decided: int | None
    rival: str
    against: tuple[Evidence, ...]
    next: Said
    caution: Said


def label_of(finding: Finding, words: Words, lines: str = "", command: str = "") -> str:
    """Where and what in the reader's words. lines: of the wiring, as lines_of tells them. command: of the run, since
    not every one looks for a fault.
    """
    label = words.of_command(f"where.{finding.where}", command)
    if finding.what:
        label += ": " + (words(f"what.{finding.what}") if words.has(f"what.{finding.what}") else finding.what)
    return f"{label} ({lines})" if lines else label


def finding_blocks(
    run: StoredRun,
    words: Words,
    index: EventIndex,
    rows: Sequence[StepRow] = (),
    readings: Readings | None = None,
) -> list[FindingBlock]:
    """The run's findings in their order, the conclusion first. rows, readings: what they lead to."""
    return [
        _Block(run, finding, words, index, rows, readings).made(main=place == 0)
        for place, finding in enumerate(run.findings)
    ]


def other_causes(run: StoredRun, words: Words) -> Iterable[str]:
    """The causes that no finding tells, with their probabilities, where the procedure recorded them."""
    if not run.findings or run.findings[0].probability is None:
        return
    for step in run.steps:
        if step.name == WEIGHED_STEP and step.result:
            for one in step.result["causes"]:
                label = label_of(Finding(one["where"], one["what"], None), words)
                yield f"{label} {words.share(one['probability'])}"


class _Block:
    """Makes the block of one finding."""

    def __init__(
        self,
        run: StoredRun,
        finding: Finding,
        words: Words,
        index: EventIndex,
        rows: Sequence[StepRow],
        readings: Readings | None,
    ) -> None:
        self._run, self._finding, self._words, self._index = run, finding, words, index
        self._readings = readings
        self._rows = {str(row.raw["name"]): row for row in rows}
        self._values = {one.name: one for one in (*latest(run.measurements), *still_to_measure(run))}

    def made(self, *, main: bool) -> FindingBlock:
        """The finding for people."""
        finding, words = self._finding, self._words
        # A sentence that does not fit a cause weighs against it, however much better it fits than a healthy machine.
        against = {text.removeprefix(AGAINST) for text in finding.evidence if text.startswith(AGAINST)}
        kept = [text for text in finding.evidence if text.strip() != _EMPTY.strip() and text not in against]
        kept = self._once(list(dict.fromkeys(kept)))
        weighing, rival = self._weighing()
        first = [text for text in weighing if text in kept]
        rest = [text for text in kept if text not in weighing and not text.startswith(AGAINST)]
        return FindingBlock(
            main=main,
            where=finding.where,
            what=finding.what,
            label=label_of(finding, words, lines_of(self._run, finding, words), self._run.command),
            probability=finding.probability,
            percent="" if finding.probability is None else words.share(finding.probability),
            evidence=tuple(self._told(text) for text in (*first, *rest)),
            decided=len(first) if first else None,
            rival=rival if first else "",
            against=tuple(self._told(text) for text in kept if text.startswith(AGAINST)),
            next=words.sentence(finding.next) if finding.next else Said(""),
            caution=words.sentence(finding.caution) if finding.caution else Said(""),
        )

    def _once(self, texts: list[str]) -> list[str]:
        """Without "... is outside its limits" where another sentence has the figure itself."""
        plain = [text.removeprefix(AGAINST) for text in texts if not outside(text)]
        numbers = {name for text in plain for name in measurements_of(text, self._rows)}
        return [text for text in texts if outside(text) not in numbers]

    def _weighing(self) -> tuple[list[str], str]:
        """Sentences that the procedure recorded as what decided this finding, and the cause they decide against."""
        mine = [self._finding.where, self._finding.what]
        for step in self._run.steps:
            if step.name == WEIGHED_STEP and step.result:
                for one in step.result["findings"]:
                    if [one["where"], one["what"]] == mine:
                        rival = Finding(one["rival"]["where"], one["rival"]["what"], None)
                        return list(one["decided"]), label_of(rival, self._words)
        return [], ""

    def _of_step(self, sentence: str) -> tuple[Ref, ...]:
        refs = [self._index.before(t_us) for t_us in step_times(sentence, self._run)]
        return tuple(dict.fromkeys(ref for ref in refs if ref is not None))

    def _told(self, text: str) -> Evidence:
        words, bare = self._words, text.removeprefix(AGAINST)
        counted = "sleep misses" if "slept" in text else "wake misses" if "woke" in text else "states lost"
        row = self._rows.get(counted)
        rest = row.anchor if row is not None and _MORE in text else ""
        told = [self._rows[name] for name in measurements_of(bare, self._rows)]
        rows = tuple(Ref(one.anchor, one.name.text) for one in told if one.raw["value"] is not None)
        wrong = self._rows.get(outside(bare))
        if wrong is not None:
            said = Said(words("page.outside", name=wrong.name.text, value=wrong.value, limit=wrong.limits))
        else:
            said = words.sentence(retold(bare, [self._values[one.raw["name"]] for one in told]))
        if bare.startswith(_UNFED) and self._readings is not None:
            rows = self._readings.unfed()
        return Evidence(
            said=said,
            events=self._index.in_sentence(text) or self._of_step(bare),
            speaks_for=not text.startswith(AGAINST),
            more=words("page.and_more") if rest else "",
            rest=rest,
            rows=rows,
            told=words("page.rows"),
        )
