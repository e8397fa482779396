"""Bench meters: what a person types, what an instrument answers, and what is said where either goes wrong."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.bench.meter import CAUTION, TRIES, MeterFailed, MeterSpec, TypedMeter, parse_volts, read_spec, short_name
from lidjig.bench.meter_scpi import GONE, SILENT, ScpiMeter, TalkFailed, open_meter
from lidjig.cli.failing import exit_status
from lidjig.errors import BadInput

SPEC = MeterSpec(resolution_v=0.001, reading_percent=0.5, counts=3)


# Specification


@pytest.mark.parametrize(
    ("accuracy", "half_v"),
    # Of 2 V with steps of 1 mV in a range of 6 V, worked by hand.
    [
        ("0.5%+3", 0.013),
        ("0.5 % + 3 counts", 0.013),
        ("±(0.5% rdg + 3 dgt)", 0.013),
        ("+/-(0.5% of reading + 3 digits)", 0.013),
        ("0.5%", 0.010),
        ("0.0035% + 0.0005% of range", 0.0001),
        ("0.0035%+0.0005% rng", 0.0001),
        ("0%+2", 0.002),
    ],
)
def test_accuracy_as_data_sheets_write_it(accuracy: str, half_v: float) -> None:
    spec = read_spec(accuracy, "1 mV", "6 V")
    assert spec.half_width_v(2.0) == pytest.approx(half_v)
    assert spec.half_width_v(-2.0) == pytest.approx(half_v)
    assert spec.u_v(2.0) == pytest.approx(half_v / math.sqrt(3.0))


@pytest.mark.parametrize(
    ("given", "key"),
    [
        (("good", "1 mV"), "meter accuracy"),
        (("0.5", "1 mV"), "meter accuracy"),
        (("0%", "1 mV"), "meter accuracy"),
        (("-0.5%", "1 mV"), "meter accuracy"),
        (("0.5%+3", "fine"), "meter resolution"),
        (("0.5%+3", "0"), "meter resolution"),
        (("0.5%+3", "-1 mV"), "meter resolution_v"),
        (("0.01%+0.01% range", "1 mV"), "meter range"),
        (("1e999%", "1 mV"), "meter reading_percent"),
    ],
)
def test_specifications_that_say_nothing(given: tuple[str, str], key: str) -> None:
    with pytest.raises(BadInput) as caught:
        read_spec(*given)
    assert caught.value.key == key and exit_status(caught.value) == 2


# Typed by a person


@pytest.mark.parametrize(
    ("text", "v", "step_v"),
    [
        ("1.234", 1.234, 1e-3),
        ("1.234 V", 1.234, 1e-3),
        ("1234 mV", 1.234, 1e-3),
        (" 1234.5mV ", 1.2345, 1e-4),
        ("+1.65020000E+00", 1.6502, 1e-8),
        ("-.5", -0.5, 0.1),
        ("3", 3.0, 1.0),
        ("1.20 volts", 1.2, 0.01),
    ],
)
def test_voltages_as_people_and_meters_write_them(text: str, v: float, step_v: float) -> None:
    found = parse_volts(text)
    assert found == (pytest.approx(v), pytest.approx(step_v))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "nothing was entered"),
        ("1,234", "write a point, as in 1.234"),
        ("1,234 mV", "write a point"),
        ("OL", "overload"),
        ("0L", "overload"),
        ("----", "overload"),
        ("1.2 kV", "'kV' is no unit"),
        ("1.2 A", "'A' is no unit"),
        ("about 2", "is no voltage"),
        ("1.2.3", "is no voltage"),
        ("nan", "is no voltage"),
        ("inf", "is no voltage"),
        ("1e999", "is no voltage"),
        ("0e999", "is no voltage"),
        ("٣", "is no voltage"),
    ],
)
def test_what_is_wrong_with_anything_else(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        parse_volts(text)


@settings(max_examples=80, deadline=None)
@given(
    st.text(max_size=20)
    | st.from_regex(r"[-+]?[0-9]{0,25}[.,]?[0-9]{0,4}([eE][-+]?[0-9]{1,4})? ?m?V?", fullmatch=True)
)
def test_any_text_is_a_voltage_or_said_to_be_none(text: str) -> None:
    try:
        v, step_v = parse_volts(text)
    except ValueError as error:
        assert str(error)
    else:
        assert math.isfinite(v) and math.isfinite(step_v) and step_v >= 0.0


class Person:
    """Types what is given, in order, and keeps what was asked."""

    def __init__(self, *typed: str | None) -> None:
        self.typed, self.asked = list(typed), list[str]()

    def __call__(self, question: str) -> str | None:
        self.asked.append(question)
        return self.typed.pop(0)


def test_a_typed_reading() -> None:
    person = Person("1.650", "1651 mV")
    meter = TypedMeter(person, SPEC, "Ostwald M-6000")
    reading = meter.read_volts()
    assert (reading.v, reading.resolution_v, reading.text) == (1.65, 0.001, "1.650")
    # By hand: 0.5 % of 1.65 V and 3 steps of 1 mV is 11.25 mV, rectangular; the step over the root of 12
    assert reading.u_v == pytest.approx(0.01125 / math.sqrt(3.0))
    assert reading.u_own_v == pytest.approx(0.001 / math.sqrt(12.0))
    assert meter.read_volts().v == 1.651 and meter.name == "Ostwald M-6000"
    # Who holds the leads is cautioned, once.
    assert CAUTION in person.asked[0] and CAUTION not in person.asked[1]


def test_a_slip_is_told_and_asked_again() -> None:
    person = Person("1,65", "1650", "-1.650", "1.650")
    assert TypedMeter(person, SPEC).read_volts().v == 1.65
    assert "write a point, as in 1.65" in person.asked[1]
    assert "in mV it has to be typed" in person.asked[2] and "leads may be swapped" in person.asked[3]
    assert not any("?." in asked for asked in person.asked)
    assert all("1234 mV" in question for question in person.asked[1:])


def test_digits_left_out_are_asked_for_and_then_believed() -> None:
    person = Person("1.6", "1.650")
    assert TypedMeter(person, SPEC).read_volts().resolution_v == 0.001
    assert "fewer digits" in person.asked[1]
    stubborn = TypedMeter(Person("1.6", "1.6"), SPEC).read_volts()
    assert (stubborn.v, stubborn.resolution_v) == (1.6, pytest.approx(0.1))
    # One range higher than specified has steps of ten: that is how such a meter is.
    assert TypedMeter(Person("1.65"), SPEC).read_volts().resolution_v == pytest.approx(0.01)


def test_nobody_types_or_only_nonsense() -> None:
    for person, words in ((Person(None), "nobody typed"), (Person(*["no"] * TRIES), "'no' is no voltage")):
        with pytest.raises(MeterFailed, match=words) as caught:
            TypedMeter(person, SPEC).read_volts()
        assert "1.234 V" in caught.value.next_step and exit_status(caught.value) == 3
        assert not person.typed


def test_names_fit_the_record() -> None:
    assert short_name("Ostwald Instruments,M-6000,SN 000417") == "Ostwald Instruments M-6000 SN 00"
    assert short_name("Meßgerät\x07") == "Me ger t" and short_name("\n") == "meter"


# Asked in SCPI, over lines that are given


class Lines:
    """A Talk with a script: what each line is answered with; an exception is raised, None is no answer."""

    def __init__(self, script: dict[str, list[str | None | TalkFailed]]) -> None:
        self.script, self.sent, self.waiting, self.closed = script, list[str](), list[str](), False

    def write(self, line: str) -> None:
        self.sent.append(line)
        answers = self.script.get(line, [])
        answer = answers.pop(0) if len(answers) > 1 else (answers[0] if answers else None)
        if isinstance(answer, TalkFailed):
            raise answer
        if answer is not None:
            self.waiting.append(answer)

    def read(self) -> str:
        if not self.waiting:
            raise TalkFailed(SILENT, "nothing within 1 s")
        return self.waiting.pop(0)

    def close(self) -> None:
        self.closed = True


IDN = "Ostwald Instruments,M-6000,SN 000417,1.07"


def test_a_late_answer_is_not_that_to_the_next_question() -> None:
    lines = Lines({"*IDN?": [IDN], "MEAS:VOLT:DC?": ["+1.000", None, "+3.000"]})
    meter = ScpiMeter(lines, "port", SPEC)
    assert meter.read_volts().v == 1.0
    with pytest.raises(MeterFailed, match="did not answer MEAS"):
        meter.read_volts()
    lines.waiting.append("+2.000")  # it comes after all
    assert meter.read_volts().v == 3.0


def test_a_meter_that_stays_out_of_turn_is_given_up() -> None:
    lines = Lines({"*IDN?": [IDN], "MEAS:VOLT:DC?": [None]})
    meter = ScpiMeter(lines, "port", SPEC)
    with pytest.raises(MeterFailed):
        meter.read_volts()
    lines.waiting += ["+1"] * 20
    with pytest.raises(MeterFailed, match="out of turn") as caught:
        meter.read_volts()
    assert "off and on" in caught.value.next_step


def test_remote_comes_first_where_it_is_asked_for() -> None:
    lines = Lines({"*IDN?": [IDN], "MEAS:VOLT:DC?": ["1.5 VDC"]})
    assert ScpiMeter(lines, "port", SPEC, remote=True).read_volts().v == 1.5
    assert lines.sent == ["SYST:REM", "*IDN?", "MEAS:VOLT:DC?"]


@pytest.mark.parametrize("answer", ["READY", "", ",", "a\x1b[2J,b", "-113"])
def test_what_names_no_instrument_is_refused_and_let_go(answer: str) -> None:
    lines = Lines({"*IDN?": [answer]})
    with pytest.raises(MeterFailed, match="names no instrument") as caught:
        ScpiMeter(lines, "port", SPEC)
    assert lines.closed and "baud rate" in caught.value.next_step
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("+9.90000000E+37", "overload"),
        ("-9.9E37", "overload"),
        ("+9.91E37", "overload"),
        ("12.000", "more than the 6.6 V"),
        ("-1.2", "below ground"),
        ("1.2,1.3", "no voltage"),
        ("\x1b[2J", "no voltage"),
        ("1.2 A", "no voltage"),
    ],
)
def test_answers_that_are_no_reading(answer: str, words: str) -> None:
    meter = ScpiMeter(Lines({"*IDN?": [IDN], "MEAS:VOLT:DC?": [answer]}), "port", SPEC)
    with pytest.raises(MeterFailed, match=words) as caught:
        meter.read_volts()
    assert str(caught.value).isprintable() and caught.value.next_step and exit_status(caught.value) == 3


def test_a_cable_pulled_while_it_is_asked() -> None:
    lines = Lines({"*IDN?": [IDN], "MEAS:VOLT:DC?": [TalkFailed(GONE, "Input/output error")]})
    meter = ScpiMeter(lines, "port", SPEC)
    with pytest.raises(MeterFailed, match="was lost") as caught:
        meter.read_volts()
    assert "cable" in caught.value.next_step


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"resource": "the meter"}, "meter"),
        ({"resource": ""}, "meter"),
        ({"resource": "FOO0::1::INSTR"}, "meter"),
        ({"ending": "tab"}, "meter line ending"),
        ({"timeout_s": 0.0}, "meter timeout"),
        ({"timeout_s": math.nan}, "meter timeout"),
        ({"baud": 0}, "meter baud rate"),
    ],
)
def test_what_names_no_meter_is_bad_input(changes: dict[str, object], key: str) -> None:
    given: dict[str, object] = {"resource": "COM3", "spec": SPEC} | changes
    with pytest.raises(BadInput) as caught:
        open_meter(**given)  # type: ignore[arg-type]
    assert caught.value.key == key
