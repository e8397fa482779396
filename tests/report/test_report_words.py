"""Both catalogues say the same, each sentence of the record can be said in both, numbers read as people write."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from types import SimpleNamespace

import lidjig.errors as errors
import pytest
from error_sentences import errors_said
from lidjig.bench import load_machine, load_sensor
from lidjig.bench.actions import ACTIONS
from lidjig.errors import BadInput, Contradicting, Disturbed, NotSeen
from lidjig.jig_core import state_text
from lidjig.jig_samples import BusState, MeterGaps, Meters, MeterState, meter_name
from lidjig.jig_types import Event, Reason
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench, Procedure
from lidjig.procedures.confirm import Confirm
from lidjig.procedures.cycle import Cycle, Proof
from lidjig.procedures.hold import NOT_RUNNING, SAID, Hold
from lidjig.procedures.isolate import Isolate, LidMoved
from lidjig.procedures.isolate import _told as told_real
from lidjig.procedures.isolate_table import CAUSES
from lidjig.procedures.lid import Trial, told
from lidjig.procedures.observe import UNWIRED, told_by_lines
from lidjig.procedures.progress import Quiet
from lidjig.procedures.reasoning import SENSOR_UNTESTED, what_cycles_show, what_rounds_show
from lidjig.procedures.report import Declared, Sheet, agreeing, counted, times
from lidjig.procedures.response import kept_states
from lidjig.procedures.start import Start
from lidjig.procedures.sweep import Sweep
from lidjig.procedures.teaching import NotHeard, Teach
from lidjig.procedures.watch_readings import NO_SAMPLES, NOT_WIRED
from lidjig.procedures.watching import Watching
from lidjig.record.model import MEASUREMENT_OUTCOMES, RUN_OUTCOMES, WHERE, Finding
from lidjig.record.power_spans import BANDS, EVENTS, LEARNED
from lidjig.record.store import open_store
from lidjig.show.report import sentences, words
from lidjig.show.report.figures.canvas import number
from lidjig.show.report.figures.trials import VERBS
from lidjig.show.report.words import LANGS, RECORDED, SENTENCES, Said, Words, catalogue
from lidjig.show.states import CAUSES as STATE_CAUSES
from make_runs import Made
from taught_sentences import taught

from shared_proto import names

REPORT = Path(words.__file__).parent
OTHERS = [lang for lang in LANGS if lang != RECORDED]
SLOT = re.compile(r"\{(\w+)\}")


@pytest.fixture(params=OTHERS)
def other(request: pytest.FixtureRequest) -> Words:
    return Words(request.param)


@pytest.mark.parametrize("lang", OTHERS)
def test_no_entry_is_missing_in_either_direction(lang: str) -> None:
    english, wanted = catalogue(RECORDED), catalogue(lang)
    assert sorted(set(english) - set(wanted)) == [], f"missing in {lang}.toml"
    assert sorted(set(wanted) - set(english)) == [], f"only in {lang}.toml"
    for key, text in english.items():
        assert set(SLOT.findall(text)) == set(SLOT.findall(wanted[key])), key
        assert text.strip() and wanted[key].strip(), key


def keys_used() -> set[str]:
    """Keys that modules and templates name as they stand."""
    found: set[str] = set()
    for path in [*REPORT.glob("*.py"), *REPORT.glob("templates/*.j2")]:
        text = path.read_text(encoding="utf-8")
        found |= set(re.findall(r"""\b(?:t|words|self)\(\s*"([a-z_]+(?:\.[A-Za-z0-9_-]+)*)\"""", text))
    return found


def test_every_key_in_use_is_in_the_catalogue() -> None:
    used = keys_used()
    assert len(used) > 80  # the search still finds them
    assert sorted(used - set(catalogue(RECORDED))) == []


