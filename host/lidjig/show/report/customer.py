"""The first page: verdict in one plain sentence, the job as entered, what was tested and what was not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lidjig.measure import proportion
from lidjig.record.jobs import FIELDS
from lidjig.record.model import ERROR, FAIL, INCOMPLETE, MARGINAL, TRIAL_STEPS, Finding, MeasuredValue
from lidjig.record.stored import StoredRun
from lidjig.show.pages import latest
from lidjig.show.report.anchors import EventIndex
from lidjig.show.report.bearing import lines_told
from lidjig.show.report.rows import Shown, still_to_measure
from lidjig.show.report.words import Words
from lidjig.show.terminal import ended_well_unjudged

STOPPED = "stopped by the operator before the end"
ENDED_EARLY = ("ended after ", "nothing was driven: ", "the machine does not run with the stand-in open")
REPEATED = "step repeated: "  # begins the note on a step that link or board had failed
# Kinds of gaps that tell of a lost link and of the way back; others tell of what is missing.
_LINK_GAPS = {"link-lost", "link-back", "link-state", "restart", "recovered"}
ENDED = "ended"  # the verdict on a run that only looked, and judged nothing
# Counts that a failed run owes its reader: measurement, and the text that tells it.
_MISSED = {
    "sleep misses": "says.missed_sleep",
    "wake misses": "says.missed_wake",
    "sleeps too late": "says.late_sleep",
    "wakes too late": "says.late_wake",
}


@dataclass(frozen=True)
class Fact:
    """A name and what it is."""

    key: str
    label: str
    text: str


@dataclass(frozen=True)
class Banner:
    """Something that the reader must know before anything else. kind: open, stopped, error, gaps, incomplete,
    simulated, replay, doubtful (the two runs may not belong together)."""

    kind: str
    text: str


@dataclass(frozen=True)
class Verdict:
    """outcome: as recorded, "ended" where nothing was judged of the machine. word and sentence: for the customer; also:
    values near their limits; sure: how sure the named cause is, or what a pass does not exclude; "" for neither."""

    outcome: str
    word: str
    sentence: str
    also: str
    sure: str
    others: tuple[str, ...]


@dataclass(frozen=True)
class Progress:
    """How far a run came that counts cycles or rounds (unit). done: whole ones; wanted: as ordered, None = the record
    does not tell; open: number of the one that was under way when the run broke off."""

    unit: str
    done: int
    wanted: int | None
    open: int | None

    @property
    def short(self) -> bool:
        """Whether it is known that less was done than ordered."""
        return self.wanted is not None and self.done < self.wanted


def progress_of(run: StoredRun) -> Progress | None:
    """Cycles or rounds done and ordered; None for a run that counts neither."""
    unit = "cycle" if run.command == "cycle" else "round"
    counted = next((m for m in latest(run.measurements) if m.name == f"{unit}s"), None)
    declared = next((m for m in still_to_measure(run) if m.name == f"{unit}s"), None)
    steps = [step for step in run.steps if step.name in TRIAL_STEPS]
    ordered = next((m.limit_low for m in (counted, declared) if m is not None), run.arguments.get("count"))
    if ordered is None and not steps:
        return None
    done = [int(step.arguments.get("number", 0)) for step in steps if step.state == "done"]
    value = counted.value if counted is not None else None
    count = round(value) if value is not None else max(done, default=0)
    broken = [int(step.arguments.get("number", 0)) for step in steps if step.state == "open"]
    return Progress(unit, count, None if ordered is None else round(ordered), broken[-1] if broken else None)


def ran_out(run: StoredRun) -> bool:
    """Whether a run came to its end: it was not killed, ended by an error of the bench, or stopped before."""
    stopped = run.outcome == INCOMPLETE and any(note.startswith(STOPPED) for note in run.notes)
    return run.closed and run.outcome != ERROR and not stopped


def banners_of(run: StoredRun, words: Words, index: EventIndex) -> Iterable[Banner]:
    """What is to be said at the top: how the run ended where it did not end well, and on what bench it was made."""
    progress = progress_of(run)
    if run.row_lost:
        yield Banner("open", words("banner.lost"))
    elif not run.closed:
        yield Banner("open", " ".join(_open(run, progress, words, index)))
    elif any(note.startswith(STOPPED) for note in run.notes):
        yield Banner("stopped", " ".join((words("banner.stopped"), *_done(progress, words))))
    elif run.outcome == "error":
        yield Banner("error", " ".join((words("banner.error"), *_done(progress, words))))
    else:
        why = [words.sentence(note).text for note in run.notes if note.startswith(ENDED_EARLY)]
        if why and progress is not None and progress.short and progress.wanted is not None:
            yield Banner("short", words(f"banner.short_{progress.unit}", wanted=progress.wanted, why="; ".join(why)))
        elif run.outcome == "incomplete":
            yield Banner("incomplete", words("banner.incomplete"))
    if run.gaps:
        yield Banner("gaps", " ".join(_broken(run, words)))
    if run.link_details.get("operator") == "simulated":
        yield Banner("simulated", words("banner.simulated"))
    if run.link_details.get("kind") == "replay":
        yield Banner("replay", words("banner.replay"))


def _broken(run: StoredRun, words: Words) -> Iterable[str]:
    """What broke during the run, and what was done about it; entry by entry it stands on the technician's pages."""
    kinds = [gap.kind for gap in run.gaps]
    for kind, key in (("link-lost", "broke"), ("restart", "restarted")):
        if kind in kinds:
            yield words(f"banner.{key}", times=words.times(kinds.count(kind)))
    if not set(kinds) <= _LINK_GAPS:
        yield words("banner.missing")
    again = sum(note.startswith(REPEATED) for note in run.notes)
    if again:
        yield words("banner.again_one" if again == 1 else "banner.again", n=again)
    elif run.outcome == "error" or not run.closed:
        yield words("banner.not_again")
    yield words("banner.gaps_more")


