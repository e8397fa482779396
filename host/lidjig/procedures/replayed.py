"""What a replay of a stored run came to: what agrees with the record, and what differs, each with both sides."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from lidjig.procedures.lid import Trial
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.report import Report
from lidjig.record.model import Finding, MeasuredValue
from lidjig.record.stored import StoredRun

# Figures are the same when they differ by less than this part of them: another processor rounds in another way.
SAME_PART = 1e-9
KINDS = ("findings", "outcome", "measurements", "observations", "trials", "profile", "trim")


@dataclass(frozen=True)
class Difference:
    """One thing that the record and the replay do not agree on. kind: one of KINDS; "" = there is nothing."""

    kind: str
    name: str
    recorded: str
    replayed: str


@dataclass
class Replayed:
    """A replay. agreeing: kind -> how many are the same. taken: figures that no event tells and that were taken as
    recorded. spans: (boot, begin, end, power state), board time in us. uncompared: what is not in the record.
    """

    run: str
    report: Report
    concluded: bool  # False where the run was killed or met an error, and therefore drew no conclusion
    agreeing: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    differences: list[Difference] = field(default_factory=list)
    taken: int = 0
    spans: list[tuple[int, int, int, str]] = field(default_factory=list)
    holes: list[str] = field(default_factory=list)  # what is missing from the record of the run
    uncompared: list[str] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """True where nothing differs."""
        return not self.differences

    def miss(self, holes: Sequence[str], stood_on: Sequence[str], hidden: Iterable[tuple[str, str]]) -> None:
        """What is missing from the record. stood_on: that of it which a conclusion stands on, so that nothing agrees as
        a whole; hidden: (what lies in it, as recorded).
        """
        self.holes = list(holes)
        for what, recorded in hidden:
            self.differences.append(Difference("trials", what, recorded, f"not measured: {'; '.join(stood_on)}"))
        if stood_on:
            told = f"{'; '.join(stood_on)}: nothing is concluded from what lies in it"
            self.differences.append(Difference("outcome", "part of the record", "", told))

    def check(self, kind: str, name: str, recorded: str, replayed: str) -> None:
        """Count one thing as the same or as different."""
        if recorded == replayed:
            self.agreeing[kind] += 1
        else:
            self.differences.append(Difference(kind, name, recorded, replayed))


def compare(
    run: StoredRun,
    report: Report,
    seen: Sequence[Seen],
    trials: Iterable[tuple[str, Trial, Trial | str | None]],
    spans: list[tuple[int, int, int, str]],
    taken: int,
) -> Replayed:
    """The record against what was derived from it. seen: the observations that the conclusion was drawn from."""
    concluded = run.closed and run.outcome != "error"
    out = Replayed(run.id, report, concluded, spans=spans, taken=taken)
    _findings(out, run.findings, report.findings)
    out.check("outcome", "outcome", run.recorded_outcome or run.outcome, report.outcome)
    _measurements(out, run.measurements, report.measurements)
    last = {one.name: _told_seen(one.value, one.text) for one in run.observations}
    now = {one.name: _told_seen(one.value, one.text) for one in seen}
    for name in dict.fromkeys([*last, *now]):
        out.check("observations", name, last.get(name, ""), now.get(name, ""))
    for what, old, new in trials:
        told = new if isinstance(new, str) else "" if new is None else _told_trial(new)
        out.check("trials", what, _told_trial(old), told)
    return out


def _findings(out: Replayed, recorded: Sequence[Finding], replayed: Sequence[Finding]) -> None:
    for place in range(max(len(recorded), len(replayed))):
        old = recorded[place] if place < len(recorded) else None
        new = replayed[place] if place < len(replayed) else None
        name = f"finding {place + 1}"
        if old is not None and new is not None and old != new and _told_finding(old) == _told_finding(new):
            # The same place and cause on other evidence: it is the evidence that is told.
            out.check("findings", f"{name}, evidence", "; ".join(old.evidence), "; ".join(new.evidence))
            if old.evidence == new.evidence:
                out.check("findings", f"{name}, next step", f"{old.caution} {old.next}", f"{new.caution} {new.next}")
            continue
        out.check("findings", name, _told_finding(old), _told_finding(new))


def _told_finding(finding: Finding | None) -> str:
    if finding is None:
        return ""
    what = f": {finding.what}" if finding.what else ""
    return finding.where + what + ("" if finding.probability is None else f" ({finding.probability:g})")


def _measurements(out: Replayed, recorded: Iterable[MeasuredValue], replayed: Iterable[MeasuredValue]) -> None:
    """Each as it was entered last. One that was neither recorded nor derived is no difference."""
    old = {measured.name: measured for measured in recorded}
    new = {measured.name: measured for measured in replayed}
    for name in dict.fromkeys([*old, *new]):
        before, after = old.get(name), new.get(name)
        if before is None and after is not None and after.value is None:
            continue
        if before is not None and after is not None and _same(before, after):
            out.agreeing["measurements"] += 1
            continue
        out.check("measurements", name, _told_measured(before), _told_measured(after) + _again(before, after))


def _again(before: MeasuredValue | None, after: MeasuredValue | None) -> str:
    """Told where two figures look the same in the digits shown."""
    return " (in later digits)" if before and after and _told_measured(before) == _told_measured(after) else ""


def _same(old: MeasuredValue, new: MeasuredValue) -> bool:
    keys = ("value", "low", "high", "limit_low", "limit_high", "marginal_band")
    numbers = all(_close(getattr(old, key), getattr(new, key)) for key in keys)
    return numbers and (old.unit, old.n, old.outcome) == (new.unit, new.n, new.outcome)


def _close(old: float | None, new: float | None) -> bool:
    if old is None or new is None:
        return old is new
    return math.isclose(old, new, rel_tol=SAME_PART, abs_tol=1e-12)


def _told_measured(m: MeasuredValue | None) -> str:
    if m is None:
        return ""
    if m.value is None:
        return f"not measured (limits {_ends(m.limit_low, m.limit_high)})"
    limits = f"limits {_ends(m.limit_low, m.limit_high)}, n {m.n}"
    return f"{m.value:.9g} {m.unit} ({_ends(m.low, m.high)}; {limits}) {m.outcome}"


def _ends(low: float | None, high: float | None) -> str:
    return f"{'-' if low is None else format(low, '.9g')} to {'-' if high is None else format(high, '.9g')}"


def _told_seen(value: str, text: str) -> str:
    return f"{value}: {text}"


def _told_trial(trial: Trial) -> str:
    latency = "no reaction" if trial.latency_s is None else f"reaction {trial.reaction_us} us"
    found = f", found in {trial.found}" if trial.found else ""
    told = f"{trial.state}: stimulus {trial.stimulus_us} us, {latency}, limit {trial.limit_s:g} s"
    return f"{told}, {trial.result}{found}"
