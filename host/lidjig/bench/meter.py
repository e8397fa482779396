"""A bench meter: what it reads, how well it reads by its data sheet, and a person who types what it shows.

Meters with an interface: meter_scpi.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from lidjig.errors import BadInput, LidjigError

# Where a person meets the danger: asked before the first reading, whoever takes it.
CAUTION = (
    "Set the meter to DC volts and put its leads into V and COM: in a current jack it shorts what it touches. Hold one "
    "lead on the jig's ground and touch nothing but the output with the other; a slip on the sensor connector can "
    "damage the machine."
)
LEADS_ADVICE = "Check the meter, its range, its cable and where its leads are, then repeat the command."
TRIES = 5  # readings that a person may type wrongly before the question is given up
NAME_MAX = 32  # the board's record of a trim has room for so many characters of the meter's name
COARSE = 20.0  # a range higher than the specified one has steps of ten; fewer digits than that were left out
STEP_EXAMPLE = "1 mV"
# What the errors of a data sheet call what a command is given by its options.
OPTIONS = {
    "meter accuracy": "--accuracy", "meter reading_percent": "--accuracy", "meter range_percent": "--accuracy",
    "meter counts": "--accuracy", "meter resolution": "--resolution", "meter resolution_v": "--resolution",
    "meter range": "--range", "meter range_v": "--range",
}  # fmt: skip
HIGHEST_V = 6.6  # no output that a jig trims gives more (its supply ends at 5.5 V); a larger reading is a slip


class MeterFailed(LidjigError):
    """The bench meter gave no reading that can be used. Seen when: nobody types one, cable or plug is loose, the meter
    is off, busy, in another mode, or no meter at all. what: happened; todo: what to do.
    """

    def __init__(self, meter: str, what: str, todo: str) -> None:
        super().__init__(meter, what, todo)
        self.meter, self.what, self.todo = meter, what, todo

    def __str__(self) -> str:
        return f"meter {self.meter}: {self.what}."

    @property
    def next_step(self) -> str:
        return self.todo


@dataclass(frozen=True)
class MeterReading:
    """One reading in V. u_v: standard uncertainty by the meter's accuracy, shared by all its readings in one range.
    resolution_v: one step of the display. text: as it was typed or sent.
    """

    v: float
    u_v: float
    resolution_v: float
    text: str

    @property
    def u_own_v(self) -> float:
        """Standard uncertainty that this reading does not share with others: the display's step (JCGM 100:2008,
        F.2.2.1: a step gives step / sqrt(12)).
        """
        return self.resolution_v / math.sqrt(12.0)


class Meter(Protocol):
    """A voltmeter on the output that is trimmed."""

    @property
    def name(self) -> str:
        """What reads, for the record: 1 to 32 printable ASCII characters."""

    def read_volts(self) -> MeterReading:
        """The voltage now. Raises MeterFailed where there is no reading that can be used."""

    def close(self) -> None:
        """Let go of it. Never raises."""


@dataclass(frozen=True)
class MeterSpec:
    """A meter's data sheet: limit of error = reading_percent of the reading + range_percent of range_v + counts steps
    of resolution_v. Raises BadInput for a specification that says nothing or cannot be.
    """

    resolution_v: float
    reading_percent: float = 0.0
    range_percent: float = 0.0
    range_v: float = 0.0
    counts: float = 0.0

    def __post_init__(self) -> None:
        for key in ("resolution_v", "reading_percent", "range_percent", "range_v", "counts"):
            value = getattr(self, key)
            if not (math.isfinite(value) and value >= 0.0):
                raise BadInput("", f"meter {key}", value, "a number of 0 or more")
        if self.resolution_v == 0.0:
            raise BadInput("", "meter resolution", 0, "one step of its display, such as 0.001 V or 1 mV")
        if self.range_percent > 0.0 and self.range_v == 0.0:
            raise BadInput("", "meter range", self.range_v, "the range in V that the percentage is of, such as 6 V")
        if self.half_width_v(1.0) == 0.0:
            raise BadInput("", "meter accuracy", "0", "percent of reading and counts, such as 0.5%+3")

    @property
    def accuracy(self) -> str:
        """As ACCURACY_FORMS have it."""
        if self.range_percent > 0.0:
            return f"{self.reading_percent:g}%+{self.range_percent:g}% range of {self.range_v:g} V"
        return f"{self.reading_percent:g}%+{self.counts:g}"

    def half_width_v(self, v: float) -> float:
        """Limit of error at a reading, in V."""
        parts = self.reading_percent * abs(v) + self.range_percent * self.range_v
        return parts / 100.0 + self.counts * self.resolution_v

    def u_v(self, v: float) -> float:
        """Standard uncertainty at a reading, in V: any error within the limit alike likely (JCGM 100:2008, 4.3.7)."""
        return self.half_width_v(v) / math.sqrt(3.0)


_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_ACCURACY = re.compile(
    rf"(?P<reading>{_NUMBER})\s*%\s*(?:(?:of\s+)?(?:rdg|reading))?\.?"
    rf"(?:\s*\+\s*(?P<more>{_NUMBER})\s*(?P<of>%\s*(?:(?:of\s+)?(?:rng|range|fs))?\.?"
    r"|(?:counts?|digits?|dgts?|lsd|d)?\.?))?",
    re.IGNORECASE | re.ASCII,
)
_VOLTS = re.compile(rf"(?P<number>[+-]?{_NUMBER})\s*(?P<unit>v|mv|volts?|vdc|mvdc)?", re.IGNORECASE | re.ASCII)
ACCURACY_FORMS = "as the data sheet has it: 0.5%+3 (percent of reading + counts) or 0.0035%+0.0005% range"
VOLTS_FORMS = "1.234, 1.234 V or 1234 mV"


def read_spec(accuracy: str, resolution: str, meter_range: str = "") -> MeterSpec:
    """A specification from the options of a command: accuracy "0.5%+3", "0.05 % rdg + 2 dgt", "0.0035% + 0.0005% of
    range"; resolution and range "0.001", "1 mV", "6 V". Raises BadInput.
    """
    found = _ACCURACY.fullmatch(accuracy.strip().removeprefix("+/-").removeprefix("±").strip().strip("()").strip())
    if found is None:
        raise BadInput("", "meter accuracy", accuracy, ACCURACY_FORMS)
    more, of_range = float(found["more"] or 0.0), (found["of"] or "").startswith("%")
    return MeterSpec(
        resolution_v=_option_v("meter resolution", resolution),
        reading_percent=float(found["reading"]),
        range_percent=more if of_range else 0.0,
        range_v=_option_v("meter range", meter_range) if meter_range else 0.0,
        counts=0.0 if of_range else more,
    )


def _option_v(key: str, text: str) -> float:
    try:
        return parse_volts(text)[0]
    except ValueError as error:
        raise BadInput("", key, text, f"{VOLTS_FORMS} ({error})") from error


def parse_volts(text: str) -> tuple[float, float]:
    """(V, step of its last digit in V) of "1.234", "1.234 V", "1234 mV", as a person or a meter writes them.

    Raises ValueError that says what is wrong with it.
    """
    given = text.strip()
    if not given:
        raise ValueError("nothing was entered")
    found = _VOLTS.fullmatch(given)
    if found is None:
        raise ValueError(_what_is_wrong(given))
    number = found["number"]
    scale = 1e-3 if (found["unit"] or "").lower().startswith("m") else 1.0
    if not math.isfinite(float(number)):
        raise ValueError(f"{number} is no voltage")
    mantissa, _e, exponent = number.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    try:
        step = 10.0 ** (int(exponent or 0) - decimals)
    except OverflowError as error:
        raise ValueError(f"{number} is no voltage") from error
    return float(number) * scale, step * scale


def _what_is_wrong(given: str) -> str:
    """Why a text is no voltage, as a person would say it."""
    if re.fullmatch(r"[-+]?[o0]\.?[l1f]\.?|-{2,}|over(load)?", given, re.IGNORECASE):
        return f"{given!r} is the meter's overload: choose a larger range, or check its leads"
    if re.fullmatch(r"[+-]?\d*,\d+\s*(m?v)?", given, re.IGNORECASE):
        return f"{given!r} has a comma: write a point, as in {given.replace(',', '.')}"
    unit = re.fullmatch(rf"[+-]?{_NUMBER}\s*(?P<unit>\D+)", given)
    if unit is not None:
        return f"{unit['unit'].strip()!r} is no unit that is known here, only V and mV are"
    return f"{given!r} is no voltage"


def plausible(v: float, highest_v: float) -> str:
    """Why a reading can be no trimmed output's; "" where it can."""
    if v > highest_v:
        allowed = f"the {highest_v:g} V that this output can give"
        return f"{v:g} V is more than {allowed}: in mV it has to be typed with its unit"
    # Offsets of meter and output put zero a little below zero, not by more than this.
    if v < -0.1:
        return f"{v:g} V is below ground: the leads may be swapped"
    return ""


