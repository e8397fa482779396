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
from lidjig.show.numbers import figure
from lidjig.show.report.sentences import Translator

RECORDED = "en"  # the language of the record's own sentences
LANGS = ("en", "de")
SENTENCES = "sentence."

_UNITS = {"kohm": "kΩ", "ohm": "Ω", "deg": "°", "us": "µs", "1": "", "": ""}
_MINUS, _NBSP = "−", "\u00a0"
_SLOT = re.compile(r"\{(\w+)\}")


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


def _flatten(prefix: str, table: dict[str, Any], flat: dict[str, str]) -> None:
    for key, value in table.items():
        if isinstance(value, dict):
            _flatten(f"{prefix}{key}.", value, flat)
        else:
            flat[prefix + key] = str(value)


class Words:
    """Texts, numbers and dates of one language. Raises BadInput for a language that there is none for."""

    def __init__(self, lang: str = RECORDED) -> None:
        self._texts = catalogue(lang)
        self.lang = lang
        self._decimal = self._texts["form.decimal"]
        self._translator: Translator | None = None

    def __call__(self, key: str, /, **slots: object) -> str:
        """The text of that key with its slots filled. Raises KeyError for a key or slot that is not there."""
        text = self._texts[key]
        return _SLOT.sub(lambda found: str(slots[found.group(1)]), text)

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
            return Said(recorded)
        if self._translator is None:
            english = {k: t for k, t in catalogue(RECORDED).items() if k.startswith(SENTENCES)}
            self._translator = Translator(english, self._texts, self._renumber)
        said = self._translator(recorded)
        return Said(recorded, RECORDED) if said is None else Said(said)

    # -- numbers

    def _renumber(self, text: str) -> str:
        """A number as it was recorded, in this reader's form and with the digits that it had."""
        if "e" in text:
            return self.figure(float(text))
        return text.replace("-", _MINUS).replace(".", self._decimal)

    def figure(self, value: float | None, digits: int = 4) -> str:
        """Up to `digits` significant digits; a dash where there is no number."""
        if value is None or not math.isfinite(value):
            return "–"
        return figure(value, digits).replace("-", _MINUS).replace(".", self._decimal)

    def fixed(self, value: float, places: int) -> str:
        """With so many places."""
        return f"{value:.{places}f}".replace("-", _MINUS).replace(".", self._decimal)

    def unit(self, unit: str) -> str:
        """The sign of a unit."""
        return _UNITS.get(unit, unit)

    def quantity(self, value: float | None, unit: str, digits: int = 4) -> str:
        """Number and unit, kept together."""
        sign = self.unit(unit)
        between = "" if sign in ("", "°") else _NBSP
        return self.figure(value, digits) + between + sign

    def percent(self, part: float | None, digits: int = 3) -> str:
        """A part of one in percent."""
        if part is None:
            return self.figure(None)
        return self.figure(part * 100.0, digits) + _NBSP + "%"

    def seconds(self, t_us: int | None, places: int = 3) -> str:
        """Board time in s."""
        return self.figure(None) if t_us is None else self.fixed(t_us / 1e6, places) + _NBSP + "s"

    def between(self, low: str, high: str) -> str:
        """ "2.6 to 2.7"."""
        return self("form.range", low=low, high=high)

    # -- dates

    def date(self, stamp: str | None) -> str:
        """Day, month by name, year, and the time in UTC, of a stamp of the record."""
        if stamp is None:
            return self("form.never")
        try:
            when = datetime.fromisoformat(stamp)
        except ValueError:
            return stamp
        month = self(f"month.m{when.month}")
        return self("form.date", day=when.day, month=month, year=when.year, time=f"{when:%H:%M}")