def test_every_name_that_a_key_is_made_from_is_in_the_catalogue() -> None:
    texts = Words(RECORDED)
    wanted = [f"outcome.{o.replace(' ', '_')}" for o in MEASUREMENT_OUTCOMES]
    wanted += [f"verdict.{o}" for o in RUN_OUTCOMES] + [f"where.{w}" for w in WHERE]
    wanted += [f"what.{cause.what}" for cause in CAUSES if cause.what]
    wanted += [f"power.method_{method}" for method in (LEARNED, BANDS, EVENTS)]
    wanted += [f"why.{cause.replace(' ', '_')}" for cause in STATE_CAUSES]
    wanted += [f"fault.{cause.where}_{cause.what or 'other'}" for cause in CAUSES if cause.where != "none"]
    for prefix, listed in (
        ("route", names.ROUTES),
        ("lock", names.LOCK_STATES),
        ("reason", names.REASONS),
        ("line", names.LINES),
        ("channel", names.CHANNELS),
        ("reset", names.RESETS),
    ):
        wanted += [f"{prefix}.{name}" for name in listed]
    assert [key for key in wanted if not texts.has(key)] == []


def test_no_text_of_the_page_is_left_over() -> None:
    """Each is named whole, or its last word is (facts of the run are looked up by it)."""
    paths = [*REPORT.glob("*.py"), *REPORT.glob("templates/*.j2")]
    source = "".join(path.read_text(encoding="utf-8") for path in paths)
    named = set(re.findall(r"""["']((?:page\.)?[a-z_]+)["']""", source))
    named |= {f"page.latency_{verb}" for verb in VERBS.values()}
    page = [key for key in catalogue(RECORDED) if key.startswith("page.")]
    assert [key for key in page if key not in named and key.removeprefix("page.") not in named] == []


def test_an_unknown_language_is_refused() -> None:
    with pytest.raises(BadInput, match="en, de"):
        Words("xx")


# -- sentences of the record


def test_causes_actions_and_advice_can_be_said(other: Words) -> None:
    recorded = [text for cause in CAUSES for text in (cause.says, cause.todo, cause.caution) if text]
    recorded += [text for pair in ACTIONS.values() for text in pair if text]
    recorded += [advice.cause for table in (errors.TRIP_ADVICE, errors.REFUSAL_ADVICE) for advice in table.values()]
    assert [text for text in recorded if other.sentence(text).lang is not None] == []


def test_every_sentence_of_the_made_runs_can_be_said(made: Made, other: Words) -> None:
    unsaid = set()
    with open_store(made.store, create=False) as store:
        for run_id in made.ids.values():
            run = store.run(run_id)
            recorded = [m.name for m in run.measurements] + run.notes
            recorded += [text for f in run.findings for text in (*f.evidence, f.next, f.caution) if text]
            recorded += [gap.text for gap in run.gaps]
            unsaid |= {text for text in recorded if other.sentence(text).lang is not None}
    assert sorted(unsaid) == []


