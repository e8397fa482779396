"""Both catalogues say the same, each sentence of the record can be said in both, numbers read as people write."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import lidjig.errors as errors
import pytest
from lidjig.bench.actions import ACTIONS
from lidjig.errors import BadInput
from lidjig.procedures.isolate_table import CAUSES
from lidjig.record.model import MEASUREMENT_OUTCOMES, RUN_OUTCOMES, WHERE
from lidjig.record.store import open_store
from lidjig.show.report import sentences, words
from lidjig.show.report.words import LANGS, RECORDED, SENTENCES, Said, Words, catalogue
from make_runs import Made

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


def test_every_note_and_observation_that_a_procedure_writes_has_a_template() -> None:
    """Those that no made run comes to as well: their literal parts stand in some template in the same order."""
    templates = [SLOT.sub("\0", text) for key, text in catalogue(RECORDED).items() if key.startswith(SENTENCES)]
    folder = Path(errors.__file__).parent / "procedures"
    unsaid, seen = [], 0
    for path in sorted(folder.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = getattr(node, "func", None)
            called = getattr(name, "attr", None) or getattr(name, "id", None)
            if not isinstance(node, ast.Call) or called not in ("note", "Seen", "add", "LineFound", "_skip"):
                continue
            for argument in node.args:
                text = "".join(pieces(argument) or [])
                literal = [part.strip() for part in text.split("\0") if len(part.strip()) > 3]
                if " " in text.strip() and literal:
                    seen += 1
                    if not any(in_order(literal, template) for template in templates):
                        unsaid.append(f"{path.name}:{node.lineno}: {text}")
    assert unsaid == [] and seen > 15


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
    assert "1,042 bis 1,130 s" in said.text and "70,935; 91,540" in said.text and "4 von 8" in said.text
    first = "line 1 is pulled by about 1e+03 kohm behind 3.29 V (35 to 60 kohm expected)"
    second = "line 2 shows no pull (nothing measurable; 35 to 60 kohm expected)"
    pulls = german.sentence(f"{first}; {second}").text
    assert pulls.startswith("Leitung 1 wird gezogen durch etwa 1000 kΩ hinter 3,29 V")
    assert "; Leitung 2 zeigt keinen Pull-up (nichts Messbares" in pulls


def test_what_has_no_template_stays_as_recorded_and_says_its_language() -> None:
    strange = "the operator wrote {n1} <b>this</b> by hand"
    assert Words("de").sentence(strange) == Said(strange, RECORDED)
    assert Words("en").sentence(strange) == Said(strange)
    # A known frame round something unknown is not half translated.
    assert Words("de").sentence("does not fit: something new").lang == RECORDED


# -- numbers and dates


def test_numbers_and_dates_in_the_readers_form() -> None:
    english, german = Words("en"), Words("de")
    assert english.quantity(46.712, "kohm") == "46.71\u00a0kΩ" and german.quantity(46.712, "kohm") == "46,71\u00a0kΩ"
    assert german.quantity(-0.3461, "mA") == "\u22120,3461\u00a0mA" and english.quantity(8.0, "deg") == "8°"
    assert english.percent(0.0881) == "8.81\u00a0%"
    assert german.figure(None) == "–" and english.figure(float("nan")) == "–"
    assert german.between(german.figure(2.5), german.quantity(3.25, "s")) == "2,5 bis 3,25\u00a0s"
    stamp = "2026-03-09T07:05:12.345+00:00"
    assert english.date(stamp) == "9 March 2026, 07:05 UTC" and german.date(stamp) == "9. März 2026, 07:05 Uhr UTC"
    assert english.date(None) == "not ended" and english.date("some day") == "some day"
    assert german.seconds(19_600_000) == "19,600\u00a0s"


def test_a_missing_key_or_slot_is_an_error() -> None:
    with pytest.raises(KeyError):
        Words("en")("page.nothing")
    with pytest.raises(KeyError):
        Words("en")("form.range", low="1")