def _open(run: StoredRun, progress: Progress | None, words: Words, index: EventIndex) -> Iterable[str]:
    yield words("banner.open")
    if progress is not None and progress.open is not None:
        key = f"banner.open_{progress.unit}"
        if progress.wanted is None:
            yield words(key, n=progress.open)
        else:
            yield words(f"{key}_of", n=progress.open, wanted=progress.wanted)
    if run.events:
        last = index.ref(len(run.events) - 1)
        yield words("banner.open_after", time=last.time)


def _done(progress: Progress | None, words: Words) -> Iterable[str]:
    if progress is not None and progress.short:
        yield words(f"banner.done_{progress.unit}", done=progress.done, wanted=progress.wanted)


def verdict_of(run: StoredRun, words: Words) -> Verdict:
    """The recorded outcome and first finding in the customer's words."""
    main = run.findings[0] if run.findings else None
    named = main is not None and main.is_fault
    measured = latest(run.measurements)
    if run.outcome == "fail" and main is not None and named:
        sentence = _first(words, f"fault.{main.where}_{main.what}", f"fault.{main.where}_other", "says.fail_other")
        sentence = _counted(sentence, main.where, measured, words)
        lines = lines_of(run, main, words)
        if lines:
            sentence = words("says.with_line", sentence=sentence.rstrip("."), lines=lines)
    elif not run.closed:
        sentence = words("says.incomplete_open")
    else:
        cycles = next((m.value for m in measured if m.name == "cycles"), None)
        key = f"says.{run.outcome}_{run.command}"
        at = f"{key}_at" if run.arguments.get("at_deg") else key
        sentence = _first(words, at, key, f"says.{run.outcome}_other", "says.incomplete_other", n=words.figure(cycles))
    # What failed is told by its verdict: that another value was near its limit is for the technician alone.
    # So is how few blocks a state was learned from.
    judged = run.outcome == "pass" and run.command != "teach"
    near = [_near(m, words) for m in measured if m.outcome == MARGINAL] if judged else []
    sure = ""
    if named and main is not None and main.probability is not None and run.outcome == "fail":
        sure = words("page.sure_text", percent=words.share(main.probability))
    elif run.outcome == "pass":
        sure = _not_excluded(measured, words)
    others = [
        f"{words(f'where.{f.where}')} ({words.share(f.probability)})"
        for f in run.findings[1:]
        if f.is_fault and run.outcome == "fail"
    ]
    outcome = ENDED if ended_well_unjudged(run.command, run.outcome) else run.outcome
    word = words.of_command(f"verdict.{outcome}", run.command)
    return Verdict(outcome, word, sentence, " ".join(near), sure, tuple(others))