def pieces(node: ast.expr) -> list[str] | None:
    """The literal parts of a string or f-string, "\0" for what is filled in; None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        return [str(part.value) if isinstance(part, ast.Constant) else "\0" for part in node.values]
    return None


def in_order(parts: list[str], text: str) -> bool:
    """Whether the literal parts stand in the text one after another."""
    at = 0
    for part in parts:
        at = text.find(part, at)
        if at < 0:
            return False
        at += len(part)
    return True


# Calls whose texts a record does not keep: shown while a run is under way, or a fault of the caller.
NOT_KEPT = ("step", "say", "_show", "BadInput", "ValueError", "AssertionError")
# Functions of the same kind. next_step of an error is shown, and only its text goes into the record.
SHOWN_ONLY = ("next_step", "why_not_armed", "check_angle", "check_said", "_doubt")
# Functions whose texts go into the profile that teach writes.
OF_A_PROFILE = ("profile_text", "made", "how")
# Modules of a replay, which shows what it finds and writes nothing into a record.
OF_A_REPLAY = (
    "replayed.py", "replaying.py", "replay_bench.py", "replay_sense.py", "replay_teach.py", "replay_trim.py",
)  # fmt: skip
# Single texts: a caution shown before the survey, names of a sample, a step, an observation and a file, what is shown
# while teach records, the rest of a note that is checked below.
NEITHER = (
    "Caution: discharge yourself", "Caution: keep fingers",
    "Caution: up to 20 V", "lines boot ", "real lid moved", "blocks \0 as \0", "the profile that was learned",
    "working again", "go on with: lidjig cycle --resume ",
)  # fmt: skip
DECLARED_DOC = 4  # place of a declaration's doc, which is for readers of the code
ERRORS = ("LinkLost", "JigTimeout", "JigRestarted", "Refused", "Tripped")  # that a run may meet and keep
GAPS = ("_take_gap", "_take_batch", "_take_restart")
STATES = ("state_text", "lost_events_text")
MONITORS = ("of",)


def kept(tree: ast.AST) -> list[tuple[int, str]]:
    """(line, text) of every sentence in a module that may come into a record; "\0" for what is filled in."""
    found: list[tuple[int, str]] = []

    def look(node: ast.AST) -> None:
        children = list(ast.iter_child_nodes(node))
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef)):
            if isinstance(node, ast.FunctionDef) and node.name in (*SHOWN_ONLY, *OF_A_PROFILE):
                return
            if ast.get_docstring(node, clean=False) is not None:
                children.remove(node.body[0])
        if isinstance(node, ast.Call):
            called = getattr(node.func, "attr", None) or getattr(node.func, "id", None)
            if called in NOT_KEPT:
                return
            if called == "Declared":
                children = [*node.args[:DECLARED_DOC]]
        parts = pieces(node) if isinstance(node, ast.expr) else None
        if parts is not None:
            text = "".join(parts)
            if " " in text.strip() and any(len(part.strip()) > 3 for part in text.split("\0")):
                found.append((node.lineno, text))  # type: ignore[attr-defined]
        if parts is None or isinstance(node, ast.JoinedStr):
            for child in children:
                if not (isinstance(node, ast.JoinedStr) and isinstance(child, ast.Constant)):
                    look(child)

    look(tree)
    return [item for item in found if not item[1].startswith(NEITHER)]


def test_every_sentence_that_a_run_can_record_has_a_template(other: Words) -> None:
    """Those that no made run comes to as well: every text in the procedures that is not known to be shown only.

    One without slots can be said; of one with slots the literal parts stand in some template in the same order.
    """
    templates = [SLOT.sub("\0", text) for key, text in catalogue(RECORDED).items() if key.startswith(SENTENCES)]
    package = Path(errors.__file__).parent
    texts: list[tuple[str, int, str]] = []
    for path in sorted((package / "procedures").glob("*.py")):
        if path.name in OF_A_REPLAY:
            continue
        texts += [(path.name, *item) for item in kept(ast.parse(path.read_text(encoding="utf-8")))]
    rest = (("errors.py", ERRORS), ("jig_core.py", GAPS), ("jig_types.py", STATES), ("jig_samples.py", MONITORS))
    for name, wanted in rest:
        for node in ast.walk(ast.parse((package / name).read_text(encoding="utf-8"))):
            if isinstance(node, (ast.ClassDef, ast.FunctionDef)) and node.name in wanted:
                methods = [m for m in node.body if getattr(m, "name", "") == "__str__"]
                bodies = methods if isinstance(node, ast.ClassDef) else [node]
                texts += [(name, *item) for body in bodies for item in kept(body)]
    unsaid = []
    for name, line, text in texts:
        if "\0" not in text and other.sentence(text).lang is None:
            continue
        literal = [part.strip() for part in re.split("\0|\\{:08x\\}", text) if len(part.strip()) > 3]
        if not any(in_order(literal, template) for template in templates):
            unsaid.append(f"{name}:{line}: {text}")
    assert unsaid == [] and len(texts) > 250  # the search still finds them


def trial(reaction_us: int | None, found: str = "") -> Trial:
    return Trial("S3", 1_000_000, reaction_us, 3.0, found)


def put_together() -> list[str]:
    """Sentences that are put together while a run goes on, in each of their forms."""
    sheet = Sheet([Declared("sleep latency, slowest", "s", None, 3.0), Declared("rounds", "1", 4.0)], lambda _m: None)
    nothing = agreeing([Finding("none", None, None, [], "")], "incomplete", sheet, stopped=False)
    begun = agreeing([Finding("none", None, None, [], "")], "incomplete", sheet, stopped=True)
    sheet.set("sleep latency, slowest", 3.5)
    failed = agreeing([Finding("none", None, None, [], "")], "incomplete", sheet, stopped=True)
    found = [*nothing, *begun, *failed]
    out = [text for finding in found for text in (*finding.evidence, finding.next)]
    late, missed = trial(9_000_000), trial(None)
    for trials in ([trial(2_000_000)], [trial(2_000_000), late], [late], [missed], [missed] * 2, [missed] * 5):
        out += [f"{how}{told(trials, word)}" for how in ("stand-in: ", "") for word in ("slept", "woke")]
    gone = Trial("S0", 4_500_000, None, 3.0, "S5")
    for count in (1, 2, 5):
        out.append(kept_states([gone] * count).text)
    out += [kept_states([trial(2_000_000)] * 4).text, kept_states([trial(None, "S3")]).text]
    for s0_us in (None, 2_500_000, 9_500_000):
        start = Start(1_000_000, 2_000_000, s0_us, 6.0)
        out += [start.told(how) for how in ("lines open", "stand-in open", "stand-in shut", "lines driven hard")]
        out.append(start.told("real sensor, lid open"))
    for moved in (LidMoved(None, 3.0, 15.5), LidMoved((1.0, 0.9, 1.1), 3.0, 15.5), LidMoved((4.0, 3.9, 4.1), 3.0, 9.0)):
        out += [told_real("shut", "sleeps", moved), told_real("opened", "wakes", moved)]
    out += [SENSOR_UNTESTED, *map(what_rounds_show, (1, 20)), *map(what_cycles_show, (1, 10, 59, 1000))]
    out += [f"the jig's board restarted {times(n)} during this run; see the gaps in its record" for n in (1, 3)]
    out.append("--s0ix changed nothing: no line of the machine profile is SLP_S3#")
    out.append("stopped by the operator before the end; go on with: lidjig cycle --resume r-000004")
    for reason in errors.LossReason:
        failure = errors.LinkLost("b0a2d", "COM4", 1.5, reason, "")
        out.append(f"not confirmed that the jig let go ({failure}); it does so by itself after 1 s of silence")
    out.append(f"step repeated: {Disturbed('the angle reached 8 deg')}")
    return out


BEFORE = "; before, it was in S0"


def with_words_filled_in() -> list[str]:
    """Sentences with every word that a procedure or the jig fills in: reasons, states, levels, places, profiles."""
    out = [f"the jig was found tripped ({Reason(number).text}); cleared" for number in range(len(names.REASONS))]
    for lock in range(len(names.LOCK_STATES)):
        for route in range(len(names.ROUTES)):
            pulse = {"lock": lock, "route": route, "reason": 3, "angle_mdeg": -1500, "supply_mv": 3301}
            out.append(state_text(pulse))
    held = "after 4.0 s at 8 deg"
    out.append(f"the observers do not tell the machine's state {held}")
    for said in (word for word in SAID.values() if word):
        forced = f"after 6.0 s of an output {said}"
        out += [f"the machine is in {state} {forced}{more}" for state in ("S0", "S3", "S5") for more in ("", BEFORE)]
        out.append(f"the observers do not tell the machine's state {forced}")
        out.append(f"the machine is in S5 {forced}; before, it was in S5: {NOT_RUNNING}")
    broken = [f"{SAID['error']}: {how}" for how in errors_said()]
    out += [f"the output was {said}; it did not follow the angle" for said in (*filter(None, SAID.values()), *broken)]
    for state in ("S0", "S3", "S5", "G3", "unknown"):
        out.append(f"the machine is in {state} {held}, where S0 belongs: try 'lidjig confirm'")
        out.append(f"the machine is in {state} {held}: {NOT_RUNNING}")
        out.append(kept_states([trial(None, state)]).text)
        for verb in ("sleep", "wake"):
            at = f"when it was told to {verb} (board time 4.512 s)"
            out.append(f"the machine was in {state} and not in S3 {at}, so its {verb} latency was not measured")
    for verb in ("sleep", "wake"):
        out.append(f"stand-in: told to {verb}, the machine does not within 15.5 s")
        out.append(f"stand-in: {verb} after 1.042 s (limit 3 s)")
    for kind, name in (("sensor profile", "hinge-a1"), ("wiring", "alder-14")):
        out.append(f"the jig has no {kind} in force; {name} is loaded by the next command that drives")
        out.append(f"the {kind} in force on the jig is not that of {name}: angle and outputs follow the jig's")
    for does in ("slept", "did not sleep"):
        out.append(f"lines open, lid shut: the machine {does}")
        out.append(f"lines driven hard (line 1 reads 0, line 2 reads 1): the machine {does} within 3.5 s")
    for count in (1, 7):
        out.append(f"the sensor's lines changed {times(count)} in 30 s while nobody moved the lid")
    for lid in ("open", "shut"):
        for said in ("operated", "released"):
            out.append(f"sensor line 1, lid {lid}")
            levels = "line 1 at 0.99 of its supply, line 2 at 0.02 of its supply"
            out.append(f"lid {lid}: the sensor says {said} ({levels})")
    for figure in ("nothing measurable", "at least 200 kohm", "about 46.7 kohm behind 3.29 V", "about 12 kohm"):
        wanted = "35 to 60 kohm expected"
        out += [f"line 1 shows no pull ({figure}; {wanted})", f"line 2 is pulled by {figure} ({wanted})"]
        for path in ("about 19.1 kohm to ground beside its pull", "more than its pull holds it at the supply"):
            out.append(f"line 1 looks into {figure}: {path} ({wanted})")
    kinds = {cause.what for cause in CAUSES if cause.what}
    out += [f"not told apart: {', '.join(sorted(kinds)[:count])}" for count in (2, len(kinds))]
    out.append(f"not told apart: {', '.join(f'{where} 12%' for where in WHERE if where != 'unknown')}")
    return out


def of_monitors() -> list[str]:
    """What is said of power monitors, and of observers that cannot be read or contradict one another."""
    states = [*MeterState, MeterState(9)]
    meters = [Meters(0, BusState.OK, one, two, 0, 0) for one in states for two in states]
    meters.append(Meters(0, BusState.HUNG, MeterState.OK, MeterState.OK, 0, 0))
    whys = [{"a": text, "b": more} for one in meters if (text := one.trouble(1)) and (more := one.trouble(2))]
    whys += [{"a": text} for one in meters for number in (1, 2) if (text := one.trouble(number))]
    whys += [{"pulses": UNWIRED}, {"charger_v": meters[-1].trouble(1), "pulses": UNWIRED}]
    out = [str(kind) for why in whys for kind in (NotHeard(why), NotSeen(why, ("S0", "S3")))]
    gaps = MeterGaps()
    for state in (MeterState.MISSING, MeterState.OK, MeterState.FAILED, MeterState.OK):
        gap = gaps.of(Event("meter", 1, 0, {"meter": 0, "state": int(state)}))
        assert gap is not None
        out.append(gap[1])
    wanted = {state: ["light", "charger_i"] for state in ("S0", "S3", "S5", "G3")}
    for count in range(1, len(wanted) + 1):
        out.append(str(Contradicting({"light": 1, "charger_i": 0}, dict(list(wanted.items())[:count]))))
    alder = load_machine("alder-14")[0]
    for state, shown, fits in (("S5", 1, {0}), ("S5", 2, {0}), ("S3", 2, {0, 1})):
        out.append(told_by_lines(alder, state, shown, fits))
    for meter in (1, 2):
        for when in (f"{counted(3)} during", "from 12.003 s of board time on, to the end of"):
            out.append(f"{meter_name(meter)} did not answer {when} this run; see the gaps in its record")
    for who in ("link or board", "a power monitor", "observer light", "power monitor 1 (charger_i)"):
        out.append(str(Disturbed("the machine was recorded in S3", who)))
    out.append(str(Disturbed("the machine was seen to reach S0", meter_name(1), did="stopped answering")))
    for more in (UNWIRED, "Update it with 'lidjig flash'."):
        out += [f"no readings of light, pulses: {why}. {more}" for why in (NOT_WIRED, NO_SAMPLES)]
    for missing in ("1 batch of readings is", "3 batches of readings are"):
        out.append(f"meter_1_i: {missing} missing before number 12")
    for count in (1, 7):
        out.append(f"the monitors' bus was held and freed by clocks {counted(count)}: nothing was read meanwhile")
    return out


def test_sentences_that_are_put_together_can_be_said_in_every_form(other: Words) -> None:
    texts = [*put_together(), *with_words_filled_in(), *of_monitors(), *taught()]
    assert [text for text in texts if other.sentence(text).lang is not None] == []
    assert len(set(texts)) > 100


def measured_by(machine: str, sensor: str) -> set[str]:
    """Names of all measurements that the procedures declare for a machine."""
    jig = SimpleNamespace(on_event=[], on_link=[], on_batch=[], hello=SimpleNamespace(boot_id=1))
    profiles = load_machine(machine)[0], load_sensor(sensor)[0]
    bench = Bench(jig, None, *profiles, Operator(), Quiet())  # type: ignore[arg-type]
    procedures: list[Procedure] = [Confirm(bench), Isolate(bench), Cycle(bench, 3, proof=Proof(0.9, 0.9))]
    procedures += [Hold(bench, 5.0)]
    procedures += [Sweep(bench, 90.0, 0.0, 5.0), Sweep(bench, 0.0, 90.0, 5.0), Watching(bench, lambda _look: None)]
    procedures.append(Teach(bench, (machine, ""), str))
    return {measured.name for procedure in procedures for measured in procedure.sheet.all()}


def test_names_of_all_measurements_can_be_said(other: Words) -> None:
    found = measured_by("alder-14", "hinge-a1") | measured_by("birch-13", "hinge-b2")
    assert [name for name in sorted(found) if other.sentence(name).lang is not None] == [] and len(found) > 40


def test_a_sentence_taken_apart_and_put_together_is_itself(made: Made) -> None:
    """English through its own templates changes nothing but the sign between numbers in a row."""
    english = {key: text for key, text in catalogue(RECORDED).items() if key.startswith(SENTENCES)}
    itself = sentences.Translator(english, english, lambda number: number)
    with open_store(made.store, create=False) as store:
        for run_id in made.ids.values():
            for finding in store.run(run_id).findings:
                for text in finding.evidence:
                    said = itself(text)
                    assert said is not None and said.replace("; ", ", ") == text.replace("; ", ", ")


def test_numbers_in_sentences_take_the_readers_form() -> None:
    german = Words("de")
    told = "stand-in: slept 4 of 8 times, after 1.042 to 1.130 s (limit 3 s)"
    told += "; missed at board time 70.935, 91.540 and more s"
    said = german.sentence(f"does not fit: {told}")
    assert said.lang is None
    for part in ("1,042 bis 1,130\u202fs", "70,935; 91,540\u202fs und weiteren", "4 von 8"):
        assert part in said.text
    first = "line 1 is pulled by about 1e+03 kohm behind 3.29 V (35 to 60 kohm expected)"
    second = "line 2 shows no pull (nothing measurable; 35 to 60 kohm expected)"
    pulls = german.sentence(f"{first}; {second}").text
    assert pulls.startswith("Leitung 1 hängt über rund 1000\u202fkΩ an 3,29\u202fV")
    assert "; Leitung 2 zeigt keinen Pull-up (nichts Messbares" in pulls


def test_units_in_sentences_are_those_of_the_tables() -> None:
    english = Words("en")
    told = "line 1 is pulled by about 1e+03 kohm behind 3.29 V (35 to 60 kohm expected)"
    wanted = "line 1 is pulled by about 1000\u202fkΩ behind 3.29\u202fV (35 to 60\u202fkΩ expected)"
    assert english.sentence(told).text == wanted
    assert english.sentence("sensor 12%, wiring 30%").text == "sensor 12\u202f%, wiring 30\u202f%"
    assert english.sentence("the angle reached 8 deg").text == "the angle reached 8°"
    missed = english.sentence("slept 1 of 9 times (limit 3 s); missed at board time 20.096, 40.711 and more s").text
    assert missed.endswith("missed at board time 20.096, 40.711\u202fs and more")
    german = Words("de").sentence("charger gives 20.13 V (contract 20 V)").text
    assert german == "Ladegerät gibt 20,13\u202fV (ausgehandelt 20\u202fV)"


@pytest.mark.parametrize("lang", LANGS)
def test_no_text_parts_a_number_from_its_unit(lang: str) -> None:
    texts = Words(lang)
    parted = re.compile(r"\d (%|kΩ|mV|V|mA|s|ms|min)(?!\w)")
    sentences_of_record = lang == RECORDED
    for key, template in catalogue(lang).items():
        if not (sentences_of_record and key.startswith(SENTENCES)):
            text = texts(key, **{slot: "7" for slot in SLOT.findall(template)})
            assert not parted.search(text), key


def test_digits_are_no_finer_than_the_interval() -> None:
    """Two digits of the half-width: JCGM 100:2008 (GUM), 7.2.6."""
    english = Words("en")
    assert [english.rounded(v, 1.88299, 3.87277) for v in (2.87788, 1.88299, 3.87277)] == ["2.88", "1.88", "3.87"]
    assert english.rounded(46.58, 43.55, 49.98) == "46.6" and english.rounded(3.3021, 3.2501, 3.3541) == "3.302"
    assert english.rounded(0.0, 0.0, 0.961) == "0" and english.rounded(20.0, 20.0, 20.0) == "20"


def test_what_has_no_template_stays_as_recorded_and_says_its_language() -> None:
    strange = "the operator wrote {n1} <b>this</b> by hand"
    assert Words("de").sentence(strange) == Said(strange, RECORDED)
    assert Words("en").sentence(strange) == Said(strange)
    # A known frame round something unknown is not half translated.
    assert Words("de").sentence("does not fit: something new").lang == RECORDED


# -- numbers and dates


def test_numbers_and_dates_in_the_readers_form() -> None:
    english, german = Words("en"), Words("de")
    assert english.quantity(46.712, "kohm") == "46.71\u202fkΩ" and german.quantity(46.712, "kohm") == "46,71\u202fkΩ"
    assert german.quantity(-0.3461, "mA") == "\u22120,3461\u202fmA" and english.quantity(8.0, "deg") == "8°"
    assert english.percent(0.0881) == "8.81\u202f%"
    assert german.figure(None) == "–" and english.figure(float("nan")) == "–"
    assert german.between(german.figure(2.5), german.quantity(3.25, "s")) == "2,5 bis 3,25\u202fs"
    stamp = "2026-03-09T07:05:12.345+00:00"
    assert english.date(stamp) == "9 March 2026, 07:05 UTC" and german.date(stamp) == "9. März 2026, 07:05 Uhr UTC"
    assert english.date(None) == "not ended" and english.date("some day") == "some day"
    assert german.seconds(19_600_000) == "19,600\u202fs"


def test_a_missing_key_or_slot_is_an_error() -> None:
    with pytest.raises(KeyError):
        Words("en")("page.nothing")
    with pytest.raises(KeyError):
        Words("en")("form.range", low="1")


@pytest.mark.parametrize("lang", LANGS)
def test_what_rounds_to_nothing_has_no_sign(lang: str) -> None:
    told = Words(lang)
    assert told.figure(-1e-9) == "0"
    assert told.fixed(-0.0004, 3) == told.fixed(0.0004, 3)
    assert told.fixed(-0.0006, 3) == "\u2212" + told.fixed(0.0006, 3)
    assert number(-1e-9, {"decimal": "."}) == "0"
    assert number(-0.25, {"decimal": ","}) == "\u22120,25"
