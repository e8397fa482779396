"""The reader's language: texts from one catalogue a language, numbers and dates in the reader's form, units in SI."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from typing import Any

from lidjig.errors import BadInput
from lidjig.record.identity import UNKNOWN_UTC
from lidjig.show.numbers import duration, figure, places, share
from lidjig.show.report.sentences import Translator

RECORDED = "en"  # the language of the record's own sentences
LANGS = ("en", "de")
SENTENCES = "sentence."

_UNITS = {"kohm": "kΩ", "ohm": "Ω", "deg": "°", "permille": "‰", "us": "µs", "1": "", "": ""}
_MINUS = "−"
NARROW = "\u202f"  # between a number and its unit: narrow, and no line breaks at it
SECONDS = NARROW + "s"  # behind a board time
_SLOT = re.compile(r"\{(\w+)\}")
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\d)")  # before a number, and no hyphen of an id
# A number (or the slot of one) and a unit behind it, as a sentence has them.
_TIED = re.compile(
    r"(?<=[\d}])[ \u00a0]?(%|°)|(?<=[\d}])[ \u00a0](kΩ|Ω|µs|mV|V|mA|A|ms|s|min|h|Hz|kohm|ohm|deg|permille)(?!\w)"
)
_EXPONENT = re.compile(r"(?<![\w.])\d+(?:\.\d+)?e[+-]\d+(?!\w)")
# The unit comes after the last of several times, also where more of them are left out.
_AND_MORE = re.compile(r"(board time [\d., ]*\d) and more s\b")


@dataclass(frozen=True)
class Said:
    """A text and, where it is not in the language of the report, the language that it is in."""

    text: str
    lang: str | None = None


def catalogue(lang: str) -> dict[str, str]:
    """Key ("outcome.pass") -> text of one language. Raises BadInput for a language that there is none for."""
    if lang not in LANGS:
        raise BadInput("", "--lang", lang, ", ".join(LANGS))
    file = resources.files("lidjig.show.report") / "lang" / f"{lang}.toml"
    flat: dict[str, str] = {}
    _flatten("", tomllib.loads(file.read_text(encoding="utf-8")), flat)
    return flat


def tied(text: str) -> str:
    """A text whose numbers keep their units: in the form of the tables, and never parted by the end of a line."""

    def sign(found: re.Match[str]) -> str:
        unit = found.group(1) or found.group(2)
        unit = _UNITS.get(unit, unit)
        return unit if unit == "°" else NARROW + unit

    return _TIED.sub(sign, text)


def _flatten(prefix: str, table: dict[str, Any], flat: dict[str, str]) -> None:
    for key, value in table.items():
        if isinstance(value, dict):
            _flatten(f"{prefix}{key}.", value, flat)
        else:
            flat[prefix + key] = str(value)


class Words:
    """Texts, numbers and dates of one language. Raises BadInput for a language that there is none for."""

    def __init__(self, lang: str = RECORDED) -> None:
        # The record's own sentences are found by their templates, which stay as they are recorded.
        kept = SENTENCES if lang == RECORDED else "\0"
        self._texts = {k: text if k.startswith(kept) else tied(text) for k, text in catalogue(lang).items()}
        self.lang = lang
        self._decimal = self._texts["form.decimal"]
        self._translator: Translator | None = None

    def __call__(self, key: str, /, **slots: object) -> str:
        """The text of that key with its slots filled. Raises KeyError for a key or slot that is not there."""
        text = self._texts[key]
        return _SLOT.sub(lambda found: str(slots[found.group(1)]), text)

    def of_command(self, key: str, command: str) -> str:
        """The text of a key as it is told of runs of one command (KEY_COMMAND), where that differs."""
        return self(f"{key}_{command}") if self.has(f"{key}_{command}") else self(key)

    def has(self, key: str) -> bool:
        """Whether the catalogue has the key."""
        return key in self._texts

    def table(self, prefix: str) -> dict[str, str]:
        """All texts below a prefix, keyed by what follows it: labels for a figure."""
        start = prefix + "."
        return {key.removeprefix(start): text for key, text in self._texts.items() if key.startswith(start)}

    def sentence(self, recorded: str) -> Said:
        """A recorded English sentence for this reader; as recorded, and marked so, where it cannot be said."""
        if self.lang == RECORDED:
            plain = _EXPONENT.sub(lambda found: self.figure(float(found.group())), recorded)
            plain = _NEGATIVE.sub(_MINUS, plain)
            return Said(self._once(tied(_AND_MORE.sub(r"\1 s and more", plain))))
        if self._translator is None:
            english = {k: t for k, t in catalogue(RECORDED).items() if k.startswith(SENTENCES)}
            self._translator = Translator(english, self._texts, self._renumber)
        said = self._translator(recorded)
        return Said(recorded, RECORDED) if said is None else Said(self._once(said))

    def _once(self, text: str) -> str:
        """A range from a figure to itself is that figure: one reaction has no fastest and slowest."""
        word = re.escape(self.between("", "").strip())
        return re.sub(rf"(?<![\d.,])([−\d.,]*\d) {word} \1(?![\d.,]*\d)", r"\1", text)

    # -- numbers

    def _renumber(self, text: str) -> str:
        """A number as it was recorded, in this reader's form and with the digits that it had."""
        if "e" in text:
            return self.figure(float(text))
        return text.replace("-", _MINUS).replace(".", self._decimal)

    def times(self, count: int) -> str:
        """ "once", "20 times"."""
        return self("form.once") if count == 1 else self("form.times", n=count)

    def figure(self, value: float | None, digits: int = 4) -> str:
        """Up to `digits` significant digits; a dash where there is no number."""
        if value is None or not math.isfinite(value):
            return "–"
        return figure(value, digits).replace("-", _MINUS).replace(".", self._decimal)

    def fixed(self, value: float, digits: int) -> str:
        """With so many places; what rounds to nothing has no sign."""
        return f"{value:z.{digits}f}".replace("-", _MINUS).replace(".", self._decimal)

    def rounded(self, value: float, low: float, high: float, unit: str = "") -> str:
        """With no more places than the interval low..high bears. A zero stays a bare "0"."""
        digits = places(low, high, unit)
        return self.figure(value) if value == 0.0 or digits is None else self.fixed(value, digits)

    def unit(self, unit: str) -> str:
        """The sign of a unit."""
        return _UNITS.get(unit, unit)

    def quantity(self, value: float | None, unit: str, digits: int = 4) -> str:
        """Number and unit, kept together."""
        return self.with_unit(self.figure(value, digits), unit)

    def with_unit(self, number: str, unit: str) -> str:
        """A number that is written already and its unit, kept together."""
        sign = self.unit(unit)
        return number + ("" if sign in ("", "°") else NARROW) + sign

    def percent(self, part: float | None, digits: int = 3) -> str:
        """A part of one in percent."""
        if part is None:
            return self.figure(None)
        return self.figure(part * 100.0, digits) + NARROW + "%"

    def share(self, probability: float | None) -> str:
        """A probability in percent, rounded as everywhere else; a dash where there is none."""
        if probability is None:
            return self.figure(None)
        return share(probability).replace(".", self._decimal) + NARROW + "%"

    def seconds(self, t_us: int | None, digits: int = 3) -> str:
        """Board time in s."""
        return self.figure(None) if t_us is None else self.fixed(t_us / 1e6, digits) + SECONDS

    def length(self, seconds: float) -> str:
        """A duration: "4 s", "3 min 20 s", "1 h 05 min"."""
        return tied(duration(seconds))

    def between(self, low: str, high: str) -> str:
        """ "2.6 to 2.7"."""
        return self("form.range", low=low, high=high)

    # -- dates

    def date(self, stamp: str | None) -> str:
        """Day, month by name, year, and the time in UTC, of a stamp of the record."""
        if stamp is None:
            return self("form.never")
        if stamp == UNKNOWN_UTC:
            return self("form.unknown")
        try:
            when = datetime.fromisoformat(stamp)
        except ValueError:
            return stamp
        month = self(f"month.m{when.month}")
        return self("form.date", day=when.day, month=month, year=when.year, time=f"{when:%H:%M}")
