"""Teach: the operator puts a sound machine into each power state, the jig learns what it looks like to the observers.

Off, working, asleep, working again; without supply where the profile describes G3. The operator's answers label the
recordings, whatever the old profile says of currents and light; where sleep signals or the current of a sleeping
machine speak against an answer, nothing is learned from it (taught_sleep).
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence

from lidjig import __version__
from lidjig.bench import parse_machine
from lidjig.bench.machine import MachineProfile
from lidjig.errors import NotSeen
from lidjig.jig_types import Route
from lidjig.measure.estimate import Estimate, exactly
from lidjig.measure.states_cross import ERRORS_MAX, EVIDENCE_MIN, Pair, Separability, separability
from lidjig.measure.states_learn import Recording, learn
from lidjig.measure.states_model import Model
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.collecting import Collector, sampled_periods
from lidjig.procedures.lid import MARGIN_S
from lidjig.procedures.observe import Observer
from lidjig.procedures.report import Declared
from lidjig.procedures.taught import comparators_of, confused_by_bands, profile_text, signatures_of
from lidjig.procedures.taught_advice import SETTLE_NEXT, wanders, what_helps
from lidjig.procedures.taught_overlap import in_one_band
from lidjig.procedures.taught_sleep import SLEEP_SHARE_MAX, SLEEP_SIGNAL, doubts, sleep_share
from lidjig.record.model import FAIL, INCOMPLETE, RECORD_STEP, Finding
from lidjig.record.power_states import to_learned

SECONDS = 20.0  # recorded in each state: several turns of a blinking light
UNSURE_MAX = 0.1  # share of a state's blocks that may look like none of the states; more, and it had not settled
OFF_S = 5.0
UNPLUG_S = 2.0

ROUNDS = ("S5", "S0", "S3")
ALIKE, NOT_IN_STATE, RESTLESS = "states-alike", "not-in-state", "not-settled"  # what a finding of teach says
SHARE_ASLEEP = "charger current asleep, part of working"
TAUGHT_TEXT = "taught"  # kind of text in the record: the profile that was learned


class NotHeard(NotSeen):
    """A wired observer gives nothing: a profile would be learned without it, and would say nothing of that."""

    def __init__(self, blind: Mapping[str, str]) -> None:
        super().__init__(blind, ())
        self.args = (dict(blind),)

    def __str__(self) -> str:
        why = "; ".join(dict.fromkeys(self.blind.values()))
        return f"{why} So {', '.join(self.blind)} cannot be read, and nothing can be learned of the machine"

    @property
    def next_step(self) -> str:
        return "Mend that, or name with --machine a profile without this observer; then teach again."


class Teach(Procedure):
    """base: text of the machine profile that is taught, and its name; write: takes the text of the new one.

    write may raise BadInput or FileNotWritten; the run then ends as an error. seconds: how long each state is recorded.
    s0ix: the machine sleeps in S0ix, where SLP_S3# stays high.
    """

    command = "teach"

    def __init__(
        self,
        bench: Bench,
        base: tuple[str, str],
        write: Callable[[str], str],
        seconds: float = SECONDS,
        *,
        s0ix: bool = False,
    ) -> None:
        self.base_name, self.base = base
        self._write = write
        self.seconds, self.s0ix = seconds, s0ix
        self.recordings: list[Recording] = []
        super().__init__(bench)
        self.observer = Observer(bench, sampled=sampled_periods(bench), must_tell=False)
        self.collector = Collector(bench)

    def declare(self) -> list[Declared]:
        """How long each state was seen, and how well they are told apart."""
        states, pairs = self._states(), self._pairs()
        return [
            *(Declared(f"{state} recorded", "s", self.seconds, None, "by the operator's answers") for state in states),
            Declared("blocks misclassified", "1", None, None, "cross-validated; interval for independent blocks"),
            Declared("blocks unlike any state", "1", None, None, "cross-validated"),
            *(Declared(f"{state} unlike itself", "1", None, UNSURE_MAX, "share of its blocks") for state in states),
            *(figure for a, b in pairs for figure in self._of_pair(a, b)),
            *self._asleep(),
            Declared("pairs of states that overlap", "1", None, 0.0, "not told apart with certainty"),
        ]

    @staticmethod
    def _of_pair(a: str, b: str) -> tuple[Declared, ...]:
        return (
            Declared(f"{a} and {b} confused", "1", None, ERRORS_MAX, "share of their blocks"),
            Declared(f"{a} and {b} evidence", "nat/s", EVIDENCE_MIN, None, "the weaker way round"),
            Declared(f"{a} and {b} in one band", "1", None, ERRORS_MAX, "share of their half seconds"),
        )

    def _asleep(self) -> list[Declared]:
        if "charger_i" not in self.bench.machine.analog():
            return []
        return [Declared(SHARE_ASLEEP, "1", None, SLEEP_SHARE_MAX, "of the medians", needed=False)]

    def _states(self) -> tuple[str, ...]:
        return (*ROUNDS, *(["G3"] if self.bench.machine.can_tell("G3") else []))

    def prepare(self) -> None:
        """Known state, every observer sampled, the real sensor connected."""
        super().prepare()
        self.bench.persist(self._listen, self.bench.load_profiles)

    def _listen(self) -> None:
        self.observer.start()
        if self.observer.blind:
            raise NotHeard(self.observer.blind)
        self.bench.route(Route.THROUGH)

    def _again(self) -> None:
        self.bench.load_profiles()
        self._listen()

    def work(self) -> None:
        """Every state once, working twice: before and after sleep."""
        limits, ask = self.bench.machine.limits, self.bench.operator.ask
        if self.observer.state != "S5":
            ask(self.bench, "force-off")
            self.bench.idle(OFF_S)
        self._record("S5", "off", self.seconds)
        self._start()
        self._record("S0", "working", self.seconds)
        ask(self.bench, "shut-lid")
        self.bench.idle(limits.sleep_s + MARGIN_S)
        self._record("S3", "asleep", self.seconds)
        ask(self.bench, "open-lid")
        self.bench.idle(limits.wake_s + MARGIN_S)
        self._record("S0", "working again", self.seconds / 2.0)
        if self.bench.machine.can_tell("G3"):
            # Disarmed first: an armed jig takes a supply that goes away for a fault and trips.
            self.bench.jig.disarm()
            ask(self.bench, "disconnect-charger")
            self.bench.idle(UNPLUG_S)
            self._record("G3", "without supply", self.seconds)

    def _start(self) -> None:
        """The machine is started as its profile says, and given its whole limit."""
        bench = self.bench
        if bench.machine.starts_by == "charger":
            bench.jig.disarm()
            bench.operator.ask(bench, "disconnect-charger")
            bench.operator.ask(bench, "connect-charger")
            bench.idle(bench.machine.charger.contract_s)
            bench.route(Route.THROUGH)
        else:
            bench.operator.ask(bench, "press-power")
        bench.idle(bench.machine.limits.start_s + MARGIN_S)

    def _record(self, state: str, words: str, seconds: float) -> None:
        self.bench.progress.step(f"Recording for {seconds:g} s: the machine is {words}; leave it as it is")
        with self.bench.recorder.step(RECORD_STEP, state=state, seconds=seconds) as step:
            recording = self.bench.persist(lambda: self.collector.record(state, seconds, self.observer), self._again)
            step.result = {"state": state, "begin_us": recording.begin_us, "end_us": recording.end_us}
        self.enter(recording)

    def enter(self, recording: Recording) -> None:
        """One more stretch to learn from, and how long its state was recorded in all."""
        self.recordings.append(recording)
        mine = [r.end_us - r.begin_us for r in self.recordings if r.state == recording.state]
        self.sheet.set(f"{recording.state} recorded", sum(mine) / 1e6, n=len(mine))

    def conclude(self) -> None:
        """Learn, judge, write. Nothing is written where states overlap or the machine was not in the one asked for."""
        if any(self.sheet.get(f"{state} recorded") is None for state in self._states()):
            return
        self.bench.progress.step("Learning what the states look like")
        model = learn(self.recordings)
        found = separability(self.recordings, model)
        machine = self.bench.machine
        bands = comparators_of(model, self.recordings, machine)
        signatures = signatures_of(model, bands)
        self._enter(found)
        for a, b in self._pairs():
            thresholds = {name: row.thresholds for name, row in bands.items()}
            self.sheet.put(f"{a} and {b} in one band", in_one_band(self.recordings, a, b, signatures, thresholds))
        if self._asleep():
            self.sheet.put(SHARE_ASLEEP, sleep_share(found, self.recordings, machine))
        for text in wandering(model):
            self.note(text)
        if self.s0ix and not any(SLEEP_SIGNAL.search(line.signal) for line in machine.digital().values()):
            self.note("--s0ix changed nothing: no line of the machine profile is SLP_S3#")
        doubted = doubts(model, found, self.recordings, machine, s0ix=self.s0ix)
        self.findings = [*doubted, *overlaps(found, machine, model, self.recordings), *unsettled(found)]
        blind = [pair for pair in self._alike(signatures) if pair not in _pairs(found.overlapping)]
        self.findings += [only_in_time(pair, machine, model, self.recordings) for pair in blind]
        overlapping = exactly(len(found.overlapping) + len(blind), "1", len(found.pairs))
        self.sheet.put("pairs of states that overlap", overlapping)
        if self.findings:
            why = "a state that the machine did not look to be in" if doubted else "signatures that overlap"
            self.note(f"no profile was written: {why} would be taken for certain")
            return
        learned = to_learned(model, found, self.made(), self._recorded_s())
        text = profile_text(self.base, learned, bands, signatures)
        machine = parse_machine(text, "the profile that was learned")
        self.bench.recorder.text(TAUGHT_TEXT, text)
        where = self._write(text)
        self.note(f"written: {where}; use it with --machine {where}")
        self.findings = [Finding("none", None, None, told_apart(found, machine), f"Use it: --machine {where}")]

    def judge(self, stopped: bool) -> str:
        """Figures and findings here are of the observers and of how the machine was held: none says that a machine
        failed a test.
        """
        outcome = super().judge(stopped)
        return INCOMPLETE if outcome == FAIL else outcome

    def _pairs(self) -> list[tuple[str, str]]:
        states = self._states()
        return [(a, b) for i, a in enumerate(states) for b in states[i + 1 :]]

    def _alike(self, signatures: dict[str, dict[str, frozenset[int]]]) -> list[tuple[str, str]]:
        """Pairs that comparators and lines do not keep apart, by the bands or by what was seen in them."""
        figures = {(a, b): self.sheet.get(f"{a} and {b} in one band") for a, b in self._pairs()}
        seen = [pair for pair, figure in figures.items() if figure is not None and figure.outcome == FAIL]
        known = {frozenset(pair) for pair in seen}
        return seen + [pair for pair in confused_by_bands(signatures) if frozenset(pair) not in known]

    def _enter(self, found: Separability) -> None:
        self.sheet.put("blocks misclassified", found.errors)
        self.sheet.put("blocks unlike any state", found.unsure)
        for state, unsure in found.unsure_of.items():
            self.sheet.put(f"{state} unlike itself", unsure)
        by_states = {frozenset((pair.state, pair.other)): pair for pair in found.pairs}
        for a, b in self._pairs():
            pair = by_states[frozenset((a, b))]
            self.sheet.put(f"{a} and {b} confused", pair.errors)
            self.sheet.put(f"{a} and {b} evidence", pair.evidence)
        for (true, said), count in sorted(found.confusion.items()):
            text = f"{count} blocks of {found.block_s:g} s in {true} read as {said}"
            self.bench.recorder.observation(f"blocks {true} as {said}", str(count), text)

    def _recorded_s(self) -> dict[str, float]:
        out: dict[str, float] = {}
        for recording in self.recordings:
            out[recording.state] = out.get(recording.state, 0.0) + (recording.end_us - recording.begin_us) / 1e6
        return out

    def how(self) -> str:
        """How it was taught, in words."""
        told = f"{self.seconds:g} s in each state, guided: {', '.join(self._states())}"
        return told + ("; asleep means S0ix" if self.s0ix else "")

    def made(self) -> dict[str, str]:
        """When, how, with what and from what: of the profile's [learned] part."""
        jig = self.bench.jig
        return {
            "when_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
            "how": self.how(),
            "board_id": jig.hello.board_hex,
            "run": self.bench.recorder.id,
            "base": self.base_name,
            "host_version": __version__,
            "seed": str(jig.link.details.get("seed", "")),
        }

    def restore(self) -> None:
        """Stop watching, let go."""
        super().restore()
        self.collector.close()
        self.observer.stop()