def _not_excluded(measured: Iterable[MeasuredValue], words: Words) -> str:
    """How rare a miss may be and stay unseen by the movements of a pass (exact one-sided bound, 95 %)."""
    counted = [m for m in measured if m.name in ("sleep misses", "wake misses") and m.value is not None and m.n > 0]
    if not counted:
        return ""
    bound = max(proportion.upper_bound(round(m.value or 0.0), m.n) for m in counted)
    return words("page.sure_pass", n=min(m.n for m in counted), bound=words.percent(bound, 2))


def lines_of(run: StoredRun, finding: Finding, words: Words) -> str:
    """The machine's lines that a finding about the wiring speaks of ("line 2"), "" for another finding.

    Those whose own figures failed; where none did, the line that the evidence names by itself.
    """
    if finding.where != "wiring" or finding.what == "supply-missing":
        return ""
    wrong = [m.name.split()[1] for m in latest(run.measurements) if m.outcome == FAIL and m.name.startswith("line ")]
    told = [lines_told(text) for text in finding.evidence]
    numbers = wrong or next((lines for lines in told if len(lines) == 1), [])
    return words("form.list").join(words("says.line", n=number) for number in sorted(set(numbers)))


def _counted(sentence: str, where: str, measured: Iterable[MeasuredValue], words: Words) -> str:
    """The sentence on a machine that does not react as it should, with how often it did not."""
    values = {m.name: m for m in measured if m.value}
    told = [words(key, k=words.figure(values[n].value), n=values[n].n) for n, key in _MISSED.items() if n in values]
    if where not in ("board", "setting") or not told or ":" in sentence:
        return sentence
    return words("says.counted", sentence=sentence.rstrip("."), counts=words("form.list").join(told))


def _near(m: MeasuredValue, words: Words) -> str:
    """A value that passes and is marginal: near its limit, or not to be told from it."""
    crosses = (m.limit_low is not None and m.low is not None and m.low < m.limit_low) or (
        m.limit_high is not None and m.high is not None and m.high > m.limit_high
    )
    shown, name = Shown(m, words), words.sentence(m.name).text
    value = words("value.told", value=shown.value(), interval=shown.interval(), n=m.n)
    key = "says.marginal_crosses" if crosses else "says.marginal_near"
    return words(key, name=name[:1].upper() + name[1:], value=value, limit=shown.limits())


def _first(words: Words, *keys: str, **slots: str) -> str:
    return words(next(key for key in keys if words.has(key)), **slots)


def job_facts(run: StoredRun, words: Words) -> Iterable[Fact]:
    """The job's name and the fields that were entered, and no others. Work done has a place of its own."""
    if run.job:
        yield Fact("name", words("job.name"), run.job)
    for name in FIELDS:
        if name in run.job_fields and name != "done":
            yield Fact(name, words(f"job.{name}"), run.job_fields[name])


def run_facts(run: StoredRun, words: Words) -> Iterable[Fact]:
    """When, what test, which run of the record; the jig's id where nobody entered on what bench."""
    yield Fact("date", words("page.date"), words.date(run.started_utc))
    yield Fact("test", words("page.test"), _first(words, f"command.{run.command}", "command.other"))
    yield Fact("run", words("page.run"), run.id)
    if run.board_id and "bench" not in run.job_fields:
        yield Fact("bench_jig", words("page.bench_jig"), run.board_id)
