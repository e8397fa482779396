"""The bench of a replay: the profiles that the run kept, a jig that does nothing, a record that keeps nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

from lidjig.bench import parse_machine, parse_sensor
from lidjig.errors import BadInput
from lidjig.jig import Jig
from lidjig.jig_samples import METER_BACK, METER_LOST, MeterGaps, lost_meter
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench, Procedure, StepLike
from lidjig.procedures.progress import Quiet
from lidjig.procedures.reasoning import Seen
from lidjig.procedures.report import Report
from lidjig.record.model import ERROR, FAIL, INCOMPLETE, Finding, MeasuredValue
from lidjig.record.stored import StoredGap, StoredRun

if TYPE_CHECKING:
    from lidjig.record.blocks import ChannelRow

# What a conclusion is drawn from: where rows of these are missing, it cannot be drawn as it was.
STOOD_ON = ("events", "samples", "steps", "measurements", "findings", "observations", "notes", "gaps")


class StillJig:
    """A jig that does nothing and hears nothing: what a procedure needs of one in order to be made and to conclude."""

    def __init__(self, gaps: Sequence[StoredGap]) -> None:
        self.on_event: list[Callable[..., None]] = []
        self.on_batch: list[Callable[..., None]] = []
        self.on_link: list[Callable[..., None]] = []
        self.gaps_told = Counter(gap.kind for gap in gaps)
        self.meters_lost = Counter(lost_meter(gap.text) for gap in gaps if gap.kind == METER_LOST)
        self.meter_gaps = MeterGaps()
        for gap in gaps:
            if gap.kind == METER_LOST:
                self.meter_gaps.gone.setdefault(lost_meter(gap.text), gap.t_us or 0)
            elif gap.kind == METER_BACK:
                self.meter_gaps.gone.pop(lost_meter(gap.text), None)
        self.interruptions = 0

    def last_frames(self) -> list[str]:
        """None."""
        return []


@dataclass
class _NoStep:
    result: object = None


class Forgetting:
    """A record that keeps nothing: the one of the run is there already."""

    def __init__(self, run: str) -> None:
        self.id = run
        self.seen: list[Seen] = []  # but for the observations, which are compared

    def step(self, name: str, **arguments: object) -> AbstractContextManager[StepLike]:
        """Nothing."""
        return nullcontext(_NoStep())

    def measurement(self, m: MeasuredValue) -> None:
        """Nothing."""

    def finding(self, f: Finding) -> None:
        """Nothing."""

    def observation(self, name: str, value: str, text: str) -> None:
        """Kept in `seen`."""
        self.seen.append(Seen(name, value, text))

    def note(self, text: str) -> None:
        """Nothing."""

    def text(self, kind: str, text: str) -> None:
        """Nothing."""

    def channel(self, channel: str, unit: str, per_raw: float, offset: float = 0.0) -> None:
        """Nothing."""

    def flush(self) -> None:
        """Nothing."""

    def channels(self) -> list[ChannelRow]:
        """None."""
        return []

    def gap(self, kind: str, text: str, t_us: int | None = None) -> None:
        """Nothing."""

    def sample(
        self, channel: str, unit: str, value: float | None, u: float | None = None, n: int = 1, t_us: int | None = None
    ) -> None:
        """Nothing."""

    def frames(self, lines: list[str]) -> None:
        """Nothing."""

    def finish(self, outcome: str) -> None:
        """Nothing."""


def still_bench(run: StoredRun) -> Bench:
    """The bench of a run, where nothing moves. Raises BadInput where the run's profiles are missing or damaged."""
    for kind in ("machine", "sensor"):
        if kind not in run.texts:
            accepted = (
                f"a run whose {kind} profile is in the record; the text that this one kept is missing "
                f"('lidjig show {run.id}' says what else is)"
            )
            raise BadInput(run.id, "RUN", run.id, accepted)
    machine = parse_machine(run.texts["machine"], f"machine profile of run {run.id}")
    sensor = parse_sensor(run.texts["sensor"], f"sensor profile of run {run.id}")
    jig = cast(Jig, StillJig(run.gaps))
    return Bench(jig, Forgetting(run.id), machine, sensor, Operator(), Quiet())


def without_argument(run: StoredRun, error: KeyError) -> BadInput:
    """What to raise where a run did not keep an argument of its command."""
    accepted = f"a run that kept its arguments; {error.args[0]} is not in the record (an older lidjig made it)"
    return BadInput(run.id, "RUN", run.id, accepted)


def has_concluded(run: StoredRun) -> bool:
    """False for a run that met an error, or was killed."""
    return run.closed and run.outcome != ERROR


def closing(procedure: Procedure, run: StoredRun) -> Report:
    """The report of a run that drew its conclusion, as the procedure's own run() closes with it."""
    stopped = any(note.startswith("stopped by the operator") for note in run.notes)
    return procedure.close(stopped)


def without_conclusion(procedure: Procedure, run: StoredRun) -> Report:
    """The report of a run that drew none: its figures."""
    return Report(run.command, run.id, run.outcome, [], procedure.sheet.all())


def as_far_as_recorded(procedure: Procedure, run: StoredRun) -> Report:
    """The same, without the figures that the run had not come to: that they can be made now is no difference."""
    report = without_conclusion(procedure, run)
    had = {m.name for m in run.measurements if m.value is not None}
    report.measurements = [m if m.name in had else _unset(m) for m in report.measurements]
    return report


def _unset(measured: MeasuredValue) -> MeasuredValue:
    return replace(measured, value=None, low=None, high=None, n=0)


def blaming_nothing(report: Report, run: StoredRun, holes: Sequence[str]) -> Report:
    """What may be concluded of a run part of whose record is missing: what it concluded itself and what is left gives
    again; never a fault that only the missing part speaks for, and never that all is well.
    """
    concluded = {(one.where, one.what) for one in run.findings}
    findings = [one for one in report.findings if one.is_fault and (one.where, one.what) in concluded]
    failed = {m.name for m in run.measurements if m.outcome == FAIL}
    stands = bool(findings) or any(m.outcome == FAIL and m.name in failed for m in report.measurements)
    if not findings:
        evidence = [f"missing from the record: {hole}" for hole in holes]
        todo = (
            f"Read what was concluded at the time with 'lidjig show {run.id}'; bring a whole copy of the run in with "
            "'lidjig merge', or test the machine again."
        )
        findings = [Finding("unknown", None, None, evidence, todo)]
    outcome = FAIL if stands and report.outcome == FAIL else report.outcome if report.outcome == ERROR else INCOMPLETE
    return replace(report, findings=findings, outcome=outcome)