def _pairs(pairs: list[Pair]) -> set[tuple[str, str]]:
    return {way for pair in pairs for way in ((pair.state, pair.other), (pair.other, pair.state))}


def _share(errors: Estimate) -> str:
    if errors.value is None:
        return "not measured"
    return f"{errors.value:.1%} (95 %: {errors.low or 0.0:.1%} to {1.0 if errors.high is None else errors.high:.1%})"


def alike(pair: tuple[str, str]) -> str:
    """The sentence on two states that are not told apart."""
    return f"these observers do not tell {pair[0]} and {pair[1]} apart on this machine as it is now"


def overlaps(
    found: Separability, machine: MachineProfile, model: Model, recordings: Sequence[Recording]
) -> list[Finding]:
    """A finding for each pair of states that overlap: by how much, and what would help."""
    out = []
    for pair in found.overlapping:
        both = (pair.state, pair.other)
        evidence = [
            alike(both),
            f"{pair.state} and {pair.other}: {_share(pair.errors)} of {pair.errors.n} blocks of {found.block_s:g} s "
            "were taken for the other one",
            f"evidence between them: {pair.nats_per_s:.1f} nats a second, needed 5",
        ]
        evidence += [
            f"{name} alone: {_share(errors)} confused or undecided" for name, errors in pair.by_observer.items()
        ]
        out.append(Finding("unknown", ALIKE, None, evidence, *what_helps(both, machine, model, recordings)))
    return out