class TypedMeter:
    """A person who types what a meter shows.

    ask: shows a question and gives the line that was typed, None where nobody answers (end of input). spec: of the
    meter. name: for the record. highest_v: more than this is taken for a slip.
    """

    def __init__(
        self,
        ask: Callable[[str], str | None],
        spec: MeterSpec,
        name: str = "typed by hand",
        highest_v: float = HIGHEST_V,
    ) -> None:
        self._ask, self._spec, self._name, self._highest_v = ask, spec, short_name(name), highest_v
        self._cautioned = False

    @property
    def name(self) -> str:
        """What reads, for the record."""
        return self._name

    def read_volts(self) -> MeterReading:
        """Ask until a voltage is typed, at most TRIES times. Raises MeterFailed."""
        question = "Reading of the meter in V: "
        if not self._cautioned:
            question = f"{CAUTION}\n{question}"
            self._cautioned = True
        problem, before = "", ""
        for _try in range(TRIES):
            text = self._ask(question)
            if text is None:
                break
            try:
                v, step_v = parse_volts(text)
                problem = plausible(v, self._highest_v) or self._too_coarse(step_v, text, before)
            except ValueError as error:
                problem = str(error)
            if not problem:
                # Who types fewer digits than the meter shows has read it less finely.
                resolution_v = max(self._spec.resolution_v, step_v)
                return MeterReading(v, self._spec.u_v(v), resolution_v, text.strip())
            before, question = text, f"{problem}. Accepted: {VOLTS_FORMS}.\nReading of the meter in V: "
        what = problem or "nobody typed a reading"
        raise MeterFailed(self._name, what, f"Repeat the command and type what the meter shows: {VOLTS_FORMS}.")

    def _too_coarse(self, step_v: float, text: str, before: str) -> str:
        """Why to ask for more digits; "" where there are enough, or the same was typed again."""
        if step_v <= COARSE * self._spec.resolution_v or text == before:
            return ""
        return f"{text.strip()!r} has fewer digits than the meter: type all that it shows (or the same again)"

    def close(self) -> None:
        """Nothing to let go of."""


def short_name(text: str) -> str:
    """A meter's name for the record: printable ASCII, at most NAME_MAX characters; "meter" where nothing is left."""
    ascii_only = "".join(c if c.isascii() and c.isprintable() else " " for c in text.replace(",", " "))
    return " ".join(ascii_only.split())[:NAME_MAX].strip() or "meter"