def unsettled(found: Separability) -> list[Finding]:
    """A finding for each state that did not look the same all the time."""
    out = []
    for state, unsure in found.unsure_of.items():
        if unsure.value is not None and unsure.value > UNSURE_MAX:
            count = round(unsure.value * unsure.n)
            evidence = [f"{count} of {unsure.n} blocks in {state} did not look like the rest of them"]
            out.append(Finding("unknown", RESTLESS, None, evidence, SETTLE_NEXT))
    return out


def wandering(model: Model) -> list[str]:
    """The sentence on observers that moved slowly while a state was recorded: their levels will not stay as they are.
    Empty where none did.
    """
    states: dict[str, list[str]] = {}
    for state, rows in model.signatures.items():
        for name in rows:
            if not model.scopes[name].digital and wanders(model, state, name):
                states.setdefault(name, []).append(state)
    if not states:
        return []
    which = ", ".join(f"{name} ({', '.join(where)})" for name, where in states.items())
    return [
        f"moved slowly while a state was recorded (a battery that charges, a screen that warms up?): {which}; "
        "these levels will be others later, so teach again when they stand still"
    ]


def only_in_time(
    pair: tuple[str, str], machine: MachineProfile, model: Model, recordings: Sequence[Recording]
) -> Finding:
    """The finding for two states that no level tells apart."""
    evidence = [
        alike(pair),
        f"{pair[0]} and {pair[1]} are told apart by rhythm or spread alone: "
        "no level is in one of them and never in the other, and the board's comparators know levels only",
    ]
    return Finding("unknown", ALIKE, None, evidence, *what_helps(pair, machine, model, recordings))


def told_apart(found: Separability, machine: MachineProfile) -> list[str]:
    """Sentences on what tells the states apart."""
    out = [
        f"{_share(found.errors)} of {found.errors.n} blocks of {found.block_s:g} s misclassified, "
        f"{_share(found.unsure)} unlike any state, by models that had not seen them"
    ]
    for pair in found.pairs:
        by = ", ".join(pair.carried_by) or "several observers together, none alone"
        out.append(f"{pair.state} and {pair.other}: told apart by {by}")
    for name, analog in machine.analog().items():
        thresholds = ", ".join(f"{threshold:g}" for threshold in analog.thresholds)
        out.append(f"{name}: thresholds {thresholds} {analog.unit}, hysteresis {analog.hysteresis:g} {analog.unit}")
    return out
